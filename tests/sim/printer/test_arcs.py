"""Arcs: the worked examples of facts.md 2.3 (the first two published in NISTIR 6556, 3.5.3; numbers calculated there)."""

from __future__ import annotations

import itertools
import math

import pytest

from layergate_sim.printer.arcs import centre_from_radius, chords, sweep

# start, end, R, clockwise, centre, sweep in degrees, length, X and Y bounds
BY_RADIUS = [
    ((0, 0), (10, 15), 20, True, (19.855069, -2.403379), 53.576426, 18.701701, (0, 10), (0, 15)),
    (
        (0, 0),
        (10, 15),
        -20,
        True,
        (-9.855069, 17.403379),
        306.423574,
        106.962005,
        (-29.8551, 10.1449),
        (-2.5966, 37.4034),
    ),
    ((10, 0), (0, 10), 10, False, (0, 0), 90, 15.707963, (0, 10), (0, 10)),
    ((10, 0), (0, 10), -10, False, (10, 10), 270, 47.123890, (0, 20), (0, 20)),
    ((10, 0), (0, 10), 10, True, (10, 10), 90, 15.707963, (0, 10), (0, 10)),
    ((10, 0), (0, 10), -10, True, (0, 0), 270, 47.123890, (-10, 10), (-10, 10)),
]
# start, end, centre, clockwise, sweep, length, bounds
BY_CENTRE = [
    ((7, 7), (10, 16), (10, 11), True, 143.130102, 12.490458, (5, 10), (7, 16)),
    ((7, 7), (10, 16), (10, 11), False, 216.869898, 18.925469, (7, 15), (6, 16)),
    ((10, 0), (10, 0), (0, 0), False, 360, 62.831853, (-10, 10), (-10, 10)),
]

Point = tuple[float, float]


def check(
    start: Point, end: Point, centre: Point, clockwise: bool, degrees: float, length: float, xs: Point, ys: Point
) -> None:
    angle = sweep(start, end, centre, clockwise=clockwise)
    assert abs(math.degrees(angle)) == pytest.approx(degrees, abs=1e-5)
    assert (angle < 0) == clockwise
    points = [start, *chords(start, end, centre, clockwise=clockwise, tolerance_mm=1e-4, chord_max_mm=1.0)]
    assert sum(math.dist(a, b) for a, b in itertools.pairwise(points)) == pytest.approx(length, rel=1e-4)
    for axis, (low, high) in ((0, xs), (1, ys)):
        assert min(point[axis] for point in points) == pytest.approx(low, abs=2e-3)
        assert max(point[axis] for point in points) == pytest.approx(high, abs=2e-3)
    assert points[-1] == end


@pytest.mark.parametrize("row", BY_RADIUS)
def test_radius_format(row: tuple[Point, Point, float, bool, Point, float, float, Point, Point]) -> None:
    """R above 0 takes the short way, below 0 the long way; centre, sweep, length and bounds are as published."""
    start, end, radius, clockwise, expected, degrees, length, xs, ys = row
    centre = centre_from_radius(start, end, radius, clockwise=clockwise)
    assert centre == pytest.approx(expected, abs=1e-5)
    assert centre is not None
    check(start, end, centre, clockwise, degrees, length, xs, ys)


@pytest.mark.parametrize("row", BY_CENTRE)
def test_centre_format(row: tuple[Point, Point, Point, bool, float, float, Point, Point]) -> None:
    """I and J give the centre; a full turn where start and end are the same."""
    check(*row)


@pytest.mark.parametrize(("radius", "sagitta", "count"), [(10, 0.01, 71), (50, 0.01, 158), (10, 0.1, 23)])
def test_chord_counts(radius: float, sagitta: float, count: int) -> None:
    """Segments a turn from the sagitta: 71, 158 and 23 (facts.md 2.3)."""
    points = chords((radius, 0), (radius, 0), (0, 0), clockwise=False, tolerance_mm=sagitta, chord_max_mm=1e9)
    assert len(points) == count


def test_no_arc_from_an_impossible_radius() -> None:
    """A radius shorter than half the chord, or a full circle by radius, has no centre (NISTIR 6556, 3.5.3)."""
    assert centre_from_radius((0, 0), (10, 0), 4, clockwise=True) is None
    assert centre_from_radius((3, 3), (3, 3), 5, clockwise=True) is None


def test_several_turns() -> None:
    """P adds full turns."""
    assert sweep((1, 0), (0, 1), (0, 0), clockwise=False, turns=2) == pytest.approx(math.pi / 2 + 2 * math.tau)
