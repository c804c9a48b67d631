"""Planned seconds by layer: which layer a move belongs to and how long it takes become known at a pace of their own."""

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]


class LayerTimes:
    """Joins the layers of consecutive moves with their times; both are told in order of the job, in any portions."""

    def __init__(self) -> None:
        self._identifiers: I64 = np.empty(0, np.int64)
        self._seconds: F64 = np.empty(0)
        self._sums: F64 = np.zeros(64)

    def laid(self, identifiers: I64) -> None:
        """Tell the layers of the next moves: (n,) identifiers from 0."""
        self._identifiers = np.concatenate((self._identifiers, identifiers))
        self._settle()

    def planned(self, seconds: F64) -> None:
        """Tell the times of the next moves: (n,)."""
        self._seconds = np.concatenate((self._seconds, seconds))
        self._settle()

    def seconds(self, identifier: int) -> float:
        """Give the sum of what is known of one layer."""
        return float(self._sums[identifier]) if identifier < len(self._sums) else 0.0

    def _settle(self) -> None:
        known = min(len(self._identifiers), len(self._seconds))
        if not known:
            return
        sums = np.bincount(self._identifiers[:known], self._seconds[:known])
        if len(sums) > len(self._sums):
            self._sums = np.concatenate((self._sums, np.zeros(2 * len(sums) - len(self._sums))))
        self._sums[: len(sums)] += sums
        self._identifiers, self._seconds = self._identifiers[known:], self._seconds[known:]
