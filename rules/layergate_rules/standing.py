"""Standing walls: lines that stand upright through four layers, and are not in a fifth between them.

Used by partial-layer; no rule of its own.
"""

from collections.abc import Sequence

import numpy as np

from layergate.preflight.rule import Beads, cell_keys, neighbour_offsets
from layergate_rules.tracks import direction, tracks_of

_ROWS = neighbour_offsets()[1::3]  # from a cell to the one in the row before, in its own and in the next
_BIN_MM = 0.05
_LEVEL_MM = 0.3  # along a line: samples of another line are no farther apart
_LEAN = 2  # bins in four layers: drafts of 7 degrees; walls that lean more meet the rings of a floor by chance
_BINS = _LEAN + 6
"""On each side of a line: a lean, and in what its wall is looked for."""

_CELL_MM = 0.55
"""Points farther apart than ``_LEVEL_MM`` along and ``_BINS`` across a line don't count: less than a cell."""

_CLOSE = 1
"""Bins to where a wall is expected: jobs write three decimals, and chords of curves differ by some hundredths."""

_APART = 5
"""Bins in which a wall's absence counts: 0.27 mm, more than a wall can be misjudged by, less than it is wide."""


def standing(
    places: tuple[np.ndarray, np.ndarray, np.ndarray],
    layers: tuple[Beads, Beads, Beads, Beads],
    heights_mm: Sequence[float],
) -> np.ndarray:
    """Say at which places of a layer walls stand through the four layers above it, but for the second of these.

    Walls stand upright or lean evenly, so that where one is in the first, third and fourth tells where it is in the second.
    Rings of infill that drift can't imitate that: where they return to a line in three layers, they do in all.

    Args:
        places: x, y, and direction of points of the lowest layer.
        layers: the four above it.
        heights_mm: of the four, above the lowest.

    Returns:
        (leans, n) bool, one row for each lean.
    """
    rise = np.asarray(heights_mm) / heights_mm[-1]
    leans = np.arange(-_LEAN, _LEAN + 1)
    stands = np.ones((len(leans), len(places[0])), np.bool_)
    for index in (3, 2, 0, 1):
        asked = np.flatnonzero(stands.any(axis=0))
        if not len(asked):
            break
        x, y, angle = (part[asked] for part in places)
        there = _offsets((x, y, angle), layers[index])
        reach = _APART if index == 1 else _CLOSE
        for row, lean in enumerate(leans.tolist()):
            at = _BINS + round(lean * float(rise[index]))
            met = there[:, max(0, at - reach) : at + reach + 1].any(axis=1)
            stands[row, asked] &= ~met if index == 1 else met
    return stands


def _offsets(places: tuple[np.ndarray, np.ndarray, np.ndarray], layer: Beads) -> np.ndarray:
    """Say in which distances across a place's direction beads of a layer run the same way: (n, 17) bool."""
    x, y, angle = places
    cos, sin = np.cos(angle), np.sin(angle)
    result = np.zeros((len(x), 2 * _BINS + 1), np.bool_)
    samples = layer.samples
    keys = np.where(tracks_of(layer) >= 0, cell_keys(samples.x_mm, samples.y_mm, _CELL_MM), -1)
    order = np.argsort(keys, kind="stable")
    keys = keys[order]
    way = direction(layer)[samples.bead]
    own = cell_keys(x, y, _CELL_MM)
    for row in range(3):
        begin = own + _ROWS[row] - 1  # three cells of a row follow one another
        first, last = np.searchsorted(keys, begin), np.searchsorted(keys, begin + 3)
        count = last - first
        place = np.repeat(np.arange(len(x)), count)
        other = order[np.arange(len(place)) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)]
        turn = np.abs(way[other] - angle[place])
        same_way = np.flatnonzero(np.minimum(turn, np.pi - turn) <= np.radians(17))
        place, other = place[same_way], other[same_way]
        dx, dy = samples.x_mm[other] - x[place], samples.y_mm[other] - y[place]
        along = dx * cos[place] + dy * sin[place]
        across = np.rint((dy * cos[place] - dx * sin[place]) / _BIN_MM).astype(np.int64)
        near = (np.abs(along) <= _LEVEL_MM) & (np.abs(across) <= _BINS)
        result[place[near], across[near] + _BINS] = True
    return result
