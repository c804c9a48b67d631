"""Open walls: a wall that is closed in the layers below and above, and of which a piece is not laid in the layer between.

Used by partial-layer; no rule of its own.
"""

from collections.abc import Sequence

import numpy as np

from layergate.preflight.rule import Beads, cell_keys, neighbour_offsets
from layergate_rules.chains import CLOSED_MM, are_closed, chains, closed_boxes, closed_rows, closed_walls, outer_walls
from layergate_rules.tracks import near_tracks, tracks_of

_REACH = 2
"""Cells of 0.2 mm: a wall that leans by about its own width from layer to layer is met."""

_END_REACH = 5
"""Cells of 0.2 mm from the end of a lost piece to where the wall breaks off: a bead's end, and a lean."""

_LEAST_PIECE_MM = 3.0
"""Seams, and what is left out before them on purpose, are shorter (common practice)."""

_MOST_LOST = 0.9
"""Of a wall: beyond, too little is left of it to tell that it is the same wall."""

_GONE = 0.75
"""Of a wall around infill: what runs along the rest is the infill's."""

_ALONG = 0.6
"""Of the way of what is left of a wall: infill meets walls only at its ends."""

_SAME_PLACE_MM = 1.0

_ONE_DEEPER = (0.6, 1.5)
"""In steps of the layer that has lost them, walls lie that much deeper than on it (geometry: 1)."""

_ALL_OF_A_LOOP, _MOST_OF_A_LOOP = 0.95, 0.5
"""The lines of supports and rafts run under every loop somewhere; under a wall that stands below, too, there are none. The ends of
infill that is left reach under parts of it."""

_LEAST_INFILL_MM = 20.0
_ABOUT_AS_LARGE = 0.5  # both ways: walls side by side are larger, but for such as fill a part


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


def hanging_walls(
    hangs: np.ndarray, below: Beads | None, between: Sequence[Beads], layer: Beads, after: Beads
) -> np.ndarray:
    """Find outermost walls that go on upwards and begin a layer higher than the one below them has material: it has lost theirs.

    For where other things lie below: a raft, supports, the bed; and for walls of which nothing is left. Walls of a layer are
    closed. So of a wall that hangs the layer below has lost a piece where its own wall breaks off at both ends; and all of it where
    it lays infill without a wall around it.

    Args:
        hangs: which samples of ``layer`` do, as of ``hangs_deeper``.
        below: what lies under the layer, if anything does.
        between: the layer, and what objects of other heights lay about there.
        layer, after: the one that lies on it, and the one that lies on that.

    Returns: rows of the samples of ``layer``, (n,).
    """
    none = np.empty(0, np.int64)
    samples = layer.samples
    begin, end = closed_walls(layer)
    hanging_mm = np.concatenate(([0.0], np.cumsum(samples.weight_mm * hangs)))
    if float((hanging_mm[end] - hanging_mm[begin]).sum()) < _LEAST_PIECE_MM:
        return none  # as of most layers over which infill is denser
    begin, end, boxes = outer_walls(layer)  # infill may be rings, too, within the walls
    loops = [np.arange(a, b) for a, b in zip(begin.tolist(), end.tolist(), strict=True)]
    outer = np.concatenate([none, *loops])
    if float(samples.weight_mm[outer][hangs[outer]].sum()) < _LEAST_PIECE_MM:
        return none
    tracks = tracks_of(layer)
    own = np.concatenate([tracks_of(beads) for beads in between])
    stands = closed_boxes(below) if below else np.empty((0, 4))
    bare = [
        loop
        for loop, box in zip(loops, boxes, strict=True)
        if near_tracks(tracks[loop], own, _REACH).mean() < 1 - _GONE
        and hangs[loop].mean() > (_MOST_OF_A_LOOP if _stands_on(box, stands) else _ALL_OF_A_LOOP)
        and _is_bare(between[0], box)
    ]
    rows = np.union1d(np.intersect1d(_lacking_pieces(layer, own, between[0]), outer), np.concatenate([none, *bare]))
    found: np.ndarray = rows[near_tracks(tracks[rows], tracks_of(after))]
    return found if float(samples.weight_mm[found][hangs[found]].sum()) >= _LEAST_PIECE_MM else none


def hangs_deeper(below: Beads, layer: Beads) -> np.ndarray:
    """Say which samples of a layer lie as much deeper than on the one below it as that one's step: (n,) bool.

    None where they are fewer than a piece of wall has, or the layer does not lie on that one.
    """
    samples = layer.samples
    lost_mm, step_mm = below.gap_levels_mm[0], layer.z_mm - below.z_mm
    hangs = np.zeros(len(samples.gap_mm), np.bool_)
    if layer.gap_levels_mm[0] < step_mm + _ONE_DEEPER[0] * lost_mm:
        deeper_mm = samples.gap_mm - np.float32(step_mm)
        hangs = (deeper_mm > _ONE_DEEPER[0] * lost_mm) & (deeper_mm < _ONE_DEEPER[1] * lost_mm)
    enough: np.ndarray = hangs & (float(samples.weight_mm[hangs].sum()) >= _LEAST_PIECE_MM)
    return enough


def _stands_on(box: np.ndarray, others: np.ndarray) -> bool:
    """Say whether a wall, however it leans, is one of others, by their boxes."""
    return bool((np.abs(others - box) < CLOSED_MM).all(axis=1).any())


def _is_bare(layer: Beads, box: np.ndarray) -> bool:
    """Say whether a layer has beads in a box, but no closed chain about as large: not those of holes, and of a turn of infill."""
    walls = closed_boxes(layer)
    inside = (walls[:, :2] > box[:2] - CLOSED_MM).all(axis=1) & (walls[:, 2:] < box[2:] + CLOSED_MM).all(axis=1)
    inside &= (walls[:, 2:] - walls[:, :2] > _ABOUT_AS_LARGE * (box[2:] - box[:2])).all(axis=1)
    x, y = layer.samples.x_mm, layer.samples.y_mm
    there = (x > box[0]) & (y > box[1]) & (x < box[2]) & (y < box[3])
    return not inside.any() and float(layer.samples.weight_mm[there].sum()) >= _LEAST_INFILL_MM


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
