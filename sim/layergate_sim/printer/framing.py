"""Bytes to lines as a small controller reads them: receive ring, comments cut, number and checksum enforced.

Knows the framing of the community line protocol (facts 1.1-1.2) and refuses to know what a command means,
with one exception that the framing itself makes: M110 may carry any line number.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

_NUMBERED = re.compile(rb"N\s*(-?\d+)[ \t]*")
_CHECKSUM = re.compile(rb"[ \t]*(\d+)")
_M110 = re.compile(rb"[Mm]\s*110(?!\d)(?:.*?N\s*(-?\d+))?")


def checksum(framed: bytes) -> int:
    """XOR of every byte given: all that stands before `*`, the `N` and blanks included (facts 1.1)."""
    # Folding one big integer is several times faster than a loop over the bytes; 0 bytes of padding change nothing.
    value = int.from_bytes(framed, "little")
    bits = 8
    while bits < len(framed) * 8:
        bits <<= 1
    while bits > 8:
        bits >>= 1
        value = (value ^ (value >> bits)) & ((1 << bits) - 1)
    return value & 0xFF


class Line(NamedTuple):
    """One accepted line: its payload (no framing, no comment) and its number, None when it carried none."""

    payload: bytes
    number: int | None
    damaged: bool  # a fault touched its bytes, and yet it was accepted


@dataclass(slots=True)
class Refused:
    """One line that the framing turned away. `kind` is no-checksum, no-number, checksum, sequence or unnumbered."""

    kind: str
    last_number: int

    @property
    def text(self) -> str:
        """The reply text after `Error:`, in the forms of facts 1.2."""
        words = {
            "no-checksum": "No Checksum with line number",
            "no-number": "No Line Number with checksum",
            "checksum": "checksum mismatch",
            "sequence": "Line Number is not Last Line Number+1",
            "unnumbered": "No Line Number",
        }[self.kind]
        return f"{words}, Last Line: {self.last_number}"


class LineReader:
    """Receive ring and line framing. Feed bytes, take lines one at a time.

    `ring_bytes` 0 means no limit; otherwise bytes that do not fit are lost and counted in `overrun_bytes`.
    A line longer than `max_line_bytes` is cut there, as a fixed buffer does.
    """

    __slots__ = (
        "_buffer",
        "_consumed",
        "_max_line",
        "_numbered_only",
        "_ring",
        "_taints",
        "damaged",
        "last_number",
        "lines_cut",
        "overrun_bytes",
    )

    def __init__(self, ring_bytes: int, max_line_bytes: int, *, numbered_only: bool = False) -> None:
        self._ring = ring_bytes
        self._max_line = max_line_bytes
        self._numbered_only = numbered_only
        self._buffer = bytearray()
        self._consumed = 0  # bytes taken out of the ring since power-on
        self._taints: deque[int] = deque()  # places, counted like _consumed, where a fault touched the stream
        self.damaged = False  # whether the line that next_raw gave last was touched
        self.last_number = 0
        self.overrun_bytes = 0
        self.lines_cut = 0

    def room(self) -> int:
        """Bytes that still fit into the ring (a large number when there is no limit)."""
        return self._ring - len(self._buffer) if self._ring else 1 << 30

    def feed(self, data: bytes, taints: Iterable[int] = ()) -> None:
        """Put bytes into the ring; what does not fit is lost. `taints`: offsets in data that a fault touched."""
        end = self._consumed + len(self._buffer)
        self._taints.extend(end + offset for offset in taints)
        room = self.room()
        if len(data) > room:
            self.overrun_bytes += len(data) - room
            data = data[:room]
            self._taints.append(end + room)  # whatever comes next is glued to what was cut
        self._buffer += data

    def clear(self) -> None:
        """Empty the ring."""
        self._discard(len(self._buffer))
        self._taints.clear()

    def _discard(self, count: int) -> None:
        del self._buffer[:count]
        self._consumed += count

    @property
    def pending(self) -> int:
        """Bytes in the ring that have not been read yet."""
        return len(self._buffer)

    def next_raw(self) -> bytes | None:
        """The next complete, non-empty line without its end, or None. Accepts LF, CR and both (facts 1.1)."""
        buffer = self._buffer
        while True:
            end = buffer.find(b"\n")
            carriage = buffer.find(b"\r", 0, end) if end >= 0 else buffer.find(b"\r")
            if carriage >= 0:
                end = carriage
            if end < 0:
                # A controller's line buffer does not grow: an endless line keeps its place in the ring only as far as
                # the buffer reaches. Without this, a full ring without a line end would stay deaf for ever.
                if len(buffer) > self._max_line and self._ring and self.room() <= 0:
                    del buffer[self._max_line :]
                return None
            raw = bytes(buffer[:end])
            del buffer[: end + 1]
            self._consumed += end + 1
            touched = False
            while self._taints and self._taints[0] < self._consumed:
                touched = True
                self._taints.popleft()
            if raw:
                self.damaged = touched
                return raw

    def accept(self, raw: bytes, *, damaged: bool = False) -> Line | Refused | None:
        """Check the framing of one raw line. None for a line that holds nothing (blank, comment only).

        Returns Line when accepted (and counts its number), else Refused; then the number wanted is last_number + 1.
        """
        semicolon = raw.find(b";")
        if semicolon >= 0 and not (semicolon and raw[semicolon - 1] == 0x5C):  # a backslash keeps the ; (facts 1.3)
            raw = raw[:semicolon]
        raw = raw.lstrip(b" \t\0")
        if len(raw) > self._max_line:
            raw = raw[: self._max_line]
            self.lines_cut += 1
        if not raw.strip():
            return None
        star = raw.rfind(b"*")
        numbered = _NUMBERED.match(raw)
        if numbered is None:
            if raw[0] == 0x4E:  # N without digits: its number was damaged, so it is no line without a number
                return Refused("no-checksum" if star < 0 else "checksum", self.last_number)
            if star >= 0 and _CHECKSUM.match(raw, star + 1):
                return Refused("no-number", self.last_number)
            if self._numbered_only:
                return Refused("unnumbered", self.last_number)
            restart = _M110.match(raw)
            if restart and restart[1]:
                self.last_number = int(restart[1])
            return Line(raw, None, damaged)
        payload_start = numbered.end()
        if star < 0:
            return Refused("no-checksum", self.last_number)
        given = _CHECKSUM.match(raw, star + 1)
        if given is None or int(given[1]) != checksum(raw[:star]):
            return Refused("checksum", self.last_number)
        number = int(numbered[1])
        payload = raw[payload_start:star]
        if number == self.last_number + 1 and payload[:4] != b"M110":
            self.last_number = number
            return Line(payload, number, damaged)
        restart = _M110.match(payload)
        if restart is None and number != self.last_number + 1:
            return Refused("sequence", self.last_number)
        # Here and not when its turn to be executed comes: the lines behind it are checked before that. N in the words
        # wins over the line's own number (facts 1.3).
        self.last_number = int(restart[1]) if restart and restart[1] else number
        return Line(payload, number, damaged)
