"""Connected regions of points on a grid of cells, without an image: works on the cells that are there.

Knows nothing of beads; rules use it to find islands and lost parts of layers.
"""

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
F32 = npt.NDArray[np.float32]
I64 = npt.NDArray[np.int64]
Bool = npt.NDArray[np.bool_]

_OFFSET = 1 << 20  # cells from the origin in each direction: 800 km of 0.8 mm cells
_STRIDE = 1 << 22


def cell_keys(x_mm: F32 | F64, y_mm: F32 | F64, cell_mm: float) -> I64:
    """Give one number for the cell of each point: (n,) int64; neighbours along x differ by 1."""
    column: I64 = np.floor(x_mm / cell_mm).astype(np.int64) + _OFFSET
    row: I64 = np.floor(y_mm / cell_mm).astype(np.int64) + _OFFSET
    keys: I64 = row * _STRIDE + column
    return keys


def neighbour_offsets() -> tuple[int, ...]:
    """Give what to add to a cell's number for itself and its eight neighbours."""
    return tuple(row * _STRIDE + column for row in (-1, 0, 1) for column in (-1, 0, 1))


def touching(cells: I64, others: I64) -> Bool:
    """Say which cells are one of some others, or beside one, corners included: (n,) bool.

    Args:
        cells: (n,) from ``cell_keys``.
        others: (m,) of the same grid, rising; repeats are fine.
    """
    met = np.zeros(len(cells), np.bool_)
    if not len(others):
        return met
    left = np.arange(len(cells))
    # The cell itself first: most of what is asked of lies there.
    for offset in sorted(neighbour_offsets(), key=abs):
        wanted = cells[left] + offset
        here = others[np.minimum(np.searchsorted(others, wanted), len(others) - 1)] == wanted
        met[left[here]] = True
        left = left[~here]
    return met


def connected_regions(keys: I64) -> I64:
    """Give a region number, from 0, for each point: (n,) int64; cells that touch, corners included, are one region.

    Args:
        keys: (n,) cells of the points, from ``cell_keys``; repeats are fine.
    """
    cells, inverse = np.unique(keys, return_inverse=True)
    count = len(cells)
    if not count:
        return np.empty(0, np.int64)
    first, second = [], []
    for step in (1, _STRIDE - 1, _STRIDE, _STRIDE + 1):
        at = np.minimum(np.searchsorted(cells, cells + step), count - 1)
        joined = np.flatnonzero(cells[at] == cells + step)
        first.append(joined)
        second.append(at[joined])
    one, other = np.concatenate(first), np.concatenate(second)
    label = np.arange(count)
    while True:
        # Each region takes the smallest label on either end of its links, then labels are followed to their root.
        low = np.minimum(label[one], label[other])
        before = label.copy()
        np.minimum.at(label, label[one], low)
        np.minimum.at(label, label[other], low)
        while not np.array_equal(label, label[label]):
            label = label[label]
        if np.array_equal(label, before):
            break
    _, numbers = np.unique(label, return_inverse=True)
    result: I64 = numbers[inverse.ravel()].astype(np.int64)
    return result
