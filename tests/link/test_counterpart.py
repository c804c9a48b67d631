"""The link, and once the whole daemon, against a printer that is a process of its own and was written by the convention
alone (tests/link/counterpart): every command of the job is executed once and in order, or the end says why not.
"""

import contextlib
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from tests.link.hosts import link_process
from tests.link.jobs import hose_bracket, write_job
from tests.service.real import daemon

from layergate_sim.specimens import bollard_cap

START = [b"G21", b"M503", b"G28", b"M140 S60", b"M104 S210", b"M190 S60", b"M109 S210", b"M115", b"M117 50*3 caps"]
LINES = [*START, *hose_bracket(500), b"M114", b"M104 S0", b"M140 S0"]
TEXT = b"\n".join(LINES) + b"\n"
ENDS_S = 15.0
OURS = ("M110", "M115", "M105", "M155", "M400", "M114", "G4 P1")
"""What the link asks for by itself."""


def plain(lines: list[bytes]) -> list[str]:
    """Give the commands of a job without comments, by this test's own reading of facts.md 1.1."""
    return [command for line in lines if (command := line.split(b";")[0].strip().decode())]


class Running:
    """A counterpart that runs."""

    def __init__(self, port: int, record: Path) -> None:
        self.device = f"socket://127.0.0.1:{port}"
        self._record = record

    def executed(self) -> list[str]:
        """Give what it executed so far, in order."""
        rows: list[dict[str, Any]] = [json.loads(line) for line in self._record.read_text("utf-8").splitlines()]
        return [row["command"] for row in rows if "command" in row]

    def matches(self, wanted: list[str]) -> int:
        """Give how many commands of a job were executed, in order; fails at one that is neither the job's nor ours."""
        at = 0
        for command in self.executed():
            if at < len(wanted) and command == wanted[at]:
                at += 1
            else:
                assert command.startswith(OURS), f"{command} is not command {at} of the job"
        return at


def observing(device: str) -> str:
    """A daemon's configuration with one printer, whose jobs are judged and printed all the same."""
    return f"""
        [spool]
        directory = "spool"
        keep_free_mib = 1
        [control]
        socket = "control.sock"
        [printers.quay]
        device = "{device}"
        link_socket = "link.sock"
        mode = "observe"
        """


@contextlib.contextmanager
def counterpart(folder: Path, *options: str) -> Iterator[Running]:
    """Run the printer until the block ends."""
    record = folder / "executed.jsonl"
    command = [sys.executable, "-m", "tests.link.counterpart", "--record", str(record), *options]
    with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=Path(__file__).parents[2]) as process:
        assert process.stdout is not None
        try:
            yield Running(int(process.stdout.readline()), record)
        finally:
            process.terminate()


@pytest.mark.parametrize(
    ("of_printer", "of_link"),
    [
        # 1.1: line ends; 1.2: unasked echo: and //, packets of any size
        ("--chatter 7 --eol crlf --chunk byte --echo --empty ok", ""),
        # 1.2: ok 137, Resend:205, expected line, wait, skip; 1.3: window below the ring
        ("--lineage numbered --ring 64 --corrupt 0.02 --wait-s 0.3", "--ring 64"),
        # 1.2: rs without Error: and ok, duplicates named; acknowledgements lost
        ("--resend rs+{} --resend-ok 0 --error-line 0 --duplicate ok --ok colon --lose-ok 0.01 --corrupt 0.01", ""),
        # 1.1: no line without number and checksum; 1.2: P and B on ok, which comes before the command is done
        ("--checksum required --ok slots --ok-at accepted --slots 2 --emergency 1 --corrupt 0.01", ""),
        # 1.1: a printer that reads over number and checksum; 1.2: neither Cap: nor M155, temperatures after ok
        ("--checksum ignored --caps 0 --autoreport 0 --m105 ok-before --spaceless", ""),
        # 1.3: M110's own number counts, the counter stands elsewhere, no greeting ever comes
        ("--m110 line --counter 99998 --reset-on-connect 0 --greet never --chunk gather --ok temps", "--ring 128"),
        # 1.3 and 1.2: M110 is not known, and small numbers are dropped as lines there were before
        ("--m110 refuse --counter 5 --duplicate ok --reset-on-connect 0", ""),
        # 1.2: greeting a second late, what came in before is taken then; long heat-up without a word but T:
        ("--boot-s 1 --boot-keeps --busy-s 0 --heat-c-s 150 --home-s 1", ""),
        # 1.2: lines in two halves, a second in which nothing is heard either way, one of silence; waits for a person
        ("--event 90:half:0.4 --event 150:lost:1 --event 220:deaf:1 --event 300:silent:1 --event 380:runout:1", ""),
    ],
)  # fmt: skip
async def test_every_command_is_executed_once_and_in_order(tmp_path: Path, of_printer: str, of_link: str) -> None:
    """Whatever forms the convention leaves to a printer, a job is printed whole."""
    with counterpart(tmp_path, *(word.replace("+", " ") for word in of_printer.split())) as printer:
        async with link_process(tmp_path, printer.device, *of_link.split()) as link:
            await link.event("link-up", ENDS_S)
            await link.client.start("run-1", *write_job(tmp_path, TEXT))
            ended = (await link.event("run-ended", ENDS_S)).data
            assert ended["outcome"] == "completed", ended
            assert printer.matches(plain(LINES)) == len(plain(LINES)) == ended["commands"]
            paused = [event.type for event in link.seen if event.type in {"paused", "resumed"}]
            assert paused == (["paused", "resumed"] if "runout" in of_printer else [])


@pytest.mark.parametrize(
    ("of_printer", "reason"),
    [
        ("--event 200:reset", "the printer has restarted"),  # 1.2: start in a job is fatal
        ("--event 200:reset --greet never", "the printer has restarted"),  # 1.2: "expected line 1 got 139"
        ("--event 200:close", "link lost"),
        ("--event 200:kill:Thermal+Runaway,+system+stopped!", "the printer reported a fault: Error:Thermal Runaway"),
        ("--line-limit 30", "It is line 1"),  # 1.1: a line cut off has no checksum any more
    ],
)
async def test_what_ends_a_print_is_told_and_nothing_is_executed_behind_it(
    tmp_path: Path, of_printer: str, reason: str
) -> None:
    """The run is aborted with the reason; of the job a beginning was executed, and behind it only heaters-off."""
    with counterpart(tmp_path, *(word.replace("+", " ") for word in of_printer.split())) as printer:
        async with link_process(tmp_path, printer.device) as link:
            await link.event("link-up", ENDS_S)
            await link.client.start("run-1", *write_job(tmp_path, TEXT))
            ended = (await link.event("run-ended", ENDS_S)).data
            assert ended["outcome"] == "aborted"
            assert reason in ended["reason"]
        executed = [command for command in printer.executed() if command not in {"M104 S0", "M140 S0"}]
        of_job = [command for command in executed if not command.startswith(OURS)]
        wanted = [command for command in plain(LINES) if not command.startswith(OURS)]
        assert 0 < len(of_job) < len(wanted)
        assert of_job == wanted[: len(of_job)]


def test_the_daemon_prints_on_it_and_tells_what_it_does_not_know(tmp_path: Path) -> None:
    """The whole way: checked, cleared, printed and followed; a command that the printer lacks is an alert (facts.md 1.2)."""
    cap = bollard_cap(height_mm=1.6, diameter_mm=18).text.replace(
        b"G28\n", b"G28\nM73 P0\nM413 S0\nM999123\nG5 X1 Y1\n", 1
    )
    (tmp_path / "cap.gcode").write_bytes(cap)
    with counterpart(tmp_path, "--chatter", "50", "--busy-s", "0.5", "--home-s", "1.2") as printer:
        with daemon(tmp_path, observing(printer.device)) as gate:
            gate.start()
            job = json.loads(gate.run("submit", str(tmp_path / "cap.gcode"), "--json").stdout)["id"]
            gate.reaches(job, "queued")
            assert gate.run("cleared", "quay").exit_code == 0
            gate.reaches(job, "completed-with-warnings")
            alerts = [alert for alert in gate.client.get("alerts") if alert["name"] == "unknown-command"]
            assert len(alerts) == 1
            assert "does not know G5" in alerts[0]["text"]
        assert printer.matches(plain(cap.splitlines())) == len(plain(cap.splitlines()))
