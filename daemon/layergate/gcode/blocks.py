"""Cuts a job into blocks of whole lines, each with its payload, in flat memory.

Reads from any binary stream and knows nothing of what the lines mean. A block is what the job index has one entry for:
about 64 KiB, so that the streamer can verify a block before its first line is sent and a small machine never holds more.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from layergate.gcode.dialect import Dialect
from layergate.gcode.payload import payload

BLOCK_BYTES = 64 * 1024
LONGEST_LINE_BYTES = 16 * 1024 * 1024
"""A line longer than this is no line of text; the longest seen in real jobs, pictures in comments, have some 10 KiB."""


class UnreadableJobError(ValueError):
    """The job can't be cut into lines; the message says where and why."""


@dataclass(frozen=True, slots=True)
class Block:
    """Some whole lines of a job."""

    offset: int
    """First byte in the job."""
    first_line: int
    """Line of the job, from 1, that the block starts with."""
    raw: bytes
    """The lines as they stand in the job."""
    payload: bytes
    """What goes to the printer; one line for every line of ``raw``."""
    lines: int
    """Lines in the block."""


def read_blocks(stream: BinaryIO, dialect: Dialect, block_bytes: int = BLOCK_BYTES) -> Iterator[Block]:
    """Yield the blocks of a job, in order and without gaps; their lengths add up to the job's.

    Raises:
        UnreadableJobError: a line is longer than LONGEST_LINE_BYTES.
        OSError: the stream can't be read.
    """
    offset, first_line = 0, 1
    rest = b""
    window = block_bytes
    while True:
        data = stream.read(max(1, window - len(rest)))
        rest += data
        if data and len(rest) < window:
            continue
        cut = _last_line_end(rest)
        if not cut:
            if len(rest) > LONGEST_LINE_BYTES:
                raise UnreadableJobError(
                    f"line {first_line} is longer than {LONGEST_LINE_BYTES:,} bytes: not a text file"
                )
            window *= 2  # one line longer than a block: read on to its end
        if not data:
            break
        if not cut:
            continue
        window = block_bytes
        block = _block(rest[:cut], offset, first_line, dialect)
        rest = rest[cut:]
        offset += cut
        first_line += block.lines
        yield block
    if rest:
        yield _block(rest, offset, first_line, dialect)


def _last_line_end(data: bytes) -> int:
    """Give the length of the whole lines at the start of ``data``; 0 if it holds no line end."""
    cut = data.rfind(b"\n") + 1
    # Only files without any LF end their lines with CR; a CR at the very end may be half of a CR LF.
    return cut or data.rfind(b"\r", 0, len(data) - 1) + 1


def _block(raw: bytes, offset: int, first_line: int, dialect: Dialect) -> Block:
    text = payload(raw, dialect)
    # A last line that has no end is a line, too, even if nothing of it goes to the printer.
    unended = not raw.endswith((b"\n", b"\r"))
    return Block(offset, first_line, raw, text, text.count(b"\n") + unended)
