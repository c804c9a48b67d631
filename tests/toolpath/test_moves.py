"""Moves: what a plain machine, one line at a time, does with the same program, in every mode and however it is cut."""

from itertools import pairwise
from random import Random
from typing import cast

import numpy as np
import pytest
from tests.oracles.effort import seeds
from tests.oracles.plain_machine import PlainMachine, PlainMove
from tests.oracles.programs import program

from layergate.gcode.columns import read_columns
from layergate.gcode.dialect import Dialect, EModeScope
from layergate.toolpath.moves import KIND_NAMES, Moves, concatenate
from layergate.toolpath.reader import MoveReader

SCOPES = ("while-relative", "until-stated", "never")


def read(lines: list[str], cuts: list[int] | None = None, dialect: Dialect | None = None) -> tuple[Moves, MoveReader]:
    """Read a program, cut into blocks before the given lines (from 0)."""
    reader = MoveReader(dialect or Dialect())
    edges = sorted({0, *(cuts or ()), len(lines)})
    parts = [reader.read(read_columns(("\n".join(lines[a:b]) + "\n").encode(), a + 1)) for a, b in pairwise(edges)]
    return concatenate(parts), reader


def compare(moves: Moves, plain: list[PlainMove]) -> None:
    """Line by line; the chords of an arc together."""
    first = np.concatenate(([True], np.diff(moves.line) != 0)) if len(moves) else np.zeros(0, bool)
    begins = np.flatnonzero(first)
    ends = np.append(begins[1:], len(moves))
    assert moves.line[begins].tolist() == [move.line for move in plain]
    for begin, end, move in zip(begins.tolist(), ends.tolist(), plain, strict=True):
        rows = moves.take(slice(begin, end))
        kinds = {KIND_NAMES[kind] for kind in rows.kind.tolist()}
        assert kinds == {move.kind}, move
        known_start = [s if np.isfinite(s) else e for s, e in zip(move.start, move.end, strict=True)]
        assert (rows.x0[0], rows.y0[0], rows.z0[0]) == pytest.approx(known_start, abs=1e-6, nan_ok=True), move
        assert (rows.x1[-1], rows.y1[-1], rows.z1[-1]) == pytest.approx(move.end, abs=1e-6, nan_ok=True), move
        if np.isfinite(move.xy + sum(move.end)):
            # The plain machine draws arcs with 4000 chords, so its lengths are short by less than 1e-6 of themselves. Of
            # upright ones, the share in XY is that of the chords, each of which is off the arc by 5 um at most.
            flat = abs(np.hypot(move.xy, move.end[2] - move.start[2]) - move.length) < 1e-5
            rel, most = (2e-6, 1e-6) if flat else (5e-3, 0.02)
            assert rows.xy_mm.sum() == pytest.approx(move.xy, rel=rel, abs=most), move
            assert rows.length_mm.sum() == pytest.approx(move.length, rel=2e-6, abs=1e-6), move
        assert rows.push_mm.sum() == pytest.approx(move.push, abs=1e-7), move
        assert rows.laid_mm.sum() == pytest.approx(move.laid, abs=2e-7), move
        for column, value in (
            (rows.feed_mm_s, move.feed), (rows.acceleration_mm_s2, move.acceleration), (rows.hot_end_c, move.hot_end),
            (rows.tool, move.tool),
        ):  # fmt: skip
            assert column.tolist() == pytest.approx([value] * len(rows), nan_ok=True), move
        assert rows.dwell_s.sum() == pytest.approx(move.dwell), move


@pytest.mark.parametrize("scope", SCOPES)
@pytest.mark.parametrize("seed", seeds(40))
def test_random_programs_move_as_a_plain_machine_moves(seed: int, scope: str) -> None:
    """Absolute and relative XYZ and E, G92, homing, inches, volumetric E, factors, tools, debts, in any order."""
    rng = Random(seed)
    lines = program(rng, rng.choice((5, 30, 120)))
    dialect = Dialect(g90_g91_and_e=cast(EModeScope, scope), g4_p_is_seconds=seed % 5 == 0)
    moves, reader = read(lines, None, dialect)
    machine = PlainMachine(scope, dialect.g4_p_is_seconds)
    plain = machine.run(lines)
    compare(moves, plain)
    position = [a if a is not None else np.nan for a in reader.position()]
    assert position == pytest.approx(machine._place(), abs=1e-6, nan_ok=True)
    assert reader.commands == len(lines)


@pytest.mark.parametrize("seed", seeds(40))
def test_moves_do_not_depend_on_where_blocks_end(seed: int) -> None:
    """Cut anywhere, down to a block for each line, the moves are those of the whole, to the last rounding."""
    rng = Random(1000 + seed)
    lines = program(rng, 60)
    whole, _ = read(lines)
    some = [rng.randrange(len(lines)) for _ in range(6)]
    for cuts in (some, list(range(len(lines)))):
        parts, _ = read(lines, cuts)
        assert parts.line.tolist() == whole.line.tolist()
        assert parts.kind.tolist() == whole.kind.tolist()
        for name in (
            "x0",
            "y0",
            "z0",
            "x1",
            "y1",
            "z1",
            "xy_mm",
            "push_mm",
            "laid_mm",
            "feed_mm_s",
            "hot_end_c",
            "dwell_s",
        ):
            assert np.allclose(getattr(parts, name), getattr(whole, name), rtol=0, atol=1e-7, equal_nan=True), name


def single(*lines: str, dialect: Dialect | None = None) -> Moves:
    return read(list(lines), None, dialect)[0]


def kinds(moves: Moves) -> list[str]:
    return [KIND_NAMES[kind] for kind in moves.kind.tolist()]


def test_g92_moves_the_name_of_a_place_and_not_the_place() -> None:
    """NIST 3.5.19 (facts.md 2.4): at X4, ``G92 X7`` gives offset -3; then ``G92 X9`` gives -5; the machine stays at 4."""
    reader = MoveReader(Dialect())
    reader.read(read_columns(b"G28\nG1 X4\nG92 X7\n", 1))
    assert (reader.x.logical, reader.x.offset, reader.position()[0]) == (7.0, -3.0, 4.0)
    reader.read(read_columns(b"G92 X9\n", 4))
    assert (reader.x.logical, reader.x.offset, reader.position()[0]) == (9.0, -5.0, 4.0)
    moves = reader.read(read_columns(b"G1 X10\n", 5))
    assert (moves.x0[0], moves.x1[0]) == (4.0, 5.0)


def test_an_inch_has_25_4_mm_in_coordinates_extruder_and_feed() -> None:
    """facts.md 1.4 (G20: E too) and 2.4: G20 then F60 is 25.4 mm/s."""
    moves = single("G28", "G20", "G1 X1 E0.1 F60")
    assert moves.x1[-1] == pytest.approx(25.4)
    assert moves.push_mm[-1] == pytest.approx(2.54)
    assert moves.feed_mm_s[-1] == pytest.approx(25.4)


def test_volumetric_e_is_divided_by_the_filament_area() -> None:
    """facts.md 1.4, M200: length = V / (pi D^2 / 4); A_f of 1.75 mm is 2.405282 mm2 (facts.md 3.1)."""
    moves = single("G28", "M200 D1.75", "G1 X10 E2.405282", "M200 D0", "G1 X20 E3.405282")
    assert moves.push_mm[1:].tolist() == pytest.approx([1.0, 1.0], rel=1e-6)


def test_flow_and_speed_factors_stay_until_set_again() -> None:
    """facts.md 1.4, M220/M221: sticky percentages of real flow and speed, not of the counter."""
    moves = single("G28", "M221 S50", "M220 S200", "G1 X10 E1 F600", "G1 X20 E2", "M221 S100", "G1 X30 E3")
    assert moves.push_mm[1:].tolist() == pytest.approx([0.5, 0.5, 1.0])
    assert moves.feed_mm_s[1:].tolist() == pytest.approx([20.0, 20.0, 20.0])


def test_a_prime_pays_the_debt_back_and_lays_nothing() -> None:
    """domain.md, "Rebuilding the part": the first 0.8 mm after pulling back 0.8 mm only refill the nozzle."""
    moves = single(
        "G28", "M83", "G1 X10 E1", "G1 E-0.8", "G1 X20", "G1 E0.8", "G1 X30 E1", "G1 X40 E-0.5", "G1 X50 E0.5"
    )
    assert kinds(moves)[1:] == ["deposit", "retract", "travel", "prime", "deposit", "wipe", "dry"]
    assert moves.laid_mm[1:].tolist() == pytest.approx([1, 0, 0, 0, 1, 0, 0])


def test_debt_is_kept_for_each_tool() -> None:
    """facts.md 1.4, T: what one tool pulled back the other does not pay."""
    moves = single("G28", "M83", "G1 E-2", "T1", "G1 X10 E1", "T0", "G1 X20 E1", "G1 X30 E2")
    assert kinds(moves)[1:] == ["retract", "deposit", "dry", "deposit"]
    assert moves.laid_mm[-1] == pytest.approx(1.0)


def test_firmware_retraction_owes_and_returns_its_length() -> None:
    """facts.md 1.4, G10/G11: amounts from M207; the counter is unchanged; a second G10 pulls nothing."""
    moves = single("G28", "M207 S1.5", "G1 X10 E1", "G10", "G10", "G1 X20", "G1 X30 E1.5", "G11", "G1 X40 E2.5")
    assert kinds(moves)[1:] == ["deposit", "retract", "travel", "dry", "prime", "deposit"]
    assert moves.push_mm[1:].tolist() == pytest.approx([1, -1.5, 0, 0.5, 1.5, 1])
    assert moves.laid_mm[1:].tolist() == pytest.approx([1, 0, 0, 0, 0.5, 1])


def test_firmware_retraction_has_lengths_and_speeds_of_its_own() -> None:
    """facts.md 1.4, M207 S F and M208 S F: G11 returns what G10 pulled and S of M208 more, each at its own feed."""
    lines = (
        "G28",
        "M83",
        "M207 S2 F1800",
        "M208 S0.1 F900",
        "G1 X10 E1 F600",
        "G10",
        "M207 S5",
        "G1 X20",
        "G11",
        "G1 X30 E1",
    )
    moves = single(*lines)
    assert moves.push_mm[1:].tolist() == pytest.approx([1, -2, 0, 2.1, 1])
    assert moves.laid_mm[1:].tolist() == pytest.approx([1, 0, 0, 0.1, 1])
    assert moves.feed_mm_s[1:].tolist() == pytest.approx([10, 30, 10, 15, 10])


def test_firmware_retraction_belongs_to_the_tool() -> None:
    """What one tool pulled back another can't return (convention, from memory; facts.md 1.4, T: history per tool)."""
    moves = single("G28", "M83", "G1 X10 E1", "G10", "T1", "G11", "G1 X20 E1", "T0", "G11", "G1 X30 E1")
    assert kinds(moves)[1:] == ["deposit", "retract", "deposit", "prime", "deposit"]
    assert moves.laid_mm[1:].tolist() == pytest.approx([1, 0, 1, 0, 1])


def test_the_flow_factor_belongs_to_the_tool() -> None:
    """M221 sets the tool in use, or the one that T names (convention, from memory); 0 lets nothing out."""
    moves = single(
        "G28",
        "M83",
        "M221 S50",
        "M221 T1 S80",
        "G1 X10 E1",
        "T1",
        "G1 X20 E1",
        "T2",
        "G1 X30 E1",
        "M221 S0",
        "G1 X40 E1",
    )
    assert moves.push_mm[1:].tolist() == pytest.approx([0.5, 0.8, 1.0, 0.0])
    assert kinds(moves)[-1] == "travel"


def test_volumetric_mode_is_switched_by_s_and_d() -> None:
    """facts.md 1.4, M200 D S: D0 or S0 switches it off, S1 on with the diameter known, no word changes nothing."""
    lines = (
        "M200 D1.75",
        "G1 X1 E2.405282",
        "M200 S0",
        "G1 X2 E1",
        "M200 S1",
        "G1 X3 E2.405282",
        "M200",
        "G1 X4 E2.405282",
    )
    moves = single("G28", "M83", *lines)
    assert moves.push_mm[1:].tolist() == pytest.approx([1, 1, 1, 1], rel=1e-6)


@pytest.mark.parametrize("command", ["G5 I0 J3 P0 Q-3", "G5.1 I2 J3"])
def test_splines_end_where_they_say_and_are_counted(command: str) -> None:
    """facts.md 1.4, G5: E spread along; the curve itself is not rebuilt."""
    moves, reader = read(["G28", "M83", f"{command} X9 Y12 E2", "G1 X20 E1"])
    assert (moves.x1[1], moves.y1[1], moves.push_mm[1]) == (9.0, 12.0, 2.0)
    assert (moves.x0[2], moves.y0[2]) == (9.0, 12.0)
    assert reader.unrebuilt.lines == {"spline": [3]}


def test_g10_with_p_sets_a_temperature_and_pulls_nothing() -> None:
    """facts.md 1.4: in another dialect G10 P sets tool temperatures."""
    moves = single("G28", "G10 P0 S195 R160", "G1 X10 E1")
    assert moves.push_mm[-1] == 1.0
    assert moves.hot_end_c[-1] == 195.0


def test_the_extruder_may_be_axis_a() -> None:
    """Seen in real jobs (domain.md): the extruder on axis A."""
    moves = single("G28", "G1 X10 A1", "G1 X20 A2.5")
    assert kinds(moves)[1:] == ["deposit", "deposit"]
    assert moves.push_mm[1:].tolist() == pytest.approx([1, 1.5])


def test_an_extruder_may_be_switched_without_any_e() -> None:
    """Seen in real jobs (domain.md): M101 lets filament out until M103, no length is known."""
    moves = single("G28", "G1 X10", "M101", "G1 X20", "G1 Y20", "M103", "G1 X0")
    assert kinds(moves)[1:] == ["travel", "deposit", "deposit", "travel"]
    assert moves.laid_mm.sum() == 0


@pytest.mark.parametrize(
    ("scope", "pushes"), [("never", [5, -4]), ("while-relative", [5, 1]), ("until-stated", [5, 1])]
)
def test_what_g91_does_to_e_is_a_setting(scope: EModeScope, pushes: list[float]) -> None:
    """facts.md 1.4, G90/G91: in some lineages they switch E, too."""
    moves = single("G28", "G90", "M82", "G1 X10 E5", "G91", "G1 X1 E1", dialect=Dialect(g90_g91_and_e=scope))
    assert moves.push_mm[1:].tolist() == pytest.approx(pushes)


def test_the_setting_until_stated_ends_with_m82() -> None:
    """facts.md 1.4: G91 switches E until the next M82 or M83; M82 overrides."""
    lines = ("G28", "G91", "M82", "G1 X1 E5", "G1 X1 E6")
    moves = single(*lines, dialect=Dialect(g90_g91_and_e="until-stated"))
    assert moves.push_mm[1:].tolist() == pytest.approx([5, 1])


@pytest.mark.parametrize(("seconds", "expected"), [(False, 0.25), (True, 250.0)])
def test_dwell_in_p_is_a_setting(seconds: bool, expected: float) -> None:
    """facts.md 1.4, G4: P is ms in the convention, seconds in NIST; S wins if both."""
    moves = single("G28", "G4 P250", "G4 S2 P250", dialect=Dialect(g4_p_is_seconds=seconds))
    assert moves.dwell_s.tolist() == [0.0, expected, 2.0]


def test_homing_one_axis_leaves_the_others_and_the_extruder() -> None:
    """facts.md 1.4, G28: numbers after letters are ignored, no letter means all, E is untouched."""
    reader = MoveReader(Dialect())
    reader.read(read_columns(b"G28\nG1 X5 Y6 Z7 E3\nG28 X10 Y0\n", 1))
    assert reader.position() == (0.0, 0.0, 7.0)
    assert reader.e.logical == 3.0
    reader.read(read_columns(b"G28 W\n", 4))
    assert reader.position() == (0.0, 0.0, 0.0)


def test_before_homing_and_absolute_words_the_place_is_unknown() -> None:
    """Nothing is guessed: what is pushed on an unknown path is no bead of known place."""
    moves, reader = read(["G91", "G1 X10 E1", "G90", "G1 X20 E2"])
    assert kinds(moves) == ["prime", "prime"]
    assert np.isnan(moves.x1[0])
    assert moves.x1[1] == 20.0
    assert reader.position() == (20.0, None, None)


def test_what_can_not_be_rebuilt_is_counted_with_its_lines() -> None:
    """Splines, arcs in other planes, work offsets, macros, unread and joined lines: kept, counted, named (issue 3)."""
    lines = [
        "G28",
        "G5 X1 Y1 I1 J1 P1 Q1",
        "G55",
        "PARK",
        "...",
        "M104 S200G1 X5",
        "G1 X1 X2",
    ]
    _, reader = read(lines)
    assert reader.unrebuilt.lines == {
        "spline": [2], "work-offset": [3], "macro": [4], "unread": [5], "several-commands": [6], "repeated-word": [7],
    }  # fmt: skip
    assert reader.unrebuilt.counts == dict.fromkeys(reader.unrebuilt.lines, 1)


def test_many_unread_lines_are_counted_and_only_the_first_are_kept() -> None:
    """Memory does not grow with damage."""
    _, reader = read(["~"] * 100)
    assert reader.unrebuilt.counts["unread"] == 100
    assert reader.unrebuilt.lines["unread"] == [1, 2, 3, 4, 5, 6, 7, 8]


def test_nothing_in_nothing_out() -> None:
    """A block without commands gives no moves and changes nothing."""
    moves, reader = read(["", ""])
    assert len(moves) == 0
    assert reader.position() == (None, None, None)
