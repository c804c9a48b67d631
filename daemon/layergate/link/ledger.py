"""Ledger of lines: history by number, what is under way, what counts as accepted.

Plain bookkeeping without clock and without replies: the protocol machine decides what a reply means and says so here.
Invariant: numbers in the history are contiguous and end with the last line ever given a number; ``cursor`` is the next
number to go out in order; every line under way is in the history.
"""

from collections import deque
from typing import NamedTuple

from layergate.link.commands import Patience
from layergate.link.framing import frame

HISTORY_LINES = 1024
"""Lines kept after they were accepted. A printer can ask only for what is not accepted, so the window alone would do;
the margin covers acknowledgements counted too many (doubled ones) between two certain ones."""

SHORT_COUNTER = 1 << 16
"""Some firmware counts lines in 16 bits; its numbers are matched modulo this (common practice)."""


class Line(NamedTuple):
    """One line as it goes over the wire, every time it does."""

    number: int
    frame: bytes
    patience: Patience
    query: bool
    """M105: its answer shows by its form which line it acknowledges."""


class Ledger:
    """Lines by number, and which of them are under way."""

    def __init__(self, *, numbered: bool = True) -> None:
        self._numbered = numbered
        self._lines: deque[Line] = deque()
        self._ahead = 0, b"", b""
        """Number, command and frame made ahead of their turn."""
        self.last = 0
        """Highest number given."""
        self.cursor = 1
        """Next number to send in order."""
        self.acked = 0
        """Highest number that counts as accepted."""
        self.flight: deque[Line] = deque()
        """Transmissions not answered yet, in the order sent."""
        self.flight_bytes = 0
        self.repeated = 0
        """Highest number that went out more than once."""
        self._fresh = 1
        """Lowest number that never went out."""
        self.excess = 0
        """Acknowledgements beyond the lines there were for them."""

    def restart(self, first: int = 1) -> None:
        """Begin a new numbering; the history is gone."""
        self._lines.clear()
        self.flight.clear()
        self.last, self.cursor, self.acked, self.flight_bytes = first - 1, first, first - 1, 0
        self.repeated, self._fresh = first - 1, first

    def append(self, command: bytes, patience: Patience, *, query: bool) -> Line:
        """Give a command the next number and keep it."""
        self.last = number = self.last + 1
        ahead_number, ahead_command, framed = self._ahead
        if ahead_command is not command or ahead_number != number:
            framed = self._frame(number, command)
        line = Line(number, framed, patience, query)
        lines = self._lines
        lines.append(line)
        while len(lines) > HISTORY_LINES and lines[0].number <= self.acked:
            lines.popleft()
        return line

    def look_ahead(self, command: bytes) -> None:
        """Frame a command under the next number; used if that very command is the next."""
        number = self.last + 1
        if self._ahead[1] is not command or self._ahead[0] != number:
            self._ahead = number, command, self._frame(number, command)

    def _frame(self, number: int, command: bytes) -> bytes:
        return frame(number, command) if self._numbered else command + b"\n"

    def line(self, number: int) -> Line:
        """Give a line of the history. Raises IndexError where it is gone or was never there."""
        at = number - (self.last - len(self._lines) + 1)
        if at < 0:
            raise IndexError(number)
        return self._lines[at]

    def oldest(self) -> int:
        """Give the lowest number in the history; last + 1 when it is empty."""
        return self.last - len(self._lines) + 1

    def depart(self, line: Line) -> None:
        """Note that a line went out, in order or (a probe) out of order."""
        if line.number == self.cursor:
            self.cursor += 1
        if line.number >= self._fresh:
            self._fresh = line.number + 1
        elif line.number > self.repeated:
            self.repeated = line.number
        self.flight.append(line)
        self.flight_bytes += len(line.frame)

    def forget_ahead(self) -> None:
        """Take lines off that went out ahead of their turn (probes): lines before them are missing, so they fail."""
        while self.flight and self.flight[-1].number >= self.cursor:
            self.flight_bytes -= len(self.flight.pop().frame)

    def forget_repeats(self) -> None:
        """Take off what went out again (probes), and what is accepted: nothing has answered them."""
        waiting = {line.number: line for line in self.flight if line.number > self.acked}
        self.flight = deque(waiting.values())
        self.flight_bytes = sum(len(line.frame) for line in self.flight)

    @property
    def repeats(self) -> int:
        """How many transmissions are under way of lines that are accepted, or under way another time."""
        return len(self.flight) - len({line.number for line in self.flight if line.number > self.acked})

    def is_under_way(self, text: str) -> bool:
        """Tell whether a printer says back a line that is under way: with what stands around it, or the command alone."""
        said = text.encode("utf-8", "replace")
        return any(
            line.frame.rpartition(b"*")[0].partition(b" ")[2].strip() in said
            if self._numbered
            else line.frame.strip() in said
            for line in self.flight
        )

    def credit_oldest(self) -> Line | None:
        """Take an acknowledgement that names no line: it belongs to the oldest line under way."""
        if not self.flight:
            self.excess += 1
            return None
        line = self.flight.popleft()
        self.flight_bytes -= len(line.frame)
        self.acked = max(self.acked, line.number)
        return line

    def drop_oldest(self) -> None:
        """Take note that one line under way was rejected."""
        if self.flight:
            self.flight_bytes -= len(self.flight.popleft().frame)

    def assume_accepted(self, number: int) -> None:
        """Take a certain statement: exactly the lines up to a number were accepted.

        Where more had been credited, acknowledgements were too many: they count as excess and the lines are under way
        again. What went out again stays under way.
        """
        self.excess += max(0, self.acked - number)
        self.acked = number
        self.cursor = max(self.cursor, number + 1)
        once = range(max(number + 1, self.oldest()), self.cursor)
        sent = [line for line in self.flight if line.number > number]
        again = [line for at, line in enumerate(sent) if line in sent[:at]]
        self.flight = deque([*(self.line(n) for n in once), *again])
        self.flight_bytes = sum(len(line.frame) for line in self.flight)

    def rewind(self, number: int) -> None:
        """Go back: the next line out is this one, nothing is under way."""
        self.cursor = number
        self.flight.clear()
        self.flight_bytes = 0

    def resolve(self, number: int, lowest: int) -> int | None:
        """Give the line that a printer means by a number, from ``lowest`` to last + 1; None where there is none
        such."""
        if lowest <= number <= self.last + 1:
            return number
        if number < SHORT_COUNTER <= self.last + 1:
            full = self.last + 1 - (self.last + 1 - number) % SHORT_COUNTER
            if lowest <= full:
                return full
        return None
