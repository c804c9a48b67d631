"""damaged-bytes: bytes that no job of text has."""

import re

from layergate.preflight.rule import Block, Findings, JobFacts, Rule, Where, counted

# In what goes to the printer: printable ASCII, tab and line end are text.
_TEXT = bytes(range(0x20, 0x7F)) + b"\t\n"
_ODD_LINE = re.compile(rb"[^\n]*[^\x20-\x7e\t\n][^\n]*")
# A command with its numbers; the rest of the line may be text in any language only for the commands named here.
_COMMAND = re.compile(rb"[GMTN]\s*[0-9]", re.IGNORECASE)
_TEXT_COMMAND = re.compile(rb"M\s*(?:16|23|28|30|32|117|118|486|928)(?![0-9])", re.IGNORECASE)
_BINARY_SHARE = 0.05  # a text with stray damage has less; programs, pictures and packed data have a third and more
_CONTROL = re.compile(rb"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


class DamagedBytes(Rule):
    """What it looks for
        Zero bytes anywhere, and bytes in commands that are no text.

    Why it matters
        They come from a failing card, a broken transfer or a wrong file. What stood there before is lost, and the printer
        does something else than was meant, or stops in the middle.

    How it decides and when it does not apply
        A zero byte is never part of a job. In lines that go to the printer, control characters are damage, and so are
        letters beyond plain ASCII, except in messages, labels and arguments of macros (as UTF-8). Comments may hold any
        language.

    What to do
        Copy the job again from where it was made and compare. If it happens again, suspect the card, the reader or the
        cable. A damaged file can't be released.
    """

    identifier = "damaged-bytes"
    severity = "block"
    releasable = False

    def prepare(self) -> None:
        self._zeros = 0
        self._first_zero = self._last_zero = 0  # bytes of the job
        self._odd_bytes = self._odd_lines = 0
        self._example: tuple[int, bytes] | None = None
        self._lines: list[int] = []  # first and last line that has any of it

    def each_block(self, block: Block) -> None:
        if b"\0" in block.raw:
            self._note_zeros(block)
        if block.payload.translate(None, _TEXT + b"\0"):
            self._note_odd(block)

    def finish(self, job: JobFacts) -> Findings:
        told = []
        if self._zeros:
            span = self._last_zero - self._first_zero + 1
            told.append(
                f"{self._zeros:,} bytes in a row are zero, from byte {self._first_zero:,}: a piece of the file was lost."
                if 1 < self._zeros == span
                else f"{counted(self._zeros, 'zero byte')} from byte {self._first_zero:,} to byte {self._last_zero:,}: "
                "the file is damaged."
                if self._zeros > 1
                else f"Byte {self._first_zero} is zero: the file is damaged."
            )
        if self._example:
            line, text = self._example
            shown = text[:60].decode("latin-1").encode("unicode_escape").decode("ascii")[:60]
            told.append(
                f"{counted(self._odd_bytes, 'byte')} that {'are' if self._odd_bytes > 1 else 'is'} no text in "
                f"{counted(self._odd_lines, 'command line')}, first in line {line}: {shown}"
            )
        if not told:
            return
        odd = self._zeros + self._odd_bytes
        if odd > _BINARY_SHARE * job.size_bytes:
            told.insert(
                0, "More than a twentieth of the file is no text: it is no print job, or a large piece of it is lost."
            )
        evidence: dict[str, float] = {}
        if self._zeros:
            evidence |= {"zero_bytes": self._zeros, "first_byte": self._first_zero, "last_byte": self._last_zero}
        if self._odd_lines:
            evidence |= {"bytes_not_text": self._odd_bytes, "lines_not_text": self._odd_lines}
        yield self.finding(
            " ".join(told),
            "Copy the job again from where it was made; if it happens again, suspect the card or the transfer.",
            where=Where(lines=(self._lines[0], self._lines[-1])),
            evidence=evidence,
        )

    def _note_zeros(self, block: Block) -> None:
        first, last = block.raw.index(b"\0"), block.raw.rindex(b"\0")
        if not self._zeros:
            self._first_zero = block.offset + first
        self._last_zero = block.offset + last
        self._zeros += block.raw.count(b"\0")
        text = block.raw.replace(b"\r\n", b" \n")
        self._note_lines(*(block.first_line + text.count(b"\n", 0, at) for at in (first, last)))

    def _note_odd(self, block: Block) -> None:
        position = 0
        line = block.first_line
        for match in _ODD_LINE.finditer(block.payload):
            text = match[0].replace(b"\0", b"")
            if not _damaged(text):
                continue
            line += block.payload.count(b"\n", position, match.start())
            position = match.start()
            self._odd_bytes += len(text.translate(None, _TEXT))
            self._odd_lines += 1
            self._example = self._example or (line, text)
            self._note_lines(line, line)

    def _note_lines(self, first: int, last: int) -> None:
        known = self._lines or [first, last]
        self._lines = [min(known[0], first), max(known[1], last)]


def _damaged(text: bytes) -> bool:
    if not text.translate(None, _TEXT):
        return False
    if _CONTROL.search(text):
        return True
    if _COMMAND.match(text) and not _TEXT_COMMAND.match(text) and b'"' not in text:
        return True
    try:
        text.decode("utf-8")
    except UnicodeDecodeError:
        return True
    return False
