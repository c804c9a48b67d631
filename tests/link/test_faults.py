"""Every fault of the simulated printer through a real link process: what comes of it, within seconds.

Scenario files (scenarios/*.scn) say what goes wrong. What must come of it is by facts.md 1.2 (thermal, halted: stop
sending; greeting in mid-job: abort; transport errors: mend) and anchors.md B.3 (loss ends in one place). Two faults no link
can see, and the tests say so: a stuck axis or lost steps (open-loop motors: M114 tells what was commanded, not where the
nozzle is), and a clog (nothing measures what comes out).
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from tests.link.hosts import DEADLINE_S, LinkUnderTest, free_port, link_process
from tests.link.jobs import hose_bracket, index_of, write_job
from tests.link.test_with_simulator import HOT_END_OFF, payload_without_heaters_off, simulated

from layergate_sim.printer.records import read_deposits

SCENARIOS = Path(__file__).parent / "scenarios"
QUICK = ("--boot-wait", "0.15")
TEXT = (
    b"M140 S50\nM104 S200\nG28\nM190 S50\nM109 S200\nG92 E0\n" + b"\n".join(hose_bracket(300)) + b"\nM104 S0\nM140 S0\n"
)
JOB = payload_without_heaters_off(TEXT)


async def run_to_its_end(link: LinkUnderTest, folder: Path, text: bytes = TEXT, **index: Any) -> dict[str, Any]:
    """Start a job and wait for its end; events before it are in ``link.seen``."""
    await link.client.start("run-1", *write_job(folder, text, index_of(text, **index)))
    return (await link.event("run-ended", DEADLINE_S)).data


def told(link: LinkUnderTest, kind: str) -> list[dict[str, Any]]:
    return [event.data for event in link.seen if event.type == kind]


def scenario(name: str, *options: str) -> tuple[str, ...]:
    return ("--scenario", str(SCENARIOS / f"{name}.scn"), *options)


def test_every_scenario_is_used() -> None:
    """A scenario that no test plays would be an empty promise."""
    source = Path(__file__).read_text()
    assert [path.stem for path in SCENARIOS.glob("*.scn") if f'"{path.stem}"' not in source] == []


@pytest.mark.parametrize(
    ("name", "words", "lineage"),
    [
        ("heater-lost-in-print", "runaway", "common"),
        ("heater-lost-in-heat-up", "heating failed", "common"),
        ("heater-lost-in-heat-up", "heating failed", "numbered"),
        ("bed-lost-in-print", "runaway", "numbered"),
        ("runaway", "MAXTEMP", "common"),
        ("sensor-open", "MINTEMP", "common"),
        ("sensor-short", "MAXTEMP", "numbered"),
        ("bed-sensor-open", "MINTEMP", "common"),
    ],
)
async def test_a_fault_of_heat_aborts_and_is_told(tmp_path: Path, name: str, words: str, lineage: str) -> None:
    """The printer halts itself; the run is aborted with its words as the reason, and no line of the job follows."""
    async with (
        simulated(tmp_path, *scenario(name, "--lineage", lineage)) as printer,
        link_process(tmp_path, printer.device, *QUICK) as link,
    ):
        await link.event("link-up")
        ended = await run_to_its_end(link, tmp_path)
        assert ended["outcome"] == "aborted"
        assert "fault" in ended["reason"]
        errors = [error["text"].lower() for error in told(link, "printer-error")]
        assert any(words.lower() in text for text in errors), errors
        assert told(link, "link-lost")  # it takes nothing any more until somebody has restarted it
        report = await printer.end()
        assert report["state"] == "halted"
        assert printer.job() == JOB[: len(printer.job())]
        assert len(printer.job()) < len(JOB)


@pytest.mark.parametrize(
    ("name", "lineage"), [("reset", "common"), ("reset", "numbered"), ("reset-in-heat-up", "common")]
)
async def test_a_reset_aborts_and_nothing_is_printed_on(tmp_path: Path, name: str, lineage: str) -> None:
    """The greeting in mid-job ends the run; when the printer answers again its heaters are switched off, and no more."""
    async with (
        simulated(tmp_path, *scenario(name, "--lineage", lineage)) as printer,
        link_process(tmp_path, printer.device, *QUICK) as link,
    ):
        await link.event("link-up")
        ended = await run_to_its_end(link, tmp_path)
        assert (ended["outcome"], "restarted" in ended["reason"]) == ("aborted", True)
        assert len(told(link, "printer-reset")) == 1
        await link.event("link-up")
        report = await printer.end()
        assert report["resets"] == 1
        assert printer.job() == JOB[: len(printer.job())]
        assert HOT_END_OFF in printer.executed()


@pytest.mark.parametrize("pty", [False, True], ids=["tcp", "pty"])
@pytest.mark.parametrize("name", ["unplug-and-reboot", "unplug-and-keep"])
async def test_a_pulled_plug_aborts_and_heaters_go_off_on_return(tmp_path: Path, name: str, *, pty: bool) -> None:
    """Told as lost, aborted; when the printer is back it is made cold, and is ready for another job, not for the rest."""
    async with (
        simulated(tmp_path, *scenario(name), pty=pty) as printer,
        link_process(tmp_path, printer.device, *QUICK) as link,
    ):
        await link.event("link-up")
        ended = await run_to_its_end(link, tmp_path)
        assert (ended["outcome"], "link lost" in ended["reason"]) == ("aborted", True)
        assert len(told(link, "link-lost")) == 1
        await link.event("link-up")
        await printer.end()
        assert printer.job() == JOB[: len(printer.job())]
        assert len(printer.job()) < len(JOB)
        assert {HOT_END_OFF, b"M140 S0"} <= set(printer.executed())


@asynccontextmanager
async def cable(folder: Path, port: int) -> AsyncIterator[tuple[Path, asyncio.subprocess.Process]]:
    """A pty that leads to a TCP port: killing the process is pulling the plug."""
    place = folder / "cable"
    process = await asyncio.create_subprocess_exec("socat", f"PTY,link={place},raw,echo=0", f"TCP:127.0.0.1:{port}")
    try:
        async with asyncio.timeout(DEADLINE_S):
            while not place.exists():
                await asyncio.sleep(0.02)
        yield place, process
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()
        place.unlink(missing_ok=True)


async def test_a_real_pty_pair_that_is_pulled_and_plugged_in_again(tmp_path: Path) -> None:
    """As with a USB cable: the device vanishes in mid-print and comes back under its name; the printer stayed hot."""
    async with simulated(tmp_path, "--time-scale", "200") as printer:
        port = int(printer.device.rpartition(":")[2])
        async with cable(tmp_path, port) as (place, socat), link_process(tmp_path, str(place), *QUICK) as link:
            await link.event("link-up")
            await link.client.start("run-1", *write_job(tmp_path, TEXT))
            while (await link.event("progress")).data["line"] < 40:
                pass
            socat.kill()
            await socat.wait()
            ended = (await link.event("run-ended")).data
            assert (ended["outcome"], "link lost" in ended["reason"]) == ("aborted", True)
            assert HOT_END_OFF not in printer.executed()
            place.unlink(missing_ok=True)
            async with cable(tmp_path, port):
                await link.event("link-up")
                await printer.end()
        assert {HOT_END_OFF, b"M140 S0"} <= set(printer.executed())
        assert printer.job() == JOB[: len(printer.job())]


@pytest.mark.parametrize(
    ("name", "lineage", "happened"),
    [
        ("mute", "common", ("mute", "muted-bytes")),
        ("garbage", "common", ("garbage", "half-line")),
        ("garbage", "numbered", ("garbage", "half-line")),
        ("bytes", "common", ("corrupt", "corrupt-byte-in", "corrupt-byte-out", "drop-byte-in", "drop-byte-out")),
        ("bytes", "numbered", ("corrupt", "corrupt-byte-in", "corrupt-byte-out", "drop-byte-in", "drop-byte-out")),
        ("acknowledgements", "common", ("drop-ack", "double-ack")),
        ("acknowledgements", "numbered", ("drop-ack", "double-ack")),
        ("half-lines", "common", ("half-line", "drop-byte-of-line", "drop")),
        ("busy", "numbered", ("busy", "slow")),
    ],
)
async def test_a_bad_wire_costs_time_and_nothing_else(
    tmp_path: Path, name: str, lineage: str, happened: tuple[str, ...]
) -> None:
    """Completed, with the payload executed command for command; and each fault did happen."""
    async with (
        simulated(tmp_path, *scenario(name, "--lineage", lineage, "--numbered-only")) as printer,
        link_process(tmp_path, printer.device, *QUICK) as link,
    ):
        await link.event("link-up")
        ended = await run_to_its_end(link, tmp_path)
        assert ended["outcome"] == "completed", ended
        report = await printer.end()
        assert printer.job() == JOB
        assert [verb for verb in happened if not report["faults"].get(verb)] == [], report["faults"]


@pytest.mark.parametrize("name", ["stuck-axis", "shift"])
async def test_an_axis_that_does_not_follow_can_not_be_seen(tmp_path: Path, name: str) -> None:
    """With the witness on: M114 gives what was commanded, so nothing differs, though the part is spoiled."""
    place = tmp_path / "deposits"
    async with (
        simulated(tmp_path, *scenario(name, "--deposits", str(place))) as printer,
        link_process(tmp_path, printer.device, "--position-witness", *QUICK) as link,
    ):
        await link.event("link-up")
        ended = await run_to_its_end(link, tmp_path, block_bytes=1000)
        assert ended["outcome"] == "completed", ended
        assert len(told(link, "position")) >= 5
        assert not told(link, "printer-error")
        await printer.end()
        deposits = [deposit for deposit in read_deposits(place) if deposit.command > 110]
        commanded = {float(word[1:]) for line in JOB for word in line.split() if word[:1] == b"Y"}
        if name == "stuck-axis":
            assert len({deposit.x1 for deposit in deposits}) == 1
        else:
            assert all(min(abs(deposit.y1 - 3.0 - y) for y in commanded) < 0.01 for deposit in deposits)


async def test_a_clog_can_not_be_seen(tmp_path: Path) -> None:
    """Every line is acknowledged and executed: the run completes, and only the filament tells (nothing measures it)."""
    async with (
        simulated(tmp_path, *scenario("clog")) as printer,
        link_process(tmp_path, printer.device, *QUICK) as link,
    ):
        await link.event("link-up")
        ended = await run_to_its_end(link, tmp_path)
        assert ended["outcome"] == "completed", ended
        assert not told(link, "printer-error")
        assert not told(link, "remark")
        report = await printer.end()
        assert report["faults"]["clog"] == 1
        assert report["filament_laid_mm"] < 0.5 * (report["filament_pushed_mm"] - report["filament_pulled_mm"])


HEAT_UP = b"M109 S200\nG28\n" + TEXT


async def heating(link: LinkUnderTest, folder: Path) -> None:
    """Bring a link into the middle of a heat-up."""
    await link.event("link-up")
    await link.client.start("run-1", *write_job(folder, HEAT_UP))
    while (await link.event("temperature")).data["hot_end_target_c"] != 200.0:
        pass


@pytest.mark.parametrize(("parser", "lineage"), [(True, "common"), (True, "numbered"), (False, "common")])
async def test_canceled_in_a_heat_up(tmp_path: Path, lineage: str, *, parser: bool) -> None:
    """Heaters end up off and nothing moves. With an emergency parser the wait is broken off; without, it is waited out."""
    option = "--emergency-parser" if parser else "--no-emergency-parser"
    async with (
        simulated(tmp_path, "--time-scale", "20", "--lineage", lineage, option) as printer,
        link_process(tmp_path, printer.device, *QUICK) as link,
    ):
        await heating(link, tmp_path)
        await link.client.cancel()
        ended = (await link.event("run-ended")).data
        assert ended["outcome"] == "canceled"
        report = await printer.end()
        executed = printer.executed()
        assert executed.index(b"M109 S200") < executed.index(HOT_END_OFF) < executed.index(b"M140 S0")
        assert not any(command.startswith(b"G") for command in executed)
        full_s = 65.0  # from 25 to 200 C, facts 5 by the simulator's figures: 13 J/K, 40 W, 0.08 W/K
        assert (report["heating_seconds"] < full_s * 0.9) == parser


@pytest.mark.parametrize("parser", [True, False], ids=["emergency-parser", "none"])
async def test_a_stop_request_in_a_heat_up(tmp_path: Path, *, parser: bool) -> None:
    """With an emergency parser M112 acts at once; without, only when its turn comes: heaters go off then, not before."""
    option = "--emergency-parser" if parser else "--no-emergency-parser"
    async with (
        simulated(tmp_path, "--time-scale", "20", option) as printer,
        link_process(tmp_path, printer.device, *QUICK) as link,
    ):
        await heating(link, tmp_path)
        await link.client.stop()
        ended = (await link.event("run-ended")).data
        assert (ended["outcome"], ended["reason"]) == ("aborted", "stop request")
        async with asyncio.timeout(DEADLINE_S):
            while not parser and b"M112" not in printer.executed():
                await asyncio.sleep(0.05)
        report = await printer.end()
        assert report["state"] == "halted"
        assert (report["heating_seconds"] > 60.0) == (not parser)
        assert not any(command.startswith(b"G") for command in printer.executed())


async def swapping(port: int, line: bytes, instead: bytes) -> tuple[asyncio.Server, list[int]]:
    """A wire that changes one line into another of the same checksum, once."""
    done: list[int] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        up_reader, up_writer = await asyncio.open_connection("127.0.0.1", port)

        async def carry(source: asyncio.StreamReader, sink: asyncio.StreamWriter, *, down: bool) -> None:
            while data := await source.read(4096):
                if down and line in data:
                    data = data.replace(line, instead)
                    done.append(1)
                sink.write(data)
            sink.close()

        await asyncio.gather(carry(reader, up_writer, down=True), carry(up_reader, writer, down=False))

    return await asyncio.start_server(serve, "127.0.0.1", free_port()), done


async def test_the_witness_sees_what_the_checksum_can_not(tmp_path: Path) -> None:
    """Two swapped digits pass the XOR (facts.md 1.1); where the next question follows, the position is off by as much."""
    index = index_of(TEXT, block_bytes=1000)
    at = next(n for n in range(1, len(index.blocks.offset)) if index.blocks.first_line[n] > 100)
    lines = TEXT.split(b"\n")
    # The last line before a block that begins a layer: the layers of `index_of` are equal shares of the lines.
    first_of_layer = next(line for line in index.spans.first_line if line >= index.blocks.first_line[at])
    block = next(n for n in range(at, len(index.blocks.offset)) if index.blocks.first_line[n] >= first_of_layer)
    before = index.blocks.first_line[block] - 1
    lines[before - 1] = b"G1 X121.000 Y50.000"
    text = b"\n".join(lines)
    index = index_of(text, block_bytes=1000)
    block = next(n for n, first in enumerate(index.blocks.first_line) if first > before)
    index.blocks.x_mm[block], index.blocks.y_mm[block] = 121.0, 50.0
    async with simulated(tmp_path, "--time-scale", "inf") as printer:
        port = int(printer.device.rpartition(":")[2])
        server, done = await swapping(port, b"X121.000 Y50.000", b"X211.000 Y50.000")
        device = f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}"
        async with server, link_process(tmp_path, device, "--position-witness", *QUICK) as link:
            await link.event("link-up")
            await link.client.start("run-1", *write_job(tmp_path, text, index))
            assert (await link.event("run-ended")).data["outcome"] == "completed"
            assert done == [1]
            off = [(event["off_mm"], event["reported_mm"][0]) for event in told(link, "position") if event["off_mm"]]
            assert off == [(90.0, 211.0)]
        await printer.end()
