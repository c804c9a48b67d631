"""Scan lines: cuts a region into parallel lines, adds, subtracts and joins them; knows nothing of beads.

A set of lines is a dict {line number k: sorted disjoint (t0, t1)} for one angle and spacing: line k lies at (k + 0.5)
* spacing from the origin across the angle and runs from t0 to t1 along it. Numbers are absolute, so the sets of two
layers can be combined.
"""

import math
from collections.abc import Iterable
from functools import lru_cache

import numpy as np

from .shapes import Region, outline

__all__ = ["Lines", "Stroke", "cut", "intersect", "join", "scan", "strokes", "subtract"]

Spans = tuple[tuple[float, float], ...]
Lines = dict[int, Spans]
Stroke = tuple[tuple[float, float], tuple[float, float]]


@lru_cache(maxsize=2048)
def scan(region: Region, angle_deg: float, spacing_mm: float) -> Lines:
    """Lines of the region by the even-odd rule. The result is shared: do not change it."""
    a = math.radians(angle_deg)
    along, across = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])
    hits: dict[int, list[float]] = {}
    for shape in region.shapes:
        p = outline(shape)
        t, s = p @ along, p @ across / spacing_mm - 0.5
        t1, s1 = np.roll(t, -1), np.roll(s, -1)
        # An edge crosses line k where k lies in (low, high]: half open, so that a corner on a line counts once.
        low, high = np.floor(np.minimum(s, s1)).astype(int) + 1, np.floor(np.maximum(s, s1)).astype(int)
        for i in np.nonzero(high >= low)[0]:
            for k in range(low[i], high[i] + 1):
                hits.setdefault(k, []).append(float(t[i] + (t1[i] - t[i]) * (k - s[i]) / (s1[i] - s[i])))
    lines: Lines = {}
    for k in sorted(hits):
        ts = sorted(hits[k])
        lines[k] = tuple((ts[i], ts[i + 1]) for i in range(0, len(ts) - 1, 2))
    return lines


def _intersect(a: Spans, b: Spans) -> Spans:
    return tuple((max(p[0], q[0]), min(p[1], q[1])) for p in a for q in b if max(p[0], q[0]) < min(p[1], q[1]))


def intersect(a: Lines, b: Lines) -> Lines:
    """What lies on both."""
    return {k: spans for k in a if k in b and (spans := _intersect(a[k], b[k]))}


def subtract(a: Lines, b: Lines) -> Lines:
    """What lies on a and not on b."""
    out: Lines = {}
    for k, spans in a.items():
        rest = spans
        for t0, t1 in b.get(k, ()):
            rest = _intersect(rest, ((-math.inf, t0), (t1, math.inf)))
        if rest:
            out[k] = rest
    return out


def cut(lines: Lines, shortest_mm: float) -> Lines:
    """Without the pieces shorter than `shortest_mm`."""
    return {k: left for k, spans in lines.items() if (left := tuple(s for s in spans if s[1] - s[0] >= shortest_mm))}


def join(lines: Lines, gap_mm: float) -> Lines:
    """Pieces on one line less than `gap_mm` apart become one."""
    out: Lines = {}
    for k, spans in lines.items():
        merged = [spans[0]]
        for t0, t1 in spans[1:]:
            if t0 - merged[-1][1] < gap_mm:
                merged[-1] = (merged[-1][0], t1)
            else:
                merged.append((t0, t1))
        out[k] = tuple(merged)
    return out


def strokes(lines: Lines, angle_deg: float, spacing_mm: float, start: tuple[float, float]) -> Iterable[Stroke]:
    """The lines as strokes (from, to), each time the nearest end next, beginning near `start`."""
    a = math.radians(angle_deg)
    c, s = math.cos(a), math.sin(a)
    ends = np.array(
        [
            (t0 * c - y * s, t0 * s + y * c, t1 * c - y * s, t1 * s + y * c)
            for k, spans in lines.items()
            for y in ((k + 0.5) * spacing_mm,)
            for t0, t1 in spans
        ]
    ).reshape(-1, 2, 2)
    at = np.asarray(start)
    left = np.ones(len(ends), dtype=bool)
    for _ in range(len(ends)):
        d = np.abs(ends - at).sum(axis=2)
        d[~left] = np.inf
        i, side = divmod(int(np.argmin(d)), 2)
        left[i] = False
        p, q = ends[i, side], ends[i, 1 - side]
        yield (float(p[0]), float(p[1])), (float(q[0]), float(q[1]))
        at = q
