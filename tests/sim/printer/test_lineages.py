"""Both reply lineages of facts.md 1.2, line by line."""

from __future__ import annotations

import dataclasses

from tests.sim.printer.desk import Desk, frame

from layergate_sim.printer import PrinterSettings

COMMON = PrinterSettings()
NUMBERED = PrinterSettings(lineage="numbered", keepalive_s=0.0)


def test_greetings() -> None:
    """Both say `start` once after power-on."""
    assert Desk(COMMON).greeting[0] == "start"
    assert Desk(NUMBERED).greeting == ["start"]


def test_acknowledgements() -> None:
    """`ok`, or `ok` with the line's number."""
    for settings, expected in ((COMMON, "ok"), (NUMBERED, "ok 7")):
        desk = Desk(settings)
        desk.printer.reader.last_number = 6
        desk.send(frame(7, "G92 E0"))
        assert desk.lines() == [expected]


def test_resends() -> None:
    """`Error`, `Resend: n` and an ok behind it in one lineage, `rs n` alone in the other."""
    for settings, expected in (
        (COMMON, ["Error:checksum mismatch, Last Line: 0", "Resend: 1", "ok"]),
        (NUMBERED, ["rs 1"]),
    ):
        desk = Desk(settings)
        desk.send(b"N1 G28*99\n")
        assert desk.lines() == expected


def test_temperatures() -> None:
    """On the acknowledgement, or on a line before it."""
    assert Desk(COMMON).ask("M105") == ["ok T:25.00 /0.00 B:25.00 /0.00 @:0 B@:0"]
    assert Desk(NUMBERED).ask("M105") == ["T:25.00 /0.00 B:25.00 /0.00 @:0 B@:0", "ok"]


def test_idle_and_busy() -> None:
    """The numbered lineage says `wait` once a second while idle, and never while it is at work."""
    desk = Desk(NUMBERED)
    desk.lines()
    desk.run(5)
    assert desk.lines() == ["wait"] * 5
    desk.send("G4 S5\n")
    desk.run(4)
    assert desk.lines() == []
    other = Desk(COMMON)
    other.run(30)
    assert other.lines() == []
    busy = Desk(dataclasses.replace(NUMBERED, keepalive_s=2.0))
    busy.send("G4 S3\n")
    busy.run(2.5)
    assert busy.lines() == ["busy: processing"]


def test_shutting_down() -> None:
    """`!!` announces a hardware shutdown in the numbered lineage (the wiki's grammar)."""
    desk = Desk(NUMBERED)
    desk.send("M112\n")
    assert desk.lines() == ["// stopped by M112", "!!"]
