"""Squares: how much path each of some layers has in each square millimetre. Used by partial-layer; no rule of its own."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layergate.preflight.rule import Beads

F32 = npt.NDArray[np.float32]
Bool = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Squares:
    """The path of one layer, mm, in squares of 1 mm: (rows, columns) float32, and the square it begins with."""

    row: int
    column: int
    path_mm: F32


@dataclass(frozen=True, slots=True)
class Stack:
    """Layers over the same squares: (layers, rows, columns) float32, mm of path in each, with an empty edge all around."""

    row: int
    column: int
    path_mm: F32

    def at(self, marks: Bool, x_mm: np.ndarray, y_mm: np.ndarray) -> Bool:
        """Say which points lie in marked squares; points outside do not."""
        row = np.floor(y_mm).astype(np.int64) - self.row
        column = np.floor(x_mm).astype(np.int64) - self.column
        inside = (row >= 0) & (row < marks.shape[0]) & (column >= 0) & (column < marks.shape[1])
        found: Bool = inside & marks[np.where(inside, row, 0), np.where(inside, column, 0)]
        return found


def squares_of(beads: Beads) -> Squares:
    """Sum up the path of a layer."""
    samples = beads.samples
    if not len(samples.x_mm):
        return Squares(0, 0, np.zeros((1, 1), np.float32))
    column, row = np.floor(samples.x_mm).astype(np.int32), np.floor(samples.y_mm).astype(np.int32)
    first_column, first_row = int(column.min()), int(row.min())
    width, height = int(column.max()) - first_column + 1, int(row.max()) - first_row + 1
    keys = (row - first_row) * width + (column - first_column)
    path = np.bincount(keys, samples.weight_mm, width * height).astype(np.float32).reshape(height, width)
    return Squares(first_row, first_column, path)


def stacked(layers: Sequence[Squares], edge: int) -> Stack:
    """Lay some layers over each other, with ``edge`` empty squares all around."""
    row = min(layer.row for layer in layers) - edge
    column = min(layer.column for layer in layers) - edge
    height = max(layer.row + layer.path_mm.shape[0] for layer in layers) + edge - row
    width = max(layer.column + layer.path_mm.shape[1] for layer in layers) + edge - column
    path = np.zeros((len(layers), height, width), np.float32)
    for index, layer in enumerate(layers):
        top, left = layer.row - row, layer.column - column
        path[index, top : top + layer.path_mm.shape[0], left : left + layer.path_mm.shape[1]] = layer.path_mm
    return Stack(row, column, path)


def windows(path_mm: F32, reach: int) -> F32:
    """Give the path in the window of ``2 reach + 1`` squares around each square: the shape of ``path_mm``."""
    rows, columns = path_mm.shape[-2:]
    side = 2 * reach + 1
    sums = np.zeros((*path_mm.shape[:-2], rows + side, columns + side), np.float64)
    sums[..., reach + 1 : reach + 1 + rows, reach + 1 : reach + 1 + columns] = path_mm
    sums = sums.cumsum(axis=-2).cumsum(axis=-1)
    found = sums[..., side:, side:] - sums[..., :-side, side:] - sums[..., side:, :-side] + sums[..., :-side, :-side]
    # What is left of sums and differences is no path.
    result: F32 = np.where(found > 1e-6, found, 0.0).astype(np.float32)
    return result


def grown(marks: Bool, reach: int) -> Bool:
    """Mark every square within ``reach`` squares of a marked one, corners included."""
    result: Bool = windows(marks.astype(np.float32), reach) > 0.5
    return result


def shrunk(marks: Bool, reach: int) -> Bool:
    """Leave the marks that have no square without one within ``reach``; the edge counts as marked."""
    result: Bool = ~grown(~marks, reach)
    return result
