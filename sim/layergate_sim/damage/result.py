"""What a damage is: the text, the place, the size; how much of the part differs, and why no one could see it where that is so.

Knows nothing of how damages are made, nor of any checker: that a difference can't be seen is worked out from the two jobs.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from .scan import Line, Scan

__all__ = [
    "BEAD_MM3",
    "NOMINAL_WIDTH_MM",
    "BeadTable",
    "DamageNotPossibleError",
    "Damaged",
    "bead_table",
    "bead_width_mm",
    "changed_mm3",
    "laid_cells",
    "moved_mm",
    "only_in",
]

BEAD_MM3 = 0.5  # mm3: 6 mm of an ordinary bead (0.45 x 0.2); a part that differs by less differs by less than a bead
CELL_MM = 0.5
LEVEL_MM = 0.03  # a fifth of a thin layer, which its neighbours make up for (own choice)
NOMINAL_WIDTH_MM = 0.4  # of the bead that stands for any where the job does not say how much it lays
LARGEST_STEPS = 400


BeadTable = dict[tuple[int | str, ...], list[tuple[Line, Line]]]


class DamageNotPossibleError(ValueError):
    """This damage cannot be done to this job (no arcs to turn, no objects to leave out ...)."""


@dataclass(frozen=True, slots=True)
class Damaged:
    """A job with one known fault. Lines count from 1 in the damaged text; layers as in the truth of the good job."""

    text: bytes
    kind: str
    seed: int
    what: str  # one sentence with figures
    layers: tuple[int, ...]  # layers that the fault touches; empty where it has no layer
    lines: tuple[int, int] | None  # where it stands in the damaged text
    z_mm: tuple[float, float] | None
    box_mm: tuple[float, float, float, float] | None
    size: dict[str, float] = field(default_factory=dict)  # figures with units in their names
    changes_part: bool = False  # what is laid differs by more than a bead
    changed_mm3: float = 0.0
    unseen: str = ""
    """Why this can't be seen in the file, although more than a bead lies elsewhere; empty where it can."""


def way_along(before: Line, bead: Line, f: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points of a bead at the fractions f of its way, along the arc where it is one (by its centre or its radius)."""
    x, y, u = before.x, before.y, bead.unit
    if bead.code not in ("G2", "G3"):
        return x + (bead.x - x) * f, y + (bead.y - y) * f
    turn = -1.0 if bead.code == "G2" else 1.0
    cx, cy = x + bead.words.get("I", 0.0) * u, y + bead.words.get("J", 0.0) * u
    d = math.hypot(bead.x - x, bead.y - y)
    if "R" in bead.words and d > 0:
        r = bead.words["R"] * u
        # The centre lies to the left of the chord of a short counter-clockwise arc (facts 2.3).
        h = turn * math.copysign(math.sqrt(max(r * r - d * d / 4, 0.0)), r)
        cx, cy = (x + bead.x) / 2 - (bead.y - y) / d * h, (y + bead.y) / 2 + (bead.x - x) / d * h
    r, a0 = math.hypot(x - cx, y - cy), math.atan2(y - cy, x - cx)
    angle = a0 + turn * bead.length / r * f if r else a0 + 0.0 * f
    return cx + r * np.cos(angle), cy + r * np.sin(angle)


def laid_cells(beads: Sequence[tuple[Line, Line]]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Cells (one number each, n of them) and the mm3 laid there, from pairs (line before, bead); empty in, empty out."""
    cells, shares = [np.empty(0, np.int64)], [np.empty(0)]
    for before, bead in beads:
        n = min(max(int(bead.length / CELL_MM * 2), 1), LARGEST_STEPS)
        f = (np.arange(n) + 0.5) / n
        x, y = way_along(before, bead, f)
        z = before.z + (bead.z - before.z) * f
        # A wild coordinate stays a cell far away.
        ix, iy, iz = (
            np.clip(np.floor(v), -(2**19), 2**19 - 1).astype(np.int64) for v in (x / CELL_MM, y / CELL_MM, z * 50)
        )
        cells.append(((ix + 2**19) * 2**20 + iy + 2**19) * 2**21 + iz + 2**19)
        shares.append(np.full(n, bead.mm3 / n))
    return np.concatenate(cells), np.concatenate(shares)


def bead_table(scan: Scan) -> BeadTable:
    """What a job lays, beads and lumps on the spot, by place and amount, each with the line before it."""
    out: BeadTable = {}
    before = None
    for line in scan.lines:
        if line.moves and line.laid > 0 and before is not None:
            places = (before.x, before.y, before.z, line.x, line.y, line.z)
            # In whole thousandths: two jobs that differ by less lay the same.
            key: tuple[int | str, ...] = (
                *[int(v * 1000 + 0.5) for v in places],
                int(line.mm3 * 1000 + 0.5),
                line.code if line.code in ("G2", "G3") else "",
            )
            out.setdefault(key, []).append((before, line))
        before = line
    return out


def only_in(table: BeadTable, other: BeadTable) -> list[tuple[Line, Line]]:
    """What one job lays and another does not, each with the line before it."""
    return [pair for key, pairs in table.items() for pair in pairs[len(other.get(key, ())) :]]


def changed_mm3(good: BeadTable, bad: BeadTable) -> float:
    """How much material lies elsewhere, is missing or is too much, mm3: the larger of both sides, cell by cell."""
    left, left_mm3 = laid_cells(only_in(good, bad))
    right, right_mm3 = laid_cells(only_in(bad, good))
    _, index = np.unique(np.concatenate((left, right)), return_inverse=True)
    balance = np.bincount(index, weights=np.concatenate((left_mm3, -right_mm3))) if len(index) else np.zeros(1)
    return float(max(balance[balance > 0].sum(), -balance[balance < 0].sum()))


def moved_mm(good: Scan, bad: Scan) -> float:
    """How far the bead that moved most lies from its place, mm; infinite where the jobs lay other beads or other amounts.

    Or where it lies more than ``LEVEL_MM`` higher or lower.
    """
    beads, beads_now = ([pair for pair in pairwise(scan.lines) if pair[1].laid > 0] for scan in (good, bad))
    if len(beads) != len(beads_now):
        return math.inf
    most = 0.0
    for was, now in zip(beads, beads_now, strict=True):
        a, b = was[1], now[1]
        # Without E what is laid is the length itself, which the move changes.
        if a.code != b.code or (abs(a.mm3 - b.mm3) > 1e-3 and not good.no_e):
            return math.inf
        for one, other in zip(was, now, strict=True):
            apart = math.hypot(one.x - other.x, one.y - other.y)
            most = max(most, apart if abs(one.z - other.z) < LEVEL_MM else math.inf)
    return most


def bead_width_mm(scan: Scan, beads: Sequence[int], step_mm: float) -> float:
    """How wide the beads of some lines are, mm: what their volume fills of the layer step. 0 where that is not known."""
    path = sum(scan.lines[i].length for i in beads)
    if scan.no_e or not path or step_mm <= 0:
        return NOMINAL_WIDTH_MM if scan.no_e else 0.0
    return sum(scan.lines[i].mm3 for i in beads) / path / step_mm
