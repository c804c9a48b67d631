"""Writes a job again with some moves left out, changed or added, as though its generator had made it so.

Knows nothing of which damage is wanted. Places, the filament counter, the retraction debt, the feed rate, line
numbers and checksums of everything that stays are kept right; a bead whose way in was left out gets a travel to its
start. What is wrong afterwards is only what the caller asked for.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from .scan import COMMENT, WORD, Line, Scan

__all__ = ["Edits", "Rebuilt", "insert_lines", "rebuild", "renumber", "set_word"]

_NUMBERED = re.compile(r"^\s*N(\d+)\s*", re.IGNORECASE)


@dataclass(slots=True)
class Edits:
    """What to change, by line from 0."""

    drop: set[int] = field(default_factory=set)  # moves left out
    laid: dict[int, float] = field(default_factory=dict)  # filament that a bead lays instead, units of the job
    place: dict[int, tuple[float, float]] = field(default_factory=dict)  # XY where a move ends instead, mm
    unpaid: set[int] = field(default_factory=set)  # primes left out by a generator that believes they were made
    after: dict[int, list[str]] = field(default_factory=dict)  # lines added behind a line, as they stand
    pushed: dict[int, float] = field(default_factory=dict)  # what those lines push, units of the job


@dataclass(slots=True)
class Rebuilt:
    """The new lines, and for each old line its new number (from 0), or None where it is gone."""

    raw: list[str]
    new_number: list[int | None]


def _blank(match: re.Match[str]) -> str:
    return " " * len(match[0])


def set_word(raw: str, letter: str, value: float, decimals: int) -> str:
    """The line with its first `letter` word set to a value, or the word added behind the others; the rest stays."""
    number = f"{value:.{decimals}f}"
    bare = COMMENT.sub(_blank, raw)
    for m in WORD.finditer(bare):
        if m[1].upper() == letter:
            return raw[: m.start(2)] + number + raw[m.end(2) :]
    end = len(bare.split("*")[0].rstrip())
    small = re.search(r"\b[gm]\d", raw) is not None
    return f"{raw[:end]} {letter.lower() if small else letter}{number}{raw[end:]}"


def drop_word(raw: str, letter: str) -> str:
    """The line without its first `letter` word."""
    for m in WORD.finditer(COMMENT.sub(_blank, raw)):
        if m[1].upper() == letter:
            return raw[: m.start()].rstrip() + raw[m.end() :]
    return raw


def renumber(raw: Sequence[str]) -> list[str]:
    """Line numbers and checksums made right again where the job has them."""
    if not any(_NUMBERED.match(line) and "*" in line for line in raw[:50]):
        return list(raw)
    out: list[str] = []
    n = 0
    for line in raw:
        if not line.strip():
            out.append(line)
            continue
        n += 1
        framed = f"N{n} {_NUMBERED.sub('', line).split('*')[0].strip()}"
        check = 0
        for byte in framed.encode("latin-1"):
            check ^= byte
        out.append(f"{framed}*{check}")
    return out


def insert_lines(scan: Scan, after: int, new: Sequence[str]) -> bytes:
    """The job with lines added behind line `after` (from 0; -1: at the top)."""
    raw = [*scan.raw[: after + 1], *new, *scan.raw[after + 1 :]]
    return scan.text(renumber(raw))


class _State:
    """Where the new job stands while it is written."""

    def __init__(self, scan: Scan) -> None:
        self.scan = scan
        self.x = self.y = self.z = self.e = self.debt = self.feed = 0.0
        self.pulled = False  # by G10

    def coordinates(self, raw: str, line: Line, goal: Mapping[str, float]) -> str:
        """The line with its words set so that it ends at `goal` (mm)."""
        decimals = 5 if line.unit != 1.0 else 3
        for axis, here in (("X", self.x), ("Y", self.y), ("Z", self.z)):
            wanted = (goal[axis] - (here if line.xyz_relative else 0.0)) / line.unit
            there = line.words.get(axis)
            if there is not None and abs(there - wanted) < 0.6 * 10**-decimals:
                continue
            if there is None and abs(goal[axis] - here) < 1e-6:
                continue
            raw = set_word(raw, axis, wanted, decimals)
        self.x, self.y, self.z = goal["X"], goal["Y"], goal["Z"]
        return raw

    def filament(self, raw: str, line: Line, de: float) -> str:
        """The line with its E word set so that it moves `de`."""
        self.e += de
        wanted = de if line.e_relative else self.e
        there = line.words.get(self.scan.e_letter)
        decimals = 7 if line.unit != 1.0 else 5
        if there is None:
            return raw if abs(de) < 1e-9 else set_word(raw, self.scan.e_letter, wanted, decimals)
        return raw if abs(there - wanted) < 0.6 * 10**-decimals else set_word(raw, self.scan.e_letter, wanted, decimals)


def _approach(state: _State, line: Line, start: tuple[float, float, float], pushing: bool) -> list[str]:
    """A travel to where a bead began, if the nozzle is elsewhere."""
    x, y, z = start
    if max(abs(x - state.x), abs(y - state.y), abs(z - state.z)) < 2e-6:
        return []
    travel = state.coordinates(
        "G0", Line("G0", {}, x, y, z, 0, 0, 0, line.xyz_relative, False, line.unit), {"X": x, "Y": y, "Z": z}
    )
    return ["M103", travel, "M101"] if pushing else [travel]


def rebuild(scan: Scan, edits: Edits) -> Rebuilt:
    """Write the job with these changes."""
    state = _State(scan)
    out: list[str] = []
    numbers: list[int | None] = []
    planned = (0.0, 0.0, 0.0)  # where the line before ends, had nothing been left out
    pushing = False
    for i, (raw, line) in enumerate(zip(scan.raw, scan.lines, strict=True)):
        text: str | None = raw
        if line.code in ("M101", "M103"):
            pushing = line.code == "M101"
        if line.moves and i in edits.drop:
            text = None
        elif line.code in ("G10", "G11") and not line.words:
            # Firmware retraction comes in pairs: what lost its partner goes as well.
            text = None if (line.code == "G10") == state.pulled or i in edits.drop else raw
            state.pulled = state.pulled if text is None else line.code == "G10"
        elif line.moves:
            text = _move(state, out, raw, line, planned, edits, i, pushing)
        else:
            if line.code == "G92":
                state.e = line.words.get(scan.e_letter, state.e)
                state.x, state.y, state.z = (
                    w if axis in line.words else s
                    for axis, w, s in (("X", line.x, state.x), ("Y", line.y, state.y), ("Z", line.z, state.z))
                )
            if line.code and line.code[0] == "T":
                state.debt = line.debt
            if line.code in ("G0", "G1") and "F" in line.words:
                state.feed = line.feed
        numbers.append(len(out) if text is not None else None)
        if text is not None:
            out.append(text)
        if i in edits.after:
            out += edits.after[i]
            state.e += edits.pushed.get(i, 0.0)
            state.feed = -1.0  # the added lines set their own
        x, y = edits.place.get(i, (line.x, line.y)) if line.moves or line.code == "G92" else planned[:2]
        planned = (x, y, line.z)
    return Rebuilt(renumber(out), numbers)


def _move(
    state: _State,
    out: list[str],
    raw: str,
    line: Line,
    planned: tuple[float, float, float],
    edits: Edits,
    i: int,
    pushing: bool,
) -> str | None:
    """One move that stays: the line as it must read now, or None where nothing is left of it."""
    if line.bead:
        out += _approach(state, line, planned, pushing)
        laid = edits.laid.get(i, line.laid)
        de = laid + state.debt if not state.scan.no_e else 0.0
        debt = 0.0
    else:
        # Whatever else moves filament ends with the debt that it ended with before.
        debt = line.debt
        de = 0.0 if i in edits.unpaid else state.debt - debt
        # Filament pushed on the spot beyond the debt (a purge) is kept.
        de += edits.laid.get(i, line.laid)
    x, y = edits.place.get(i, (line.x, line.y))
    only_filament = not any(k in line.words for k in "XYZIJ")
    text = raw if only_filament else state.coordinates(raw, line, {"X": x, "Y": y, "Z": line.z})
    if not state.scan.no_e:
        if only_filament and abs(de) < 1e-9 and abs(line.de) > 1e-9:
            state.debt = debt
            return None
        text = state.filament(text, line, de)
    state.debt = debt
    if line.feed != state.feed and "F" not in line.words:
        text = set_word(text, "F", line.feed, 0)
    state.feed = line.feed
    return text
