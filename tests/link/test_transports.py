"""Transports against what the operating system does: locks, hang-ups, dead peers, full pipes, a real RFC 2217 server."""

import asyncio
import contextlib
import os
import shutil
import socket
import termios
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from tests.link.hosts import PtyPeer, TcpPeer, free_port
from tests.link.peers import Peer

from layergate.link import tcp, transports
from layergate.link.serial import explain
from layergate.link.transports import BACKLOG_BYTES, Endpoint, OpenError, Transport, make_transport

DEADLINE_S = 10.0


class Owner:
    """Owns a transport: keeps what came and why it was lost."""

    def __init__(self, device: str, **options: Any) -> None:
        self.data = b""
        self.lost: list[str] = []
        self.changed = asyncio.Event()
        self.transport: Transport = make_transport(Endpoint(device=device, **options), self._on_data, self._on_lost)

    def _on_data(self, data: bytes) -> None:
        self.data += data
        self.changed.set()

    def _on_lost(self, reason: str) -> None:
        self.lost.append(reason)
        self.changed.set()

    async def until(self, condition: Callable[[], bool]) -> None:
        """Wait until something is so."""
        async with asyncio.timeout(DEADLINE_S):
            while not condition():
                self.changed.clear()
                await self.changed.wait()


@contextlib.asynccontextmanager
async def owner(device: str, **options: Any) -> AsyncIterator[Owner]:
    """Give an owner of an open transport."""
    owning = Owner(device, **options)
    await owning.transport.open()
    try:
        yield owning
    finally:
        await owning.transport.close()


@pytest.fixture
async def pty_peer(tmp_path: Path) -> AsyncIterator[PtyPeer]:
    host = PtyPeer(Peer(), tmp_path)
    host.plug()
    yield host
    host.unplug()


@pytest.fixture
async def tcp_peer() -> AsyncIterator[TcpPeer]:
    host = TcpPeer(Peer())
    await host.start()
    yield host
    await host.stop()


@pytest.mark.parametrize(
    "device", ["socket://printer", "socket://:23", "telnet://h:1", "rfc2217://h:port", "socket://h:"]
)
async def test_a_wrong_device_name_is_a_clear_error(device: str) -> None:
    """Names of no known kind say what was expected."""
    with pytest.raises(ValueError, match="expected"):
        Owner(device)


# -- serial -------------------------------------------------------------------------------------------------------------


async def test_a_serial_device_is_opened_raw_and_keeps_its_lines_on_close(pty_peer: PtyPeer) -> None:
    """Bytes pass unchanged in both directions; closing does not drop DTR, so that reopening resets no board."""
    pty_peer.peer.ok_form = "ok {n} \x03\x11\x13\x1a"  # bytes that a terminal would act on
    async with owner(pty_peer.device, baud=250_000) as owning:
        assert not pty_peer.settings()[2] & termios.HUPCL
        assert not pty_peer.settings()[0] & (termios.IXON | termios.IXOFF | termios.ICRNL)
        owning.transport.write(b"N0 M110 N0*125\n")
        await owning.until(lambda: owning.data.endswith(b"\n"))
        assert owning.data == b"ok 0 \x03\x11\x13\x1a\n"


async def test_a_second_opener_is_told_who_is_in_the_way(pty_peer: PtyPeer) -> None:
    """One owner only; the error says what to do. After the first has closed, the second gets it."""
    async with owner(pty_peer.device):
        with pytest.raises(OpenError, match=r"in use by another process.*fuser"):
            await Owner(pty_peer.device).transport.open()
    async with owner(pty_peer.device) as second:
        assert second.transport.is_open


async def test_a_read_without_need_is_no_loss(pty_peer: PtyPeer) -> None:
    """Read when nothing waits: on a tty that is 'not yet', not the end of the link; a printer is then read as before.

    termios(3): with O_NONBLOCK and VMIN > 0, read fails with EAGAIN where nothing waits; with VMIN = 0 it returns 0, as it
    does after a hang-up.
    """
    async with owner(pty_peer.device) as owning:
        for _ in range(3):
            owning.transport._readable()
        assert owning.lost == []
        owning.transport.write(b"M105\n")
        await owning.until(lambda: owning.data.endswith(b"\n"))
        assert owning.data.startswith(b"ok T:")
        assert owning.lost == []


async def test_unplugging_is_a_loss_told_once(pty_peer: PtyPeer) -> None:
    """The device disappears: one loss with a reason, the descriptor is closed promptly, writing is harmless."""
    async with owner(pty_peer.device) as owning:
        before = len(os.listdir("/proc/self/fd"))
        pty_peer.unplug()
        await owning.until(lambda: bool(owning.lost))
        owning.transport.write(b"N1 M105*38\n")
        await owning.transport.close("again")
        assert len(owning.lost) == 1
        assert "gone" in owning.lost[0] or "failed" in owning.lost[0]
        assert not owning.transport.is_open
        async with asyncio.timeout(DEADLINE_S):
            while len(os.listdir("/proc/self/fd")) > before - 3:  # both ends of the peer, and ours
                await asyncio.sleep(0.01)


async def test_a_reset_on_opening_is_asked_for_where_wanted(pty_peer: PtyPeer) -> None:
    """With `pulse` DTR goes low for a moment; a device without control lines (a pty) opens all the same."""
    async with owner(pty_peer.device, reset_on_open="pulse") as owning:
        owning.transport.write(b"N0 M110 N0*125\n")
        await owning.until(lambda: owning.data == b"ok\n")


async def test_a_missing_device_is_a_clear_error(tmp_path: Path) -> None:
    """What is wrong, and where to look."""
    with pytest.raises(OpenError, match=r"no such device.*/dev/serial/by-id"):
        await Owner(str(tmp_path / "nothing")).transport.open()


async def test_a_plain_file_is_no_serial_device(tmp_path: Path) -> None:
    """A path to something else says so."""
    (tmp_path / "file").write_text("x")
    with pytest.raises(OpenError, match=r"not a serial device|can't be opened"):
        await Owner(str(tmp_path / "file")).transport.open()


def test_missing_rights_are_explained_with_owner_group_and_mode() -> None:
    """Path, owner, group, mode, our own user and groups, and three things to try (anchors.md B.3)."""
    text = explain("/dev/null", PermissionError(13, "Permission denied"))
    for part in ("/dev/null", "owner root", "group root", "mode crw", "this process is user", "Try:", "dmesg"):
        assert part in text


# -- blocked writes -----------------------------------------------------------------------------------------------------


async def test_a_blocked_write_blocks_nothing_and_ends_in_a_loss() -> None:
    """A peer that does not read fills the pipe; writing goes on returning at once, until the buffer's bound is a loss."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        async with owner(f"socket://127.0.0.1:{listener.getsockname()[1]}") as owning:
            loop = asyncio.get_running_loop()
            began, written = loop.time(), 0
            while not owning.lost and written < 64 << 20:
                owning.transport.write(b"x" * 16384)
                written += 16384
            assert loop.time() - began < 5
            assert owning.lost == ["the device takes no data (write buffer full)"]
            assert written > BACKLOG_BYTES


async def test_a_write_that_does_not_drain_is_a_loss(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not one byte taken for the stall time, though less than the bound waits: lost all the same."""
    monkeypatch.setattr(transports, "WRITE_STALL_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        async with owner(f"socket://127.0.0.1:{listener.getsockname()[1]}") as owning:
            while not owning.transport._backlog and not owning.lost:
                owning.transport.write(b"x" * 8192)
            await owning.until(lambda: bool(owning.lost))
            assert "no byte could be written" in owning.lost[0]


async def test_an_urgent_write_drops_what_waits() -> None:
    """A stop request does not queue behind lines that are still waiting to be written."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        async with owner(f"socket://127.0.0.1:{listener.getsockname()[1]}") as owning:
            while not owning.transport._backlog:
                owning.transport.write(b"G1 X1\n" * 500)
            owning.transport.write(b"NEVER\n")
            owning.transport.write_urgent(b"\nM112\n")
            peer, _ = listener.accept()
            with peer:
                peer.setblocking(False)
                loop = asyncio.get_running_loop()
                received = b""
                async with asyncio.timeout(DEADLINE_S):
                    while not received.endswith(b"\nM112\n"):
                        received += await loop.sock_recv(peer, 1 << 20)
                assert b"NEVER" not in received


# -- TCP ----------------------------------------------------------------------------------------------------------------


async def test_a_closed_connection_is_a_loss(tcp_peer: TcpPeer) -> None:
    """End of data is a loss, told once."""
    async with owner(tcp_peer.device) as owning:
        owning.transport.write(b"N0 M110 N0*125\n")
        await owning.until(lambda: owning.data == b"ok\n")
        tcp_peer.drop()
        await owning.until(lambda: bool(owning.lost))
        assert len(owning.lost) == 1


async def test_the_loop_stays_awake_for_a_quick_peer_only(tcp_peer: TcpPeer, monkeypatch: pytest.MonkeyPatch) -> None:
    """After an answer at once the loop waits awake for the next, no longer than stated; after a slow one it sleeps."""
    now_s = 100.0
    monkeypatch.setattr(tcp, "time", SimpleNamespace(monotonic=lambda: now_s))
    async with owner(tcp_peer.device) as owning:
        transport = owning.transport
        assert isinstance(transport, tcp.TcpTransport)
        transport.write(b"M110 N0\n")
        now_s += 10 * tcp.AWAKE_S  # the answer is slow
        await owning.until(lambda: owning.data == b"ok\n")
        transport.write(b"M110 N0\n")
        assert not transport._awake
        await owning.until(lambda: owning.data == b"ok\nok\n")  # at once
        transport.write(b"M110 N0\n")
        await asyncio.sleep(0)
        assert transport._awake
        now_s += 2 * tcp.AWAKE_S
        await asyncio.sleep(0)
        assert not transport._awake


async def test_a_refused_connection_is_a_clear_error() -> None:
    """Nobody listens: host, port, reason and what to check."""
    with pytest.raises(OpenError, match=r"127.0.0.1 port \d+: .*refused.*firewall"):
        await Owner(f"socket://127.0.0.1:{free_port()}").transport.open()


async def test_a_dead_peer_is_looked_for(tcp_peer: TcpPeer) -> None:
    """Keep-alive and a limit on unacknowledged data are set, so that a printer that lost power is noticed; no delay."""
    async with owner(tcp_peer.device) as owning:
        connection: socket.socket = owning.transport._socket  # type: ignore[attr-defined]
        assert connection.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
        assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE) <= 30
        assert 0 < connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) <= 60_000
        assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1


# -- RFC 2217 -----------------------------------------------------------------------------------------------------------


@contextlib.asynccontextmanager
async def port_server(folder: Path, device: str, port: int = 0) -> AsyncIterator[int]:
    """Run ser2net (Debian) for a device; give its port. Its process id is left in ``ser2net.pid``."""
    program = shutil.which("ser2net") or "/usr/sbin/ser2net"
    if not os.path.exists(program):
        pytest.skip("ser2net is not installed (Debian package ser2net)")
    port = port or free_port()
    (folder / "ser2net.yaml").write_text(
        f"connection: &printer\n  accepter: telnet(rfc2217),tcp,127.0.0.1,{port}\n"
        f"  connector: serialdev,{device},115200n81,local\n  options:\n    kickolduser: true\n"
    )
    with (folder / "ser2net.log").open("wb") as log:
        process = await asyncio.create_subprocess_exec(
            program, "-n", "-d", "-u", "-c", str(folder / "ser2net.yaml"), stdout=log, stderr=log
        )
    (folder / "ser2net.pid").write_text(str(process.pid))
    try:
        async with asyncio.timeout(DEADLINE_S):
            while True:
                try:
                    _, writer = await asyncio.open_connection("127.0.0.1", port)
                except OSError:
                    assert process.returncode is None, (folder / "ser2net.log").read_text()
                    await asyncio.sleep(0.05)
                else:
                    writer.close()
                    break
        yield port
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()


async def test_a_real_port_server_carries_every_byte(pty_peer: PtyPeer, tmp_path: Path) -> None:
    """Against ser2net: options are agreed, the baud rate is answered, all byte values pass, and its death is a loss."""
    echoed = bytes(range(1, 256)).replace(b"\n", b"").replace(b"\r", b"")
    pty_peer.peer.receive = lambda data: [data]  # type: ignore[method-assign]
    async with (
        port_server(tmp_path, os.path.realpath(pty_peer.device)) as port,
        owner(f"rfc2217://127.0.0.1:{port}", baud=57_600) as owning,
    ):
        owning.transport.write(echoed * 4)
        await owning.until(lambda: len(owning.data) >= 4 * len(echoed) or bool(owning.lost))
        assert owning.data == echoed * 4
        assert owning.transport.codec.baud == 57_600  # type: ignore[attr-defined]
        assert not owning.transport.codec.refused  # type: ignore[attr-defined]
