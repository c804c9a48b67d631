"""Islands: connected groups of beads of one layer with nothing under any of them. Shared by two rules; no rule of its own."""

from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from layergate.preflight.rule import Beads, cell_keys, connected_regions, touching

CELL_MM = 0.8
"""Two beads: beads that touch, or nearly, are one group."""

SUPPORTED_GAP = 2.6
"""In layer steps. Beads this close above what lies under them are supported: rafts and supports leave up to two steps."""

STRAND_GAP = 1.3
"""In diameters of the free strand that the bead's flow makes: up to this it still touches, or nearly (physics)."""

MOST_SUPPORTED_SHARE = 0.02
"""Share of an island's path that may touch something."""

BED_STRAND_GAP = 1.15
"""The same as STRAND_GAP over the bare bed, which is flat: there is nothing beside to touch."""


@dataclass(frozen=True, slots=True)
class Island:
    """One connected group of beads in the air."""

    z_mm: float
    stack: int
    path_mm: float
    beads: int
    air_mm: float
    """Median height of the beads above what lies under them."""
    lines: tuple[int, int]
    box_mm: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class OverBed:
    """The largest part of a second layer that lies over the bare bed and is not held at both ends."""

    island: Island
    share: float
    """Of the layer's path."""
    reach_mm: float
    """Its area over the length along which it is held: how far it reaches out; infinite where nothing holds it."""


def over_bed(beads: Beads) -> OverBed | None:
    """Find what of a stack's second layer lies over the bare bed; strokes that end on something at both ends are bridges."""
    samples = beads.samples
    strand = np.sqrt(4 * beads.area_mm2[samples.bead] / np.pi)
    # Nothing lies under these: their gap is their height.
    loose = samples.gap_mm > beads.z_mm - 0.02
    loose &= ~(samples.gap_mm <= BED_STRAND_GAP * strand)
    first = np.searchsorted(samples.bead, np.arange(len(beads.line)))
    last = np.concatenate((first[1:], [len(samples.bead)])) - 1
    bridges = ~loose[first] & ~loose[last]
    rows = np.flatnonzero(loose & ~bridges[samples.bead])
    if not len(rows):
        return None
    keys = cell_keys(samples.x_mm, samples.y_mm, CELL_MM)
    region = connected_regions(keys[rows])
    path = np.bincount(region, samples.weight_mm[rows])
    number = int(np.argmax(path))
    inside = rows[region == number]
    cells, held = np.unique(keys[inside]), np.unique(keys[~loose])
    contact, area = float(touching(cells, held).sum()) * CELL_MM, len(cells) * CELL_MM**2
    island = _island(beads, inside, float(path[number]))
    return OverBed(island, island.path_mm / float(samples.weight_mm.sum()), area / contact if contact else np.inf)


class LayerSteps:
    """The usual step of the layers before, as a rule sees layers closed: the median of the last five median gaps."""

    def __init__(self) -> None:
        self._recent: list[float] = []
        self._stack = -1

    def first_of_stack(self, beads: Beads) -> bool:
        """Say whether this is the first layer of its stack, which lies on the bed."""
        return beads.stack != self._stack

    def usual(self) -> float | None:
        """Give the usual step in mm; None before the first layer."""
        return median(self._recent) if self._recent else None

    def add(self, beads: Beads) -> None:
        """Take the layer's own step into account, after it was judged."""
        if beads.stack != self._stack:
            self._stack = beads.stack
            self._recent.clear()
        gap = beads.gap_levels_mm[1]
        if gap > 0:
            self._recent.append(gap)
            del self._recent[:-5]


def unsupported(beads: Beads, step_mm: float) -> np.ndarray:
    """Say which samples have nothing under them: (m,) bool."""
    samples = beads.samples
    loose: np.ndarray = samples.gap_mm > SUPPORTED_GAP * step_mm
    if loose.any():
        strand = np.sqrt(4 * beads.area_mm2[samples.bead] / np.pi)
        loose &= ~(samples.gap_mm <= STRAND_GAP * strand)
    return loose


def islands(beads: Beads, step_mm: float, least_path_mm: float) -> list[Island]:
    """Find the islands of a layer, in order of their first bead."""
    samples = beads.samples
    loose = unsupported(beads, step_mm)
    if float(samples.weight_mm[loose].sum()) < least_path_mm:
        return []
    region = connected_regions(cell_keys(samples.x_mm, samples.y_mm, CELL_MM))
    path = np.bincount(region, samples.weight_mm)
    supported = np.bincount(region, np.where(loose, 0.0, samples.weight_mm))
    numbers = np.flatnonzero((path >= least_path_mm) & (supported < MOST_SUPPORTED_SHARE * path)).tolist()
    found = [_island(beads, np.flatnonzero(region == number), float(path[number])) for number in numbers]
    return sorted(found, key=lambda island: island.lines)


def _island(beads: Beads, inside: np.ndarray, path_mm: float) -> Island:
    """Describe the samples ``inside`` as an island."""
    samples = beads.samples
    members = np.unique(samples.bead[inside])
    lines = beads.line[members]
    x, y = samples.x_mm[inside], samples.y_mm[inside]
    box = (float(x.min()), float(y.min()), float(x.max()), float(y.max()))
    air = float(np.median(samples.gap_mm[inside]))
    place = (int(lines.min()), int(lines.max()))
    return Island(beads.z_mm, beads.stack, path_mm, len(members), air, place, box)


class IslandWatch:
    """The islands of all layers that can be judged, as they come by."""

    def __init__(self, least_path_mm: float) -> None:
        self._least_path_mm = least_path_mm
        self._steps = LayerSteps()
        self.found: list[Island] = []

    def see(self, beads: Beads) -> None:
        """Take the next layer. First layers lie on the bed; of a spiral, whose turns hang together, what lies apart."""
        step = self._steps.usual()
        if step and not self._steps.first_of_stack(beads):
            found = islands(beads, step, self._least_path_mm)
            if beads.ramp:
                half = 0.5 * float(beads.length_mm.sum())
                found = [island for island in found if island.path_mm < half and _apart(beads, island)]
            self.found += _joined(found)
        self._steps.add(beads)


def _joined(found: list[Island]) -> list[Island]:
    """Join islands that are pieces of the same beads: one that is absurdly long is looked at here and there only."""
    joined: list[Island] = []
    for island in found:
        last = joined[-1] if joined else None
        if last is None or (last.lines, last.beads) != (island.lines, island.beads):
            joined.append(island)
            continue
        a, b = last.box_mm, island.box_mm
        box = (min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3]))
        joined[-1] = replace(last, path_mm=last.path_mm + island.path_mm, box_mm=box)
    return joined


def _apart(beads: Beads, island: Island) -> bool:
    """Say whether a nozzle has to travel to an island and away: a spiral's turn over air goes on from the one before."""
    inside = (beads.line >= island.lines[0]) & (beads.line <= island.lines[1])
    if inside.sum() != island.beads:
        return False
    first, last = int(np.argmax(inside)), len(inside) - 1 - int(np.argmax(inside[::-1]))
    to = first == 0 or np.hypot(beads.x0[first] - beads.x1[first - 1], beads.y0[first] - beads.y1[first - 1]) > CELL_MM
    away = (
        last + 1 == len(inside)
        or np.hypot(beads.x0[last + 1] - beads.x1[last], beads.y0[last + 1] - beads.y1[last]) > CELL_MM
    )
    return bool(to and away)
