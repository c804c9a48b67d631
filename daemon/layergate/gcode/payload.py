"""Payload: what of a job goes to the printer.

One pure function, used by the checker (which judges its result and nothing else) and by the streamer (which sends its
result and nothing else). Comments, blanks at line ends and the file's own framing (line numbers, checksums, program
marks) are taken out; nothing else is changed. Standard library only; does no I/O and knows no command's meaning, apart
from the few whose argument is text, in which parentheses are not comments.
"""

import re

from layergate.gcode.dialect import DEFAULT_DIALECT, Dialect

# Commands of the community convention that take the rest of the line as text (facts: M117/M118 text, M23/M28/M30/M32/
# M928/M16 names, M486 object labels).
_TEXT_COMMAND = rb"M(?:117|118|16|23|28|30|32|486|928)(?![0-9.])"
_TEXT_LINE = re.compile(rb"[ \t]*(?:N[0-9]+[ \t]*)?" + _TEXT_COMMAND, re.IGNORECASE)
_TEXT_WITH_PARENTHESIS = re.compile(rb"^[ \t]*(?:N[0-9]+[ \t]*)?" + _TEXT_COMMAND + rb"[^\n;(]*\(", re.I | re.M)

_PARENTHESES = re.compile(rb"\([^()\n]*\)")
_LINE_WITH_PARENTHESIS = re.compile(rb"^[^;(\n]*\([^\n]*", re.M)
_SEMICOLON = re.compile(rb";[^\n]*")
_PROGRAM_MARK = re.compile(rb"^[ \t]*%[^\n]*", re.M)
_FRAMED = re.compile(rb"^[Nn][0-9]+[ \t]*([^\n*]*)(?:\*[ \t]*[0-9]*[ \t]*)?$", re.M)
_DEEPEST_COMMENT = 4  # what is nested deeper stays and makes its line unread
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


def payload(block: bytes, dialect: Dialect = DEFAULT_DIALECT) -> bytes:
    """Give the payload of some whole lines of a job.

    The result has exactly one line (ended by LF) for every line of the block, so that line numbers carry over; lines
    from which nothing goes to the printer are empty. It does not depend on how a job is cut into blocks, as long as
    each cut is at a line end. Takes about as long as copying the block a few times; peak memory is three blocks.

    Args:
        block: whole lines; LF, CR LF and CR all end a line.
        dialect: decides whether parentheses are comments.
    """
    if b"\r" in block:
        block = block.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if b"\xef" in block:  # one byte is found far faster than three
        block = re.sub(rb"^" + _BYTE_ORDER_MARK, b"", block, flags=re.M)
    if dialect.parentheses_are_comments and b"(" in block:
        block = _without_parentheses(block)
    if b";" in block:
        block = _SEMICOLON.sub(b"", block)
    if b"%" in block:
        block = _PROGRAM_MARK.sub(b"", block)
    block = _without_outer_blanks(block)
    # One byte is found far faster than two.
    if block[:1] in b"Nn" or (b"N" in block and b"\nN" in block) or (b"n" in block and b"\nn" in block):
        block = _without_outer_blanks(_FRAMED.sub(rb"\1", block))
    return block


def payload_lines(block: bytes, dialect: Dialect = DEFAULT_DIALECT) -> list[tuple[int, bytes]]:
    """Give the lines to send from some whole lines of a job, each with its index in the block (from 0)."""
    lines = payload(block, dialect).split(b"\n")
    return [(index, line) for index, line in enumerate(lines) if line]


def _without_parentheses(block: bytes) -> bytes:
    if not _TEXT_WITH_PARENTHESIS.search(block):
        return _without_comments(block)
    # Rare: some line's argument is text with a parenthesis, so each line that has one is looked at.
    return _LINE_WITH_PARENTHESIS.sub(
        lambda match: match[0] if _TEXT_LINE.match(match[0]) else _without_comments(match[0]), block
    )


def _without_comments(text: bytes) -> bytes:
    """Take out comments in parentheses, from the innermost: RS-274/NGC has no nested ones, real jobs do."""
    for _ in range(_DEEPEST_COMMENT):
        text, found = _PARENTHESES.subn(b"", text)
        if not found or b"(" not in text:
            break
    return text


def _without_outer_blanks(block: bytes) -> bytes:
    """Strip blanks and tabs from both ends of every line."""
    # Looking for two bytes takes as long as all else here, so each is looked for once where there is none.
    before_end = b" \n" in block
    for _ in range(2):  # nearly every job has none or one blank there, and replacing is the fastest way
        if before_end:
            block = block.replace(b" \n", b"\n")
            before_end = b" \n" in block
    block = block.strip(b" \t")
    if before_end or b"\n " in block or (b"\t" in block and (b"\t\n" in block or b"\n\t" in block)):
        block = b"\n".join([line.strip(b" \t") for line in block.split(b"\n")])
    return block
