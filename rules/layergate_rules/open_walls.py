"""Open walls: a wall that is closed in the layers below and above, and of which a piece is not laid in the layer between.

Used by partial-layer, and by missing-layer to tell a plate from a raft; no rule of its own.
"""

from collections.abc import Sequence

import numpy as np

from layergate.preflight.rule import Beads, cell_keys, neighbour_offsets
from layergate_rules.tracks import near_tracks, tracks_of

_JOINED_MM = 0.01
_CLOSED_MM = 1.0
"""From the end of a wall to its start: two beads' width at a seam."""

_LEAST_LOOP_MM = 8.0
"""Shorter loops are dots and loops of infill."""

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


def has_outline(layer: Beads) -> bool:
    """Say whether a closed wall goes all around a layer, as around a part, and around few rafts."""
    first, last = _chains(layer)
    closed = _are_closed(layer, first, last)
    bead = np.repeat(closed, last - first + 1)
    edges = [
        (np.minimum(layer.x0, layer.x1), np.min), (np.minimum(layer.y0, layer.y1), np.min),
        (np.maximum(layer.x0, layer.x1), np.max), (np.maximum(layer.y0, layer.y1), np.max),
    ]  # fmt: skip
    return bool(bead.any()) and all(abs(edge(ends[bead]) - edge(ends)) < _CLOSED_MM for ends, edge in edges)


def outlines(layer: Beads) -> np.ndarray:
    """Give the boxes of a layer's closed walls that lie within no other: (k, 4), lowest x and y, highest x and y, mm."""
    first, last = _chains(layer)
    closed = _are_closed(layer, first, last)
    boxes = np.column_stack([np.minimum.reduceat(ends, first) for ends in (layer.x1, layer.y1)]
                            + [np.maximum.reduceat(ends, first) for ends in (layer.x1, layer.y1)])[closed]  # fmt: skip
    low, high = boxes[:, :2], boxes[:, 2:]
    within = (low[:, None] > low).all(axis=2) & (high[:, None] < high).all(axis=2)
    found: np.ndarray = boxes[~within.any(axis=1)]
    return found


def closed_rows(layer: Beads) -> np.ndarray:
    """Give the rows of a layer's samples in its closed walls: (n,)."""
    rows = [np.arange(begin, end) for begin, end in zip(*_walls(layer), strict=True)]
    return np.concatenate([np.empty(0, np.int64), *rows])


def _walls(layer: Beads) -> tuple[np.ndarray, np.ndarray]:
    """Give the first sample of each closed wall and the one after its last: two (k,)."""
    first, last = _chains(layer)
    closed = _are_closed(layer, first, last)
    bead = layer.samples.bead
    return np.searchsorted(bead, first[closed]), np.searchsorted(bead, last[closed] + 1)


def _chains(layer: Beads) -> tuple[np.ndarray, np.ndarray]:
    """Give the first and the last bead of each chain of beads laid in one go: two (k,)."""
    joined = (np.abs(layer.x0[1:] - layer.x1[:-1]) < _JOINED_MM) & (np.abs(layer.y0[1:] - layer.y1[:-1]) < _JOINED_MM)
    first = np.flatnonzero(np.concatenate(([True], ~joined)))
    return first, np.append(first[1:], len(layer.line)) - 1


def _are_closed(layer: Beads, first: np.ndarray, last: np.ndarray) -> np.ndarray:
    """Say which chains, by their first and last bead, end where they began: (k,) bool."""
    way = np.concatenate(([0.0], np.cumsum(layer.length_mm)))
    apart = np.hypot(layer.x0[first] - layer.x1[last], layer.y0[first] - layer.y1[last])
    closed: np.ndarray = (apart < _CLOSED_MM) & (way[last + 1] - way[first] > _LEAST_LOOP_MM)
    return closed


def _broken_ends(layer: Beads, walls: np.ndarray) -> np.ndarray:
    """Give the tracks of the samples at the ends of open chains that run along some walls for most of their way: (m,)."""
    first, last = _chains(layer)
    samples, tracks = layer.samples, tracks_of(layer)
    begin, end = np.searchsorted(samples.bead, first), np.searchsorted(samples.bead, last + 1)
    along = np.concatenate(([0], np.cumsum(near_tracks(tracks, walls, _REACH))))
    broken = ~_are_closed(layer, first, last) & (along[end] - along[begin] > _ALONG * (end - begin))
    found = tracks[np.concatenate((begin[broken], end[broken] - 1))]
    known: np.ndarray = found[found >= 0]
    return known


def _lacking_pieces(layer: Beads, own: np.ndarray, other: Beads) -> np.ndarray:
    """Give the rows of a layer's samples in its closed walls that run where another layer's wall has broken off.

    Args:
        own: the tracks at the other layer's height.
    """
    tracks, samples = tracks_of(layer), layer.samples
    begin, end = _walls(layer)
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
