"""unreadable-line: lines that a printer would read otherwise than they were meant, or not at all."""

import re

import numpy as np

from layergate.preflight.rule import Block, Columns, Findings, JobFacts, Rule, Where, code_of, command_of
from layergate_rules.rare_commands import Sightings

_MOVES = frozenset({"G0", "G1", "G2", "G3", "G92"})
_G1000 = code_of("G1000")  # RS-274/NGC 3.5 has none above 99, dialects some of three digits (from memory)
_UNRETRACT = code_of("G11")
_SECOND = re.compile(rb"[GM]\s*[0-9]", re.IGNORECASE)
_DEPTH = re.compile(rb"[EZAB]\s*[-+]?\.?[0-9]", re.IGNORECASE)
_COORDINATE = re.compile(rb"(?<![A-Za-z])[XYZEF]\s*[-+]?\.?[0-9]", re.IGNORECASE)


class UnreadableLine(Rule):
    """What it looks for
        Moves with words that are no numbers, unfilled placeholders, two commands in one line, a letter twice in one move,
        blanks inside a number, coordinates without a command, and commands longer than the controller takes.

    Why it matters
        Controllers skip such a line, or take the part of it that they understand. The bead is then missing, or the nozzle
        goes somewhere else. A lost line end, a wrong bit and an unfilled placeholder all look like this.

    How it decides and when it does not apply
        A line is held where it moves, or sets positions, and can't be read as it stands; where a blank parts a number, whatever
        the command; where it lays or lifts as the second command of a line, which printers do not carry out; where it has
        coordinates and no command, or a command that takes none (G11, and G of four digits: two lines run together); and where
        it is longer than ``longest_line_bytes`` of the description's dialect, as controllers cut it there. Text that stands
        there without a comment mark, and a second command that only travels, change nothing that is laid: they are notes.

    What to do
        Look at the line. If lines around it look the same, the file was damaged on its way: copy it again. If a placeholder
        stands there, the template of the job is wrong.

    Source: RS-274/NGC 3.3 and 3.5.3.2 (NISTIR 6556) for words and arcs; that printers take one command per line
    is the community convention.
    """

    identifier = "unreadable-line"
    severity = "hold"

    def prepare(self) -> None:
        self._held: dict[str, Sightings] = {}
        self._noted: dict[str, Sightings] = {}
        self._example: dict[str, str] = {}
        longest = self.printer.dialect.longest_line_bytes
        self._too_long = re.compile(rb"[^\n]{%d,}" % (longest + 1)) if longest else None

    def each_block(self, block: Block, columns: Columns) -> None:
        if self._too_long:
            self._see_long(block, self._too_long)
        self._see_run_together(columns)
        for row, odd in columns.odd.items():
            why, holds = _fault(odd.reading, odd.command, odd.text, unread=not command_of(int(columns.code[row])))
            if why:
                (self._held if holds else self._noted).setdefault(why, Sightings()).see(int(columns.line[row]))
                self._example.setdefault(why, _shown(odd.text))

    def _see_run_together(self, columns: Columns) -> None:
        """See what is left of two lines of which the middle is lost: ``G1`` and ``889 Y103.6``, or ``G1`` and ``1 X113.6``."""
        rows, present = columns.rare()
        torn = [code for code in present if (code >= _G1000 and code >> 16 == ord("G")) or code == _UNRETRACT]
        if not torn:
            return
        for row in rows[np.isin(columns.code[rows], torn)].tolist():
            words = [f"{letter}{columns.word(letter)[row]:g}" for letter in "XYE" if columns.has(letter)[row]]
            if words:
                why = "a command that takes no coordinates, with coordinates: two lines of which the middle is lost"
                self._held.setdefault(why, Sightings()).see(int(columns.line[row]))
                self._example.setdefault(why, f"{command_of(int(columns.code[row]))} {' '.join(words)}")

    def _see_long(self, block: Block, too_long: "re.Pattern[bytes]") -> None:
        line, position = block.first_line, 0
        for match in too_long.finditer(block.payload):
            line += block.payload.count(b"\n", position, match.start())
            position = match.start()
            why = f"longer than the {self.printer.dialect.longest_line_bytes} bytes that the controller takes"
            self._held.setdefault(why, Sightings()).see(line)
            self._example.setdefault(why, _shown(match[0]))

    def finish(self, job: JobFacts) -> Findings:
        beside = job.unrebuilt.lines.get("arc-off-circle")
        if beside:
            lines = f"Line {beside[0]} is" if len(beside) == 1 else f"Lines {', '.join(map(str, beside))} are"
            yield self.finding(
                f"{lines} no arc: its end does not lie on the circle that its start and centre give.",
                "A digit of the end or of the centre is wrong, or a line before it is missing: copy the job again.",
                where=Where(lines=(beside[0], beside[-1])),
                evidence={"lines": job.unrebuilt.counts["arc-off-circle"]},
            )
        for found, severity in ((self._held, "hold"), (self._noted, "note")):
            for why, seen in found.items():
                yield self.finding(
                    f"{seen.text().capitalize()}: {why}{':' if seen.count == 1 else '; the first:'} {self._example[why]}",
                    "Look at the line and those around it; if it was not written so, copy the job again.",
                    severity=severity,  # type: ignore[arg-type]
                    where=Where(lines=(seen.lines[0], seen.last)),
                    evidence={"lines": seen.count},
                )


def _fault(reading: str, command: str, text: bytes, *, unread: bool) -> tuple[str, bool]:
    """Say what is wrong with a line (empty if nothing is), and whether it must be asked about."""
    if reading == "macro":
        return "", False
    if reading == "several-commands":
        second = _SECOND.search(text, 2)
        lost = text[second.start() :] if second else text
        if command in _MOVES or _DEPTH.search(lost):
            return "two commands in one line, of which a printer carries out the first", True
        return "two commands in one line, the second a travel that is not carried out", False
    if reading == "repeated-word":
        return ("a letter twice in one move", True) if command in _MOVES else ("", False)
    if reading == "split-number":
        return "a blank inside a number, whose parts the standard joins and of which a printer takes the first", True
    if reading == "unread" or unread:
        if command in _MOVES:
            return "a move that can't be read", True
        if _COORDINATE.search(text) or text[:1].isdigit():
            return "coordinates or numbers, without a command that can be read", True
        return "text without a comment mark, which the printer will not understand", False
    return "", False


def _shown(text: bytes) -> str:
    return text[:60].decode("latin-1").encode("unicode_escape").decode("ascii")[:60]
