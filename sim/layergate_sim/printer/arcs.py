"""Arcs to chords (facts 2.3): centre from I/J or from R, number of chords from the sagitta. Pure geometry, mm.

Refuses to know about modes and axes' names; XY plane, anything else rides along linearly.
"""

from __future__ import annotations

import math

RADIUS_TOLERANCE_MM = 0.002  # facts 2.3; controllers of this class are laxer, so the printer only remarks on it


def centre_from_radius(
    start: tuple[float, float], end: tuple[float, float], radius: float, *, clockwise: bool
) -> tuple[float, float] | None:
    """Centre of the arc in radius format; a negative radius asks for the long way. None where no such arc exists."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    chord = math.hypot(dx, dy)
    height2 = radius * radius - chord * chord / 4.0
    if chord == 0.0 or height2 < -1e-9:
        return None
    height = math.sqrt(max(0.0, height2))
    if clockwise == (radius > 0):
        height = -height  # to the right of the chord
    return (
        (start[0] + end[0]) / 2.0 - height * dy / chord,
        (start[1] + end[1]) / 2.0 + height * dx / chord,
    )


def sweep(
    start: tuple[float, float],
    end: tuple[float, float],
    centre: tuple[float, float],
    *,
    clockwise: bool,
    turns: int = 0,
) -> float:
    """Signed angle in radians, negative clockwise; a full turn where start and end coincide."""
    ax, ay = start[0] - centre[0], start[1] - centre[1]
    bx, by = end[0] - centre[0], end[1] - centre[1]
    angle = math.atan2(ax * by - ay * bx, ax * bx + ay * by)
    if math.hypot(start[0] - end[0], start[1] - end[1]) < 1e-9:
        angle = 0.0
    if clockwise and angle >= 0:
        angle -= math.tau
    elif not clockwise and angle <= 0:
        angle += math.tau
    return angle + math.copysign(math.tau * turns, angle)


def chords(
    start: tuple[float, float],
    end: tuple[float, float],
    centre: tuple[float, float],
    *,
    clockwise: bool,
    tolerance_mm: float,
    chord_max_mm: float,
    turns: int = 0,
) -> list[tuple[float, float]]:
    """End points of the chords, the last one exactly `end`. max dtheta = 2 acos(1 - s/r), s the sagitta (facts 2.3)."""
    radius = math.hypot(start[0] - centre[0], start[1] - centre[1])
    angle = sweep(start, end, centre, clockwise=clockwise, turns=turns)
    if radius < 1e-6:
        return [end]
    step = 2.0 * math.acos(max(-1.0, 1.0 - tolerance_mm / radius)) if tolerance_mm < 2 * radius else math.pi / 2
    step = min(step, chord_max_mm / radius, math.pi / 2)
    count = max(1, math.ceil(abs(angle) / step - 1e-9))
    begin = math.atan2(start[1] - centre[1], start[0] - centre[0])
    points = [
        (
            centre[0] + radius * math.cos(begin + angle * k / count),
            centre[1] + radius * math.sin(begin + angle * k / count),
        )
        for k in range(1, count)
    ]
    points.append(end)
    return points
