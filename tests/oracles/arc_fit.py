"""Fits arcs to polylines, greedily: what a generator of jobs does that writes G2 and G3. Lengths in mm."""

import math
from typing import Any

import numpy as np


def fitted(
    path: Any, tolerance_mm: float = 0.008
) -> list[tuple[tuple[float, float], float, tuple[float, float] | None, bool]]:
    """A polyline as lines and arcs: (end, length, centre or None, clockwise). Greedy; at least five points an arc."""
    made: list[tuple[tuple[float, float], float, tuple[float, float] | None, bool]] = []
    i, count = 0, len(path)
    while i < count - 1:
        best = None
        j = i + 4
        while j < count:
            found = _arc_through(path[i : j + 1], tolerance_mm)
            if found is None:
                break
            best, j = (j, *found), j + 1
        if best is None:
            end = float(path[i + 1][0]), float(path[i + 1][1])
            made.append((end, float(np.hypot(*(path[i + 1] - path[i]))), None, False))
            i += 1
        else:
            j, centre, length, clockwise = best
            made.append(((float(path[j][0]), float(path[j][1])), length, centre, clockwise))
            i = j
    return made


def _arc_through(points: Any, tolerance_mm: float) -> tuple[tuple[float, float], float, bool] | None:
    """Centre, length and direction of the arc through first, middle and last, if the rest lies on it."""
    (ax, ay), (bx, by), (cx, cy) = points[0], points[len(points) // 2], points[-1]
    d = 2 * (ax * (by - cy) + bx * (cy - ay) + cx * (ay - by))
    if abs(d) < 1e-6:
        return None
    a2, b2, c2 = ax * ax + ay * ay, bx * bx + by * by, cx * cx + cy * cy
    ux = (a2 * (by - cy) + b2 * (cy - ay) + c2 * (ay - by)) / d
    uy = (a2 * (cx - bx) + b2 * (ax - cx) + c2 * (bx - ax)) / d
    radius = math.hypot(ax - ux, ay - uy)
    away = np.hypot(points[:, 0] - ux, points[:, 1] - uy)
    turn = np.diff(np.unwrap(np.arctan2(points[:, 1] - uy, points[:, 0] - ux)))
    if radius > 150 or np.abs(away - radius).max() > tolerance_mm or not (np.all(turn > 0) or np.all(turn < 0)):
        return None
    sweep = abs(float(turn.sum()))
    if np.abs(turn).max() > 0.5 or sweep > math.radians(160) or radius * sweep < 0.5:
        return None
    return (float(ux), float(uy)), radius * sweep, bool(turn[0] < 0)
