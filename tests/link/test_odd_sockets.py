"""Printers on a TCP port that treat the connection itself in ways of their own: one client at a time, cut in every manner,
half closed, mute, late. Each ends in a whole print or in a clear event, in bounded time.

The printer behind the socket is `odd.Odd`, written to facts.md 1 and apart from the simulated printer.
"""

import asyncio
import socket
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from tests.link.hosts import LinkUnderTest, link_process
from tests.link.jobs import write_job
from tests.link.odd import Odd, Ways
from tests.link.test_odd_printers import TEXT, expected, job_of


class Port(asyncio.Protocol):
    """One connection; a printer that lives on through all of them. ``rude`` is asked after each piece: True cuts."""

    def __init__(self, host: "Host") -> None:
        self._host = host

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport
        self._host.connected(self)

    def data_received(self, data: bytes) -> None:
        self._host.heard(self, data)

    def eof_received(self) -> bool:
        return False

    def connection_lost(self, exc: Exception | None) -> None:
        if self._host.port is self:
            self._host.port = None


class Host:
    """A printer on a TCP port."""

    def __init__(self, ways: Ways) -> None:
        self.ways = ways
        self.printer = Odd(ways)
        self.port: Port | None = None
        self.connections = 0
        self.turned_away = 0
        self.after: Callable[[Port, int], None] = lambda _, __: None
        """Called after each piece with the connection and the number of commands executed so far."""
        self.printer.later = lambda seconds, do: asyncio.get_running_loop().call_later(seconds, do)  # type: ignore[assignment,return-value]
        self.printer.say = self._say

    def _say(self, data: bytes) -> None:
        if self.port is not None and not self.port.transport.is_closing():
            self.port.transport.write(data)

    def connected(self, port: Port) -> None:
        if self.port is not None:
            self.turned_away += 1
            port.transport.abort()
            return
        self.connections += 1
        self.port = port
        self.printer.connected()

    def heard(self, port: Port, data: bytes) -> None:
        if port is self.port:
            self.printer.hear(data)
            self.after(port, len(self.printer.executed))


@asynccontextmanager
async def linked(folder: Path, ways: Ways) -> AsyncIterator[tuple[Host, LinkUnderTest]]:
    """A printer on a port and a link process to it, which is up."""
    host = Host(ways)
    server = await asyncio.get_running_loop().create_server(lambda: Port(host), "127.0.0.1", 0)
    device = f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}"
    async with server, link_process(folder, device) as link:
        await link.event("link-up")
        yield host, link


def reset(port: Port) -> None:
    """Cut with RST (linger 0)."""
    port.transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    port.transport.abort()


def half_close(port: Port) -> None:
    """Say nothing any more, and go on listening (FIN one way)."""
    port.transport.write_eof()


def close(port: Port) -> None:
    """Close in order."""
    port.transport.close()


@pytest.mark.parametrize("cut", [reset, half_close, close])
async def test_cut_in_mid_print(tmp_path: Path, cut: Callable[[Port], None]) -> None:
    """However the connection ends, the run is aborted as lost; the link comes back, cools the printer, and can print."""
    async with linked(tmp_path, Ways(move_s=0.0)) as (host, link):
        done: list[int] = []

        def rude(port: Port, executed: int) -> None:
            if executed >= 200 and not done:
                done.append(executed)
                cut(port)

        host.after = rude
        await link.client.start("run-1", *write_job(tmp_path, TEXT))
        assert "link lost" in (ended := (await link.event("run-ended")).data)["reason"], ended
        assert ended["outcome"] == "aborted"
        await link.event("link-up")
        assert host.connections == 2
        before = len(host.printer.executed)
        assert job_of(host.printer) == expected()[: len(job_of(host.printer))]
        await link.client.start("run-2", *write_job(tmp_path, TEXT))
        assert (await link.event("run-ended")).data["outcome"] == "completed"
        again = [command for command in host.printer.executed[before:] if command in expected()]
        assert len(again) >= len(expected())
        assert job_of(host.printer)[-len(expected()) :] == expected()


async def test_a_printer_for_one_client_at_a_time(tmp_path: Path) -> None:
    """Somebody else is connected: the link is turned away, says so, waits its turn, and prints then."""
    host = Host(Ways(move_s=0.0))
    server = await asyncio.get_running_loop().create_server(lambda: Port(host), "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    async with server:
        _, other = await asyncio.open_connection("127.0.0.1", port)
        async with asyncio.timeout(10):
            while host.port is None:
                await asyncio.sleep(0.01)
        async with link_process(tmp_path, f"socket://127.0.0.1:{port}") as link:
            async with asyncio.timeout(10):
                while host.turned_away < 2:
                    await asyncio.sleep(0.02)
            assert not (await link.client.status())["ready"]
            other.close()
            await link.event("link-up", 30)
            await link.client.start("run-1", *write_job(tmp_path, TEXT))
            assert (await link.event("run-ended")).data["outcome"] == "completed"
            assert job_of(host.printer) == expected()


async def test_a_printer_that_falls_silent_is_not_waited_for_for_ever(tmp_path: Path) -> None:
    """The socket stays open and nothing comes: status tells what is owed; a cancel ends the run within the safe end's time."""
    async with linked(tmp_path, Ways(move_s=0.0)) as (host, link):

        def mute(port: Port, executed: int) -> None:
            if executed >= 100:
                host.printer.say = lambda _: None

        host.after = mute
        await link.client.start("run-1", *write_job(tmp_path, TEXT))
        async with asyncio.timeout(20):
            while (await link.client.status())["probes"] < 2:
                await asyncio.sleep(0.05)
        await link.client.stop()
        ended = (await link.event("run-ended", 5)).data
        assert (ended["outcome"], ended["reason"]) == ("aborted", "stop request")
        assert job_of(host.printer) == expected()[: len(job_of(host.printer))]
