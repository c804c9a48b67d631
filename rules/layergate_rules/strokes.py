"""Strokes: the beads of a layer one a line, and the flows that are usual among them. Shared; no rule of its own."""

import math
from dataclasses import dataclass, field

import numpy as np

from layergate.preflight.rule import Beads

_CLASS = 0.01  # of the logarithm: beads whose areas differ by less carry the same flow
_SAME_FLOW = 0.005  # of the logarithm: two beads of one odd flow
_BESIDE = 2  # strokes apart
LEAST_ODD_MM = 0.2
"""Shorter strokes are dots, whose flow means nothing."""
_LEAST_ODD_STEPS = 200  # of the coordinates: shorter strokes are off by a percent through their rounding alone
_STEPS_MM = (0.1, 0.01)  # of coordinates with one and two decimals; most jobs write three
_FINE_MM = 0.001
_LEAST_DIGITS = 6  # different last ones; fewer are those of a shape on a grid
JOINED_MM = 0.0015
"""Points no farther apart are one."""
_LEAST_BEADS = 12  # of a layer, to tell what is usual in it
_LEAST_CLASS = 5
_POOL_LAYERS = 3  # before a layer, in which flows are usual, too
_FLOWS_LAST = 8  # layers; a flow that nobody uses any more is forgotten then
_CLASS_SHARE = 0.05


@dataclass(slots=True)
class Strokes:
    """The beads of a layer, one a line: an arc's chords together. Arrays (n,)."""

    line: np.ndarray
    first: np.ndarray
    """Index of the first bead of each line."""
    last: np.ndarray
    start: np.ndarray
    end: np.ndarray
    length_mm: np.ndarray
    volume_mm3: np.ndarray
    usual: np.ndarray = field(default_factory=lambda: np.empty(0))
    """Bead area of the flow class that a stroke belongs to, mm2; NaN where it has a flow of its own."""
    slack_mm3: float = 0.0
    step_mm: float = _FINE_MM
    """What the coordinates are multiples of."""
    known: dict[int, list[float]] = field(default_factory=dict)
    """What ``around`` gave, by stroke: lines are compared pair by pair."""
    twins: set[int] = field(default_factory=set)
    """Odd strokes of which two share a flow: one point moved along both, or a feature that is made so."""

    def unusual(self) -> np.ndarray:
        """Give the strokes of none of the usual flows."""
        known = _telling(self.volume_mm3, self.length_mm) & (self.length_mm > _LEAST_ODD_STEPS * self.step_mm)
        return np.flatnonzero(known & np.isnan(self.usual))

    def odd(self, before_mm3: np.ndarray, before_mm: np.ndarray) -> np.ndarray:
        """Give the strokes with a flow of their own, and those of which two share one, side by side.

        A flow that strokes of the layers before had is how this job is made, however few they are.
        """
        rows = self.unusual()
        logs = np.log(self.volume_mm3[rows] / self.length_mm[rows])
        there = np.sort(np.log((before_mm3 / before_mm)[_telling(before_mm3, before_mm) & (before_mm3 > 0)]))
        seen = np.searchsorted(there, logs - _SAME_FLOW) < np.searchsorted(there, logs + _SAME_FLOW)
        own = ~seen & ~self._as_beside(rows, logs)
        rows, logs = rows[own], logs[own]
        order = np.argsort(logs)
        apart = np.diff(logs[order]) > _SAME_FLOW
        group = np.concatenate(([0], np.cumsum(apart))) if len(rows) else rows
        size = np.bincount(group)[group] if len(rows) else rows
        here = rows[order]
        beside = np.abs(here - np.roll(here, 1)) <= _BESIDE
        beside = np.where(np.roll(group, 1) == group, beside, np.roll(beside, -1))
        self.twins = set(here[(size == 2) & beside].tolist())
        return np.sort(here[(size == 1) | ((size == 2) & beside)])

    def _as_beside(self, rows: np.ndarray, logs: np.ndarray) -> np.ndarray:
        """Say which strokes carry the usual flow of one beside them: rounding parts them at the edge of its class."""
        found = np.zeros(len(rows), np.bool_)
        for apart in (-2, -1, 1, 2):
            at = np.clip(rows + apart, 0, len(self.line) - 1)
            with np.errstate(invalid="ignore", divide="ignore"):
                same = np.abs(np.log(self.volume_mm3[at] / self.length_mm[at]) - logs) < _SAME_FLOW
            found |= same & np.isfinite(self.usual[at])
        return found

    def around(self, stroke: int) -> list[float]:
        """Give the usual areas next to a stroke, the nearest before and the nearest after it."""
        if stroke in self.known:
            return self.known[stroke]
        found: list[float] = []
        # The four before, the nearest first, and the four after.
        for near in (self.usual[max(0, stroke - 4) : max(0, stroke)][::-1], self.usual[stroke + 1 : stroke + 5]):
            area = next((area for area in near.tolist() if math.isfinite(area)), None)
            if area and not any(abs(area / other - 1) < _CLASS for other in found):
                found.append(area)
        self.known[stroke] = found
        return found

    def joined(self, stroke: int) -> bool:
        """Say whether the stroke after this one begins where it ends."""
        if stroke < 0 or stroke + 1 >= len(self.line):
            return False
        return bool(np.abs(self.start[stroke + 1] - self.end[stroke]).max() < JOINED_MM)

    def straight(self, stroke: int) -> bool:
        return bool(self.first[stroke] == self.last[stroke])


def strokes_of(beads: Beads) -> Strokes:
    changes = np.flatnonzero(np.diff(beads.line) != 0)
    first = np.concatenate(([0], changes + 1))
    last = np.concatenate((changes, [len(beads.line) - 1]))
    length = np.add.reduceat(beads.length_mm, first)
    volume = np.add.reduceat(beads.area_mm2 * beads.length_mm, first)
    start = np.column_stack((beads.x0[first], beads.y0[first]))
    end = np.column_stack((beads.x1[last], beads.y1[last]))
    return Strokes(
        beads.line[first], first, last, start, end, length, volume, step_mm=_step(np.concatenate((start, end)))
    )


def _step(points: np.ndarray) -> float:
    """Give what coordinates were rounded to, mm: all are multiples of it, and not because they are whole anyway."""
    for step in _STEPS_MM:
        steps = np.rint(points / step)
        if float(np.abs(points - steps * step).max()) < 1e-6:
            return step if len(np.unique(steps % 10)) >= _LEAST_DIGITS else _FINE_MM
    return _FINE_MM


@dataclass(frozen=True, slots=True)
class Flows:
    """The usual flows of some layers."""

    area_mm2: np.ndarray
    """Bead areas, rising: (k,)."""
    slack_mm3: float
    """What volumes differ by within their class: the rounding of E."""

    def of(self, volume: np.ndarray, length: np.ndarray) -> np.ndarray:
        """Give the area of the flow that each stroke carries, to the rounding of its volume; NaN where none: (n,)."""
        areas = self.area_mm2
        if not len(areas):
            return np.full(len(volume), np.nan)
        ratio = volume / length
        above = np.clip(np.searchsorted(areas, ratio), 1, len(areas) - 1) if len(areas) > 1 else 0
        nearest = areas[np.where(ratio - areas[above - 1] < areas[above] - ratio, above - 1, above)]
        fits = np.abs(volume - nearest * length) < np.maximum(4 * self.slack_mm3, 0.02 * volume)
        return np.where(fits, nearest, np.nan)


def _telling(volume: np.ndarray, length: np.ndarray) -> np.ndarray:
    """Say of which strokes the flow is known and means something: (n,) bool."""
    telling: np.ndarray = np.isfinite(volume) & (length > LEAST_ODD_MM)
    return telling


def _classes(volume: np.ndarray, length: np.ndarray, count: int) -> tuple[np.ndarray, Flows]:
    """Find the usual flows of some strokes, and the area of its class for each of the first ``count``; NaN where it has none."""
    usual = np.full(len(volume), np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        logs = np.log(volume / length)
    known = np.flatnonzero(np.isfinite(logs) & (length > 0.5))
    if len(known) < _LEAST_BEADS:
        return usual[:count], Flows(np.empty(0), 0.0)
    order = known[np.argsort(logs[known])]
    values = logs[order]
    # Beads within one percent of each, as many as make a flow usual: by path, so that strokes count and dots do not.
    low, high = np.searchsorted(values, values - _CLASS), np.searchsorted(values, values + _CLASS)
    path = np.concatenate(([0.0], np.cumsum(length[order])))
    share = (path[high] - path[low]) / path[-1]
    common = (high - low >= _LEAST_CLASS) & (share >= _CLASS_SHARE)
    own = order[common]
    middle = (low[common] + high[common]) // 2
    usual[own] = np.exp(values[middle])
    slack = float(np.median(np.abs(volume[own] - usual[own] * length[own]))) if len(own) else 0.0
    flows = Flows(np.exp(values[middle[np.flatnonzero(np.diff(middle, prepend=-1))]]), slack)
    # Short beads are known by their volume, to that rounding.
    short = np.flatnonzero(np.isfinite(logs[:count]) & np.isnan(usual[:count]))
    usual[short] = flows.of(volume[short], length[short])
    return usual[:count], flows


class UsualFlows:
    """Follows the usual flows of a job from layer to layer."""

    def __init__(self) -> None:
        self._pool: list[tuple[np.ndarray, np.ndarray]] = []
        self._flows = Flows(np.empty(0), 0.0)
        self._age = 0

    def tell(self, strokes: Strokes) -> np.ndarray:
        """Fill in the usual flows of the next layer's strokes; give those that have none of them: (k,) indices."""
        self._pool.append((strokes.volume_mm3, strokes.length_mm))
        del self._pool[: -1 - _POOL_LAYERS]
        self._age += 1
        strokes.usual = self._flows.of(strokes.volume_mm3, strokes.length_mm)
        own = strokes.unusual()
        # Another flow is usual only where much of the path has it: most layers need no new look.
        if self._age >= _FLOWS_LAST or strokes.length_mm[own].sum() >= _CLASS_SHARE * strokes.length_mm.sum():
            self._age = 0
            volume, length = (np.concatenate(parts) for parts in zip(*self._pool[::-1], strict=True))
            strokes.usual, self._flows = _classes(volume, length, len(strokes.line))
            own = strokes.unusual()
        strokes.slack_mm3 = self._flows.slack_mm3
        return own

    def odd(self, strokes: Strokes) -> np.ndarray:
        """Give the strokes of the last layer with a flow that no stroke before had: (k,) indices."""
        before = [np.concatenate(parts) for parts in zip(*self._pool[:-1], strict=True)] or [np.empty(0), np.empty(0)]
        return strokes.odd(*before)
