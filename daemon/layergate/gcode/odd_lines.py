"""Reads the lines that are not plain words: macros, text, exponents, spaced-out words, damage. One line at a time.

Patient and slow: only the few lines that layergate.gcode.columns can't read come here. What is not understood stays
unread, with its text; nothing is guessed.
"""

import re
from dataclasses import dataclass
from typing import Literal

Reading = Literal["words", "macro", "text", "several-commands", "repeated-word", "split-number", "unread"]

_COMMAND = re.compile(rb"([GMT])[ \t]*([0-9]+(?:\.[0-9]*)?)", re.IGNORECASE)
_TEXT = re.compile(rb"M[ \t]*0*(?:16|23|28|30|32|117|118|486|928)(?![0-9.])", re.IGNORECASE)
# A name of at least two letters; not words without blanks, such as X5Y5.
_MACRO = re.compile(
    rb"(?!(?:[A-Za-z][0-9]+)+(?:[ \t]|\Z))[A-Za-z_][A-Za-z0-9_]*[A-Za-z_][A-Za-z0-9_]*(?:[ \t][ -~\t]*)?"
)
# One word: a letter and a number in which blanks may stand (RS-274/NGC 3.3; printers end a number at a blank, so a line
# with such a number is not taken); an exponent only after an upper-case
# letter and as a small e, since `X10E5` is two words and printers write `E-1.29e-15`. Letters in a row are prose, unless
# they name axes, as in `G28 XY`.
_WORD = re.compile(
    rb"[ \t]*([A-Z])[ \t]*([+-]?[ \t]*(?:[0-9](?:[ \t]*[0-9])*[ \t]*(?:\.(?:[ \t]*[0-9])*)?|\.[ \t]*[0-9](?:[ \t]*[0-9])*)"
    rb"(?:(?<=[0-9.])e[+-]?[0-9]+)?)"
    rb"|[ \t]*([a-z])[ \t]*([+-]?[ \t]*(?:[0-9](?:[ \t]*[0-9])*[ \t]*(?:\.(?:[ \t]*[0-9])*)?|\.[ \t]*[0-9](?:[ \t]*[0-9])*))"
    rb"|[ \t]*([A-Za-z])(?:(?![A-Za-z_])|(?=[XYZExyze]*(?:[ \t]|\Z))(?<=[XYZExyze]))"
)
_BLANK_INSIDE = re.compile(rb"[ \t](?=[0-9.])")
_MOVES = frozenset({"G0", "G1", "G2", "G3"})


@dataclass(frozen=True, slots=True)
class OddLine:
    """A line that is not made of plain words.

    Attributes:
        command: such as ``G1``; empty where the line has none.
        words: values by letter; NaN for a letter without a number.
        text: the whole line.
        reading: how far it was understood. Of ``several-commands`` only the first is taken, as a printer does;
            ``split-number`` has a blank inside a number and is not taken, like ``unread``.
    """

    command: str
    words: dict[str, float]
    text: bytes
    reading: Reading


def read_odd_line(text: bytes) -> OddLine:
    """Read one line of a payload, which is not empty."""
    command_match = _COMMAND.match(text)
    if not command_match:
        return OddLine("", {}, text, "macro" if _MACRO.fullmatch(text) else "unread")
    letter = command_match[1].decode().upper()
    command = f"{letter}{float(command_match[2]):g}"
    if _TEXT.match(text):
        return OddLine(command, {}, text, "text")
    words: dict[str, float] = {}
    reading: Reading = "words"
    position = command_match.end()
    while position < len(text):
        word = _WORD.match(text, position)
        if word is None:
            if text[position:].strip(b" \t"):
                reading = "unread" if command in _MOVES or command == "G92" else "text"
            break
        name = (word[1] or word[3] or word[5]).decode().upper()
        number = word[2] or word[4]
        if name == "G" and command == "G53" and not words and number and number.strip() in (b"0", b"1"):
            # One command in two words: a move in the machine's own coordinates (RS-274/NGC 3.5.12).
            position = word.end()
            continue
        if name in "GM" and number is not None:
            reading = "several-commands"
            break
        if number is not None and _BLANK_INSIDE.search(number):
            # The standard reads `X1 0` as X10, a printer as X1.
            return OddLine(command, {}, text, "split-number")
        if name in words:
            reading = "repeated-word" if reading == "words" else reading
        else:  # printers of the community convention take the first
            words[name] = float(number) if number else float("nan")
        position = word.end()
    return OddLine(command, words, text, reading)
