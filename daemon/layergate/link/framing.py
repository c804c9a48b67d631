"""Framing of one command: line number, XOR checksum, line end.

Pure functions on bytes. Knows no reply, no window and no meaning of any command.
"""

from functools import reduce
from operator import xor

OVERHEAD_BYTES = 7
"""What framing adds besides the digits of the number: ``N``, a blank, ``*``, at most three digits, LF."""

SYNC_FRAME = b"N0 M110 N0*125\n"
"""Sets the printer's line counter to 0, in firmware that reads the parameter and in firmware that reads the line's own
number (facts.md 1.3: same number both ways)."""

GAP_LINES = 1 << 15
"""Half the range of a 16-bit line counter: such a number is next in none."""


def checksum(text: bytes) -> int:
    """Give the XOR of all bytes, 0-255: what stands, in decimal, after the ``*`` (facts.md 1.1)."""
    return reduce(xor, text, 0)


def frame(number: int, command: bytes) -> bytes:
    """Give ``N<number> <command>*<checksum>`` and LF; blanks within the command are covered and never changed."""
    text = b"N%d %b" % (number, command)
    return b"%b*%d\n" % (text, reduce(xor, text))


def gap_frame(last: int) -> bytes:
    """Give a query under a number that no printer expects, in whatever width it counts: it is refused, and the refusal
    names the number that is expected."""
    return frame(last + GAP_LINES, b"M105")
