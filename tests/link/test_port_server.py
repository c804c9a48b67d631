"""A whole job through a real RFC 2217 port server (ser2net, Debian) between link process and simulated printer."""

import asyncio
import os
from pathlib import Path

import pytest
from tests.link.hosts import link_process
from tests.link.jobs import write_job
from tests.link.test_faults import JOB, TEXT
from tests.link.test_transports import port_server
from tests.link.test_with_simulator import HOT_END_OFF, simulated


@pytest.mark.parametrize(
    ("options", "happened"),
    [((), ()), (("--fault", "corrupt=0.02,drop-ack=0.01,double-ack=0.01", "--seed", "3"), ("corrupt",))],
    ids=["sound", "damaged"],
)
async def test_a_job_is_printed_through_a_port_server(
    tmp_path: Path, options: tuple[str, ...], happened: tuple[str, ...]
) -> None:
    """Command for command, on a sound wire and on one that damages lines behind the server."""
    async with (
        simulated(tmp_path, "--time-scale", "inf", "--numbered-only", *options, pty=True) as printer,
        port_server(tmp_path, os.path.realpath(printer.device)) as port,
        link_process(tmp_path, f"rfc2217://127.0.0.1:{port}", "--boot-wait", "0.3") as link,
    ):
        await link.event("link-up")
        await link.client.start("run-1", *write_job(tmp_path, TEXT))
        ended = (await link.event("run-ended", 50)).data
        assert ended["outcome"] == "completed", ended
        report = await printer.end()
        assert printer.job() == JOB
        assert [name for name in happened if not report["faults"].get(name)] == []


async def test_a_port_server_that_dies_in_mid_print(tmp_path: Path) -> None:
    """Aborted as lost at once; with a new server on the same port the printer is cooled, and not printed on."""
    async with simulated(tmp_path, "--time-scale", "200", pty=True) as printer:
        device = os.path.realpath(printer.device)
        async with (
            port_server(tmp_path, device) as port,
            link_process(tmp_path, f"rfc2217://127.0.0.1:{port}", "--boot-wait", "0.3") as link,
        ):
            await link.event("link-up")
            await link.client.start("run-1", *write_job(tmp_path, TEXT))
            while (await link.event("progress")).data["line"] < 30:
                pass
            _kill_server(tmp_path)
            ended = (await link.event("run-ended")).data
            assert (ended["outcome"], "link lost" in ended["reason"]) == ("aborted", True)
            async with port_server(tmp_path, device, port):
                await link.event("link-up")
                async with asyncio.timeout(20):
                    while HOT_END_OFF not in printer.executed():
                        await asyncio.sleep(0.05)
                await printer.end()
        assert printer.job() == JOB[: len(printer.job())]
        assert len(printer.job()) < len(JOB)


def _kill_server(folder: Path) -> None:
    os.kill(int((folder / "ser2net.pid").read_text()), 9)
