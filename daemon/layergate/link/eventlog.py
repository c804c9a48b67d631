"""Numbered events of a link process, kept for replay within bounded memory.

Kept as the lines that go to subscribers, which is what takes least room. Frequent events whose newest says all (progress,
temperature, busy) are thinned; remarks and resends, of which a bad wire makes one a second for days, are kept by the ten
thousand; all others, which tell of states, are never lost during a run. Knows no sockets.
"""

import json
from collections import deque
from heapq import merge

from layergate.link.messages import Event, EventType

THINNED = frozenset({"progress", "temperature", "busy"})
CHATTER = frozenset({"remark", "resend"})
MOST_THINNED = 256
"""Kept of these: about a minute of a run."""
MOST_CHATTER = 10_000
"""Some 2 MB; the streamer tells at most one of each a second. A resend carries the count of its run so far."""
MOST_OTHERS = 2048
"""Kept of all others between runs."""

Kept = tuple[int, bytes]


class EventLog:
    """Events numbered from 1, each as one line of JSON."""

    def __init__(self) -> None:
        self.last = 0
        """Number of the newest event."""
        self._thinned: deque[Kept] = deque(maxlen=MOST_THINNED)
        self._chatter: deque[Kept] = deque(maxlen=MOST_CHATTER)
        self._others: deque[Kept] = deque()
        self._in_run = False

    def add(self, kind: EventType, data: dict[str, object], *, at: str, monotonic_s: float) -> bytes:
        """Number an event and keep it; give its line."""
        self.last += 1
        event = Event(self.last, kind, at, monotonic_s, data)
        line = json.dumps(event.as_dict(), separators=(",", ":")).encode() + b"\n"
        if kind in THINNED:
            self._thinned.append((self.last, line))
        elif kind in CHATTER:
            self._chatter.append((self.last, line))
        else:
            self._in_run = kind == "run-started" or (self._in_run and kind != "run-ended")
            self._others.append((self.last, line))
            while not self._in_run and len(self._others) > MOST_OTHERS:
                self._others.popleft()
        return line

    def after(self, number: int) -> list[bytes]:
        """Give the lines of the events numbered above a number, in order, as far as they are kept."""
        return [line for at, line in merge(self._thinned, self._chatter, self._others) if at > number]
