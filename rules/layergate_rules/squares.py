"""Squares: how much path each of some layers has in each square millimetre. Used by partial-layer; no rule of its own."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layergate.preflight.rule import Beads, connected_regions

F32 = npt.NDArray[np.float32]
Bool = npt.NDArray[np.bool_]


MOST_SQUARES = 4_000_000
"""Two metres by two: no layer is larger, only a damaged number is."""


@dataclass(frozen=True, slots=True)
class Squares:
    """The path of one layer in squares of 1 mm, with an empty edge of one square all around.

    Attributes:
        row, column: the square that the arrays begin with.
        path_mm: (rows, columns) float32, mm of path in each square.
        near_mm: the same, mm of path in the window of 3 mm around it.
    """

    row: int
    column: int
    path_mm: F32
    near_mm: F32


@dataclass(frozen=True, slots=True)
class Stack:
    """Layers over the same squares: (layers, rows, columns) float32, as in ``Squares``, with an empty edge all around."""

    row: int
    column: int
    path_mm: F32
    near_mm: F32

    def at(self, marks: Bool, x_mm: np.ndarray, y_mm: np.ndarray) -> Bool:
        """Say which points lie in marked squares; points outside do not."""
        row, column, inside = self._squares(x_mm, y_mm)
        found: Bool = inside & marks[np.where(inside, row, 0), np.where(inside, column, 0)]
        return found

    def marks(self, x_mm: np.ndarray, y_mm: np.ndarray) -> Bool:
        """Mark the squares in which some points lie: (rows, columns)."""
        row, column, inside = self._squares(x_mm, y_mm)
        found = np.zeros(self.path_mm.shape[1:], np.bool_)
        found[row[inside], column[inside]] = True
        return found

    def region(self, marks: Bool, x_mm: np.ndarray, y_mm: np.ndarray) -> Bool:
        """Leave of some marks those that hang together with squares in which some points lie."""
        return connected(marks, self.marks(x_mm, y_mm))

    def _squares(self, x_mm: np.ndarray, y_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray, Bool]:
        row = np.floor(y_mm).astype(np.int64) - self.row
        column = np.floor(x_mm).astype(np.int64) - self.column
        rows, columns = self.path_mm.shape[1:]
        inside: Bool = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        return row, column, inside


def squares_of(beads: Beads) -> Squares | None:
    """Sum up the path of a layer; None where it lies too far apart."""
    samples = beads.samples
    if not len(samples.x_mm):
        empty = np.zeros((1, 1), np.float32)
        return Squares(0, 0, empty, empty)
    column, row = np.floor(samples.x_mm).astype(np.int32), np.floor(samples.y_mm).astype(np.int32)
    first_column, first_row = int(column.min()) - 1, int(row.min()) - 1
    width, height = int(column.max()) - first_column + 2, int(row.max()) - first_row + 2
    if width * height > MOST_SQUARES:
        return None
    keys = (row - first_row) * width + (column - first_column)
    path = np.bincount(keys, samples.weight_mm, width * height).astype(np.float32).reshape(height, width)
    rows = path.copy()
    rows[1:] += path[:-1]
    rows[:-1] += path[1:]
    near = rows.copy()
    near[:, 1:] += rows[:, :-1]
    near[:, :-1] += rows[:, 1:]
    return Squares(first_row, first_column, path, near)


def stacked(layers: Sequence[Squares], edge: int) -> Stack:
    """Lay some layers over each other, with ``edge`` empty squares all around."""
    row, column, shape = _frame(layers, edge)
    path, near = (np.zeros((len(layers), *shape), np.float32) for _ in range(2))
    for index, layer in enumerate(layers):
        there = _inside(layer, row, column)
        path[index][there], near[index][there] = layer.path_mm, layer.near_mm
    return Stack(row, column, path, near)


def lacking(layer: Squares, around: Sequence[Squares]) -> float:
    """Give the path that each of the layers around has at least and one layer lacks, mm, over all windows of 3 mm."""
    row, column, shape = _frame([layer, *around], 0)
    least = np.full(shape, np.inf, np.float32)
    for other in around:
        there = _inside(other, row, column)
        near = np.zeros(shape, np.float32)
        near[there] = other.near_mm
        np.minimum(least, near, out=least)
    least[_inside(layer, row, column)] -= layer.near_mm
    return float(np.maximum(least, 0, out=least).sum())


def _frame(layers: Sequence[Squares], edge: int) -> tuple[int, int, tuple[int, int]]:
    row = min(layer.row for layer in layers) - edge
    column = min(layer.column for layer in layers) - edge
    height = max(layer.row + layer.path_mm.shape[0] for layer in layers) + edge - row
    width = max(layer.column + layer.path_mm.shape[1] for layer in layers) + edge - column
    return row, column, (height, width)


def _inside(layer: Squares, row: int, column: int) -> tuple[slice, slice]:
    top, left = layer.row - row, layer.column - column
    return slice(top, top + layer.path_mm.shape[0]), slice(left, left + layer.path_mm.shape[1])


def regions(marks: Bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give the rows, columns and region numbers of marked squares; squares that touch are one region: three (n,)."""
    rows, columns = np.nonzero(marks)
    return rows, columns, connected_regions((rows << 22) + columns)


def connected(marks: Bool, seeds: Bool) -> Bool:
    """Leave of some marks the regions in which a seed lies."""
    rows, columns, region = regions(marks)
    own = np.isin(region, region[seeds[rows, columns]])
    found = np.zeros_like(marks)
    found[rows[own], columns[own]] = True
    return found


def grown(marks: Bool, reach: int) -> Bool:
    """Mark every square within ``reach`` squares of a marked one, corners included: (..., rows, columns)."""
    for axis in (-1, -2):
        after = np.moveaxis(marks, axis, 0).copy()
        done = 0
        while done < reach:
            # At an edge as many are marked in a row, so that a larger shift would leave a hole.
            shift = min(reach - done, done + 1)
            before = after.copy()
            after[shift:] |= before[:-shift]
            after[:-shift] |= before[shift:]
            done += shift
        marks = np.moveaxis(after, 0, axis)
    return marks


def shrunk(marks: Bool, reach: int) -> Bool:
    """Leave the marks that have no square without one within ``reach``; the edge counts as marked."""
    result: Bool = ~grown(~marks, reach)
    return result
