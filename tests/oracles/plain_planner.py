"""Plans moves with plain loops over their nodes: the oracle of layergate.toolpath.planner. No numpy, no running minima.

Formulas of facts.md section 4: entry limits are the junction speed and both cruise speeds; the backward pass
v_i <= sqrt(v_(i+1)^2 + 2 a L), the forward pass likewise; first and last are 0; then a trapezoid or a triangle each.
"""

import math
from dataclasses import dataclass


@dataclass
class Piece:
    """One straight move; `stops` for what must begin and end at rest."""

    length: float
    cruise: float
    acceleration: float
    direction: tuple[float, float, float]
    stops: bool = False
    dwell: float = 0.0


def junction(before: Piece, after: Piece, deviation: float) -> float:
    """Speed through a corner: the circle tangent to both legs, at `deviation` from the corner (facts.md 4)."""
    cosine = sum(a * b for a, b in zip(before.direction, after.direction, strict=True))
    s = math.sqrt(min(1.0, max(0.0, (1 + cosine) / 2)))
    if s >= 1:
        return math.inf
    return math.sqrt(min(before.acceleration, after.acceleration) * deviation * s / (1 - s))


def node_speeds(pieces: list[Piece], deviation: float) -> list[float]:
    """Speed at each node, both ends included."""
    speeds = [0.0] * (len(pieces) + 1)
    for i in range(1, len(pieces)):
        before, after = pieces[i - 1], pieces[i]
        if not (before.stops or after.stops):
            speeds[i] = min(junction(before, after, deviation), before.cruise, after.cruise)
    for i in reversed(range(len(pieces))):
        speeds[i] = min(speeds[i], math.sqrt(speeds[i + 1] ** 2 + 2 * pieces[i].acceleration * pieces[i].length))
    for i in range(len(pieces)):
        reach = math.sqrt(speeds[i] ** 2 + 2 * pieces[i].acceleration * pieces[i].length)
        speeds[i + 1] = min(speeds[i + 1], reach)
    return speeds


def move_seconds(piece: Piece, entry: float, leave: float) -> float:
    """Time of one move from entry to leave speed: up, on, down."""
    a, d = piece.acceleration, piece.length
    peak = math.sqrt(a * d + (entry**2 + leave**2) / 2)
    if peak <= piece.cruise:
        return (2 * peak - entry - leave) / a + piece.dwell
    v = piece.cruise
    ramps = (v**2 - entry**2) / (2 * a) + (v**2 - leave**2) / (2 * a)
    return (v - entry) / a + (v - leave) / a + (d - ramps) / v + piece.dwell


def plan(pieces: list[Piece], deviation: float) -> list[float]:
    """Seconds of each move."""
    speeds = node_speeds(pieces, deviation)
    return [move_seconds(piece, speeds[i], speeds[i + 1]) for i, piece in enumerate(pieces)]
