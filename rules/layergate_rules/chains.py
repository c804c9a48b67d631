"""Chains: beads laid in one go, and those of them that close, as walls do. Shared by some rules; no rule of its own."""

import numpy as np

from layergate.preflight.rule import Beads

_JOINED_MM = 0.01
CLOSED_MM = 1.0
"""From the end of a wall to its start: two beads' width at a seam."""

_LEAST_LOOP_MM = 8.0
"""Shorter loops are dots and loops of infill."""

_LONGEST_TURN_MM = 3.0
"""From a line to the next: sparse lines that are joined lie no farther apart."""

_BACK = np.cos(np.radians(165))

_MOST_WALLS = 1000
"""Whose boxes are compared with one another: some megabytes."""


def chain_of(layer: Beads) -> np.ndarray:
    """Give the chain of each bead, from 0: (n,)."""
    joined = (np.abs(layer.x0[1:] - layer.x1[:-1]) < _JOINED_MM) & (np.abs(layer.y0[1:] - layer.y1[:-1]) < _JOINED_MM)
    return np.concatenate(([0], np.cumsum(~joined)))


def chains(layer: Beads) -> tuple[np.ndarray, np.ndarray]:
    """Give the first and the last bead of each chain: two (k,)."""
    first = np.flatnonzero(np.diff(chain_of(layer), prepend=-1))
    return first, np.append(first[1:], len(layer.line)) - 1


def are_closed(layer: Beads, first: np.ndarray, last: np.ndarray) -> np.ndarray:
    """Say which chains, by their first and last bead, end where they began: (k,) bool."""
    way = np.concatenate(([0.0], np.cumsum(layer.length_mm)))
    apart = np.hypot(layer.x0[first] - layer.x1[last], layer.y0[first] - layer.y1[last])
    closed: np.ndarray = (apart < CLOSED_MM) & (way[last + 1] - way[first] > _LEAST_LOOP_MM)
    return closed


def closed_walls(layer: Beads) -> tuple[np.ndarray, np.ndarray]:
    """Give the first sample of each closed chain and the one after its last: two (k,)."""
    first, last = chains(layer)
    closed = are_closed(layer, first, last)
    bead = layer.samples.bead
    return np.searchsorted(bead, first[closed]), np.searchsorted(bead, last[closed] + 1)


def closed_rows(layer: Beads) -> np.ndarray:
    """Give the rows of a layer's samples in its closed chains: (n,)."""
    return _rows(*closed_walls(layer))


def _rows(begin: np.ndarray, end: np.ndarray) -> np.ndarray:
    rows = [np.arange(a, b) for a, b in zip(begin.tolist(), end.tolist(), strict=True)]
    return np.concatenate([np.empty(0, np.int64), *rows])


def to_and_fro(layer: Beads) -> np.ndarray:
    """Say which beads run back beside the last or the next of their open chain, with a short turn between: (n,) bool.

    Infill, supports and purges are laid so, and no wall: where a wall turns back, around a thin part, it closes.
    """
    first, last = chains(layer)
    open_ = np.repeat(~are_closed(layer, first, last), last - first + 1)
    chain, length = chain_of(layer), layer.length_mm
    x, y = layer.x1 - layer.x0, layer.y1 - layer.y0
    found = np.zeros(len(length), np.bool_)
    turn = length[1:-1]
    back = (chain[2:] == chain[:-2]) & open_[1:-1] & (turn < _LONGEST_TURN_MM)
    back &= (turn < length[:-2]) & (turn < length[2:])
    back &= x[:-2] * x[2:] + y[:-2] * y[2:] < _BACK * length[:-2] * length[2:]
    found[:-2] |= back
    found[2:] |= back
    return found


def extent(layer: Beads) -> tuple[np.ndarray, np.ndarray]:
    """Give the lowest and the highest x and y of a layer's beads, mm: two (2,)."""
    low = np.array([np.minimum(layer.x0, layer.x1).min(), np.minimum(layer.y0, layer.y1).min()])
    high = np.array([np.maximum(layer.x0, layer.x1).max(), np.maximum(layer.y0, layer.y1).max()])
    return low, high


def has_outline(layer: Beads) -> bool:
    """Say whether closed chains reach as far as a layer does on all sides, as around a part, and around few rafts."""
    boxes = closed_boxes(layer)
    if not len(boxes):
        return False
    low, high = extent(layer)
    off = np.concatenate((boxes[:, :2].min(axis=0) - low, high - boxes[:, 2:].max(axis=0)))
    return bool((off < CLOSED_MM).all())


def outlines(layer: Beads) -> np.ndarray:
    """Give the boxes of closed chains that lie within no other, mm: (k, 4), lowest x and y, highest x and y.

    Empty where there are so many that they are a pattern.
    """
    boxes = closed_boxes(layer)
    found: np.ndarray = boxes[_within_no_other(boxes)]
    return found


def outer_walls(layer: Beads) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give first sample, the one after the last, and box of closed chains that lie within no other: (k,), (k,), (k, 4)."""
    boxes = closed_boxes(layer)
    outer = _within_no_other(boxes)
    begin, end = closed_walls(layer)
    return begin[outer], end[outer], boxes[outer]


def _within_no_other(boxes: np.ndarray) -> np.ndarray:
    """Say which boxes lie within no other: (k,) bool; none where there are so many that they are a pattern."""
    if len(boxes) > _MOST_WALLS:
        return np.zeros(len(boxes), np.bool_)
    low, high = boxes[:, :2], boxes[:, 2:]
    within = np.logical_and.reduce((low[:, None] > low) & (high[:, None] < high), axis=2)
    found: np.ndarray = ~np.logical_or.reduce(within, axis=1)
    return found


def closed_boxes(layer: Beads) -> np.ndarray:
    """Give the box of each closed chain, mm: (k, 4), lowest x and y, highest x and y.

    A closed chain begins where it ends, so that the ends of its beads tell.
    """
    first, last = chains(layer)
    closed = are_closed(layer, first, last)
    edges = [edge.reduceat(ends, first) for edge in (np.minimum, np.maximum) for ends in (layer.x1, layer.y1)]
    boxes: np.ndarray = np.column_stack(edges)[closed]
    return boxes
