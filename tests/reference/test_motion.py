"""Published and computed motion: every vector of facts.md section 4, through the engine's own functions."""

import math

import numpy as np
import pytest

from layergate.gcode.columns import read_columns
from layergate.gcode.dialect import Dialect
from layergate.toolpath.planner import MotionLimits, Planned, Planner, junction_speed, trapezoid_seconds
from layergate.toolpath.reader import MoveReader

# Rows of the table: D, v0, v1, v, a, T (CALC, each confirmed there by integrating ds / v).
TRAPEZOIDS = [
    (100, 0, 0, 100, 1000, 1.100000), (10, 0, 0, 100, 1000, 0.200000), (5, 0, 0, 100, 1000, 0.141421),
    (1, 0, 0, 100, 1000, 0.063246), (20, 20, 40, 100, 1000, 0.250000), (50, 0, 0, 150, 3000, 0.383333),
    (200, 0, 0, 60, 500, 3.453333),
]  # fmt: skip

# Junction table: interior angle, v at (a 1000, delta 0.05), (500, 0.01), (3000, 0.013).
JUNCTIONS = [
    (30, 4.1785, 1.3214, 3.6904), (60, 7.0711, 2.2361, 6.2450), (90, 10.9868, 3.4743, 9.7033), (120, 17.9779, 5.6851, 15.8777),
    (135, 24.6344, 7.7901, 21.7565), (150, 37.6482, 11.9054, 33.2500), (170, 114.4096, 36.1795, 101.0438),
]  # fmt: skip


def one(value: float) -> np.ndarray:
    return np.array([float(value)])


@pytest.mark.parametrize(("d", "v0", "v1", "v", "a", "seconds"), TRAPEZOIDS)
def test_trapezoids(d: float, v0: float, v1: float, v: float, a: float, seconds: float) -> None:
    """Trapezoid where the cruise speed is reached, triangle where not."""
    assert trapezoid_seconds(one(d), one(v0), one(v1), one(v), one(a))[0] == pytest.approx(seconds, abs=1e-6)


@pytest.mark.parametrize(("theta", "first", "second", "third"), JUNCTIONS)
def test_junction_speeds(theta: float, first: float, second: float, third: float) -> None:
    """v = sqrt(a d s / (1 - s)), s = sin(theta / 2); the cosine between directions is -cos(theta)."""
    for a, delta, expected in ((1000, 0.05, first), (500, 0.01, second), (3000, 0.013, third)):
        found = junction_speed(one(-math.cos(math.radians(theta))), one(a), delta)[0]
        assert found == pytest.approx(expected, abs=5e-5)


def test_straight_on_is_unlimited_and_a_reversal_stops() -> None:
    """facts.md 4: straight is limited by the neighbours only; a reversal has the least speed."""
    assert junction_speed(one(1), one(1000), 0.05)[0] == math.inf
    assert junction_speed(one(-1), one(1000), 0.05)[0] == 0


def test_a_corner_speed_of_8_is_a_deviation_of_0_02651() -> None:
    """facts.md 4: delta = (sqrt 2 - 1) J^2 / a; J 8, a 1000 and J 10, a 3000."""
    for jerk, a, delta in ((8, 1000, 0.02651), (10, 3000, 0.01381)):
        assert junction_speed(one(0), one(a), delta)[0] == pytest.approx(jerk, rel=1e-3)


def planned(text: str) -> tuple[Planned, float]:
    """Times of a job from (0, 0) with a 1000 and delta 0.05."""
    moves = MoveReader(Dialect()).read(read_columns(text.encode(), 1))
    moves = moves.take(moves.line > 1)
    planner = Planner(MotionLimits(1000, 0.05))
    first = planner.feed(moves)
    last = planner.finish()
    seconds = np.concatenate((first.seconds, last.seconds))
    assert len(seconds) == len(moves)
    start = np.concatenate((first.start_s, last.start_s))
    return Planned(moves.line, start, seconds), planner.clock_s


def test_look_ahead_over_a_short_piece_between_corners() -> None:
    """10, 1, 10 mm, v 100, corners of 90 deg: 0.189617, 0.044980, 0.189617 s; 0.424214 s in all."""
    times, total = planned("G28\nG1 X10 F6000\nG1 Y1\nG1 X20\n")
    assert times.seconds.tolist() == pytest.approx([0.189617, 0.044980, 0.189617], abs=1e-6)
    assert total == pytest.approx(0.424214, abs=1e-6)


def test_a_line_in_fifty_pieces_takes_as_long_as_in_one() -> None:
    """10 mm straight in pieces of 0.2 mm: 0.2 s, as one move; stopping at each would take 1.414 s."""
    _, total = planned("G28\n" + "".join(f"G1 X{0.2 * n:.1f} F6000\n" for n in range(1, 51)))
    assert total == pytest.approx(0.2, abs=1e-6)


def test_a_short_last_piece_limits_the_speed_before_it() -> None:
    """10 mm then 0.02 mm collinear: node speed 6.324555 mm/s, 0.2002 s in all."""
    times, total = planned("G28\nG1 X10 F6000\nG1 X10.02\n")
    assert total == pytest.approx(0.200200, abs=1e-6)
    assert times.seconds[1] == pytest.approx(2 * 0.02 / 6.324555, abs=1e-6)


def test_a_square_of_20_mm() -> None:
    """Square 4 x 20 mm at 60 mm/s: 1.513448 s; naive D / v would say 1.333333."""
    _, total = planned("G28\nG1 X20 F3600\nG1 Y20\nG1 X0\nG1 Y0\n")
    assert total == pytest.approx(1.513448, abs=1e-6)
