"""A coarse field of heights, for the tests: gaps below beads, and whether a travel meets the part."""

import itertools

import numpy as np
from numpy.typing import NDArray

from .plain_reader import Read, ReadBead

CELL_MM = 0.4  # about one bead


def sampled(points: list[tuple[float, float]], step: float) -> NDArray[np.float64]:
    """Points no more than `step` apart along a polyline, shape (n, 2)."""
    parts = []
    for p, q in itertools.pairwise(points):
        n = max(int(np.hypot(q[0] - p[0], q[1] - p[1]) / step), 1)
        f = np.linspace(0, 1, n + 1)[:, None]
        parts.append(np.asarray(p) * (1 - f) + np.asarray(q) * f)
    return np.vstack(parts)


def spread(top: NDArray[np.float64]) -> NDArray[np.float64]:
    """Each cell the highest of itself and its eight neighbours: a bead reaches that far."""
    p = np.pad(top, 1)
    out = top.copy()
    for i in range(3):
        for j in range(3):
            np.maximum(out, p[i : i + top.shape[0], j : j + top.shape[1]], out=out)
    return out


class Field:
    """Tops by cell over a box in mm."""

    def __init__(self, box: tuple[float, float, float, float]) -> None:
        self.x0, self.y0 = box[0] - 2, box[1] - 2
        self.top = np.zeros((int((box[2] - box[0] + 4) / CELL_MM) + 2, int((box[3] - box[1] + 4) / CELL_MM) + 2))

    def cells(self, points: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Indices of the cells of points, clipped to the box."""
        i = ((points[:, 0] - self.x0) / CELL_MM).astype(np.intp)
        j = ((points[:, 1] - self.y0) / CELL_MM).astype(np.intp)
        return np.clip(i, 0, self.top.shape[0] - 1), np.clip(j, 0, self.top.shape[1] - 1)


def gaps(
    read: Read, layers: list[tuple[int, int]], box: tuple[float, float, float, float]
) -> list[NDArray[np.float64]]:
    """For each layer (first, last line): nozzle height above what lay below, at points along its beads, mm."""
    field = Field(box)
    out = []
    beads = iter(read.beads)
    bead: ReadBead | None = next(beads, None)
    for first, last in layers:
        points, z = [], []
        while bead is not None and bead.line <= last:
            if bead.line >= first:
                p = sampled(bead.points, 0.3)
                points.append(p)
                z.append(np.linspace(bead.z0, bead.z, len(p)))
            bead = next(beads, None)
        xy, heights = np.vstack(points), np.concatenate(z)
        i, j = field.cells(xy)
        below = spread(field.top)[i, j]
        out.append(heights - below)
        np.maximum.at(field.top, (i, j), heights)
    return out


def deepest_travel(read: Read, box: tuple[float, float, float, float]) -> float:
    """How far, at most, a move without laying passes below what is already printed at its place, mm."""
    field = Field(box)
    beads = {b.line: b for b in read.beads}
    worst = 0.0
    for line, p, q, laying in read.moves:
        if laying:
            bead = beads[line]
            i, j = field.cells(sampled(bead.points, 0.3))
            np.maximum.at(field.top, (i, j), max(bead.z0, bead.z))
            continue
        xy = sampled([p[:2], q[:2]], 0.3)
        inside = (xy[:, 0] > box[0] - 1) & (xy[:, 0] < box[2] + 1) & (xy[:, 1] > box[1] - 1) & (xy[:, 1] < box[3] + 1)
        if not inside.any():
            continue
        heights = np.linspace(p[2], q[2], len(xy))[inside]
        i, j = field.cells(xy[inside])
        worst = max(worst, float((field.top[i, j] - heights).max()))
    return worst
