"""One direction of a wire: bytes take time by baud rate and latency. Host seconds; no I/O.

Refuses to know what the bytes say, except that a line end is a good moment to look at them.
"""

from __future__ import annotations

import math
from collections import deque

BITS_PER_BYTE = 10  # 8N1 (facts 6.1)


class Wire:
    """Push bytes at one end, pull those that have arrived at the other. `byte_s` 0 and `latency_s` 0: at once."""

    __slots__ = ("_queue", "_sent_until", "byte_s", "latency_s")

    def __init__(self, byte_s: float = 0.0, latency_s: float = 0.0) -> None:
        self.byte_s = byte_s
        self.latency_s = latency_s
        self._queue: deque[tuple[float, bytes]] = deque()  # (arrival of the first byte's end, bytes)
        self._sent_until = -math.inf

    @property
    def idle(self) -> bool:
        """True when nothing is under way."""
        return not self._queue

    @property
    def at_once(self) -> bool:
        """True when bytes need no time at all now."""
        return not self._queue and self.byte_s == 0.0 and self.latency_s == 0.0

    def push(self, data: bytes, now_s: float) -> None:
        """Begin to send bytes now, behind what is still being sent."""
        begin = max(self._sent_until, now_s)
        for piece in data.splitlines(keepends=True):
            self._queue.append((begin + self.byte_s + self.latency_s, piece))
            begin += self.byte_s * len(piece)
        self._sent_until = begin

    def next_arrival_s(self) -> float:
        """When the next line end (or the last byte of an unfinished line) has arrived; inf: nothing is under way."""
        if not self._queue:
            return math.inf
        first, piece = self._queue[0]
        return first + self.byte_s * (len(piece) - 1)

    def pull(self, now_s: float) -> bytes:
        """Everything that has arrived by now."""
        out = bytearray()
        queue = self._queue
        while queue:
            first, piece = queue[0]
            if self.byte_s == 0.0:
                count = len(piece) if first <= now_s + 1e-12 else 0
            else:
                count = min(len(piece), int((now_s - first) / self.byte_s + 1e-6) + 1) if now_s >= first - 1e-12 else 0
            if count <= 0:
                break
            out += piece[:count]
            queue.popleft()
            if count < len(piece):
                queue.appendleft((first + self.byte_s * count, piece[count:]))
                break
        return bytes(out)

    def clear(self) -> None:
        """Lose what is under way."""
        self._queue.clear()
        self._sent_until = -math.inf
