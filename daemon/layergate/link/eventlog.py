"""Numbered events of a link process, kept for replay within bounded memory.

Frequent events whose newest says all (progress, temperature, busy) are thinned; others are never lost during a run.
Knows no sockets.
"""

from collections import deque
from collections.abc import Iterator

from layergate.link.messages import Event, EventType

THINNED = frozenset({"progress", "temperature", "busy"})
MOST_THINNED = 256
"""Kept of these: about a minute of a run."""
MOST_OTHERS = 2048
"""Kept of all others between runs. Within a run the streamer bounds their rate, so some thousand mean a day."""


class EventLog:
    """Events numbered from 1."""

    def __init__(self) -> None:
        self.last = 0
        """Number of the newest event."""
        self._thinned: deque[Event] = deque(maxlen=MOST_THINNED)
        self._others: deque[Event] = deque()
        self._in_run = False

    def add(self, kind: EventType, data: dict[str, object], *, at: str, monotonic_s: float) -> Event:
        """Number an event and keep it."""
        self.last += 1
        event = Event(self.last, kind, at, monotonic_s, data)
        if kind in THINNED:
            self._thinned.append(event)
            return event
        if kind == "run-started":
            self._in_run = True
        elif kind == "run-ended":
            self._in_run = False
        self._others.append(event)
        while not self._in_run and len(self._others) > MOST_OTHERS:
            self._others.popleft()
        return event

    def after(self, number: int) -> Iterator[Event]:
        """Give the events numbered above a number, in order, as far as they are kept."""
        found = [event for kept in (self._thinned, self._others) for event in kept if event.number > number]
        yield from sorted(found, key=lambda event: event.number)
