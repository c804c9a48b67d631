"""What commands leave behind for the lines after them: modes, positions, factors; as arrays over the rows of a block.

Carries values from block to block; knows no command by name (layergate.toolpath.moves does).
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Bool = npt.NDArray[np.bool_]

MM_PER_INCH = 25.4


class Held:
    """One value that stays until it is set again.

    ``over(n, rows, values)`` gives the value in force at each of n rows, the row that sets it included.
    """

    def __init__(self, value: float) -> None:
        self.value = value

    def over(self, count: int, rows: I64, values: Sequence[float] | F64) -> F64:
        """Give (count,) float64; ``rows`` (k,) rise strictly, ``values`` (k,) are set there."""
        if not len(rows):
            return np.full(count, self.value)
        spans = np.diff(rows, prepend=0, append=count)
        result = np.repeat(np.concatenate(([self.value], np.asarray(values, np.float64))), spans)
        self.value = float(result[-1]) if count else self.value
        return result


def last_stated(stated: Bool) -> I64:
    """Give for each row the last row up to it at which ``stated`` is true, -1 where there is none: (n,) int64."""
    rows = np.arange(len(stated))
    return np.maximum.accumulate(np.where(stated, rows, -1))


class Axis:
    """One axis' logical position: set by absolute words, by G92 and by homing, added to by relative words."""

    def __init__(self) -> None:
        self.logical = 0.0
        self.offset = 0.0
        """Machine position minus logical position: the origin of the coordinate system in force, and what G92 added."""
        self.origin = 0.0
        self.located = False
        """Whether homing or an absolute word has told where the axis is."""

    @property
    def shift(self) -> float:
        """What G92 added to the offset."""
        return self.offset - self.origin

    def rename_by(self, change: float) -> None:
        """Change the offset; the machine stands still."""
        self.offset += change
        self.logical -= change

    def move_origin(self, origin: float) -> None:
        """Take another origin of the coordinate system; the machine stands still and the offset of G92 stays."""
        change, self.origin = origin - self.origin, origin
        self.rename_by(change)

    def logical_over(self, sets: Bool, values: F64, adds: F64 | None) -> tuple[F64, F64]:
        """Give the logical position after and before each row: two (n,) float64.

        Args:
            sets: (n,) bool, rows that set the position to ``values``.
            values: (n,) float64, read only where ``sets``.
            adds: (n,) float64, what relative words add; None where the block has none.
        """
        count = len(sets)
        last = last_stated(sets)
        unset = last < 0
        after = np.where(unset, self.logical, values[last])
        if adds is not None:
            # Only what was added since the last absolute word counts.
            run = np.cumsum(adds)
            after = after + run - np.where(unset, 0.0, run[last])
        before = np.empty(count)
        before[0] = self.logical
        before[1:] = after[:-1]
        self.logical = float(after[-1])
        return after, before
