"""Records: every executed command once, nothing else; deposits from which the part can be rebuilt; nothing lost."""

from __future__ import annotations

import dataclasses
import math
import socket
import time
from pathlib import Path

import pytest
from tests.sim.printer.desk import FAST, Desk, frame

from layergate_sim.harness import spawned_printer
from layergate_sim.printer import FileRecords, PrinterSettings, SimulatedPrinter, read_deposits


def test_the_record_holds_payloads_exactly_as_received() -> None:
    """No number, no checksum, no comment; inner blanks, case and order untouched; unnumbered lines too."""
    desk = Desk()
    payloads = ["G1 X1.000  Y-.5", "g1 x2 f1200", "M117 Layer 1 of 3", "M999", "G92 E0.0000 ", "BOGUS"]
    for n, payload in enumerate(payloads, 1):
        desk.send(frame(n, payload))
    desk.send("G92 E1 ; said\n")
    assert [one.decode() for one in desk.memory.commands] == [*payloads, "G92 E1 "]


def test_refused_lines_are_not_in_the_record() -> None:
    """Bad sums, wrong numbers and repeated lines never appear; the good one appears once."""
    desk = Desk()
    desk.send(b"N1 G92 E1*1\n" + frame(2, "G92 E2") + frame(1, "G92 E1") + frame(1, "G92 E1"))
    assert desk.executed() == ["G92 E1"]


def test_commands_lost_by_a_reset_before_their_turn_are_not_in_the_record() -> None:
    """Of lines waiting behind a dwell, none is executed when the printer restarts; the dwell itself is recorded."""
    desk = Desk(PrinterSettings(ring_bytes=0))
    desk.send("G4 S5\nG92 E1\nG92 E2\nG92 E3\nG92 E4\nG92 E5\nG92 E6\n")
    desk.printer.reset()
    desk.run(10)
    assert desk.executed() == ["G4 S5"]


def test_a_move_that_waits_for_the_planner_is_recorded_when_it_is_planned() -> None:
    """The 17th move waits; a reset then loses it, and the record does not claim it."""
    desk = Desk(PrinterSettings(ring_bytes=0))
    for k in range(17):
        desk.send(f"G1 X{100 * ((k + 1) % 2)} F600\n")
    assert len(desk.executed()) == 16
    desk.printer.reset()
    desk.run(5)
    assert len(desk.executed()) == 16
    assert desk.printer.report()["blocks_abandoned"] == 16


def test_files_are_complete_before_the_acknowledgement(tmp_path: Path) -> None:
    """Whenever `ok` is out, the command and what has been laid so far are in the files."""
    commands, deposits = tmp_path / "commands.txt", tmp_path / "deposits.csv"
    records = FileRecords(commands, deposits)
    printer = SimulatedPrinter(FAST, records=records)
    printer.poll(0.0)
    for n, payload in enumerate(["M302 P1", "G1 X10 E1 F600", "G1 X20 E2", "M400"], 1):
        printer.receive(frame(n, payload), 0.0)
        assert printer.poll(0.0).endswith(b"ok\n") or n == 1
        assert commands.read_text().splitlines()[-1] == payload
    records.close()
    rows = read_deposits(deposits)
    assert [row.command for row in rows] == [2, 3]
    assert [(row.x0, row.x1, row.filament_mm) for row in rows] == [(0, 10, 1), (10, 20, 1)]
    assert rows[0].volume_mm3 == pytest.approx(math.pi * 1.75**2 / 4, abs=1e-6)


def test_deposits_rebuild_the_volume_pushed(tmp_path: Path) -> None:
    """Sum of deposits = filament pushed minus what was pulled back, times its area (conservation, facts.md 3.1)."""
    desk = Desk()
    desk.ask("M302 P1")
    desk.ask("M83")
    for n in range(400):
        desk.ask(f"G1 X{n % 40} Y{n % 23} E0.{n % 9}1 F3000")
        if n % 25 == 0:
            desk.ask("G1 E-0.8 F2400")
            desk.ask(f"G1 X{n % 31} F9000")
            desk.ask("G1 E0.8 F2400")
    desk.ask("M400")
    report = desk.printer.report()
    laid = sum(one.filament_mm for one in desk.memory.deposits)
    assert laid == pytest.approx(report["filament_pushed_mm"] - report["filament_pulled_mm"], rel=1e-6)
    assert all(a.t_s <= b.t_s for a, b in zip(desk.memory.deposits, desk.memory.deposits[1:], strict=False))


def test_a_cut_deposit_file_is_read_up_to_the_cut(tmp_path: Path) -> None:
    """The half line that a kill may leave is left out; another file is refused by name."""
    path = tmp_path / "deposits.csv"
    records = FileRecords(None, path)
    records.close()
    with path.open("a") as file:
        file.write("1,0.5,0,0,0,1,0,0,0.1,0.2\n2,0.6,1,0")
    assert len(read_deposits(path)) == 1
    other = tmp_path / "other.csv"
    other.write_text("a,b\n")
    with pytest.raises(ValueError, match=r"other\.csv"):
        read_deposits(other)


def test_a_killed_printer_has_lost_nothing_that_it_acknowledged(tmp_path: Path) -> None:
    """After kill -9 in mid-stream the record begins with every acknowledged command, in order, each once."""
    record = tmp_path / "record.txt"
    job = [f"G1 X{n % 200} Y{n % 190} F3000" for n in range(3000)]
    with spawned_printer("--time-scale", "inf", "--ring", "0", "--record", str(record)) as spawned:
        host, port = spawned.url.removeprefix("socket://").split(":")
        with socket.create_connection((host, int(port)), timeout=10) as link:
            link.settimeout(10)
            link.sendall(b"".join(frame(n, payload) for n, payload in enumerate(job, 1)))
            acknowledged = b""
            deadline = time.monotonic() + 20
            while acknowledged.count(b"ok\n") < 500 and time.monotonic() < deadline:
                acknowledged += link.recv(4096)
            spawned.kill()
    written = record.read_bytes().decode().splitlines()
    assert len(written) >= acknowledged.count(b"ok\n") >= 500
    assert written == job[: len(written)]


def test_records_may_be_left_out(tmp_path: Path) -> None:
    """Without files nothing is written, and a path that can't be written is an error at the start."""
    FileRecords(None, None).close()
    with pytest.raises(OSError, match="nowhere"):
        FileRecords(tmp_path / "nowhere" / "record.txt", None)
    assert dataclasses.replace(FAST).instant
