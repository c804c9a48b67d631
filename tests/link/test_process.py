"""Real link processes: what the service may rely on when it starts, dies, comes back, and when the machine is told to end."""

import asyncio
import json
import os
import signal
import stat
import subprocess
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from tests.link.hosts import LinkUnderTest, PtyPeer, TcpPeer, link_process
from tests.link.jobs import commands_of, hose_bracket, index_of, write_job
from tests.link.peers import Peer

from layergate.link.client import LinkClient, LinkLost, LinkRefused
from layergate.link.spawn import LinkNotStarted, ensure_link, link_command

TEXT = b"M104 S205\n" + b"\n".join(hose_bracket(800)) + b"\nM104 S0\n"
LONG = b"M104 S205\n" + b"\n".join(hose_bracket(60_000)) + b"\n"


class SlowPeer(TcpPeer):
    """Acknowledges at a printer's pace."""

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        self.connections += 1
        try:
            while data := await reader.read(65536):
                replies = b"".join(self.peer.receive(data))
                await asyncio.sleep(0.002)
                writer.write(replies)
        except OSError:
            pass
        finally:
            self._writers.discard(writer)
            writer.close()


@pytest.fixture
async def host() -> AsyncIterator[TcpPeer]:
    """A printer at its own pace on a TCP port."""
    peer = SlowPeer(Peer())
    await peer.start()
    yield peer
    await peer.stop()


async def printing(link: LinkUnderTest, folder: Path, text: bytes = LONG) -> None:
    """Bring a link into the middle of a run."""
    await link.event("link-up")
    await link.client.start("run-1", *write_job(folder, text))
    while (await link.event("progress")).data["line"] < 50:
        pass


async def read_to_the_end(client: LinkClient) -> None:
    """Read events until the link process closes."""
    async for _ in client.events():
        pass


def test_the_link_process_imports_nothing_heavy() -> None:
    """No numpy, no pydantic, no web, nothing of the analysis: what feeds the nozzle stays small."""
    code = (
        "import layergate.link.process, layergate.link.serial, layergate.link.rfc2217, sys\n"
        "print([name for name in sys.modules if name.split('.')[0] in "
        "('numpy', 'pydantic', 'fastapi', 'starlette', 'structlog', 'rich', 'click', 'aiomqtt')"
        " or name.startswith(('layergate.toolpath', 'layergate.layers', 'layergate.preflight', 'layergate.jobs'))])"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"


async def test_the_link_process_stays_below_30_mib(tmp_path: Path, host: TcpPeer) -> None:
    """Resident memory with a job index of as many blocks as a job of 400 MB has (aim of architecture.md)."""
    text = b"\n".join(hose_bracket(30_000)) + b"\n"
    index = index_of(text)
    for column in (index.blocks.offset, index.blocks.size, index.blocks.first_line, index.blocks.layer):
        column.extend([1_000_000] * 6400)
    index.blocks.digest.extend([f"{number:064x}" for number in range(6400)])
    index.blocks.planned_s.extend([number * 1.5 for number in range(6400)])
    for place in (index.blocks.x_mm, index.blocks.y_mm, index.blocks.z_mm):
        place.extend([number * 1.25 for number in range(6400)])
    index.blocks.e_mm.extend([number * 1.25 for number in range(6400)])
    index.blocks.xyz_relative.extend([False] * 6400)
    index.blocks.e_relative.extend([False] * 6400)
    async with link_process(tmp_path, host.device) as link:
        await link.event("link-up")
        await link.client.start("run-1", *write_job(tmp_path, text, index))
        await link.event("progress")
        status = Path(f"/proc/{link.process.pid}/status").read_text()
        resident = int(status.split("VmRSS:")[1].split()[0])
        assert resident < 30 * 1024, f"{resident} KiB"
        await link.client.cancel()
        await link.event("run-ended")


async def test_the_service_may_die_and_come_back_in_mid_print(tmp_path: Path, host: TcpPeer) -> None:
    """Printing goes on; the new service gets every event after the last number it knew, without gap or double."""
    async with link_process(tmp_path, host.device) as link:
        await printing(link, tmp_path, TEXT)
        known = link.seen[-1].number
        link.client._writer.transport.abort()  # type: ignore[union-attr]  # as a killed process does
        before = len(host.peer.executed)
        async with asyncio.timeout(10):
            while len(host.peer.executed) < before + 100:
                await asyncio.sleep(0.01)
        await link.reconnect(known)
        await link.event("run-ended", 60)
        later = [event for event in link.seen if event.number > known]
        assert [event.number for event in later] == list(range(known + 1, known + 1 + len(later)))
        assert later[-1].data["outcome"] == "completed"
        assert host.peer.job == [command for command in commands_of(TEXT) if command != b"M104 S0"]
        fresh = LinkClient(link.socket)
        await fresh.connect()
        answer = await fresh.subscribe(after=10_000)
        assert answer["restarted"] is True  # numbers of another process: everything is news
        await fresh.close()


async def test_a_client_that_does_not_read_disturbs_nobody(tmp_path: Path, host: TcpPeer) -> None:
    """It subscribes and never reads; the print completes."""
    async with link_process(tmp_path, host.device) as link:
        _, writer = await asyncio.open_unix_connection(str(link.socket))
        for _ in range(2000):
            writer.write(b'{"id": 1, "do": "status"}\n')
        await printing(link, tmp_path, TEXT)
        assert (await link.event("run-ended", 60)).data["outcome"] == "completed"
        writer.transport.abort()


async def test_told_to_end_in_mid_print_it_ends_safely_first(tmp_path: Path, host: TcpPeer) -> None:
    """SIGTERM: no more lines, heaters off and acknowledged, the run's end told, then exit 0 and no socket left."""
    async with link_process(tmp_path, host.device) as link:
        await printing(link, tmp_path)
        link.process.send_signal(signal.SIGTERM)
        ended = (await link.event("run-ended")).data
        assert (ended["outcome"], ended["reason"]) == ("aborted", "the link process was told to end")
        assert await asyncio.wait_for(link.process.wait(), 10) == 0
        assert host.peer.executed[-3:] == [b"M104 S0", b"M140 S0", b"M105"]
        assert not link.socket.exists()
        with pytest.raises(LinkLost):
            await link.client.status()


async def test_pause_resume_cancel_and_stop_reach_the_printer(tmp_path: Path, host: TcpPeer) -> None:
    """The commands of messages.py, each with its event; what makes no sense is refused with a sentence."""
    async with link_process(tmp_path, host.device) as link:
        with pytest.raises(LinkRefused, match="nothing to pause"):
            await link.client.pause()
        await printing(link, tmp_path)
        with pytest.raises(LinkRefused, match="in progress"):
            await link.client.start("run-2", *write_job(tmp_path, TEXT))
        with pytest.raises(LinkRefused, match="cancel it first"):
            await link.client.quit()
        await link.client.pause()
        assert (await link.event("paused")).data["by"] == "service"
        assert (await link.client.status())["state"] == "paused"
        await link.client.resume()
        await link.event("resumed")
        await link.client.cancel("wrong colour")
        ended = (await link.event("run-ended")).data
        assert (ended["outcome"], ended["reason"]) == ("canceled", "wrong colour")
        await link.client.start("run-2", *write_job(tmp_path, LONG))
        await link.event("progress")
        await link.client.stop()
        assert (await link.event("run-ended")).data["outcome"] == "aborted"
        async with asyncio.timeout(5):
            while host.peer.urgent != [b"M112"]:
                await asyncio.sleep(0.01)
        # Halted, as far as anybody knows; it is told to cool down should it ever answer again.
        with pytest.raises(LinkRefused, match="heaters are still to be switched off"):
            await link.client.quit()
        link.process.send_signal(signal.SIGTERM)
        assert await asyncio.wait_for(link.process.wait(), 10) == 0


async def test_a_job_that_changed_after_its_check_is_not_printed(tmp_path: Path, host: TcpPeer) -> None:
    """One byte changed behind the first block: aborted before its block; another size: refused; no file: refused."""
    text = b"M104 S205\n" + b"\n".join(hose_bracket(3000)) + b"\n"
    index = index_of(text, block_bytes=4096)
    changed = bytearray(text)
    at = index.blocks.offset[5] + 20
    changed[at : at + 1] = b"9" if text[at : at + 1] != b"9" else b"8"
    async with link_process(tmp_path, host.device) as link:
        await link.event("link-up")
        job, index_path = write_job(tmp_path, bytes(changed), index)
        await link.client.start("run-1", job, index_path)
        ended = (await link.event("run-ended")).data
        assert ended["outcome"] == "aborted"
        assert "block 5" in ended["reason"]
        sent = [command for command in host.peer.job if command != b"M104 S0"]
        good = commands_of(text[: index.blocks.offset[5]])
        assert sent == good[: len(sent)]
        assert host.peer.executed[-2:] == [b"M140 S0", b"M105"]
        job.write_bytes(text + b"G1 X1\n")
        with pytest.raises(LinkRefused, match="were checked"):
            await link.client.start("run-2", job, index_path)
        with pytest.raises(LinkRefused, match="can't be started"):
            await link.client.start("run-3", tmp_path / "nothing", index_path)
        index_path.write_text("{")
        with pytest.raises(LinkRefused, match="damaged job index"):
            await link.client.start("run-4", job, index_path)


async def test_a_printer_that_is_unplugged_and_comes_back_is_not_printed_on(tmp_path: Path) -> None:
    """Unplugged in mid-print: the run is aborted; replugged: found again by its name, cooled, not fed; then it prints."""
    host = PtyPeer(Peer(), tmp_path)
    host.plug()
    async with link_process(tmp_path, host.device, "--boot-wait", "0.3") as link:
        await printing(link, tmp_path)
        host.unplug()
        lost = (await link.event("link-lost")).data
        assert "gone" in lost["reason"] or "failed" in lost["reason"]
        assert (await link.event("run-ended")).data["outcome"] == "aborted"
        printed = len(host.peer.job)
        host.peer.last = 0
        host.plug()
        await link.event("link-up", 30)
        at = len(host.peer.executed) - 1 - host.peer.executed[::-1].index(b"M110 N0")
        assert host.peer.executed[at : at + 3] == [b"M110 N0", b"M104 S0", b"M140 S0"]
        assert len(host.peer.job) == printed
        await link.client.start("run-2", *write_job(tmp_path, TEXT))
        assert (await link.event("run-ended", 30)).data["outcome"] == "completed"
    host.unplug()


async def test_the_socket_is_private_and_has_one_owner(tmp_path: Path, host: TcpPeer) -> None:
    """Mode 0600; a second process for the same socket ends with code 3 and leaves the first alone."""
    async with link_process(tmp_path, host.device) as link:
        assert stat.S_IMODE(os.stat(link.socket).st_mode) == 0o600
        second = await asyncio.create_subprocess_exec(
            *link_command(name="second", device=host.device, socket=link.socket), stderr=asyncio.subprocess.PIPE
        )
        _, log = await asyncio.wait_for(second.communicate(), 20)
        assert second.returncode == 3
        assert b"another link process serves this socket" in log
        assert (await link.client.status())["name"] == "bench"


async def test_a_socket_left_by_a_killed_process_is_replaced(tmp_path: Path, host: TcpPeer) -> None:
    """After SIGKILL the socket file is still there; the next process takes it over."""
    async with link_process(tmp_path, host.device) as link:
        link.process.kill()
        await link.process.wait()
        assert link.socket.exists()
    async with link_process(tmp_path, host.device) as link:
        await link.event("link-up")


@pytest.mark.parametrize(
    ("line", "error"),
    [
        (b"nonsense\n", "not readable"),
        (b"[1, 2]\n", "one object a line"),
        (b'{"id": 7}\n', "one object a line"),
        (b'{"id": 7, "do": "fly"}\n', "unknown command 'fly'"),
        (b'{"id": 7, "do": "start", "run": 5}\n', "start needs"),
        (b'{"id": 7, "do": "subscribe", "after": "x"}\n', "must be the number"),
        (b"\xff\xfe\n", "not readable"),
    ],
)
async def test_malformed_commands_get_an_answer(tmp_path: Path, line: bytes, error: str) -> None:
    """Whatever is sent, the answer says what is wrong, and the connection goes on."""
    async with link_process(tmp_path, str(tmp_path / "no-printer")) as link:
        reader, writer = await asyncio.open_unix_connection(str(link.socket))
        for _ in range(2):
            writer.write(line)
            answer = json.loads(await asyncio.wait_for(reader.readline(), 5))
            assert answer["ok"] is False
            assert error in answer["error"]
        writer.close()
        await writer.wait_closed()
        assert (await link.client.status())["connected"] is False
        with pytest.raises(LinkRefused, match="does not answer"):
            await link.client.start("r", *write_job(tmp_path, TEXT))


async def test_ensure_link_spawns_once_and_then_connects(tmp_path: Path, host: TcpPeer) -> None:
    """The first call starts a process in a session of its own; the second finds it; quitting ends it."""
    socket = tmp_path / "link.sock"
    command = link_command(name="spawned", device=host.device, socket=socket)
    with (tmp_path / "log").open("wb") as log:
        first = await ensure_link(command, socket, log)
        second = await ensure_link(command, socket, log)
        pid = (await first.status())["pid"]
        assert (await second.status())["pid"] == pid
        assert os.getsid(pid) == pid
        inherited = {os.readlink(f"/proc/{pid}/fd/{fd}") for fd in os.listdir(f"/proc/{pid}/fd")}
        assert not any("pytest" in name and not name.endswith(("log", "link.sock.lock")) for name in inherited)
        await second.close()
        await first.quit()
        with pytest.raises(LinkLost):
            await asyncio.wait_for(read_to_the_end(first), 10)
        await first.close()
    async with asyncio.timeout(10):
        while Path(f"/proc/{pid}/stat").exists() and ") Z " not in Path(f"/proc/{pid}/stat").read_text():
            await asyncio.sleep(0.02)


async def test_a_link_that_cannot_start_is_a_clear_error(tmp_path: Path) -> None:
    """A wrong device name ends the process at once; who waits for it is told, not left waiting."""
    socket = tmp_path / "link.sock"
    with pytest.raises(LinkNotStarted, match="ended at once with code 2"), (tmp_path / "log").open("wb") as log:
        await ensure_link(link_command(name="x", device="socket://nowhere", socket=socket), socket, log)
    assert "expected socket://HOST:PORT" in (tmp_path / "log").read_text()
