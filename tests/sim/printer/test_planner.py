"""Motion: profiles, junction deviation, look-ahead; all figures from facts.md 4 (CALC there, confirmed by quadrature)."""

from __future__ import annotations

import itertools
import math

import pytest

from layergate_sim.printer.planner import Block, Planner, block_seconds, junction_speed2


@pytest.mark.parametrize(
    ("distance", "v0", "v1", "speed", "accel", "seconds"),
    [
        (100, 0, 0, 100, 1000, 1.1),
        (10, 0, 0, 100, 1000, 0.2),
        (5, 0, 0, 100, 1000, 0.141421),
        (1, 0, 0, 100, 1000, 0.063246),
        (20, 20, 40, 100, 1000, 0.25),
        (50, 0, 0, 150, 3000, 0.383333),
        (200, 0, 0, 60, 500, 3.453333),
    ],
)
def test_profiles(distance: float, v0: float, v1: float, speed: float, accel: float, seconds: float) -> None:
    """The seven rows of facts.md 4."""
    assert block_seconds(distance, v0, v1, speed, accel) == pytest.approx(seconds, abs=1e-6)


@pytest.mark.parametrize(
    ("theta", "speeds"),
    [
        (30, (4.1785, 1.3214, 3.6904)),
        (60, (7.0711, 2.2361, 6.2450)),
        (90, (10.9868, 3.4743, 9.7033)),
        (120, (17.9779, 5.6851, 15.8777)),
        (135, (24.6344, 7.7901, 21.7565)),
        (150, (37.6482, 11.9054, 33.2500)),
        (170, (114.4096, 36.1795, 101.0438)),
    ],
)
def test_junction_deviation(theta: float, speeds: tuple[float, float, float]) -> None:
    """The corner table of facts.md 4: theta is the interior angle, 180 is straight."""
    between = math.cos(math.radians(180 - theta))
    for (accel, deviation), speed in zip(((1000, 0.05), (500, 0.01), (3000, 0.013)), speeds, strict=True):
        assert math.sqrt(junction_speed2(between, accel, deviation)) == pytest.approx(speed, abs=1e-4)


def test_straight_and_reversal() -> None:
    """Straight on there is no limit; turning back means rest (facts.md 4)."""
    assert junction_speed2(1.0, 1000, 0.05) == math.inf
    assert junction_speed2(-1.0, 1000, 0.05) == 0.0


def run(points: list[tuple[float, float]], speed: float, size: int = 64) -> tuple[float, list[float]]:
    """Total seconds and the times of the blocks of a path, everything queued as early as there is room."""
    ends: list[float] = []
    planner = Planner(size, 0.05, 0.0, lambda _, t: ends.append(t))
    t = 0.0
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        while planner.full:
            t = planner.run_one(t)
        length = math.hypot(x1 - x0, y1 - y0)
        planner.add(Block(length, speed, 1000.0, ((x1 - x0) / length, (y1 - y0) / length, 0.0), None), t)
    while len(planner):
        t = planner.run_one(t)
    return planner.motion_s, [b - a for a, b in itertools.pairwise([0.0, *ends])]


def test_two_corners() -> None:
    """L = 10, 1, 10 mm at 100 mm/s with right angles: 0.424214 s in all (facts.md 4)."""
    total, times = run([(0, 0), (10, 0), (10, 1), (20, 1)], 100)
    assert total == pytest.approx(0.424214, abs=1e-6)
    assert times == pytest.approx([0.189617, 0.044980, 0.189617], abs=1e-6)


def test_fifty_pieces_of_a_straight_line_cost_nothing_extra() -> None:
    """10 mm in 50 collinear pieces take 0.2 s, as one move does, if look-ahead reaches that far (facts.md 4)."""
    total, _ = run([(k * 0.2, 0) for k in range(51)], 100)
    assert total == pytest.approx(0.2, abs=1e-6)


def test_sixteen_blocks_see_only_so_far() -> None:
    """With 16 blocks (facts.md 4) the same pieces take longer, but nothing like the 1.414 s of stopping at each."""
    total, _ = run([(k * 0.2, 0) for k in range(51)], 100, size=16)
    assert 0.2 < total < 0.3


def test_a_short_last_piece_limits_the_speed_before_it() -> None:
    """10 mm, then 0.02 mm straight on: 0.2002 s in all (facts.md 4)."""
    total, _ = run([(0, 0), (10, 0), (10.02, 0)], 100)
    assert total == pytest.approx(0.200200, abs=1e-6)


def test_a_square() -> None:
    """Four edges of 20 mm at 60 mm/s: 1.513448 s (facts.md 4)."""
    total, _ = run([(0, 0), (20, 0), (20, 20), (0, 20), (0, 0)], 60)
    assert total == pytest.approx(1.513448, abs=1e-6)


def test_against_both_passes_written_out() -> None:
    """The short look-ahead gives the same times as a full backward and forward pass, on 200 random-like corners."""
    points = [(30 * math.sin(k * k * 0.37) + k * 0.1, 30 * math.cos(k * 0.71)) for k in range(201)]
    speed, accel = 80.0, 1000.0
    lengths = [math.dist(a, b) for a, b in itertools.pairwise(points)]
    units = [
        ((b[0] - a[0]) / n, (b[1] - a[1]) / n) for (a, b), n in zip(itertools.pairwise(points), lengths, strict=True)
    ]
    v2 = [0.0]
    for (ax, ay), (bx, by) in itertools.pairwise(units):
        v2.append(min(speed**2, junction_speed2(ax * bx + ay * by, accel, 0.05)))
    v2.append(0.0)
    for k in reversed(range(len(lengths))):
        v2[k] = min(v2[k], v2[k + 1] + 2 * accel * lengths[k])
    for k in range(len(lengths)):
        v2[k + 1] = min(v2[k + 1], v2[k] + 2 * accel * lengths[k])
    expected = sum(
        block_seconds(n, math.sqrt(v2[k]), math.sqrt(v2[k + 1]), speed, accel) for k, n in enumerate(lengths)
    )
    assert run(points, speed, size=1000)[0] == pytest.approx(expected, rel=1e-9)


def test_a_starved_planner_loses_time() -> None:
    """A queue that runs dry brings the axes to rest: the same line in two visits takes longer."""
    planner = Planner(16, 0.05, 0.0, lambda *_: None)
    planner.add(Block(5.0, 100.0, 1000.0, (1.0, 0.0, 0.0), None), 0.0)
    planner.advance(10.0)
    planner.add(Block(5.0, 100.0, 1000.0, (1.0, 0.0, 0.0), None), 10.0)
    planner.advance(20.0)
    assert planner.motion_s == pytest.approx(2 * 0.141421, abs=1e-5)
    assert planner.rests == 2


def test_chord_limit_holds_a_facetted_circle_back() -> None:
    """72 chords of a circle of 10 mm: the corner rule alone allows 229 mm/s where sqrt(a r) is 100 (facts.md 4)."""
    planner = Planner(16, 0.05, 0.0, lambda *_: None)
    alone = math.sqrt(junction_speed2(math.cos(math.tau / 72), 1000, 0.05))
    assert alone == pytest.approx(229, abs=1)
    planner.chord_limit = True
    chord = 2 * 10 * math.sin(math.pi / 72)
    for k in range(2):
        angle = k * math.tau / 72
        planner.add(Block(chord, 400.0, 1000.0, (math.cos(angle), math.sin(angle), 0.0), None), 0.0)
    assert math.sqrt(planner.queue[1].cap2) == pytest.approx(100, abs=0.1)
