"""Open walls: a wall that is closed in the layers below and above, and of which a piece is not laid in the layer between.

Used by partial-layer; no rule of its own.
"""

from collections.abc import Sequence

import numpy as np

from layergate.preflight.rule import Beads, cell_keys, neighbour_offsets
from layergate_rules.chains import are_closed, chains, closed_rows, closed_walls, outer_rows
from layergate_rules.tracks import near_tracks, tracks_of

_REACH = 2
"""Cells of 0.2 mm: a wall that leans by about its own width from layer to layer is met."""

_END_REACH = 5
"""Cells of 0.2 mm from the end of a lost piece to where the wall breaks off: a bead's end, and a lean."""

_LEAST_PIECE_MM = 3.0
"""Seams, and what is left out before them on purpose, are shorter (common practice)."""

_MOST_LOST = 0.75
"""Of a wall: beyond, too little is left of it to tell that it is the same wall."""

_ALONG = 0.6
"""Of the way of what is left of a wall: infill meets walls only at its ends."""

_SAME_PLACE_MM = 1.0

_ONE_DEEPER = (0.6, 1.5)
"""In steps of the layer that has lost them, walls lie that much deeper than on it (geometry: 1)."""

_ALL_OF_A_LOOP = 0.95
"""The lines of supports and rafts run under every loop somewhere."""


def open_walls(below: Beads, between: Sequence[Beads], above: Beads) -> np.ndarray:
    """Find pieces of walls that the layers below and above have and the one between lacks, its own wall broken off at both ends.

    Walls are closed around every part, hole and window; where one starts or ends, others turn. So a wall that just ends, and goes
    on some millimetres along, while it is whole in the layers below and above, has lost what lies between. How far it leans is
    no matter, as long as it lies on the one below.

    Args:
        between: the layer, and what objects of other heights lay about there.

    Returns: rows of the samples of ``below`` that run where the piece was, (n,); empty where nothing is lost.
    """
    own = np.concatenate([tracks_of(beads) for beads in between])
    lower = _lacking_pieces(below, own, between[0])
    if not len(lower):
        return lower
    upper = _lacking_pieces(above, own, between[0])
    reach = np.asarray(neighbour_offsets())
    places = [
        cell_keys(layer.samples.x_mm[rows], layer.samples.y_mm[rows], _SAME_PLACE_MM)
        for layer, rows in ((below, lower), (above, upper))
    ]
    found: np.ndarray = lower[np.isin(places[0], (np.unique(places[1])[:, None] + reach).ravel())]
    return found


def hanging_walls(between: Sequence[Beads], layer: Beads, after: Beads) -> np.ndarray:
    """Find walls that go on upwards and begin a layer higher than the one below them has material, as if it had lost theirs.

    For where other things lie below: a raft, supports, the bed. Walls of a layer are closed. So of a wall that hangs the layer
    below has lost a piece where its own wall breaks off at both ends; and all of it where it has no wall at all, but only infill.

    Args:
        between: the layer, and what objects of other heights lay about there.
        layer, after: the one that lies on it, and the one that lies on that.

    Returns: rows of the samples of ``layer`` in its outermost walls, (n,).
    """
    samples = layer.samples
    lost_mm = between[0].gap_levels_mm[0]
    deeper_mm = samples.gap_mm - np.float32(layer.z_mm - between[0].z_mm)
    hangs = (deeper_mm > _ONE_DEEPER[0] * lost_mm) & (deeper_mm < _ONE_DEEPER[1] * lost_mm)
    lies_on_it = layer.gap_levels_mm[0] < layer.z_mm - between[0].z_mm + _ONE_DEEPER[0] * lost_mm
    none = np.empty(0, np.int64)
    if not lies_on_it or float(samples.weight_mm[hangs].sum()) < _LEAST_PIECE_MM:
        return none
    outer = outer_rows(layer)  # infill may be rings, too
    if float(samples.weight_mm[outer][hangs[outer]].sum()) < _LEAST_PIECE_MM:
        return none
    own = np.concatenate([tracks_of(beads) for beads in between])
    rows = _lacking_pieces(layer, own, between[0])
    if not len(closed_rows(between[0])):
        loops = [
            np.arange(a, b) for a, b in zip(*closed_walls(layer), strict=True) if hangs[a:b].mean() > _ALL_OF_A_LOOP
        ]
        rows = np.unique(np.concatenate([rows, *loops]))
    rows = np.intersect1d(rows, outer)
    found: np.ndarray = rows[near_tracks(tracks_of(layer)[rows], tracks_of(after))]
    return found if float(samples.weight_mm[found][hangs[found]].sum()) >= _LEAST_PIECE_MM else none


def _broken_ends(layer: Beads, walls: np.ndarray) -> np.ndarray:
    """Give the tracks of the samples at the ends of open chains that run along some walls for most of their way: (m,)."""
    first, last = chains(layer)
    samples, tracks = layer.samples, tracks_of(layer)
    begin, end = np.searchsorted(samples.bead, first), np.searchsorted(samples.bead, last + 1)
    along = np.concatenate(([0], np.cumsum(near_tracks(tracks, walls, _REACH))))
    broken = ~are_closed(layer, first, last) & (along[end] - along[begin] > _ALONG * (end - begin))
    found = tracks[np.concatenate((begin[broken], end[broken] - 1))]
    known: np.ndarray = found[found >= 0]
    return known


def _lacking_pieces(layer: Beads, own: np.ndarray, other: Beads) -> np.ndarray:
    """Give the rows of a layer's samples in its closed walls that run where another layer's wall has broken off.

    Args:
        own: the tracks at the other layer's height.
    """
    tracks, samples = tracks_of(layer), layer.samples
    begin, end = closed_walls(layer)
    rows = closed_rows(layer)
    missing = np.zeros(len(tracks), np.bool_)
    missing[rows] = ~near_tracks(tracks[rows], own, _REACH)
    pieces: list[np.ndarray] = []
    edges: list[int] = []
    for a, b in zip(begin.tolist(), end.tolist(), strict=True):
        share = float(samples.weight_mm[a:b][missing[a:b]].sum())
        whole = float(samples.weight_mm[a:b].sum())
        if not _LEAST_PIECE_MM <= share <= _MOST_LOST * whole:
            continue
        # Around the loop, from where the wall is there.
        turn = np.roll(np.arange(a, b), -int(np.argmin(missing[a:b])))
        gone = np.concatenate(([False], missing[turn], [False]))
        starts, stops = np.flatnonzero(~gone[:-1] & gone[1:]), np.flatnonzero(gone[:-1] & ~gone[1:])
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
            piece = turn[start:stop]
            if float(samples.weight_mm[piece].sum()) < _LEAST_PIECE_MM:
                continue
            pieces.append(piece)
            edges += [int(turn[start - 1]), int(turn[stop % len(turn)])]
    if not pieces:
        return rows[:0]
    met = near_tracks(tracks[edges], _broken_ends(other, tracks[rows]), _END_REACH)
    return np.concatenate([rows[:0], *(piece for at, piece in enumerate(pieces) if met[2 * at] and met[2 * at + 1])])
