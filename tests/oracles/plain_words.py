"""Reads a line of a payload character by character: the oracle of layergate.gcode.columns. No numpy, no pattern.

Rules, with their source: a word is a letter and a number, blanks may stand between, at most one point (RS-274/NGC,
NISTIR 6556, 3.3.2; facts.md 2.1); a line with a blank inside a number is not read, since the standard joins its parts
and a printer stops at the blank (community convention, from memory); one command a line, the first of repeated words
counts (community convention, facts.md 2.2, from memory); an exponent is a small ``e`` right behind the digits of a word
whose letter is a capital (own choice: ``X10E5`` is two words, noise is written ``E-1.29e-15``); text commands take the
rest of the line.
"""

import math
from dataclasses import dataclass, field

UNREAD, MACRO = "unread", "macro"
TEXT_COMMANDS = {"M16", "M23", "M28", "M30", "M32", "M117", "M118", "M486", "M928"}
MOVES = {"G0", "G1", "G2", "G3", "G92"}
DIGITS = "0123456789"
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"


@dataclass
class PlainLine:
    """What one line says. `code` is a command, UNREAD or MACRO; a word without a number is NaN."""

    code: str
    words: dict[str, float] = field(default_factory=dict)
    several: bool = False


def read_line(text: str) -> PlainLine:
    """Read one line that is not empty and has no comment."""
    at = _skip(text, 1)
    end = at
    while end < len(text) and text[end] in DIGITS:
        end += 1
    if text[0] not in "GMTgmt" or end == at:
        return PlainLine(MACRO if _is_macro(text) else UNREAD)
    if end < len(text) and text[end] == ".":
        end += 1
        while end < len(text) and text[end] in DIGITS:
            end += 1
    number = float(text[at:end])
    if number >= 6553:
        return PlainLine(UNREAD)
    code = f"{text[0].upper()}{number:g}"
    if code in TEXT_COMMANDS:
        return PlainLine(code)
    line = PlainLine(code)
    at = end
    while (at := _skip(text, at)) < len(text):
        letter = text[at]
        if letter not in LETTERS:
            return _not_understood(line)
        value, after = _number(text, at + 1, letter.isupper())
        if math.isnan(value) and after < len(text) and text[after] not in " \t" and not _names_axes(text, at):
            if text[after] not in LETTERS + "_":
                line.words.setdefault(letter.upper(), value)
            return _not_understood(line)
        if letter.upper() == "G" and line.code == "G53" and not line.words and text[at + 1 : after] in ("0", "1"):
            at = after  # a move in machine coordinates, RS-274/NGC (NISTIR 6556) 3.5.12
            continue
        if letter.upper() in "GM" and not math.isnan(value):
            line.several = True
            return line
        if not math.isnan(value) and any(blank in text[_skip(text, at + 1) : after] for blank in " \t"):
            return PlainLine(UNREAD)
        line.words.setdefault(letter.upper(), value)
        at = after
    return line


def _not_understood(line: PlainLine) -> PlainLine:
    """Behind a move, what is not understood may be a lost coordinate; behind other commands it is taken for text."""
    return PlainLine(UNREAD) if line.code in MOVES else line


def _names_axes(text: str, at: int) -> bool:
    """Letters in a row are prose, unless all name axes (``G28 XY``)."""
    while at < len(text) and text[at] not in " \t":
        if text[at] not in "XYZExyze":
            return False
        at += 1
    return True


def _skip(text: str, at: int) -> int:
    while at < len(text) and text[at] in " \t":
        at += 1
    return at


def _number(text: str, at: int, exponent: bool) -> tuple[float, int]:
    """The number at or behind a place, and where it ends; NaN and the place itself where there is none."""
    number, end, here, point = "", at, _skip(text, at), False
    if here < len(text) and text[here] in "+-":
        number, here = text[here], _skip(text, here + 1)
    while here < len(text) and (text[here] in DIGITS or (text[here] == "." and not point)):
        point = point or text[here] == "."
        number += text[here]
        end = here + 1
        here = _skip(text, end)
    if not any(c in DIGITS for c in number):
        return math.nan, at
    if exponent and end < len(text) and text[end] == "e":
        tail = end + 1 + (text[end + 1 : end + 2] in ("+", "-"))
        stop = tail
        while stop < len(text) and text[stop] in DIGITS:
            stop += 1
        if stop > tail:
            number, end = number + text[end:stop], stop
    return float(number), end


def _is_macro(text: str) -> bool:
    """A bare word of at least two letters, alone or before a blank; not words without blanks, such as X5Y5."""
    name = text.replace("\t", " ").split(" ")[0]
    if not all(c in LETTERS + DIGITS + "_" for c in name) or name[0] in DIGITS:
        return False
    if sum(c in LETTERS + "_" for c in name) < 2 or not all(" " <= c <= "~" or c == "\t" for c in text):
        return False
    words = name
    while words and words[0] in LETTERS and words[1:2] in tuple(DIGITS):
        words = words[1:].lstrip(DIGITS)
    return bool(words)
