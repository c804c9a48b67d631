"""Free ends: beads that begin on the part and end far out in the air. Used by one rule; no rule of its own."""

from dataclasses import dataclass

import numpy as np

from layergate.preflight.rule import Beads, cell_keys, touching
from layergate_rules.islands import CELL_MM, unsupported

_JOINED_MM = 0.01
_BACK = np.cos(np.radians(165))
_MOST_BEADS = 2
_RESTED_SHARE = 0.3  # of the end, under beads of the next layer: then something is built on it


@dataclass(frozen=True, slots=True)
class FreeEnd:
    """The part of a chain of beads from where it leaves all that is under it to its end."""

    z_mm: float
    stack: int
    path_mm: float
    air_mm: float
    lines: tuple[int, int]
    box_mm: tuple[float, float, float, float]
    cells: np.ndarray

    def carries(self, above: Beads) -> bool:
        """Say whether the next layer lies on it."""
        over = np.unique(cell_keys(above.samples.x_mm, above.samples.y_mm, CELL_MM))
        return bool(np.isin(self.cells, over).mean() > _RESTED_SHARE)


def free_ends(beads: Beads, step_mm: float, least_mm: float) -> list[FreeEnd]:
    """Find where chains of beads end, or begin, in the air, at least so far from anything under them or beside the end."""
    if not len(beads.line):
        return []
    apart = np.maximum(np.abs(beads.x0[1:] - beads.x1[:-1]), np.abs(beads.y0[1:] - beads.y1[:-1])) > _JOINED_MM
    # Where a bead turns straight back, it ends as well: a spike.
    way = np.arctan2(beads.y1 - beads.y0, beads.x1 - beads.x0)
    apart |= np.cos(np.diff(way)) < _BACK
    lasts = np.concatenate((np.flatnonzero(apart), [len(beads.line) - 1]))
    firsts = np.concatenate(([0], lasts[:-1] + 1))
    samples = beads.samples
    begin, end = np.searchsorted(samples.bead, firsts), np.searchsorted(samples.bead, lasts + 1) - 1
    high = samples.gap_mm > 2 * step_mm
    loose: np.ndarray | None = None
    keys = np.zeros(0, np.int64)
    tails: list[np.ndarray] = []
    for first, last in zip(begin.tolist(), end.tolist(), strict=True):
        if last < first or high[first] == high[last]:
            continue  # held at both ends as a bridge is, or at none, as an island or a span of an overhang
        if loose is None:
            loose = unsupported(beads, step_mm)
            keys = cell_keys(samples.x_mm, samples.y_mm, CELL_MM)
        chain = np.arange(first, last + 1) if loose[first] else np.arange(last, first - 1, -1)
        tail = chain[: int(np.argmin(loose[chain]))]
        # One bead or two go astray; an edge in the air has more of them side by side.
        if float(samples.weight_mm[tail].sum()) >= least_mm and np.ptp(samples.bead[tail]) < _MOST_BEADS:
            tails.append(tail)
    if not tails:
        return []
    # What lies beside the outer half of one would hold it, unless it is such an end itself.
    others = np.ones(len(keys), np.bool_)
    others[np.concatenate(tails)] = False
    beside = np.unique(keys[others])
    found = [tail for tail in tails if not touching(keys[tail[: max(1, len(tail) // 2)]], beside).any()]
    return [_free_end(beads, tail, keys) for tail in _spikes(beads, found)]


def _spikes(beads: Beads, tails: list[np.ndarray]) -> list[np.ndarray]:
    """Put the way out and the way back of a spike together: they meet at their ends, which come first."""
    x, y = beads.samples.x_mm, beads.samples.y_mm
    joined: list[np.ndarray] = []
    for tail in tails:
        tip = joined[-1][0] if joined else None
        if tip is not None and np.hypot(x[tip] - x[tail[0]], y[tip] - y[tail[0]]) < 2 * CELL_MM:
            joined[-1] = np.concatenate((joined[-1], tail))
        else:
            joined.append(tail)
    return joined


def _free_end(beads: Beads, tail: np.ndarray, keys: np.ndarray) -> FreeEnd:
    samples = beads.samples
    x, y, lines = samples.x_mm[tail], samples.y_mm[tail], beads.line[samples.bead[tail]]
    return FreeEnd(
        beads.z_mm,
        beads.stack,
        float(samples.weight_mm[tail].sum()),
        float(np.median(samples.gap_mm[tail])),
        (int(lines.min()), int(lines.max())),
        (float(x.min()), float(y.min()), float(x.max()), float(y.max())),
        np.unique(keys[tail]),
    )
