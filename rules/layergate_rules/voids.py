"""Voids: where a layer has nothing and the two layers below it and the two above it have beads everywhere.

Used by partial-layer; no rule of its own.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layergate.preflight.rule import Beads
from layergate_rules.chains import chain_of
from layergate_rules.squares import F32, Bool, Stack, connected, grown, regions, shrunk
from layergate_rules.tracks import beside, direction, tracks_of

REACHES = (1, 2, 4, 6)
"""Windows of 3 to 13 mm, which lie between lines of each layer around that are no farther apart than a window is wide."""

_SPARSE = 0.4  # of the path around, in a window of 3 mm: at the edge of what is lost a half is left
_LINE_SQUARES = 2  # on each side of a line's middle: the squares that it goes through, and those beside
_NEXT_MM = 1.5  # from a line to beyond the squares that it goes through

_LEAST_INSIDE = 4  # samples of 0.3 mm
_BEYOND = (2, 5)
"""Squares from a void: supports end within two of what stands beside them."""

LEAST_ACROSS = 6
"""Squares in which lines of both layers lead on: two walls, cut at two places (geometry)."""

_SAME_EDGE_MM = 0.15
"""Samples lie 0.3 mm apart, so that the edge of something round is known to about a tenth."""

MOST_LONE = 0.1
"""Path of lone lines times the width of a void, over its area: sparse infill whose lines are that far apart has 0.5 and
more, the edge of a lost piece next to none (geometry)."""


@dataclass(frozen=True, slots=True)
class Void:
    """One void: its squares, and how much path the layers around have there at least."""

    squares: Bool
    path_mm: float


def voids(stack: Stack, layers: tuple[Beads, Beads, Beads], least_path_mm: float) -> list[Void]:
    """Find the voids of the middle one of five layers.

    Args:
        stack: the five layers.
        layers: the middle one, between those below and above it.
        least_path_mm: what the layers around have to have in a void.
    """
    path = stack.path_mm
    free, widest = _free(stack)
    if not widest or _least(path, free) < least_path_mm:
        return []
    around = path[[0, 1, 3, 4]] > 0
    covered = np.all(shrunk(grown(around, REACHES[-1]), REACHES[-1]), axis=0)
    if _lone_path(stack, layers, covered, widest) * widest > MOST_LONE * np.count_nonzero(free):
        return []
    rows, columns, region = regions(free)
    found = []
    for number in range(int(region.max()) + 1):
        squares = np.zeros_like(free)
        squares[rows[region == number], columns[region == number]] = True
        if (lost := _least(path, squares)) >= least_path_mm:
            found.append(Void(squares, lost))
    return found


def sparse(stack: Stack, layers: tuple[Beads, Beads, Beads]) -> bool:
    """Say whether what the middle one of five layers leaves free lies between lone lines: sparse infill, not a lost piece.

    Args: as of ``voids``.
    """
    free, widest = _free(stack)
    if not widest:
        return False
    # Lost pieces have no lines in them; those of the sparse infill that is left beside them tell nothing.
    amid = shrunk(grown(free, _LINE_SQUARES), _LINE_SQUARES)
    return bool(_lone_path(stack, layers, amid, widest, amid) * widest > MOST_LONE * np.count_nonzero(free))


def _free(stack: Stack) -> tuple[Bool, int]:
    """Mark what the middle one of five layers leaves free and the others fill; give the width of the widest window in it, mm."""
    there, around = stack.path_mm[2] > 0, stack.path_mm[[0, 1, 3, 4]] > 0
    free: Bool = np.zeros(there.shape, np.bool_)
    widest = 0
    for reach in REACHES:
        empty = ~grown(there, reach)
        if reach > 1:
            empty = _two_by_two(empty)  # lines as far apart in every layer leave a square more here than there
        filled = grown(around, reach)
        if not (empty & filled.all(axis=0)).any():
            continue
        empty &= shrunk(np.all(shrunk(filled, reach), axis=0), reach)
        if empty.any():
            free = free | grown(empty, reach)
            widest = 2 * reach + 1
    return free, widest


def _two_by_two(marks: Bool) -> Bool:
    """Leave the marks that are part of four in a block."""
    corner = np.zeros_like(marks)
    corner[:-1, :-1] = marks[:-1, :-1] & marks[1:, :-1] & marks[:-1, 1:] & marks[1:, 1:]
    found = corner.copy()
    found[1:] |= corner[:-1]
    found[:, 1:] |= found[:, :-1].copy()
    return found


def goes_across(stack: Stack, void: Void, below: Beads, above: Beads) -> bool:
    """Say whether lines of the layers below and above lead from a void into what the middle layer has, at the same places.

    So do those around a lost piece. Supports under a layer of air, and what hangs over them, lead on to different sides; a
    part that is free to move in another ends with the gap between them.
    """
    ring = grown(void.squares, _BEYOND[1]) & ~grown(void.squares, _BEYOND[0]) & (stack.path_mm[2] > 0)
    met = [_leads_to(stack, void.squares, ring, layer) for layer in (below, above)]
    both = np.count_nonzero(met[0] & met[1])
    return bool(both >= LEAST_ACROSS and both >= 0.5 * min(map(np.count_nonzero, met)))


def is_an_island(stack: Stack, void: Void, around: Sequence[Beads]) -> bool:
    """Say whether a void is all of an object that the two layers below and the two above have, and that goes on through it.

    Its edges lie where those of the others lead, straight up or leaning. A part that begins on supports has other edges than
    they do, by the distance that is left between them.

    Args:
        around: the four layers, from the lowest.
    """
    filled: Bool = np.any(stack.path_mm > 0, axis=0)
    island = connected(filled, void.squares)
    if (stack.path_mm[2][island] > 0).any():
        return False
    edges = []
    for layer in around:
        there = stack.at(island, layer.samples.x_mm, layer.samples.y_mm)
        x, y = layer.samples.x_mm[there], layer.samples.y_mm[there]
        edges.append([x.min(), x.max(), y.min(), y.max()])
    two_below, below, above, two_above = np.array(edges)
    # Over two steps the edges move as over one step below and one above together.
    return bool(np.abs((above - below) - (below - two_below) - (two_above - above)).max() < _SAME_EDGE_MM)


def _leads_to(stack: Stack, squares: Bool, ring: Bool, layer: Beads) -> Bool:
    """Give the squares of a ring through which lines of a layer go that also go through some squares in it."""
    chain = chain_of(layer)[layer.samples.bead]
    x, y = layer.samples.x_mm, layer.samples.y_mm
    inside = np.bincount(chain[stack.at(squares, x, y)], minlength=int(chain[-1]) + 1) >= _LEAST_INSIDE
    rows = np.flatnonzero(inside[chain] & stack.at(ring, x, y))
    return stack.marks(x[rows], y[rows])


def _least(path: F32, squares: Bool) -> float:
    """Give how much path each of the layers around has in some squares at least, mm."""
    return float(path[[0, 1, 3, 4]][:, squares].sum(axis=1).min())


def _lone_path(
    stack: Stack, layers: tuple[Beads, Beads, Beads], covered: Bool, width_mm: int, within: Bool | None = None
) -> float:
    """Give the path of lone lines in the middle one of three layers, mm: sparse infill whose lines are far apart.

    On either side of them there is nothing over a width, or they stand alone where the layers around are dense. With
    ``within``, only those in these squares count.
    """
    below, layer, above = layers
    samples = layer.samples
    near = stack.near_mm
    thin = covered & (near[2] < _SPARSE * np.minimum(near[1], near[3]))
    lone = stack.at(thin, samples.x_mm, samples.y_mm)
    rows = np.flatnonzero(~lone)
    angle = direction(layer)[samples.bead]
    path = stack.path_mm[2] > 0

    def aside(marks: Bool, side_mm: float) -> Bool:
        x, y = side_mm * np.sin(angle[rows]), side_mm * np.cos(angle[rows])
        return stack.at(marks, samples.x_mm[rows] - x, samples.y_mm[rows] + y)

    for side_mm in (-_NEXT_MM, _NEXT_MM):  # the outline has nothing beside it in any layer
        rows = rows[aside(covered, side_mm)]
    for side_mm in np.arange(_NEXT_MM, width_mm + 0.01, 0.5).tolist():
        rows = rows[~aside(path, -side_mm)]
        rows = rows[~aside(path, side_mm)]
    lone[rows] = True
    if within is not None:
        lone &= stack.at(within, samples.x_mm, samples.y_mm)
    rows = np.flatnonzero(lone)
    tracks = tracks_of(layer)[rows]
    walls = beside(tracks, below) & beside(tracks, above)
    return float(samples.weight_mm[rows][~walls].sum())
