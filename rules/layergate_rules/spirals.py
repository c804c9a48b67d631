"""Spirals: turns that are lost or starved, found along the path. Shared by two rules; no rule of its own.

A spiral is one bead without end, so a fault in it does not begin and end where a layer does. Its beads are compared, in the
order of printing, with the turns before: in a spiral each bead lies one step over the turn below and is fed as the last.
"""

import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np

from layergate.preflight.rule import Beads

TURNS_BEFORE = 4
"""Bands that a bead is compared with; each is about one turn. Near the start of a spiral there are fewer."""

LEAST_TURNS = 2
"""Before flow is compared: it may rise along the first. A gap with its sudden rise shows after one."""

STEADY = 1.5
"""Largest over smallest of the gaps (tenth and ninetieth percent) of a band that others are compared with."""

LEAST_TURN = 0.2
"""Share of a turn that a fault has to go on for; less is a bead or two, which others look at."""

LOST_GAP = 1.6
"""In steps: gap of the turn above a lost one; it makes 2 (geometry)."""

LOST_RISE = 0.15
"""In steps: sudden rise where as much of a turn is lost. A wall that steps outward has the gap and no rise."""

AS_LONG = 2.0
"""What is laid over a lost piece is as long as the rise says, within this ratio: a wall may lean, and beads reach over an end."""

STEEPER = 1.5
"""Rise for its length, against the spiral's; a long straight bead rises by as much and is as steep as the others."""

RISE_BEFORE = 1.2
"""In turns: how long before the gap the rise comes; what is laid over a lost piece comes up to a turn after it."""

FLOW_RISE = 1.3
"""Beads this much thicker fill a larger gap, and are meant."""

_FALL_MM = 0.02
"""A spiral never goes down; heights are rounded."""

STILL_MM = 1.0
"""A fault goes on over beads that are shorter together: short beads carry rounded figures."""

MOST_BANDS = 60
"""Turns that a starved stretch may have; a longer one is a section of its own."""


@dataclass(slots=True)
class Fault:
    """A stretch of a spiral that is not like the turns before. ``ratio``: gap over usual gap, or flow over usual flow."""

    z_mm: tuple[float, float]
    stack: int
    lines: tuple[int, int]
    path_mm: float
    ratio: float
    gap_mm: float
    usual_gap_mm: float
    area_mm2: float
    usual_area_mm2: float


@dataclass(slots=True)
class _Stretch:
    """A fault under way."""

    z_mm: float
    line: int
    last_z_mm: float
    last_line: int
    parts: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = field(default_factory=list)
    """Length, gap and cross-section of its beads."""
    bands: int = 0
    pause_mm: float = 0.0


class SpiralWatch:
    """Looks along spirals for lost turns (``lost``) and starved ones (``starved``), band by band as layers are closed."""

    def __init__(self, flow_ratio: float = 0.84) -> None:
        self._flow_ratio = flow_ratio
        self._bands: deque[tuple[float, float, float]] = deque(maxlen=TURNS_BEFORE)
        self._end: tuple[int, float] | None = None
        self._stack = -1
        self._open: dict[str, _Stretch] = {}
        self._turn_mm = 0.0
        self._since_rise_mm = np.inf
        self._rises: list[float] = []  # steps, the latest sudden ones
        self.lost: list[Fault] = []
        self.starved: list[Fault] = []

    def see(self, beads: Beads) -> None:
        """Take the next layer, or band of a spiral, in the order in which they are closed."""
        if not beads.ramp or beads.stack != self._stack or not beads.complete:
            self._restart(beads.stack)
            if not beads.ramp or not beads.complete:
                return
        before = beads.z1[:1] if self._end is None else [self._end[1]]
        if (np.diff(beads.z1, prepend=before) < -_FALL_MM).any():
            # Walls side by side that climb in turn: what lies under a bead is not one turn before it.
            self._restart(beads.stack)
            return
        gap, area = _mean_gaps(beads), beads.area_mm2
        known = np.isfinite(area) & (gap > 0)
        if not known.any():
            self._restart(beads.stack)
            return
        weight = np.where(known, beads.length_mm, 0.0)
        if self._bands and self._end is not None and beads.line[0] >= self._end[0]:
            self._follow(beads, gap, area, known)
        low, usual, high = _quantiles(gap[known], weight[known], (0.1, 0.5, 0.9))
        flow = _quantiles(area[known] / gap[known], weight[known], (0.5,))[0]
        rise = float(beads.z1[-1]) - (self._end[1] if self._end is not None else float(beads.z1[0]))
        if self._open or self._since_rise_mm <= RISE_BEFORE * self._turn_mm:
            pass  # a fault is under way, or may come: such a band is no measure for others
        elif high > STEADY * low:
            begins = self._end is None
            self._bands.clear()  # no spiral whose turns are like each other
            if begins:  # its first turn rises from a floor: where it ends it is a step above it
                self._bands.append((high, flow, rise / float(weight.sum())))
        else:
            self._bands.append((usual, flow, rise / float(weight.sum())))
        self._end = (int(beads.line[-1]), float(beads.z1[-1]))

    def _restart(self, stack: int) -> None:
        self._bands.clear()
        self._open.clear()
        self._stack, self._end = stack, None
        self._since_rise_mm = np.inf

    def _follow(self, beads: Beads, gap: np.ndarray, area: np.ndarray, known: np.ndarray) -> None:
        assert self._end is not None
        usual_gap, usual_flow, slope = (float(np.median(values)) for values in zip(*self._bands, strict=True))
        if slope <= 0:
            return
        self._turn_mm = usual_gap / slope
        usual = usual_gap, usual_gap * usual_flow
        z = np.concatenate(([self._end[1]], beads.z1))
        path = np.cumsum(beads.length_mm)
        # A thread straight across from where a piece was lost rises for all of it, and is fed for a bead.
        steady = slope * beads.length_mm * np.where(known, np.minimum(area / usual[1], 1.0), 1.0)
        sudden = (np.diff(z) - steady) / usual_gap
        rises = (sudden >= LOST_RISE) & (np.diff(z) >= STEEPER * steady)
        if rises.any():
            # One loss may leave some beads between.
            again = self._since_rise_mm + path[int(np.argmax(rises))] <= RISE_BEFORE * self._turn_mm
            self._rises = (self._rises if again else []) + sudden[rises].tolist()
        latest = np.maximum.accumulate(np.where(rises, path - beads.length_mm, -self._since_rise_mm))
        since = path - latest
        self._since_rise_mm = float(since[-1])
        risen = since <= RISE_BEFORE * self._turn_mm + beads.length_mm
        high = known & (gap >= LOST_GAP * usual_gap) & (area <= FLOW_RISE * usual[1])
        # Gaps of single beads waver by the grid's cells; the band's own says whether the spiral rises more slowly here.
        own = _quantiles(gap[known], beads.length_mm[known], (0.5,))[0]
        thin = known & (area < self._flow_ratio * min(own, usual_gap) * usual_flow) & (gap < LOST_GAP * usual_gap)
        self._walk("lost", beads, gap, area, high, risen, usual)
        if len(self._bands) < LEAST_TURNS:
            return
        self._walk("starved", beads, gap, area, thin, thin, usual)

    def _walk(
        self, what: str, beads: Beads, gap: np.ndarray, area: np.ndarray, bad: np.ndarray, starts: np.ndarray,
        usual: tuple[float, float],
    ) -> None:  # fmt: skip
        """Follow the stretches of one kind through a band."""
        edges = np.concatenate(([0], np.flatnonzero(np.diff(bad)) + 1, [len(bad)]))
        for first, last in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            part = slice(first, last)
            length = float(beads.length_mm[part].sum())
            open_ = self._open.get(what)
            if not bad[first]:
                if open_ is not None:
                    open_.pause_mm += length
                    if open_.pause_mm > STILL_MM:
                        self._end_stretch(what, beads.stack, usual)
                continue
            if open_ is None:
                if not starts[first]:
                    continue
                z, line = float(beads.z1[first]), int(beads.line[first])
                open_ = self._open[what] = _Stretch(z, line, z, line)
            open_.parts.append((beads.length_mm[part], gap[part], area[part]))
            open_.last_z_mm, open_.last_line = float(beads.z1[last - 1]), int(beads.line[last - 1])
            open_.pause_mm = 0.0
        if (open_ := self._open.get(what)) is not None:
            open_.bands += 1
            if open_.bands > MOST_BANDS:
                self._restart(beads.stack)

    def _end_stretch(self, what: str, stack: int, usual: tuple[float, float]) -> None:
        open_ = self._open.pop(what)
        length, gaps, areas = (np.concatenate(arrays) for arrays in zip(*open_.parts, strict=True))
        path = float(length.sum())
        if path < LEAST_TURN * self._turn_mm:
            return
        # Medians: the bead that leads across from where a piece was lost hangs as high as the wall.
        gap, area = _quantiles(gaps, length, (0.5,))[0], _quantiles(areas, length, (0.5,))[0]
        ratio = gap / usual[0] if what == "lost" else area / usual[1] * max(1.0, usual[0] / gap)
        if what == "lost" and not self._as_risen(path / self._turn_mm, ratio):
            return
        found = self.lost if what == "lost" else self.starved
        found.append(
            Fault(
                (open_.z_mm, open_.last_z_mm), stack, (open_.line, open_.last_line), path, ratio,
                gap, usual[0], area, usual[1],
            )
        )  # fmt: skip

    def _as_risen(self, turns: float, steps: float) -> bool:
        """Say whether a piece so long, and so high above what lies under it, is what the latest sudden rises left out."""
        low, high = (min(1.0, rise) for rise in (self._rises[-1], sum(self._rises)))
        return low / AS_LONG <= turns <= AS_LONG * high and steps < 1.5 + sum(math.ceil(rise) for rise in self._rises)


def _mean_gaps(beads: Beads) -> np.ndarray:
    """Give the gap of each bead, mm: the mean over its samples."""
    samples = beads.samples
    weight = np.bincount(samples.bead, samples.weight_mm, len(beads.line))
    total = np.bincount(samples.bead, samples.gap_mm * samples.weight_mm, len(beads.line))
    return np.divide(total, weight, out=np.zeros_like(total), where=weight > 0)


def _quantiles(values: np.ndarray, weights: np.ndarray, shares: tuple[float, ...]) -> list[float]:
    order = np.argsort(values)
    reached = np.cumsum(weights[order])
    at = np.searchsorted(reached, np.asarray(shares) * reached[-1])
    return values[order][np.minimum(at, len(values) - 1)].tolist()  # type: ignore[no-any-return]
