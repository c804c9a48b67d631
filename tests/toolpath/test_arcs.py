"""Arcs in the moves: chords within their error, helices, whole turns, and every form that gives no arc."""

import math
from random import Random

import numpy as np
import pytest
from tests.oracles.effort import seeds
from tests.oracles.plain_arcs import Vector, arc_points, path_length

from layergate.gcode.columns import read_columns
from layergate.gcode.dialect import Dialect
from layergate.toolpath.arcs import CHORD_ERROR_MM, arcs_from_words
from layergate.toolpath.moves import KIND_NAMES, Moves
from layergate.toolpath.planner import MotionLimits, Planner
from layergate.toolpath.reader import MoveReader


def read(*lines: str) -> tuple[Moves, MoveReader]:
    reader = MoveReader(Dialect())
    return reader.read(read_columns(("\n".join(lines) + "\n").encode(), 1)), reader


def test_chords_keep_within_their_error_and_their_lengths_add_up_to_the_arc() -> None:
    """Sagitta r (1 - cos(dtheta / 2)) (facts.md 2.3) stays below the limit; shares of the arc, not of the chord, add up."""
    moves, _ = read("G28", "G1 X30 Y20", "G3 X10 Y20 I-10 J0 E1")
    arc = moves.take(moves.line == 3)
    assert arc.xy_mm.sum() == pytest.approx(10 * math.pi, rel=1e-9)
    assert np.hypot(arc.x1 - 20, arc.y1 - 20) == pytest.approx(np.full(len(arc), 10.0))
    middle = np.hypot((arc.x0 + arc.x1) / 2 - 20, (arc.y0 + arc.y1) / 2 - 20)
    assert 0 < 10 - middle.min() <= CHORD_ERROR_MM
    assert arc.x0[1:] == pytest.approx(arc.x1[:-1])
    assert arc.y0[1:] == pytest.approx(arc.y1[:-1])
    assert arc.laid_mm.sum() == pytest.approx(1.0)


def test_number_of_chords_follows_the_sagitta() -> None:
    """facts.md 2.3: the largest step is 2 acos(1 - s / r); a full circle of r 10 takes 2 pi over that, rounded up."""
    one = np.array([10.0])
    zero, none = np.zeros(1), np.full(1, np.nan)
    arcs = arcs_from_words((one, zero), (one, zero), (-one, zero), none, np.array([False]), none, np.array([17]))
    assert arcs.chords()[0] == math.ceil(2 * math.pi / (2 * math.acos(1 - CHORD_ERROR_MM / 10)))


def test_a_helix_rises_evenly() -> None:
    """facts.md 2.3, second row: length in space of the NIST arc with a rise of 7 is 14.318224."""
    moves, _ = read("G28", "G1 X7 Y7 Z2", "G2 X10 Y16 I3 J4 Z9 E1")
    arc = moves.take(moves.line == 3)
    assert arc.length_mm.sum() == pytest.approx(14.318224, abs=1e-6)
    assert np.diff(arc.z1) == pytest.approx(np.full(len(arc) - 1, 7 / len(arc)))
    assert (arc.z0[0], arc.z1[-1]) == (2.0, 9.0)


def test_a_lift_along_a_helix_without_x_and_y_is_a_full_turn_of_travel() -> None:
    """Seen in real jobs (domain.md): ``G2 Z0.6 I.. J.. P1``."""
    moves, _ = read("G28", "G1 X10 Y10 Z0.2", "G2 Z0.6 I1 J0 P1 F3000")
    arc = moves.take(moves.line == 3)
    assert {KIND_NAMES[kind] for kind in arc.kind.tolist()} == {"travel"}
    assert arc.xy_mm.sum() == pytest.approx(2 * math.pi)
    assert (arc.x1[-1], arc.y1[-1], arc.z1[-1]) == pytest.approx((10, 10, 0.6))


def test_a_full_circle_lays_material_though_it_ends_where_it_starts() -> None:
    """NIST 3.5.3.2: end = start in centre format is a full circle; E spreads along it (facts.md 1.4)."""
    moves, _ = read("G28", "G1 X20 Y10", "G3 I-10 E2")
    arc = moves.take(moves.line == 3)
    assert {KIND_NAMES[kind] for kind in arc.kind.tolist()} == {"deposit"}
    assert arc.laid_mm.sum() == pytest.approx(2.0)
    assert arc.xy_mm.sum() == pytest.approx(20 * math.pi)


def test_p_counts_whole_turns() -> None:
    """P of later RS-274/NGC editions: P2 goes round once more (facts.md 1.4, G2/G3: P turns)."""
    moves, _ = read("G28", "G1 X20 Y10", "G3 X0 Y10 I-10 P2")
    assert moves.xy_mm[moves.line == 3].sum() == pytest.approx(10 * math.pi + 20 * math.pi)


def test_arcs_in_inches() -> None:
    """I, J and R are lengths and follow G20."""
    moves, _ = read("G28", "G20", "G1 X1 Y0", "G3 X0 Y1 R1", "G1 X1 Y0", "G3 X0 Y1 I-1 J0")
    for line in (4, 6):
        assert moves.xy_mm[moves.line == line].sum() == pytest.approx(25.4 * math.pi / 2)


@pytest.mark.parametrize(
    "words",
    ["X20 Y0", "X20 Y0 R5", "X0 Y0 R5", "X5 Y5 I0 J0", "X20 Y0 K5"],
    ids=["no-centre", "out-of-reach", "closed-by-radius", "no-radius", "centre-of-another-plane"],
)
def test_words_that_give_no_arc_are_counted_and_go_straight(words: str) -> None:
    """NIST 3.5.3: an offset or R is needed, R must reach, a closed arc by R is an error: kept, counted, not guessed."""
    moves, reader = read("G28", f"G2 {words} E1")
    assert reader.unrebuilt.counts == {"arc": 1}
    assert len(moves) == 2


def test_an_arc_that_is_none_and_goes_nowhere_pushes_on_the_spot() -> None:
    """A circle without a radius lays no bead; what it pushes comes out where the nozzle stands."""
    moves, reader = read("G28", "G2 I0 J0 E1")
    assert reader.unrebuilt.counts == {"arc": 1}
    assert KIND_NAMES[moves.kind[-1]] == "prime"


@pytest.mark.parametrize("command", ["G2", "G3"])
@pytest.mark.parametrize("plane", ["G17", "G18", "G19"])
@pytest.mark.parametrize("seed", seeds(12))
def test_every_point_of_an_arc_lies_where_turning_about_its_axis_leads(seed: int, plane: str, command: str) -> None:
    """In each plane: chord ends on the curve, chord middles within the sagitta, length and box those of the curve."""
    rng = Random(seed)
    p, q, i, j, normal = {"G17": "XYIJZ", "G18": "ZXKIY", "G19": "YZJKX"}[plane]
    centre = {axis: rng.uniform(20, 60) for axis in "XYZ"}
    radius, a, b = rng.uniform(0.5, 15), rng.uniform(0, math.tau), rng.uniform(0, math.tau)
    b = a if seed % 4 == 0 else b
    start = centre | {p: centre[p] + radius * math.cos(a), q: centre[q] + radius * math.sin(a)}
    end = centre | {p: centre[p] + radius * math.cos(b), q: centre[q] + radius * math.sin(b)}
    end[normal] += rng.choice((0.0, 3.0, -3.0))
    centre[normal] = start[normal]
    offset = {letter: centre[axis] - start[axis] for letter, axis in zip("IJK", "XYZ", strict=True)}
    to, frm = (" ".join(f"{axis}{place[axis]!r}" for axis in "XYZ") for place in (end, start))
    moves, _ = read("G28", f"G1 {frm}", plane, f"{command} {to} {i}{offset[i]!r} {j}{offset[j]!r} E1")
    arc = moves.take(moves.line == 4)

    def vector(place: dict[str, float]) -> Vector:
        return place["X"], place["Y"], place["Z"]

    spokes = offset["I"], offset["J"], offset["K"]
    plain = arc_points(plane, command, vector(start), vector(end), spokes, len(arc))
    assert np.column_stack((arc.x0, arc.y0, arc.z0)) == pytest.approx(np.array(plain[:-1]), abs=1e-6)
    assert np.column_stack((arc.x1, arc.y1, arc.z1)) == pytest.approx(np.array(plain[1:]), abs=1e-6)
    halves = np.array(arc_points(plane, command, vector(start), vector(end), spokes, 2 * len(arc))[1::2])
    middles = np.column_stack((arc.x0 + arc.x1, arc.y0 + arc.y1, arc.z0 + arc.z1)) / 2
    assert np.linalg.norm(halves - middles, axis=1).max() <= CHORD_ERROR_MM + 1e-9
    fine = arc_points(plane, command, vector(start), vector(end), spokes, 5000)
    assert arc.length_mm.sum() == pytest.approx(path_length(fine), rel=1e-6)
    assert arc.xy_mm.sum() == pytest.approx(path_length([(x, y, 0.0) for x, y, _ in fine]), rel=5e-3, abs=0.02)
    assert arc.push_mm.sum() == pytest.approx(1.0)
    box = np.array(fine)
    for axis, (low, high) in enumerate(((arc.x0, arc.x1), (arc.y0, arc.y1), (arc.z0, arc.z1))):
        assert np.minimum(low, high).min() == pytest.approx(box[:, axis].min(), abs=CHORD_ERROR_MM + 1e-6)
        assert np.maximum(low, high).max() == pytest.approx(box[:, axis].max(), abs=CHORD_ERROR_MM + 1e-6)


def test_an_upright_arc_takes_the_time_of_its_path() -> None:
    """Half a turn of radius 20 in ZX at 20 mm/s: pi s and what speeding up and slowing down takes (facts.md 4: v / a)."""
    moves, _ = read("G28", "G1 X10 Y10 Z5 F1200", "G4 S0", "G18", "G3 X50 I20 E5 F1200", "G4 S0")
    planner = Planner(MotionLimits(acceleration_mm_s2=1000.0, junction_deviation_mm=0.05))
    planned = [planner.feed(moves), planner.finish()]
    seconds = sum(float(part.seconds[part.line == 5].sum()) for part in planned)
    assert moves.length_mm[moves.line == 5].sum() == pytest.approx(20 * math.pi)
    assert seconds == pytest.approx(math.pi + 20 / 1000, rel=1e-3)


@pytest.mark.parametrize("text", ["G2 X10 Y10 I5 J0 E1", "G3 I5 E1"])
def test_an_arc_from_an_unknown_place_is_counted_and_no_bead(text: str) -> None:
    """Before homing nobody knows where it starts: no circle is made up."""
    moves, reader = read(text)
    assert reader.unrebuilt.counts["arc"] == 1
    assert {KIND_NAMES[kind] for kind in moves.kind.tolist()} == {"prime"}
    assert len(moves) == 1


def test_a_huge_radius_keeps_the_number_of_chords_bounded() -> None:
    """A lost decimal point must not make a million chords."""
    moves, _ = read("G28", "G1 X1000000 Y0", "G3 I-1000000")
    assert len(moves) <= 2 + 4096


def test_no_arcs_in_no_arcs_out() -> None:
    """Empty arrays stay empty."""
    none = np.empty(0)
    arcs = arcs_from_words((none, none), (none, none), (none, none), none, np.empty(0, bool), none, np.empty(0, int))
    assert len(arcs.length()) == len(arcs.chords()) == len(arcs.bounds()[0]) == 0
