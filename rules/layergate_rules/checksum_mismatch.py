"""checksum-mismatch: line numbers and checksums that the file itself carries do not fit its lines."""

import re

import numpy as np
import numpy.typing as npt

from layergate.preflight.rule import Block, Findings, Rule, Where, counted
from layergate_rules.rare_commands import Sightings

U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]
_COUNTER = re.compile(rb"[Nn]\s*[-0-9]+\s*[Mm]\s*110(?![0-9])")
_LONGEST_NUMBER = 9  # digits


class ChecksumMismatch(Rule):
    """What it looks for
        Lines of the form ``N12 G1 X1*57`` whose checksum is not that of their bytes, and line numbers that skip.

    Why it matters
        The checksum was made when the line was written. If it does not fit, a byte has changed since; if a number is skipped,
        lines are lost.

    How it decides and when it does not apply
        The checksum behind the star is worked out again from the bytes of the line (by exclusive or). Numbers are
        followed through lines that carry a checksum; M110 sets them anew. Files without checksums have nothing to
        compare. Two bytes that changed places, or two equal ones that are lost together, leave the checksum as it was.

    What to do
        Copy the job again from where it was made. If it happens again, suspect the card or the transfer.

    Source: the line protocol that printers and their hosts share by community convention.
    """

    identifier = "checksum-mismatch"
    severity = "block"
    releasable = False

    def prepare(self) -> None:
        self._wrong = Sightings()
        self._skipped = Sightings()
        self._lost = 0
        self._last: int | None = None
        self._framed = 0
        self._since = 0  # lines with a checksum since the last good one

    def each_block(self, block: Block) -> None:
        if b"*" not in block.raw or not (b"N" in block.raw or b"n" in block.raw):
            return
        raw = block.raw
        if b"\r" in raw:
            raw = raw.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        if not raw.endswith(b"\n"):
            raw += b"\n"
        buffer = np.frombuffer(raw + b"\n" * 8, np.uint8)
        line_end = np.flatnonzero(buffer[: len(raw)] == ord("\n"))
        line_start = np.concatenate(([0], line_end[:-1] + 1))
        stars = np.flatnonzero(buffer[: len(raw)] == ord("*"))
        of_line = np.searchsorted(line_end, stars)
        # The first star of a line that begins with N and has no comment before it.
        first = np.concatenate(([True], np.diff(of_line) > 0))
        stars, of_line = stars[first], of_line[first]
        numbered = (buffer[line_start[of_line]] & 0xDF) == ord("N")
        stars, of_line = stars[numbered], of_line[numbered]
        comments = np.flatnonzero(buffer[: len(raw)] == ord(";"))
        if len(comments) and len(stars):
            inside = np.searchsorted(comments, stars) > np.searchsorted(comments, line_start[of_line])
            stars, of_line = stars[~inside], of_line[~inside]
        if len(stars):
            self._check(block.first_line, raw, buffer, line_start[of_line], stars, of_line)

    def _check(self, first_line: int, raw: bytes, buffer: U8, start: I64, stars: I64, of_line: I64) -> None:
        stated, complete = _digits(buffer, stars + 1, 3)
        sums = np.bitwise_xor.reduceat(buffer, np.column_stack((start, stars)).ravel())[::2]
        self._framed += len(stars)
        for index in np.flatnonzero(complete & (stated != sums)).tolist():
            self._wrong.see(first_line + int(of_line[index]))
        numbers, complete = _digits(buffer, start + 1, _LONGEST_NUMBER)
        resets = {match.start() for match in _COUNTER.finditer(raw)} if b"110" in raw else set()
        at = np.flatnonzero(complete & (stated == sums))  # a number in a damaged line says nothing, but the line counts
        if not len(at):
            self._since += len(stars)
            return
        numbers = numbers[at]
        begin = (numbers[0] - at[0] - 1, -1) if self._last is None else (self._last, -1 - self._since)
        before = np.concatenate(([begin[0]], numbers[:-1]))
        steps = np.diff(np.concatenate(([begin[1]], at)))
        for step in np.flatnonzero(numbers != before + steps).tolist():
            if int(start[at[step]]) in resets:
                continue
            self._skipped.see(first_line + int(of_line[at[step]]))
            self._lost += max(0, int(numbers[step] - before[step] - steps[step]))
        self._last = int(numbers[-1])
        self._since = len(stars) - 1 - int(at[-1])

    def finish(self) -> Findings:
        if self._wrong.count:
            yield self.finding(
                f"The checksum is wrong in {self._wrong.count} of {counted(self._framed, 'line')} that carry one: "
                f"{self._wrong.text()}.",
                "A byte of these lines has changed since they were written: copy the job again.",
                where=Where(lines=(self._wrong.lines[0], self._wrong.last)),
                evidence={"lines_wrong": self._wrong.count, "lines_with_checksum": self._framed},
            )
        if self._skipped.count:
            lost = f"{counted(self._lost, 'line')} lost" if self._lost else "lines stand twice or in another order"
            yield self.finding(
                f"Line numbers do not go on by one in {self._skipped.text()}: {lost}.",
                "Copy the job again from where it was made.",
                where=Where(lines=(self._skipped.lines[0], self._skipped.last)),
                evidence={"places": self._skipped.count, "lines_lost": self._lost},
            )


def _digits(buffer: U8, at: I64, most: int) -> tuple[I64, npt.NDArray[np.bool_]]:
    """Read unsigned whole numbers that begin at some positions: values (n,) and whether there is a number (n,)."""
    value = np.zeros(len(at), np.int64)
    going = np.ones(len(at), np.bool_)
    some = np.zeros(len(at), np.bool_)
    for step in range(most):
        digit = buffer[np.minimum(at + step, len(buffer) - 1)].astype(np.int64) - ord("0")
        going &= (digit >= 0) & (digit <= 9)
        some |= going
        value = np.where(going, value * 10 + digit, value)
    return value, some
