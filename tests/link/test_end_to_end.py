"""A real link process prints over TCP and over a pty, against peers that are not the simulated printer."""

from pathlib import Path

from tests.link.hosts import PtyPeer, TcpPeer, link_process
from tests.link.jobs import commands_of, hose_bracket, write_job
from tests.link.peers import Peer

TEXT = b"\n".join(hose_bracket(3000)) + b"\n"


async def test_a_job_is_printed_over_tcp(tmp_path: Path) -> None:
    """What the printer executes over TCP is the payload of the job, and the run ends as completed."""
    host = TcpPeer(Peer(capabilities=("AUTOREPORT_TEMP:1", "EMERGENCY_PARSER:0")))
    await host.start()
    async with link_process(tmp_path, host.device) as link:
        up = await link.event("link-up")
        assert up.data["firmware"] == "Harbour 1.0"
        assert up.data["capabilities"] == {"AUTOREPORT_TEMP": True, "EMERGENCY_PARSER": False}
        await link.client.start("run-1", *write_job(tmp_path, TEXT))
        ended = (await link.event("run-ended")).data
        assert (ended["outcome"], ended["line"], ended["commands"]) == ("completed", 3000, len(commands_of(TEXT)))
        assert set(ended["layer_seconds"]) == {str(layer) for layer in range(1, 11)}
        assert host.peer.job == commands_of(TEXT)
        assert [event.number for event in link.seen] == sorted(event.number for event in link.seen)
        assert max(event.data["layer"] for event in link.seen if event.type == "progress") == 10
    await host.stop()


async def test_a_job_is_printed_over_a_pty(tmp_path: Path) -> None:
    """The same over a serial device, found by a symlink that stays when devices change places."""
    host = PtyPeer(Peer(), tmp_path)
    host.plug()
    async with link_process(tmp_path, host.device, "--baud", "250000", "--boot-wait", "0.3") as link:
        await link.event("link-up")
        await link.client.start("run-1", *write_job(tmp_path, TEXT))
        ended = (await link.event("run-ended")).data
        assert ended["outcome"] == "completed", ended
        assert host.peer.job == commands_of(TEXT)
    host.unplug()
