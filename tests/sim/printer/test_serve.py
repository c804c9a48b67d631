"""Pty and TCP: what the operating system adds to the device model. Every read has a deadline."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from tests.sim.printer.desk import FAST, frame

from layergate_sim.harness import spawned_printer
from layergate_sim.printer import MemoryRecords, PrinterSettings, read_faults
from layergate_sim.printer.scenario import VERBS
from layergate_sim.serve import RunningPrinter, running_printer

DEADLINE_S = 10.0
QUICK = PrinterSettings(time_scale=1000.0)


class Link:
    """A TCP connection read line by line with a deadline."""

    def __init__(self, url: str) -> None:
        host, port = url.removeprefix("socket://").rsplit(":", 1)
        self.socket = socket.create_connection((host, int(port)), timeout=DEADLINE_S)
        self.buffer = b""

    def line(self) -> str:
        """Next line; '' when the other side has hung up, by a reset where it had bytes of ours unread (RFC 9293, 3.6.1)."""
        while b"\n" not in self.buffer:
            try:
                chunk = self.socket.recv(65536)
            except ConnectionResetError:
                chunk = b""
            if not chunk:
                return ""
            self.buffer += chunk
        line, self.buffer = self.buffer.split(b"\n", 1)
        return line.decode("latin-1")

    def until(self, word: str) -> list[str]:
        lines = [self.line()]
        while lines[-1] and not lines[-1].startswith(word):
            lines.append(self.line())
        return lines


@contextlib.contextmanager
def connected(running: RunningPrinter) -> Iterator[Link]:
    link = Link(running.url)
    try:
        yield link
    finally:
        link.socket.close()


def wait_for(path: Path) -> None:
    """Until the path is there, within the deadline."""
    deadline = time.monotonic() + DEADLINE_S
    while not path.exists():
        assert time.monotonic() < deadline, f"{path} did not come back"
        select.select([], [], [], 0.005)


def test_tcp_serves_a_job() -> None:
    """Greeting first, one acknowledgement a line, everything executed."""
    records = MemoryRecords()
    job = [f"G1 X{n % 100} F3000" for n in range(500)]
    with (
        running_printer(dataclasses.replace(FAST, ring_bytes=0), records=records) as running,
        connected(running) as link,
    ):
        assert link.until("start")[-1] == "start"
        link.socket.sendall(b"".join(frame(n, payload) for n, payload in enumerate(job, 1)))
        for _ in job:
            assert link.until("ok")[-1] == "ok"
    assert [one.decode() for one in records.commands] == job


def test_tcp_turns_a_second_host_away_and_takes_the_next() -> None:
    """One host at a time; after it has gone another may come, and hears no old replies."""
    with running_printer(QUICK) as running:
        with connected(running) as first:
            first.until("start")
            with connected(running) as second:
                assert second.line() == ""
            first.socket.sendall(b"M105\n")
            assert first.until("ok")[-1].startswith("ok T:")
        with connected(running) as third:
            third.socket.sendall(b"G92 E0\n")
            assert third.line() == "ok"


def test_tcp_unplugged_refuses_and_comes_back_rebooted() -> None:
    """The connection ends, nobody listens, then the same port greets again."""
    with running_printer(QUICK) as running:
        with connected(running) as link:
            link.until("start")
            running.do_fault("unplug", "1s", "reboot")
            link.socket.sendall(b"\n")
            assert link.until("never")[-1] == ""
        deadline = time.monotonic() + DEADLINE_S
        failures, greeted = 0, False
        while not greeted and time.monotonic() < deadline:
            with contextlib.suppress(ConnectionError), connected(running) as again:
                greeted = again.until("start")[-1] == "start"
            failures += not greeted
            select.select([], [], [], 0.0 if greeted else 0.01)
        assert greeted
        assert failures > 0
        assert running.report()["resets"] == 1


def test_reset_on_open_greets_every_host() -> None:
    """A board whose lines reset it on open greets each new host (facts.md 6.1)."""
    with running_printer(dataclasses.replace(QUICK, reset_on_open=True)) as running:
        for _ in range(2):
            with connected(running) as link:
                assert link.until("start")[-1] == "start"


def test_pty_serves_through_its_symlink(tmp_path: Path) -> None:
    """pyserial opens the path, is greeted, asks and hears; the link is gone after the end."""
    path = tmp_path / "usb-printer"
    with running_printer(QUICK, pty=path) as running:
        assert path.is_symlink()
        with serial.Serial(running.url, 115200, timeout=DEADLINE_S, exclusive=True) as port:
            assert port.readline() == b"start\n"
            port.readline()
            port.write(frame(1, "M105") + b"\x04\x03\x1c\n")
            assert port.readline().startswith(b"ok T:")
            assert port.readline().startswith(b"echo:Unknown command")
    assert not path.is_symlink()


def test_pty_does_not_keep_old_replies_for_the_next_host(tmp_path: Path) -> None:
    """What the last host did not read is gone, as on a real port; the printer goes on as it was."""
    with running_printer(QUICK, pty=tmp_path / "port") as running:
        with serial.Serial(running.url, 115200, timeout=DEADLINE_S) as port:
            assert port.readline() == b"start\n"
            port.write(b"G92 E1\nM155 S1\n" * 5)
            assert port.read(30)
        deadline = time.monotonic() + DEADLINE_S
        while running.report()["bytes_out"] < 300 and time.monotonic() < deadline:
            select.select([], [], [], 0.02)  # temperatures that nobody hears
        with serial.Serial(running.url, 115200, timeout=DEADLINE_S) as port:
            port.write(b"M155 S0\n\nM118 here\n")
            lines = [port.readline()]
            while lines[-1] and lines[-1] != b"here\n":
                lines.append(port.readline())
            assert lines[-1] == b"here\n"
            assert len(lines) < 40


def test_pty_unplugged_vanishes_and_comes_back(tmp_path: Path) -> None:
    """The symlink goes, reads fail at once, then the same path is a printer again that has not restarted."""
    path = tmp_path / "port"
    with running_printer(QUICK, pty=path) as running:
        with serial.Serial(running.url, 115200, timeout=DEADLINE_S) as port:
            assert port.readline() == b"start\n"
            port.readline()  # the greeting's second line
            running.do_fault("unplug", "300ms")
            with pytest.raises(serial.SerialException):
                port.read(1)
        wait_for(path)
        with serial.Serial(running.url, 115200, timeout=DEADLINE_S) as port:
            port.write(b"G92 E0\n")
            assert port.readline() == b"ok\n"


def test_pty_leaves_other_files_alone(tmp_path: Path) -> None:
    """A path that is no symlink is refused with its name; an old symlink is replaced."""
    path = tmp_path / "precious"
    path.write_text("x")
    with pytest.raises(FileExistsError, match="precious"), running_printer(QUICK, pty=path):
        pass
    assert path.read_text() == "x"
    old = tmp_path / "old"
    old.symlink_to(tmp_path / "gone")
    with running_printer(QUICK, pty=old):
        assert os.readlink(old).startswith("/dev/")


def test_an_idle_printer_sleeps(tmp_path: Path) -> None:
    """With nobody there and nothing to do, a second costs next to no processor time."""
    with spawned_printer("--pty", str(tmp_path / "port")) as spawned:
        stat = Path(f"/proc/{spawned.process.pid}/stat")

        def ticks() -> int:
            fields = stat.read_text().rsplit(")", 1)[1].split()
            return int(fields[11]) + int(fields[12])

        before = ticks()
        select.select([], [], [], 1.0)
        assert ticks() - before <= 0.1 * os.sysconf("SC_CLK_TCK")


def test_a_baud_rate_paces_the_real_transport() -> None:
    """100 lines of 41 bytes at 115200 baud take at least the 0.38 s of facts.md 6.1, and not ten times that."""
    with running_printer(dataclasses.replace(FAST, baud=115200)) as running, connected(running) as link:
        link.until("start")
        begun = time.monotonic()
        for _ in range(100):
            link.socket.sendall(b"M117 " + b"x" * 35 + b"\n")
            link.until("ok")
        assert 100 / 261.8 * 0.98 < time.monotonic() - begun < 3.8


def test_the_command_line_serves_reports_and_stops_cleanly(tmp_path: Path) -> None:
    """`ready PATH`, a job under a scenario, SIGTERM, and a JSON report with totals and fault counts."""
    scenario = tmp_path / "bad-day.scn"
    scenario.write_text("# time-scale: inf\n# seed: 3\nat line 3 corrupt\nevery 5 lines double-ack\n")
    record = tmp_path / "record.txt"
    arguments = ("--scenario", str(scenario), "--fault", "drop-ack-at-line=7", "--record", str(record))
    with spawned_printer(*arguments) as spawned:
        link = Link(spawned.url)
        link.until("start")
        for n in range(1, 11):
            link.socket.sendall(frame(n, "G92 E0"))
            if n == 3:
                assert "Resend: 3" in link.until("ok")
                link.socket.sendall(frame(3, "G92 E0"))
            if n != 7:
                link.until("ok")
        link.socket.close()
        report = spawned.stop()
    assert report["faults"] == {"corrupt": 1, "double-ack": 2, "drop-ack": 1, "touched-yet-accepted": 0} or report[
        "faults"
    ] == {"corrupt": 1, "double-ack": 2, "drop-ack": 1}
    assert report["commands_executed"] == 10
    assert record.read_text() == "G92 E0\n" * 10


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "exactly one of --pty PATH and --tcp HOST:PORT"),
        (["--tcp", "nowhere"], "'nowhere' is not HOST:PORT"),
        (["--tcp", "127.0.0.1:0", "--fault", "corupt=1"], "unknown fault 'corupt'"),
        (["--tcp", "127.0.0.1:0", "--volume", "big"], "'big' is not of the form XxYxZ"),
        (["--tcp", "127.0.0.1:0", "--time-scale", "0"], "must be above 0"),
        (["--tcp", "127.0.0.1:0", "--ring", "3"], "at least 16"),
        (["--tcp", "127.0.0.1:0", "--record", "/nowhere/at/all"], "can't write the record"),
    ],
)
def test_wrong_use_is_told_plainly(arguments: list[str], words: str) -> None:
    """What, where, what to do; exit code not 0; no traceback."""
    ended = subprocess.run(
        [sys.executable, "-m", "layergate_sim.cli", "printer", *arguments],
        capture_output=True,
        text=True,
        timeout=DEADLINE_S,
        check=False,
    )
    assert ended.returncode in (1, 2)
    assert words in " ".join(ended.stderr.split())
    assert "Traceback" not in ended.stderr


def test_the_faults_are_listed() -> None:
    """--list-faults names every verb and shows the scenario format."""
    ended = subprocess.run(
        [sys.executable, "-m", "layergate_sim.cli", "printer", "--list-faults"],
        capture_output=True,
        text=True,
        timeout=DEADLINE_S,
        check=True,
    )
    assert all(f"\n{verb} " in "\n" + ended.stdout for verb in VERBS)
    assert "at line 200  reset" in ended.stdout


def test_ctrl_c_ends_it_with_the_report(tmp_path: Path) -> None:
    """SIGINT: the report in words, exit 0, no symlink left."""
    path = tmp_path / "port"
    process = subprocess.Popen(
        [sys.executable, "-m", "layergate_sim.cli", "printer", "--pty", str(path)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    ready, _, _ = select.select([process.stdout], [], [], DEADLINE_S)
    assert ready
    assert process.stdout.readline() == f"ready {path}\n"
    process.send_signal(signal.SIGINT)
    output, _ = process.communicate(timeout=DEADLINE_S)
    assert process.returncode == 0
    assert "motion_seconds" in output
    assert not path.is_symlink()


def test_the_report_is_json() -> None:
    """Everything in the report can be written as JSON."""
    with running_printer(QUICK, faults=read_faults("corrupt=0.5")) as running:
        assert json.loads(json.dumps(running.report()))["state"] in ("booting", "running")


def test_a_loop_that_fails_says_so_at_the_end(tmp_path: Path) -> None:
    """An unplugged pty whose name is taken meanwhile can't come back: the error reaches whoever started it."""
    path = tmp_path / "port"

    def unplugged_and_replaced() -> None:
        with running_printer(QUICK, pty=path) as running:
            running.do_fault("unplug", "1s")
            deadline = time.monotonic() + DEADLINE_S
            while path.is_symlink() and time.monotonic() < deadline:
                select.select([], [], [], 0.005)
            path.write_text("taken")
            while running.thread.is_alive() and time.monotonic() < deadline:
                select.select([], [], [], 0.005)

    with pytest.raises(FileExistsError, match="port"):
        unplugged_and_replaced()
    assert path.read_text() == "taken"
