"""Reads a sent line as controllers of the community convention do: the oracle of what checker and printer agree on.

From memory of that practice, no published standard: one command a line, its words in any order, the first of a letter
counts; blanks before a number are skipped, a number ends at the first character that does not go on with it; what is
neither is skipped; no comments in parentheses are known; a line longer than the buffer loses its end. An exponent is a
small ``e`` behind a digit (numbers are read by the C library there).
"""

import math
from dataclasses import dataclass, field

DIGITS = "0123456789"
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass
class Taken:
    """What the printer makes of a line; a word without a number is NaN."""

    command: str = ""
    words: dict[str, float] = field(default_factory=dict)
    cut: bool = False


def printer_takes(line: str, buffer: int | None = None) -> Taken:
    """Read one line as it comes over the wire, without its number and checksum."""
    taken = Taken(cut=buffer is not None and len(line) > buffer)
    text = line[:buffer].lstrip(" \t")
    if not text or text[0].upper() not in "GMT":
        return taken
    number, at = _number(text, 1)
    if math.isnan(number) or number < 0:
        return taken
    taken.command = f"{text[0].upper()}{number:g}"
    while at < len(text):
        letter = text[at].upper()
        at += 1
        if letter in LETTERS:
            value, at = _number(text, at)
            taken.words.setdefault(letter, value)
    return taken


def _number(text: str, at: int) -> tuple[float, int]:
    """The number behind a letter and where it ends; NaN and the place itself where there is none."""
    start = at
    while at < len(text) and text[at] in " \t":
        at += 1
    end = at + 1 if text[at : at + 1] in ("+", "-") else at
    seen = point = False
    while end < len(text) and (text[end] in DIGITS or (text[end] == "." and not point)):
        seen, point = seen or text[end] != ".", point or text[end] == "."
        end += 1
    if not seen:
        return math.nan, start
    if text[end : end + 1] == "e":
        tail = end + (2 if text[end + 1 : end + 2] in ("+", "-") else 1)
        stop = tail
        while stop < len(text) and text[stop] in DIGITS:
            stop += 1
        end = stop if stop > tail else end
    return float(text[at:end]), end
