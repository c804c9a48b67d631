"""Support field: what lies under each bead, on a grid fine enough for one bead.

Two heights for every cell: the top of the latest bead there and the top of what that bead covered. A bead's gap is its
own height less the top of what lies under it. Beads must come in print order. Knows no layer and no rule.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layergate.layers.tolerances import TOLERANCES

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
I32 = npt.NDArray[np.int32]
Bool = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Samples:
    """Points along beads, about 0.3 mm apart, in order of the beads.

    Attributes:
        bead: (m,) int32, index of the bead.
        gap_mm: (m,) float32, height of the bead's end above what lies under the point.
        weight_mm: (m,) float32, path length that the point stands for.
        x_mm, y_mm: (m,) float32.
    """

    bead: I32
    gap_mm: F32
    weight_mm: F32
    x_mm: F32
    y_mm: F32


@dataclass(frozen=True, slots=True)
class Tops:
    """The tops of a support field at one moment, to measure how deep paths go into what is printed."""

    top: F32
    origin: tuple[float, float]
    cell_mm: float

    def deepest(self, x0: F64, y0: F64, z0: F64, x1: F64, y1: F64, z1: F64) -> tuple[F64, F64, F64]:
        """Give for each path how far its deepest point lies below a top, mm, and where: three (n,) float64.

        Negative where it stays above everything. Paths outside the grid meet nothing.
        """
        count = len(x0)
        if not count or not self.top.size:
            return np.full(count, -np.inf), x1.copy(), y1.copy()
        length = np.hypot(x1 - x0, y1 - y0)
        pieces = np.clip(np.ceil(length / self.cell_mm), 1, TOLERANCES.most_samples).astype(np.int64) + 1
        index = np.repeat(np.arange(count), pieces)
        first = np.cumsum(pieces) - pieces
        share = (np.arange(len(index)) - first[index]) / (pieces[index] - 1)
        x, y, z = (start[index] + share * (end - start)[index] for start, end in ((x0, x1), (y0, y1), (z0, z1)))
        height, width = self.top.shape
        column = np.floor((x - self.origin[0]) / self.cell_mm).astype(np.int64)
        row = np.floor((y - self.origin[1]) / self.cell_mm).astype(np.int64)
        inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
        below = np.full(len(index), -np.inf)
        below[inside] = self.top[row[inside], column[inside]] - z[inside]
        depth = np.maximum.reduceat(below, first)
        # The first point of each path at which it is that deep.
        at = np.flatnonzero(below == depth[index])
        _, chosen = np.unique(index[at], return_index=True)
        return depth, x[at[chosen]], y[at[chosen]]


class SupportField:
    """Tops on a grid that grows with the job, in the machine frame.

    Memory is 8 bytes a cell: 3 MB for a bed of 250 mm, at most 32 MB.
    """

    def __init__(self, cell_mm: float = TOLERANCES.cell_mm) -> None:
        self.cell_mm = cell_mm
        self._origin = (0.0, 0.0)
        self._top: F32 = np.zeros((0, 0), np.float32)
        self._under: F32 = self._top.copy()
        self.bed_mm = 0.0
        self.beyond = False
        """Whether beads were laid farther away than the grid may reach."""

    def lay(
        self, x0: F64, y0: F64, x1: F64, y1: F64, z: F64, same_height_mm: float, z_start: F64 | None = None
    ) -> Samples:
        """Measure the gaps of beads and then lay them down.

        All beads are measured before any is laid, so give beads of one height together (of a spiral, pieces of little
        rise).

        Args:
            x0, y0, x1, y1: ends of the beads, (n,) float64.
            z: height of each bead, (n,) float64, the same within ``same_height_mm``.
            same_height_mm: tops no more than this below a bead count as beads beside it, not under it.
            z_start: height at which each bead starts, (n,) float64, where heights differ by more: every point is then
                measured at its own height, ``z`` being that of the bead's end, and tops are taken as low as they may be
                within a cell.
        """
        self._cover(x0, y0, x1, y1)
        height, width = self._top.shape
        cell = self.cell_mm
        dx, dy = x1 - x0, y1 - y0
        length = np.hypot(dx, dy)
        pieces = np.clip(np.ceil(length / (TOLERANCES.sample_share * cell)), 1, TOLERANCES.most_samples).astype(
            np.int64
        )
        bead = np.repeat(np.arange(len(x0), dtype=np.int32), pieces)
        total = len(bead)
        starts = np.cumsum(pieces) - pieces
        step = (np.arange(total) - np.repeat(starts, pieces) + 0.5).astype(np.float32)
        column = _along(x0, dx, pieces, self._origin[0], cell, step)
        row = _along(y0, dy, pieces, self._origin[1], cell, step)
        ix = column.astype(np.int32)
        iy = row.astype(np.int32)
        np.clip(ix, 1, width - 2, out=ix)
        np.clip(iy, 1, height - 2, out=iy)
        flat = iy * width + ix
        z32 = z.astype(np.float32)
        level = np.repeat(z32, pieces)
        if z_start is not None:
            level = _along(z_start, z - z_start, pieces, 0.0, 1.0, step)
        top = self._top.ravel()[flat]
        beside = top > level - np.float32(same_height_mm)
        if beside.any():
            top = np.where(beside, self._under.ravel()[flat], top)
        gap = level - top
        weight = np.repeat((length / pieces).astype(np.float32), pieces)
        if z_start is not None:
            # Where a bead is steep, no cell is as high as its highest point: a nozzle may come down beside it.
            slope = np.abs(z - z_start) / np.maximum(length, 1e-6)
            lower = np.repeat((1.5 * cell * slope).astype(np.float32), pieces)
            self._raise_each(flat, level - lower, same_height_mm)
        elif len(z):
            self._raise(flat, ix, iy, float(z.mean()), same_height_mm)
        x = column * np.float32(cell) + np.float32(self._origin[0])
        y = row * np.float32(cell) + np.float32(self._origin[1])
        return Samples(bead, gap, weight, x, y)

    def outside(self, x: F64, y: F64) -> Bool:
        """Say which points lie outside the grid: (n,) bool."""
        rows, columns = self._top.shape
        column, row = (x - self._origin[0]) / self.cell_mm, (y - self._origin[1]) / self.cell_mm
        outside: Bool = (column < 0) | (column >= columns) | (row < 0) | (row >= rows)
        return outside

    def tops(self, *, copy: bool = False) -> Tops:
        """Give the present tops; with ``copy``, apart from what is laid later."""
        return Tops(self._top.copy() if copy else self._top, self._origin, self.cell_mm)

    def _raise(self, flat: I32, ix: I32, iy: I32, z: float, same_height_mm: float) -> None:
        """Set the top of the sampled cells and their eight neighbours."""
        below = np.float32(z - same_height_mm)
        left, right, low, high = int(ix.min()) - 1, int(ix.max()) + 2, int(iy.min()) - 1, int(iy.max()) + 2
        area = (right - left) * (high - low)
        if area > 12 * len(flat):
            # Few points in a large box: touch their cells one by one.
            cells = self._around(flat)
            tops = self._top.ravel()
            lower = tops[cells] < below
            cells = cells[lower]
            self._under.ravel()[cells] = tops[cells]
            tops[cells] = z
            return
        touched = np.zeros((high - low, right - left), np.bool_)
        touched[iy - low, ix - left] = True
        wide = touched.copy()
        wide[:, 1:] |= touched[:, :-1]
        wide[:, :-1] |= touched[:, 1:]
        touched = wide.copy()
        touched[1:] |= wide[:-1]
        touched[:-1] |= wide[1:]
        tops = self._top[low:high, left:right]
        touched &= tops < below
        np.copyto(self._under[low:high, left:right], tops, where=touched)
        np.copyto(tops, np.float32(z), where=touched)

    def _raise_each(self, flat: I32, level: F32, same_height_mm: float) -> None:
        """The same, with a height for each sample; a cell takes the highest."""
        order = np.argsort(level, kind="stable")  # of values for one cell, the last stays
        cells, heights = self._around(flat[order]), np.repeat(level[order], 9)
        tops = self._top.ravel()
        lower = tops[cells] < heights - np.float32(same_height_mm)
        cells = cells[lower]
        self._under.ravel()[cells] = tops[cells]
        tops[cells] = heights[lower]

    def _around(self, flat: I32) -> I32:
        """Give the cells of samples with their eight neighbours: (9 n,) int32."""
        width = self._top.shape[1]
        around = np.array([-width - 1, -width, -width + 1, -1, 0, 1, width - 1, width, width + 1], np.int32)
        cells: I32 = (flat[:, None] + around).ravel()
        return cells

    def _cover(self, x0: F64, y0: F64, x1: F64, y1: F64) -> None:
        """Grow the grid so that it holds the beads, up to the largest extent; what lies beyond is clipped to its edge."""
        if not len(x0):
            return
        margin = 4 * self.cell_mm
        low = [min(float(a.min()), float(b.min())) - margin for a, b in ((x0, x1), (y0, y1))]
        high = [max(float(a.max()), float(b.max())) + margin for a, b in ((x0, x1), (y0, y1))]
        rows, columns = self._top.shape
        if rows:
            have_low = self._origin
            have_high = (have_low[0] + columns * self.cell_mm, have_low[1] + rows * self.cell_mm)
            if all(low[k] >= have_low[k] and high[k] <= have_high[k] for k in (0, 1)):
                return
            low = [min(low[k], have_low[k]) for k in (0, 1)]
            high = [max(high[k], have_high[k]) for k in (0, 1)]
        reach = TOLERANCES.largest_extent_mm
        anchor = self._origin if rows else (float(np.median(x0)), float(np.median(y0)))
        self.beyond = self.beyond or any(low[k] < anchor[k] - reach or high[k] > anchor[k] + reach for k in (0, 1))
        low = [max(low[k], anchor[k] - reach) for k in (0, 1)]
        high = [min(high[k], anchor[k] + reach) for k in (0, 1)]
        # Whole cells from a fixed lattice, and some to spare, so that growing is rare and moves no cell.
        spare = 64
        first = [int(np.floor(low[k] / self.cell_mm)) - spare for k in (0, 1)]
        if rows:
            old = [round(self._origin[k] / self.cell_mm) for k in (0, 1)]
            first = [old[k] if low[k] >= self._origin[k] else min(first[k], old[k]) for k in (0, 1)]
        size = [max(4, int(np.ceil(high[k] / self.cell_mm)) - first[k] + spare) for k in (0, 1)]
        if rows:
            size = [max(size[k], old[k] - first[k] + (columns, rows)[k]) for k in (0, 1)]
        if rows and (size[1], size[0]) == self._top.shape and first == old:
            return
        for name in ("_top", "_under"):
            grown = np.full((size[1], size[0]), self.bed_mm, np.float32)
            if rows:
                at_y, at_x = old[1] - first[1], old[0] - first[0]
                grown[at_y : at_y + rows, at_x : at_x + columns] = getattr(self, name)
            setattr(self, name, grown)
        self._origin = (first[0] * self.cell_mm, first[1] * self.cell_mm)


def _along(start: F64, delta: F64, pieces: I64, origin: float, cell: float, step: F32) -> F32:
    """Give cell coordinates of the points of beads along one axis: (m,) float32, at cell corners whole."""
    first = np.repeat(((start - origin) / cell).astype(np.float32), pieces)
    return first + step * np.repeat((delta / (cell * pieces)).astype(np.float32), pieces)
