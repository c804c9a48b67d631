"""Delays between attempts: capped, jittered, for ever. Pure; knows neither clock nor what is attempted."""

import random

FIRST_S = 0.5
CAP_S = 30.0
"""A printer that was switched on is found within this."""
JITTER = 0.25
"""Share by which a delay varies, so that several printers behind one hub or server do not try in step."""


class Backoff:
    """Doubling delays, from FIRST_S to CAP_S."""

    def __init__(self, first_s: float = FIRST_S, cap_s: float = CAP_S, seed: int | None = None) -> None:
        self._first_s, self._cap_s = first_s, cap_s
        self._next_s = first_s
        self._random = random.Random(seed)  # noqa: S311  (jitter, not a secret)

    def reset(self) -> None:
        """Begin anew: the last attempt succeeded."""
        self._next_s = self._first_s

    def next(self) -> float:
        """Give the seconds to wait before the next attempt."""
        delay = self._next_s
        self._next_s = min(self._cap_s, delay * 2)
        return min(self._cap_s, delay * self._random.uniform(1 - JITTER, 1 + JITTER))
