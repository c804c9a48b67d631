"""One command line to its code and its words, as a controller's parser reads them.

Refuses to know what the words mean. One command a line; letters in any case, blanks optional, parentheses skipped.
"""

from __future__ import annotations

import re
from typing import NamedTuple

# A lower-case e with a sign and digits is read as an exponent (`E-1.29e-15`): generators that print tiny floats write
# it so. An upper-case E always begins a word (`X1E-3`). That controllers agree on this is from memory.
_WORD = re.compile(r"([A-Za-z])[ \t]*([-+]?(?:\d+\.?\d*|\.\d+)(?:e[-+]\d+)?)?")
_PARENTHESES = re.compile(r"\([^)]*\)?")
_CODE = re.compile(r"[ \t]*([A-Za-z])[ \t]*(\d+(?:\.\d+)?)?")

# Commands whose rest is text, not words (facts 1.4).
TEXT_CODES = frozenset({"M0", "M1", "M16", "M23", "M28", "M30", "M32", "M117", "M118", "M928"})


class Command(NamedTuple):
    """`code` such as G1 or M104 ('' when there is none), `words` letter -> value (None without number), raw `text`."""

    code: str
    words: dict[str, float | None]
    text: str

    def number(self, letter: str, default: float) -> float:
        """The value of a word, or the default where it is absent or bare."""
        value = self.words.get(letter)
        return default if value is None else value


def parse(payload: str) -> Command:
    """Read one payload. A repeated letter keeps its last value. Never raises: junk gives an empty code."""
    if "(" in payload:
        payload = _PARENTHESES.sub(" ", payload)
    found = _WORD.findall(payload)
    if not found:
        return Command("", {}, payload)
    letter, digits = found[0]
    letter = letter.upper()
    code = letter + (digits if digits[:1] != "0" else (digits.lstrip("0") or "0"))
    if code in TEXT_CODES:
        match = _CODE.match(payload)
        assert match is not None
        rest = payload[match.end() :].strip()
        return Command(code, {w.upper(): float(v) if v else None for w, v in _WORD.findall(rest)}, rest)
    words: dict[str, float | None] = {}
    for word, value in found[1:]:
        words[word if word <= "Z" else word.upper()] = float(value) if value else None
    return Command(code, words, payload)
