"""What commands do to the machine: modes, extrusion, heat, persons, settings. Meanings from facts.md 1.4."""

from __future__ import annotations

import dataclasses
import math

import pytest
from tests.sim.printer.desk import FAST, Desk

from layergate_sim.printer import MotionSettings, PrinterSettings

REAL = PrinterSettings()  # one printer second a second

# facts.md 11, the reference micro-job (CALC there).
MICRO_JOB = (
    """
G21|G90|M82|M140 S60|M104 S205|M190 S60|M109 S205|G28|G92 E0|G1 Z0.2 F600|G1 X10 Y10 F6000|G1 X30 Y10 E0.67698 F3600
G1 X30 Y30 E1.35395 F3600|G1 X10 Y30 E2.03093 F3600|G1 X10 Y10 E2.70790 F3600|G1 E1.90790 F2400|G1 E2.70790 F2400
G1 Z0.4 F600|G1 X10 Y10 F6000|G1 X30 Y10 E3.38488 F3600|G1 X30 Y30 E4.06186 F3600|G1 X10 Y30 E4.73883 F3600
G1 X10 Y10 E5.41581 F3600|G1 E4.61581 F2400|G1 E5.41581 F2400|G1 Z0.6 F600|G1 X10 Y10 F6000
G1 X30 Y10 E6.09279 F3600|G1 X30 Y30 E6.76976 F3600|G1 X10 Y30 E7.44674 F3600|G1 X10 Y10 E8.12371 F3600
G1 E7.32371 F2400|G1 E8.12371 F2400|M104 S0|M140 S0|M107|M84
""".strip()
    .replace("\n", "|")
    .split("|")
)


def hot(settings: PrinterSettings = FAST) -> Desk:
    """A desk whose nozzle is at 210 C and whose axes are homed."""
    desk = Desk(settings)
    desk.ask("M109 S210")
    desk.ask("G28")
    return desk


def laid(desk: Desk) -> list[tuple[float, ...]]:
    desk.ask("M400")
    return [tuple(deposit[2:8]) for deposit in desk.memory.deposits]


def test_micro_job_gives_the_published_totals() -> None:
    """3 layers, 240 mm of path, 8.12371 mm of filament net, 10.52371 pushed, 2.4 pulled, 19.5398 mm3 (facts.md 11)."""
    desk = Desk()
    for line in MICRO_JOB:
        desk.ask(line)
    report = desk.printer.report()
    deposits = desk.memory.deposits
    assert len(MICRO_JOB) == 37
    assert sorted({round(one.z1, 4) for one in deposits}) == [0.2, 0.4, 0.6]
    assert sum(math.dist(one[2:5], one[5:8]) for one in deposits) == pytest.approx(240.0, abs=1e-6)
    assert report["filament_pushed_mm"] == pytest.approx(10.52371, abs=1e-5)
    assert report["filament_pulled_mm"] == pytest.approx(2.4, abs=1e-5)
    assert report["filament_laid_mm"] == pytest.approx(8.12371, abs=1e-5)
    assert sum(one.volume_mm3 for one in deposits) == pytest.approx(19.5398, abs=1e-4)
    assert desk.executed() == MICRO_JOB


def test_heating_of_the_micro_job_takes_what_the_model_says() -> None:
    """Bed to 60 C takes 137 s while the hot end heats along (facts.md 5); the waits are booked as heating."""
    desk = Desk()
    for line in MICRO_JOB:
        desk.ask(line)
    # One degree short of 60 C, then 2 s of residency; the same again, short, for the hot end.
    assert desk.printer.report()["heating_seconds"] == pytest.approx(137, abs=4)


def test_a_ring_takes_the_published_time() -> None:
    """Four edges of 20 mm at 60 mm/s take 1.513448 s of motion (facts.md 4 and 11)."""
    desk = hot()
    desk.ask("G1 X10 Y10 F6000")
    desk.ask("M400")
    before = desk.printer.report()["motion_seconds"]
    for line in ("G1 X30 Y10 F3600", "G1 X30 Y30", "G1 X10 Y30", "G1 X10 Y10", "M400"):
        desk.ask(line)
    assert desk.printer.report()["motion_seconds"] - before == pytest.approx(1.513448, abs=1e-5)


def test_absolute_and_relative() -> None:
    """G90/G91 for the axes, M82/M83 for E; G91 covers E too until M82 or M83 says otherwise (a dialect, settable)."""
    desk = hot()
    for line in ("G1 X10 Y10 Z1 F6000", "G91", "G1 X5 E1", "G1 Y5 E1", "M82", "G92 E0", "G1 X5 E1", "G1 X5 E1.5"):
        desk.ask(line)
    desk.ask("M400")
    assert [round(one.filament_mm, 6) for one in desk.memory.deposits] == [1, 1, 1, 0.5]
    assert desk.printer.machine.position == [25, 15, 1]
    other = hot(dataclasses.replace(FAST, g91_covers_e=False))
    for line in ("G91", "G1 X5 E1", "G1 X5 E1.5", "M400"):
        other.ask(line)
    assert [round(one.filament_mm, 6) for one in other.memory.deposits] == [1, 0.5]


def test_g92_names_the_position_and_moves_nothing() -> None:
    """At X=4, G92 X7 gives an offset of -3, then G92 X9 one of -5 (NISTIR 6556, 3.5.18, facts.md 2.4)."""
    desk = hot()
    desk.ask("G1 X4 F6000")
    desk.ask("G92 X7")
    assert desk.printer.machine.position[0] == 4
    assert desk.printer.machine.offset[0] == -3
    desk.ask("G92 X9")
    assert desk.printer.machine.offset[0] == -5
    desk.ask("G1 X19")
    assert desk.printer.machine.position[0] == 14
    assert desk.ask("M114")[0].startswith("X:19.00 ")


def test_inches() -> None:
    """G20: 1 in is 25.4 mm exactly, E and F too (facts.md 1.4, 2.4: F60 is 25.4 mm/s)."""
    desk = hot()
    desk.ask("G20")
    desk.ask("G1 X1 E0.1 F60")
    desk.ask("M400")
    assert desk.printer.machine.position[0] == 25.4
    assert desk.printer.machine.feed_mm_s == pytest.approx(25.4)
    assert desk.memory.deposits[0].filament_mm == pytest.approx(2.54)


def test_flow_factor_and_volumetric_e() -> None:
    """M221 multiplies real flow and not the counter; after M200 D1.75 E is mm3 (facts.md 1.4, 3.1: 2.405282 mm2)."""
    desk = hot()
    for line in ("M83", "M221 S50", "G1 X10 E2 F3000", "M221 S100", "M200 D1.75", "G1 X20 E2.405282", "M400"):
        desk.ask(line)
    assert [round(one.filament_mm, 5) for one in desk.memory.deposits] == [1.0, 1.0]
    assert desk.memory.deposits[1].volume_mm3 == pytest.approx(2.405282, abs=1e-5)
    assert desk.printer.machine.e == pytest.approx(4.405282)


def test_a_prime_pays_the_retraction_back_and_lays_nothing() -> None:
    """Retracting and priming leaves no material; priming more than was pulled back leaves a blob of the rest."""
    desk = hot()
    for line in ("M83", "G1 X10 F6000", "G1 E-2 F2400", "G1 X20 F6000", "G1 E2 F2400", "G1 E0.5", "M400"):
        desk.ask(line)
    assert laid(desk) == [(20, 0, 0, 20, 0, 0)]
    assert desk.memory.deposits[0].filament_mm == pytest.approx(0.5)


def test_firmware_retraction() -> None:
    """G10 and G11 pull back and push M207's length without touching the E counter (facts.md 1.4); lift and lowering."""
    desk = hot()
    for line in ("M207 S1.5 F2400 Z0.2", "M208 S0.1", "G1 X10 Z1 F6000", "G10", "G10", "M400"):
        desk.ask(line)
    report = desk.printer.report()
    assert report["filament_pulled_mm"] == pytest.approx(1.5)
    assert desk.printer.machine.actual[2] == pytest.approx(1.2)
    desk.ask("G11")
    desk.ask("M400")
    assert desk.printer.report()["filament_pushed_mm"] == pytest.approx(1.6)
    assert desk.printer.machine.actual[2] == pytest.approx(1.0)
    assert desk.printer.machine.e == 0


def test_cold_nozzle_moves_and_lays_nothing() -> None:
    """Below 170 C (facts.md 3.3) the axes move, a remark precedes the ok (facts.md 1.2), and no filament moves."""
    desk = Desk()
    desk.ask("G28")
    replies = desk.ask("G1 X10 E5 F3000")
    assert replies == ["echo: cold extrusion prevented", "ok"]
    assert laid(desk) == []
    assert desk.printer.machine.actual[0] == 10
    assert desk.printer.report()["cold_moves"] == 1
    desk.ask("M302 P1")
    assert desk.ask("G1 X20 E10") == ["ok"]
    assert len(laid(desk)) == 1


def test_unknown_commands_are_named_and_acknowledged() -> None:
    """`echo:Unknown command: "..."`, then ok (facts.md 1.2)."""
    desk = Desk()
    assert desk.ask("M620.1 E F523") == ['echo:Unknown command: "M620.1 E F523"', "ok"]
    assert desk.ask("START_MACRO BED=60") == ['echo:Unknown command: "START_MACRO BED=60"', "ok"]
    assert desk.printer.report()["unknown_commands"] == 2


def test_tools() -> None:
    """T0 is there; words such as T255 are no tools of this printer and harmless."""
    desk = Desk()
    assert desk.ask("T0") == ["ok"]
    assert desk.ask("T255") == ["echo:T255 is not a tool of this printer", "ok"]
    desk.ask("M104 S200 T0")
    assert desk.ask("M109 S0 T1") == ["echo:T1 is not a tool of this printer", "ok"]
    assert desk.printer.hotend.target_c == 200


def test_tools_that_share_a_nozzle_keep_their_targets() -> None:
    """With two tools a target for the other one waits until that tool becomes active."""
    desk = Desk(dataclasses.replace(FAST, tools=2))
    for line, target in (("M104 S200", 200), ("M104 T1 S230", 200), ("T1", 230), ("T0", 200), ("M104 T1 S0", 200)):
        assert desk.ask(line) == ["ok"]
        assert desk.printer.hotend.target_c == target


def test_soft_end_stops_hold_the_axes_inside() -> None:
    """After homing a target outside is cut to the reach; M211 S0 lets it through (facts.md 1.4)."""
    desk = hot()
    desk.ask("G1 X300 F6000")
    assert desk.printer.machine.position[0] == 240
    assert desk.printer.report()["positions_clamped"] == 1
    desk.ask("M211 S0")
    desk.ask("G1 X300")
    assert desk.printer.machine.position[0] == 300


def test_an_arc_is_laid_as_chords_with_even_flow() -> None:
    """NISTIR 6556, 3.5.3.2: from (7,7), G2 X10 Y16 I3 J4 is 12.490458 mm long; E is spread along it (facts.md 1.4)."""
    desk = hot()
    for line in ("G1 X7 Y7 F6000", "M83", "G2 X10 Y16 I3 J4 E1.2490458 F1200", "M400"):
        desk.ask(line)
    deposits = desk.memory.deposits
    assert sum(math.dist(one[2:4], one[5:7]) for one in deposits) == pytest.approx(12.490458, rel=2e-3)
    assert sum(one.filament_mm for one in deposits) == pytest.approx(1.2490458)
    assert len({round(one.filament_mm, 9) for one in deposits}) == 1
    assert min(one.x1 for one in deposits) == pytest.approx(5.0, abs=0.02)
    assert deposits[-1][5:7] == (10, 16)
    assert len({one.command for one in deposits}) == 1


def test_an_arc_with_many_chords_passes_a_small_planner() -> None:
    """A circle of 40 mm has more chords than the planner has blocks; the arc waits for room as it goes."""
    desk = hot(dataclasses.replace(FAST, time_scale=1000.0))
    for line in ("G1 X60 Y50 F12000", "G3 I-20 J0 F6000", "M400"):
        desk.ask(line)
    assert desk.printer.machine.planner.blocks_run > 100
    assert desk.printer.machine.position[:2] == [60, 50]


def test_a_helix_without_x_and_y_is_a_full_turn() -> None:
    """`G2 Z0.6 I.. J..` lifts along a full circle (seen in real jobs)."""
    desk = hot()
    for line in ("G1 X50 Y50 Z0.2 F6000", "G2 Z0.6 I1 J0 P1 F3000", "M400"):
        desk.ask(line)
    assert desk.printer.machine.actual == pytest.approx([50, 50, 0.6])


def test_dwell_is_milliseconds_or_seconds() -> None:
    """G4 P is ms, S is s, and S wins (facts.md 1.4)."""
    desk = Desk()
    for line in ("G4 P1500", "G4 S2", "G4 S1 P9000"):
        desk.ask(line)
    assert desk.printer.report()["dwell_seconds"] == pytest.approx(4.5)


def test_m109_waits_both_ways_only_with_r() -> None:
    """S waits while heating only, R also while cooling (facts.md 1.4)."""
    desk = Desk()
    desk.ask("M109 S210")
    reached = desk.printer.t
    assert reached == pytest.approx(75.1 + 2.0, abs=1.5)  # facts.md 5, and 2 s of residency
    desk.ask("M109 S150")
    assert desk.printer.t - reached < 1.0
    desk.ask("M109 S210")
    desk.ask("M109 R150")
    assert desk.printer.hotend.read_c(desk.printer.t) == pytest.approx(151, abs=1.1)


def test_heat_up_reports_once_a_second_with_seconds_left() -> None:
    """While a heater is waited for, temperatures come once a second, with W: (facts.md 1.2)."""
    desk = Desk(REAL)
    desk.send("M109 S60\n")
    desk.run(5.2)
    lines = desk.lines()
    assert len(lines) == 5
    assert all(line.startswith("T:") and line.endswith("W:?") for line in lines)
    desk.run(60)
    assert desk.lines()[-1] == "ok"


def test_m108_breaks_a_wait_only_with_the_emergency_parser() -> None:
    """M108 ends M109 at once when the byte stream is watched; without that it queues behind (facts.md 1.3)."""
    for watched in (True, False):
        desk = Desk(dataclasses.replace(REAL, emergency_parser=watched))
        desk.send("M109 S210\n")
        desk.run(5)
        desk.send("M108\n")
        desk.run(1)
        assert (desk.lines().count("ok") == 2) == watched


def test_m0_waits_for_a_person() -> None:
    """M0 says that it is paused for the user, and goes on after M108; without emergency parser it is ignored."""
    desk = Desk(REAL)
    desk.send("M0 Change the spool\n")
    desk.run(5)
    assert desk.lines() == ["echo:busy: paused for user", "echo:busy: paused for user"]
    desk.send("M108\n")
    desk.run(0.1)
    assert desk.lines() == ["ok", "ok"]
    assert Desk(dataclasses.replace(REAL, emergency_parser=False)).ask("M0", 0.1) == ["ok"]


def test_m112_shuts_down_and_m999_starts_again() -> None:
    """M112 from the byte stream: heaters off, motion gone, deaf; M999 restarts with a greeting, unhomed, at line 0."""
    desk = hot(REAL)
    desk.send("G4 S100\n")
    desk.run(1)
    desk.send("\nM112\n")
    desk.run(0.1)
    assert desk.lines()[0] == "Error:stopped by M112"
    assert desk.printer.state == "halted"
    assert desk.printer.hotend.target_c == 0
    desk.send("M105\nG28\n")
    desk.run(5)
    assert desk.lines() == []
    desk.send("M999\n")
    desk.run(2)
    assert desk.lines()[0] == "start"
    assert desk.printer.reader.last_number == 0
    assert desk.printer.machine.homed == [False, False, False]


def test_m112_without_emergency_parser_waits_for_its_turn() -> None:
    """Without the parser M112 acts only when the command before it is over (facts.md 1.3)."""
    desk = Desk(dataclasses.replace(REAL, emergency_parser=False))
    desk.send("G4 S3\nM112\n")
    desk.run(2)
    assert desk.printer.state == "running"
    desk.run(2)
    assert desk.printer.state == "halted"


def test_m112_is_found_however_the_bytes_come() -> None:
    """The parser sees M112 byte by byte, numbered, and not inside other words."""
    desk = Desk(REAL)
    for byte in b"M117 call M1120 M112\nN5 M112":
        desk.send(bytes([byte]))
    assert desk.printer.state == "running"
    for byte in b"*36\n":
        desk.send(bytes([byte]))
    assert desk.printer.state == "halted"


def test_m410_abandons_motion_and_the_position() -> None:
    """Quick stop: planned moves are gone and the axes count as not homed (facts.md 1.3)."""
    desk = hot(REAL)
    for k in range(5):
        desk.send(f"G1 X{200 - 150 * (k % 2)} F3000\n")
    desk.run(1)
    desk.send("M410\n")
    desk.run(0.1)
    assert len(desk.printer.machine.planner) == 0
    assert desk.printer.machine.homed == [False, False, False]
    assert desk.printer.report()["blocks_abandoned"] == 5


def test_motors_off_loses_the_position() -> None:
    """M84 after the last move: not homed any more (facts.md 1.4); with S it only sets a time-out."""
    desk = hot()
    desk.ask("M84 S60")
    assert desk.printer.machine.homed == [True, True, True]
    desk.ask("M84")
    assert desk.printer.machine.homed == [False, False, False]


def test_speeds_and_accelerations_follow_m201_to_m205_and_m220() -> None:
    """100 mm at 100 mm/s and 1000 mm/s2 take 1.1 s (facts.md 4); limits and factors change that."""
    desk = hot()

    def seconds(*setup: str) -> float:
        for line in (*setup, "G1 X0 F6000", "M400"):
            desk.ask(line)
        before = desk.printer.machine.planner.motion_s
        desk.ask("G1 X100 F6000")
        desk.ask("M400")
        return desk.printer.machine.planner.motion_s - before

    assert seconds() == pytest.approx(1.1)
    assert seconds("M220 S50") == pytest.approx(100 / 50 + 50 / 1000)
    assert seconds("M220 S100", "M203 X50") == pytest.approx(100 / 50 + 50 / 1000)
    assert seconds("M203 X300", "M204 T500") == pytest.approx(100 / 100 + 100 / 500)
    assert seconds("M204 T3000", "M201 X1000") == pytest.approx(1.1)
    desk.ask("M205 J0.02")
    assert desk.printer.machine.planner.deviation_mm == 0.02


def test_default_limits_cap_z() -> None:
    """Z is limited to 12 mm/s: 12 mm take 1 s and one ramp pair."""
    desk = hot()
    before = desk.printer.report()["motion_seconds"]
    desk.ask("G1 Z12 F6000")
    desk.ask("M400")
    assert desk.printer.report()["motion_seconds"] - before == pytest.approx(1.0 + 12 / 1000)


def test_identity_and_settings_report() -> None:
    """M115 names itself and its capabilities (facts.md 1.2), M503 its limits; both end with ok."""
    desk = Desk()
    identity = desk.ask("M115")
    assert identity[0].startswith("FIRMWARE_NAME:layergate-sim ")
    assert "Cap:EMERGENCY_PARSER:1" in identity
    assert "Cap:THERMAL_PROTECTION:1" in identity
    settings = desk.ask("M503")
    assert "echo:  M203 X300.00 Y300.00 Z12.00 E60.00" in settings
    assert "echo:  M204 P1000.00 R1000.00 T1000.00" in settings
    assert "echo:  M205 J0.050" in settings


def test_m118_and_m117() -> None:
    """M118 says the text, with a prefix on request; what it says may look like a reply."""
    desk = Desk()
    assert desk.ask("M118 hello") == ["hello", "ok"]
    assert desk.ask("M118 E1 hello") == ["echo:hello", "ok"]
    assert desk.ask("M118 A1 action:pause") == ["// action:pause", "ok"]
    assert desk.ask("M118 ok") == ["ok"]
    assert desk.ask("M117 Layer 3") == ["ok"]


def test_auto_report_comes_by_itself() -> None:
    """M155 S2: temperatures every 2 s without being asked (facts.md 1.3); S0 ends it."""
    desk = Desk(REAL)
    desk.ask("M155 S2")
    desk.lines()
    desk.run(10)
    lines = desk.lines()
    assert len(lines) in (5, 6)
    assert all(line.startswith("T:25.00 /0.00 B:25.00 /0.00") for line in lines)
    desk.ask("M155 S0")
    desk.run(10)
    assert desk.lines() == []


def test_everything_of_motion_can_be_set() -> None:
    """Settings of the machine reach the planner."""
    motion = MotionSettings(print_accel_mm_s2=500, travel_accel_mm_s2=500, max_speed_mm_s=(60, 60, 12, 60))
    desk = hot(dataclasses.replace(FAST, motion=motion))
    before = desk.printer.report()["motion_seconds"]
    desk.ask("G1 X200 F60000")
    desk.ask("M400")
    assert desk.printer.report()["motion_seconds"] - before == pytest.approx(3.453333, abs=1e-6)  # facts.md 4


@pytest.mark.parametrize("scale", [1.0, 50.0, 7000.0])
def test_the_time_scale_changes_nothing_but_the_host_time(scale: float) -> None:
    """The same job at any finite scale, fed in time, takes the same printer time."""
    desk = Desk(dataclasses.replace(FAST, time_scale=scale, ring_bytes=0))
    for k in range(40):
        desk.ask(f"G1 X{10 + 20 * (k % 2)} Y{k} F3000")
    begun = desk.now
    desk.ask("M400")
    assert desk.printer.report()["motion_seconds"] == pytest.approx(17.9, abs=1.0)
    assert desk.now - begun < 10 / scale
