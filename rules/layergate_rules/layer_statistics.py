"""What the layer rules share: which layers are compared, and with which neighbours. No rule of its own."""

from typing import Protocol

import numpy as np
import numpy.typing as npt

from layergate.preflight.rule import LayerMap, Where

F64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

SIDE = 3
"""Layers on each side that a layer is compared with."""

LEAST_SHARE = 0.05
"""Layers with less path than this share of the job's median layer are no layers of the part: tips, primes, wipes."""

LEAST_PATH_MM = 1.0
"""Less is a dot, shorter than two beads are wide: of a slope whose flow rises from nothing, say, and no layer of its own."""

_PARALLEL = 0.6  # of the path, in three of the classes of direction

LONGEST_DRY_MM = 100.0
"""A longer path laid dry leaves layers without material; retraction-debt names it, and nothing above it is compared."""


def compared_layers(layers: LayerMap) -> npt.NDArray[np.int64]:
    """Give the indices of the layers that are compared, in print order: (m,) int64."""
    if not len(layers):
        return np.empty(0, np.int64)
    chosen = layers.path_mm >= LEAST_PATH_MM
    if chosen.any():
        chosen &= layers.path_mm >= LEAST_SHARE * float(np.median(layers.path_mm[chosen]))
    dry = layers.dry_mm > LONGEST_DRY_MM
    if dry.any():
        chosen &= layers.first_line <= int(layers.last_line[dry].min())
    return np.flatnonzero(chosen)


def side_medians(values: F64, stacks: npt.NDArray[np.int64], side: int = SIDE) -> tuple[F64, F64]:
    """Give the medians of so many values before and after each one, within its own stack.

    Args:
        values: (m,) or (m, k) float64, in print order.
        stacks: (m,), equal for layers of one stack.

    Returns:
        Two arrays shaped as ``values``, NaN where a side has no layer or too few values are known.
    """
    count = len(values)
    below, above = np.full(values.shape, np.nan), np.full(values.shape, np.nan)
    for result, direction in ((below, -1), (above, 1)):
        neighbours = []
        for distance in range(1, side + 1):
            index = np.arange(count) + direction * distance
            inside = (index >= 0) & (index < count)
            safe = np.clip(index, 0, max(0, count - 1))
            same = inside & (stacks[safe] == stacks) if count else inside
            picked = values[safe] if count else values
            mask = same if values.ndim == 1 else same[:, None]
            neighbours.append(np.where(mask, picked, np.nan))
        stacked = np.array(neighbours)
        known = np.isfinite(stacked).sum(axis=0)
        # A plain median over the known ones: nanmedian warns of empty slices.
        ordered = np.sort(stacked, axis=0)
        middle_low = np.take_along_axis(ordered, np.maximum(0, (known - 1) // 2)[None], axis=0)[0]
        middle_high = np.take_along_axis(ordered, np.maximum(0, known // 2)[None], axis=0)[0]
        result[...] = np.where(known > 0, (middle_low + middle_high) / 2, np.nan)
    return below, above


def seen_below(values: F64, stacks: npt.NDArray[np.int64], alike: float) -> Bool:
    """Say which layers have one like them within SIDE layers below: (m,) bool.

    Where kinds of layers take turns (walls half a layer up, infill every second layer), the median of those around is of
    another kind. Of several faults that are like each other, the lowest has no such layer.

    Args:
        values: (m, k) float64, logarithms that all have to agree; NaN agrees with nothing.
        stacks: (m,), equal for layers of one stack.
        alike: by how much values may differ.
    """
    found = np.zeros(len(values), np.bool_)
    for apart in range(1, min(SIDE, len(values) - 1) + 1):
        with np.errstate(invalid="ignore"):  # two infinite ones agree as little as two unknown
            same = (np.abs(values[apart:] - values[:-apart]) < alike).all(axis=1)
        found[apart:] |= same & (stacks[apart:] == stacks[:-apart])
    return found


def of_parallel_lines(layers: LayerMap, indices: npt.NDArray[np.int64]) -> Bool:
    """Say which layers run one way for the most part, as a raft's top does, of lines from edge to edge without walls: (m,) bool."""
    shares = layers.directions[indices]
    found: Bool = (shares + np.roll(shares, 1, axis=1) + np.roll(shares, -1, axis=1)).max(axis=1) > _PARALLEL
    return found


def largest(first: F64, second: F64) -> F64:
    """Give the larger of two values, the other one where one is NaN."""
    result: F64 = np.fmax(first, second)
    return result


def number_of(layers: LayerMap, stack: int, z_mm: float) -> int | None:
    """Give the number (from 1) of the layer of a stack that is nearest to a height; None if the stack has none."""
    rows = np.flatnonzero(layers.stack == stack)
    if not len(rows):
        return None
    return int(rows[np.argmin(np.abs(layers.z_mm[rows] - z_mm))]) + 1


class Placed(Protocol):
    """What has a place in a layer."""

    @property
    def z_mm(self) -> float: ...
    @property
    def stack(self) -> int: ...
    @property
    def lines(self) -> tuple[int, int]: ...
    @property
    def box_mm(self) -> tuple[float, float, float, float]: ...


def place_of(layers: LayerMap, what: Placed) -> Where:
    """Give the place of something for a finding."""
    return Where(
        layer=number_of(layers, what.stack, what.z_mm),
        z_mm=(what.z_mm, what.z_mm),
        lines=what.lines,
        box_mm=what.box_mm,
    )
