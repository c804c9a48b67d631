"""Planner: the slow loop over the same moves, whatever the program and however it comes in."""

import itertools
import math
from random import Random

import numpy as np
import pytest
from tests.oracles.effort import seeds
from tests.oracles.plain_planner import Piece, plan
from tests.oracles.programs import program

from layergate.gcode.columns import read_columns
from layergate.gcode.dialect import Dialect
from layergate.toolpath import planner as planner_module
from layergate.toolpath.moves import PRIME, RETRACT, WAIT, Moves
from layergate.toolpath.planner import MotionLimits, Planner
from layergate.toolpath.reader import MoveReader


def moves_of(lines: list[str]) -> Moves:
    return MoveReader(Dialect()).read(read_columns(("\n".join(lines) + "\n").encode(), 1))


def zigzag(rng: Random, count: int) -> list[str]:
    """Moves of every length and angle, runs of tiny ones, changes of speed, stops."""
    lines = ["G28", "G1 F3000"]
    x = y = 50.0
    angle = 0.0
    while len(lines) < count:
        step = rng.choice((0.02, 0.1, 0.5, 3.0, 20.0)) * rng.uniform(0.5, 1.5)
        angle += rng.choice((0, 0, 0.05, 0.5, math.pi / 2, math.pi))
        x, y = x + step * math.cos(angle), y + step * math.sin(angle)
        word = rng.choice(("", "", "", " F600", " F9000"))
        lines.append(f"G1 X{x:.4f} Y{y:.4f}{word}")
        if rng.random() < 0.05:
            lines.append(rng.choice(("M204 S300", "M204 S5000", "G4 P100", "G1 E1 F2400", "G1 Z5")))
    return lines


def pieces_of(moves: Moves, limits: MotionLimits) -> list[Piece]:
    """The same moves for the slow planner, limits of the axes applied one by one."""
    result = []
    for i in range(len(moves)):
        alone = moves.kind[i] in (RETRACT, PRIME)
        length = abs(float(moves.push_mm[i])) if alone else float(moves.length_mm[i])
        path = float(moves.length_mm[i]) or 1.0
        ends = ((moves.x0, moves.x1), (moves.y0, moves.y1), (moves.z0, moves.z1))
        direction = [float(end[i] - start[i]) / path for start, end in ends]
        if not all(map(math.isfinite, direction)):
            direction = [0.0, 0.0, 0.0]
        acceleration = float(moves.acceleration_mm_s2[i])
        acceleration = limits.acceleration_mm_s2 if math.isnan(acceleration) else acceleration
        cruise = max(float(moves.feed_mm_s[i]), 0.05)
        shares = [*direction, 1.0 if alone else float(moves.push_mm[i]) / path]
        for share, speed, most in zip(
            shares, limits.maximum_speed_mm_s, limits.maximum_acceleration_mm_s2, strict=True
        ):
            if share and speed is not None:
                cruise = min(cruise, speed / abs(share))
            if share and most is not None:
                acceleration = min(acceleration, most / abs(share))
        # v^2 / r = a on an arc (physics).
        cruise = min(cruise, math.sqrt(acceleration * float(moves.radius_mm[i])))
        waits = moves.kind[i] == WAIT
        result.append(
            Piece(
                0.0 if waits else length, cruise, acceleration, (direction[0], direction[1], direction[2]),
                bool(alone or waits), float(moves.dwell_s[i]),
            )
        )  # fmt: skip
    return result


def planned(moves: Moves, limits: MotionLimits, cuts: list[int]) -> tuple[np.ndarray, np.ndarray, Planner]:
    planner = Planner(limits)
    edges = sorted({0, *cuts, len(moves)})
    parts = [planner.feed(moves.take(slice(a, b))) for a, b in itertools.pairwise(edges)]
    parts.append(planner.finish())
    assert np.concatenate([part.line for part in parts]).tolist() == moves.line.tolist()
    return np.concatenate([p.seconds for p in parts]), np.concatenate([p.start_s for p in parts]), planner


LIMITED = MotionLimits(800, 0.02, (150, 120, 8, 40), (1500, 1000, 100, 2000))


@pytest.mark.parametrize("limits", [MotionLimits(), LIMITED], ids=["unstated", "limited"])
@pytest.mark.parametrize("seed", seeds(25))
def test_times_equal_those_of_the_slow_loop(seed: int, limits: MotionLimits) -> None:
    """Random zigzags and random programs, piece by piece, with and without limits of the axes."""
    rng = Random(seed)
    moves = moves_of(zigzag(rng, 200) if seed % 2 else program(rng, 120))
    expected = plan(pieces_of(moves, limits), limits.junction_deviation_mm)
    found, start, planner = planned(moves, limits, [])
    assert found.tolist() == pytest.approx(expected, rel=1e-6, abs=1e-9)
    assert start.tolist() == pytest.approx([sum(expected[:i]) for i in range(len(expected))], rel=1e-6, abs=1e-6)
    assert planner.clock_s == pytest.approx(sum(expected))
    assert planner.dwell_s == pytest.approx(float(moves.dwell_s.sum()))


@pytest.mark.parametrize("seed", seeds(25))
def test_times_do_not_depend_on_how_the_moves_come_in(seed: int) -> None:
    """Fed in random pieces, down to one move at a time: what is settled never changes."""
    rng = Random(100 + seed)
    moves = moves_of(zigzag(rng, 150))
    whole, starts, _ = planned(moves, MotionLimits(), [])
    for cuts in ([rng.randrange(len(moves)) for _ in range(5)], list(range(len(moves)))):
        found, at, _ = planned(moves, MotionLimits(), cuts)
        assert found.tolist() == pytest.approx(whole.tolist(), rel=1e-6, abs=1e-9)
        assert at.tolist() == pytest.approx(starts.tolist(), rel=1e-6, abs=1e-6)


def test_a_run_that_never_settles_stays_bounded_and_costs_little(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ever faster for thousands of moves: the planner settles early, and plans as a controller that sees 32 moves ahead."""
    monkeypatch.setattr(planner_module, "_MOST_UNSETTLED", 64)
    lines = ["G28", "G1 F60000", *(f"G1 X{0.01 * n:.2f}" for n in range(1, 2000))]
    moves = moves_of(lines)
    planner = Planner(MotionLimits())
    for start in range(0, len(moves), 50):
        planner.feed(moves.take(slice(start, start + 50)))
        assert planner._tail is None or len(planner._tail.line) <= 64 + 50
    planner.finish()
    expected = sum(plan(pieces_of(moves, MotionLimits()), 0.05))
    # Within 32 moves of 0.01 mm it must be able to stop from v = sqrt(2 a d); small controllers see 16 (facts.md 4).
    seen = math.sqrt(2 * 1000 * 32 * 0.01)
    assert expected <= planner.clock_s <= 19.99 / seen + 2 * seen / 1000


def test_no_moves_take_no_time() -> None:
    """Nothing in, nothing out."""
    planner = Planner(MotionLimits())
    assert len(planner.finish().seconds) == 0
    assert planner.clock_s == 0
