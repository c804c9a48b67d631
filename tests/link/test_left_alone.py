"""Link processes that nobody attends to: an idle one without a service ends by itself and frees the port, a printing one prints
first, and a paused run ends whether there is a service or not.
"""

import asyncio
from pathlib import Path

import pytest
from tests.link.hosts import LinkUnderTest, PtyPeer, TcpPeer, link_process
from tests.link.jobs import commands_of, hose_bracket, write_job
from tests.link.peers import OURS, Peer

from layergate.link.client import LinkRefused
from layergate.link.serial import open_port
from layergate.link.transports import Endpoint

# The heater is left on by the job itself, so that only the link's safe end can have switched it off.
TEXT = b"M104 S205\n" + b"\n".join(hose_bracket(4000)) + b"\n"


async def ends_by_itself(link: LinkUnderTest, within_s: float = 20.0) -> None:
    """Wait for an orderly end: exit 0, no socket left."""
    assert await asyncio.wait_for(link.process.wait(), within_s) == 0
    assert not link.socket.exists()


async def test_an_idle_link_that_is_left_alone_ends_and_frees_the_port(tmp_path: Path) -> None:
    """After the stated time with nobody connected, whether a service was ever there or not; the port can be opened."""
    host = PtyPeer(Peer(), tmp_path)
    host.plug()
    try:
        async with link_process(tmp_path, host.device, "--boot-wait", "0.2", "--linger", "0.6") as link:
            await link.event("link-up")
            with pytest.raises(OSError, match="in use by another process"):
                open_port(Endpoint(device=host.device))
            began = asyncio.get_running_loop().time()
            await link.client.close()
            await ends_by_itself(link)
            assert asyncio.get_running_loop().time() - began >= 0.55
        open_port(Endpoint(device=host.device)).close()
    finally:
        host.unplug()


async def test_a_link_with_a_service_stays(tmp_path: Path) -> None:
    """However long it is idle; a service that comes back in time begins the waiting anew."""
    host = TcpPeer(Peer())
    await host.start()
    async with link_process(tmp_path, host.device, "--linger", "0.5") as link:
        await link.event("link-up")
        for _ in range(3):
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(link.process.wait(), 0.7)
            await link.reconnect(0)
            assert (await link.client.status())["ready"]
    await host.stop()


async def test_a_printing_link_that_is_left_alone_prints_to_the_end_first(tmp_path: Path) -> None:
    """Every command of the job, then heaters off, and only then, after the stated time, the process ends."""
    host = TcpPeer(Peer())
    await host.start()
    async with link_process(tmp_path, host.device, "--linger", "0.3") as link:
        await link.event("link-up")
        await link.client.start("run-1", *write_job(tmp_path, TEXT))
        await link.event("progress")
        await link.client.close()
        at = len(host.peer.executed)
        await ends_by_itself(link, 40)
        assert at < len(host.peer.executed)
        assert host.peer.job == [command for command in commands_of(TEXT) if not OURS.match(command)]
        assert host.peer.executed[-3:] == [b"M104 S0", b"M140 S0", b"M105"]
    await host.stop()


@pytest.mark.parametrize("attended", [True, False])
async def test_a_paused_run_ends_with_its_heaters_off(tmp_path: Path, attended: bool) -> None:
    """A hot nozzle waits for nobody for ever: told halfway, ended after the stated time, with a service or without one; a
    pause before, that somebody resumed, does not count."""
    host = TcpPeer(Peer())
    await host.start()
    async with link_process(tmp_path, host.device, "--linger", "0.5", "--paused-limit", "1.2") as link:
        await link.event("link-up")
        await link.client.start("run-1", *write_job(tmp_path, TEXT))
        await link.event("progress")
        await link.client.pause()
        await link.event("pause-ends")
        await link.client.resume()
        await link.client.pause()
        await link.event("resumed")
        paused = await link.event("paused")
        if attended:
            told = await link.event("pause-ends")
            assert (told.data["run"], told.data["in_s"]) == ("run-1", 1)
            assert told.monotonic_s - paused.monotonic_s >= 0.6
            ended = await link.event("run-ended")
            assert ended.monotonic_s - paused.monotonic_s >= 1.2
            assert ended.data["outcome"] == "aborted"
            assert ended.data["reason"] == "paused for 1 s, and nobody resumed it: heaters off"
            with pytest.raises(LinkRefused, match="nothing to resume"):
                await link.client.resume()
        await link.client.close()
        await ends_by_itself(link)
        job = [command for command in commands_of(TEXT) if not OURS.match(command)]
        assert 0 < len(host.peer.job) < len(job)
        assert host.peer.executed[-3:] == [b"M104 S0", b"M140 S0", b"M105"]
    await host.stop()


async def test_a_link_that_owes_heaters_off_does_not_quit(tmp_path: Path) -> None:
    """The printer went away hot: asked to quit it says no, switches off when the printer is back, and quits then."""
    host = TcpPeer(Peer())
    await host.start()
    async with link_process(tmp_path, host.device) as link:
        await link.event("link-up")
        await link.client.start("run-1", *write_job(tmp_path, TEXT))
        await link.event("progress")
        await host.stop()
        assert (await link.event("run-ended")).data["outcome"] == "aborted"
        with pytest.raises(LinkRefused, match="heaters are still to be switched off"):
            await link.client.quit()
        host.peer = Peer()
        await host.start(host.port)
        await link.event("link-up")
        async with asyncio.timeout(20):
            while b"M140 S0" not in host.peer.executed:
                await asyncio.sleep(0.02)
            while link.process.returncode is None:
                try:
                    await link.client.quit()
                except LinkRefused:
                    await asyncio.sleep(0.02)  # sent, and not acknowledged yet
                else:
                    break
        await ends_by_itself(link)
        assert not set(host.peer.job) & set(commands_of(TEXT))  # nothing of the job is printed on
    await host.stop()
