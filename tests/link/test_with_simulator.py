"""System tests: real link processes against the project's simulated printer, which has its own line reader and planner.

Here: sound and damaged wires in every shape of printer. Faults by scenario file are in test_faults.py.

The fault names are the simulator's; what must come of each is said by facts.md 1.2 and anchors.md B.3.
"""

import asyncio
import contextlib
import json
import shutil
import sys
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from tests.link.hosts import DEADLINE_S, free_port, link_process
from tests.link.jobs import commands_of, hose_bracket, write_job
from tests.link.peers import OURS

HOT_END_OFF = b"M104 S0"
TEXT = (
    b"M140 S50\nM104 S200\nG28\nM190 S50\nM109 S200\nG92 E0\n" + b"\n".join(hose_bracket(300)) + b"\nM104 S0\nM140 S0\n"
)


@dataclass
class Simulated:
    """A running simulated printer."""

    process: asyncio.subprocess.Process
    device: str
    record: Path

    async def end(self) -> dict[str, Any]:
        """End it; give its report."""
        self.process.terminate()
        out, _ = await asyncio.wait_for(self.process.communicate(), DEADLINE_S)
        report: dict[str, Any] = json.loads(out.splitlines()[-1])
        return report

    def executed(self) -> list[bytes]:
        """Commands that it executed, all."""
        return self.record.read_bytes().splitlines()

    def job(self) -> list[bytes]:
        """Commands that it executed, without those that a link sends on its own account."""
        return [command for command in self.executed() if not OURS.match(command)]


@contextlib.asynccontextmanager
async def simulated(folder: Path, *options: str, pty: bool = False) -> AsyncIterator[Simulated]:
    """Run a simulated printer until the block ends."""
    program = shutil.which("layergate-sim", path=str(Path(sys.executable).parent))
    if program is None:
        pytest.skip("layergate-sim is not installed here")
    place = folder / "simulated"
    device = str(place) if pty else f"127.0.0.1:{free_port()}"
    with (folder / "sim.log").open("wb") as log:
        process = await asyncio.create_subprocess_exec(
            program, "printer", "--pty" if pty else "--tcp", device, "--record", str(folder / "record"), "--json", *options,
            stdout=asyncio.subprocess.PIPE, stderr=log,
        )  # fmt: skip
    try:
        assert process.stdout is not None
        line = await asyncio.wait_for(process.stdout.readline(), DEADLINE_S)
        assert line.startswith(b"ready"), (line, (folder / "sim.log").read_text())
        yield Simulated(process, device if pty else f"socket://{device}", folder / "record")
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()


def payload_without_heaters_off(text: bytes) -> list[bytes]:
    """The payload as a record shows it once our own commands are taken out."""
    return [command for command in commands_of(text) if not OURS.match(command)]


@pytest.mark.parametrize(
    ("options", "link_options", "happened"),
    [
        ((), (), ()),
        (("--lineage", "numbered"), (), ()),
        (("--advanced-ok",), (), ()),
        (("--ring", "128"), ("--ring", "128"), ()),
        (
            ("--fault", "corrupt=0.04,drop=0.01,drop-byte-of-line=0.02,drop-ack=0.01,double-ack=0.02"),
            (),
            ("corrupt", "drop", "drop-byte-of-line", "drop-ack", "double-ack"),
        ),
        (
            ("--lineage", "numbered", "--fault", "corrupt=0.04,drop=0.01,drop-ack=0.01,double-ack=0.02"),
            (),
            ("corrupt", "drop", "drop-ack", "double-ack"),
        ),
        (
            ("--flush-on-error", "--ring", "128", "--fault", "corrupt=0.04,corrupt-reply=0.01,drop-reply=0.01"),
            ("--ring", "128"),
            ("corrupt", "corrupt-reply", "drop-reply"),
        ),
        (("--fault", "garbage=0.02:30,half-line=0.01,busy=0.01:1s"), (), ("garbage", "half-line", "busy")),
    ],
)
async def test_the_simulator_executes_the_payload(
    tmp_path: Path, options: tuple[str, ...], link_options: tuple[str, ...], happened: tuple[str, ...]
) -> None:
    """Command for command, in both lineages, whatever of these the wire does; and each fault did happen."""
    async with (
        simulated(tmp_path, "--time-scale", "inf", "--seed", "7", "--numbered-only", *options) as printer,
        link_process(tmp_path, printer.device, *link_options) as link,
    ):
        await link.event("link-up")
        await link.client.start("run-1", *write_job(tmp_path, TEXT))
        ended = (await link.event("run-ended", 55)).data
        assert ended["outcome"] == "completed", ended
        report = await printer.end()
        assert printer.job() == payload_without_heaters_off(TEXT)
        assert all(report["faults"].get(name) for name in happened), report["faults"]
        if not happened:
            assert ended["resends"] == 0
            assert not report["lines_refused"]  # a sound wire is never put to the proof


async def test_over_a_pty_too(tmp_path: Path) -> None:
    """The serial path, with corrupted lines."""
    async with (
        simulated(tmp_path, "--time-scale", "inf", "--fault", "corrupt=0.02", pty=True) as printer,
        link_process(tmp_path, printer.device, "--boot-wait", "0.3") as link,
    ):
        await link.event("link-up")
        await link.client.start("run-1", *write_job(tmp_path, TEXT))
        ended = (await link.event("run-ended", 55)).data
        assert ended["outcome"] == "completed", ended
        await printer.end()
        assert printer.job() == payload_without_heaters_off(TEXT)
