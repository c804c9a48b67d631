"""damaged-bytes: bytes that no job of text has."""

import re

from layergate.preflight.rule import Block, Finding, Findings, Rule, Where

# In what goes to the printer: printable ASCII, tab and line end are text.
_TEXT = bytes(range(0x20, 0x7F)) + b"\t\n"
_ODD_LINE = re.compile(rb"[^\n]*[^\x20-\x7e\t\n][^\n]*")
# A command with its numbers; the rest of the line may be text in any language only for the commands named here.
_COMMAND = re.compile(rb"[GMTN]\s*[0-9]", re.IGNORECASE)
_TEXT_COMMAND = re.compile(rb"M\s*(?:16|23|28|30|32|117|118|486|928)(?![0-9])", re.IGNORECASE)
_CONTROL = re.compile(rb"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


class DamagedBytes(Rule):
    """What it looks for
        NUL bytes anywhere, and control or non-text bytes in the commands.

    Why it matters
        They come from a failing card, a broken transfer or a wrong file. What stood there before is lost, and the printer
        does something else than was meant, or stops in the middle.

    How it decides and when it does not apply
        A NUL byte is never part of a job. In lines that go to the printer, other control characters are damage, and so are
        bytes beyond ASCII, except as valid UTF-8 in texts, labels and macro arguments. Comments may hold any language.

    What to do
        Copy the job again from where it was made and compare. If it happens again, suspect the card, the reader or the
        cable. A damaged file can't be released.
    """

    identifier = "damaged-bytes"
    severity = "block"
    releasable = False

    def each_block(self, block: Block) -> Findings:
        if b"\0" in block.raw:
            yield self._nul(block)
        if block.payload.translate(None, _TEXT + b"\0"):
            yield from self._odd(block)

    def _nul(self, block: Block) -> Finding:
        count = block.raw.count(b"\0")
        first = block.raw.index(b"\0")
        last = block.raw.rindex(b"\0")
        text = block.raw.replace(b"\r\n", b" \n")
        lines = tuple(block.first_line + text.count(b"\n", 0, at) for at in (first, last))
        whole = count == last - first + 1
        message = (
            f"{count} bytes in a row are zero, from byte {block.offset + first} (line {lines[0]}): a piece of the file was lost."
            if whole and count > 1
            else f"{count} zero byte(s) stand between lines {lines[0]} and {lines[1]}: the file is damaged."
        )
        return self.finding(
            message,
            "Copy the job again from where it was made; if it happens again, suspect the card or the transfer.",
            where=Where(lines=(lines[0], lines[1])),
            evidence={"zero_bytes": count, "first_byte": block.offset + first, "last_byte": block.offset + last},
        )

    def _odd(self, block: Block) -> Findings:
        lines: list[int] = []
        count = position = 0
        line = block.first_line
        example = b""
        for match in _ODD_LINE.finditer(block.payload):
            text = match[0].replace(b"\0", b"")
            if not _damaged(text):
                continue
            line += block.payload.count(b"\n", position, match.start())
            position = match.start()
            count += len(text.translate(None, _TEXT))
            lines.append(line)
            example = example or text
        if lines:
            shown = example[:60].decode("latin-1").encode("unicode_escape").decode("ascii")
            yield self.finding(
                f"{count} bytes that are no text stand in {len(lines)} command line(s), the first in line {lines[0]}: {shown}",
                "Copy the job again from where it was made; if it happens again, suspect the card or the transfer.",
                where=Where(lines=(lines[0], lines[-1])),
                evidence={"bytes_not_text": count, "lines": len(lines)},
            )


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
