"""Pieces: what hangs together in a layer, to tell a layer of air from a loss. Shared by two rules; no rule of its own."""

import numpy as np

from layergate.preflight.rule import Beads, cell_keys, connected_regions, neighbour_offsets, touching

_CELLS_A_WIDTH = 3
"""Lines up to a bead's width apart hang together; a part's supports stand half a millimetre more from its walls."""

_SMALLEST_CELL_MM, _LARGEST_CELL_MM = 0.1, 0.3  # three of the smallest: samples of a bead lie as far apart
_LEAST_SHARE = 0.1
_LEAST_HELD_MM = 4.0


def parted_by_air(x_mm: np.ndarray, y_mm: np.ndarray, below: Beads, layer: Beads, above: Beads) -> bool:
    """Say whether what lies under a place that a layer lacks and what lies over it are two things that go on elsewhere, or end.

    So do a part and its supports with a layer of air between: the layer has what the part stands on, or the support, and neither
    under both. Where a piece is lost, what is under it and over it is the same, and so is what the layer still has of it.

    Args:
        x_mm, y_mm: points of the place.
        below, layer, above: the layer that lacks it, between its neighbours.
    """
    cell = float(np.clip(bead_width_mm(below, 0.0) / _CELLS_A_WIDTH, _SMALLEST_CELL_MM, _LARGEST_CELL_MM))
    place = np.unique(cell_keys(x_mm, y_mm, cell))
    keys, weight = cell_keys(layer.samples.x_mm, layer.samples.y_mm, cell), layer.samples.weight_mm
    lower, upper = (touching(keys, _piece(beads, place, cell)) for beads in (below, above))
    both = float(weight[lower & upper].sum())
    held = [mm for mm in (float(weight[lower].sum()), float(weight[upper].sum())) if mm > _LEAST_HELD_MM]
    return bool(held) and both <= _LEAST_SHARE * min(held)


def _piece(beads: Beads, place: np.ndarray, cell: float) -> np.ndarray:
    """Give the cells, and those beside, of what hangs together with what a layer has at a place: a tenth of it or more."""
    reach = np.asarray(neighbour_offsets())
    keys = cell_keys(beads.samples.x_mm, beads.samples.y_mm, cell)
    grown = np.unique(keys[:, None] + reach)
    regions = connected_regions(grown)
    region = regions[np.searchsorted(grown, keys)]
    at = touching(keys, place)
    sizes = np.bincount(region[at], beads.samples.weight_mm[at], int(regions.max()) + 1)
    own: np.ndarray = grown[(sizes > _LEAST_SHARE * sizes.sum())[regions]]
    return own


def bead_width_mm(beads: Beads, unknown_mm: float) -> float:
    """Give about the width of a layer's beads, mm; another where no flow tells it."""
    area, step = bead_area_mm2(beads), beads.gap_levels_mm[0]
    return area / step if np.isfinite(area) and step > 0 else unknown_mm


def bead_area_mm2(beads: Beads) -> float:
    """Give the cross-section of half of a layer's path, mm2; beads too short to tell left out, NaN where no flow is known."""
    known = np.flatnonzero(np.isfinite(beads.area_mm2))
    if not len(known):
        return float("nan")
    order = known[np.argsort(beads.area_mm2[known])]
    path = np.cumsum(beads.length_mm[order])
    return float(beads.area_mm2[order[np.searchsorted(path, path[-1] / 2)]])
