"""What the command rules share: finding a few commands among millions of moves, and their words. No rule of its own."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from layergate.preflight.rule import Columns, code_of

I32 = npt.NDArray[np.int32]
I64 = npt.NDArray[np.int64]

MOST_LINES_KEPT = 64
"""Lines remembered of one command; the count goes on."""


def codes_of(commands: Iterable[str]) -> I32:
    """Give the codes of some commands, sorted: (k,) int32."""
    return np.array(sorted({code_of(command) for command in commands}), np.int32)


def rows_of(columns: Columns, codes: I32) -> I64:
    """Give the rows with one of some commands, rising: (m,) int64."""
    rows, present = columns.rare()
    if present.isdisjoint(codes.tolist()):
        return rows[:0]
    found: I64 = rows[np.isin(columns.code[rows], codes)]
    return found


def value_of(columns: Columns, row: int, letter: str) -> float | None:
    """Give the number of a word; None where the line has no such word or it has no number."""
    value = float(columns.word(letter)[row])
    return value if np.isfinite(value) else None


def argument_of(columns: Columns, row: int) -> str:
    """Give the text argument of a command that takes one (M117, M23, ...), without outer blanks; else an empty string."""
    odd = columns.odd.get(row)
    if odd is None:
        return ""
    text = odd.text.decode("utf-8", "replace").strip()
    at = 1
    while at < len(text) and (text[at].isdigit() or text[at] in " .\t"):
        at += 1
    return text[at:].strip()


class Sightings:
    """Where something stands in a job: how often, and the first lines."""

    def __init__(self) -> None:
        self.count = 0
        self.lines: list[int] = []
        self.last = 0

    def see(self, line: int) -> None:
        self.count += 1
        self.last = line
        if len(self.lines) < MOST_LINES_KEPT:
            self.lines.append(line)

    def text(self) -> str:
        """Give the lines as words: ``line 12``, ``lines 12, 40 and 3 more``."""
        shown = [str(line) for line in self.lines[:3]]
        more = self.count - len(shown)
        if more > 0:
            return f"lines {', '.join(shown)} and {more} more"
        if len(shown) == 1:
            return f"line {shown[0]}"
        return f"lines {', '.join(shown[:-1])} and {shown[-1]}"
