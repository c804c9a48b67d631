"""Blocks: whole lines, without gaps, of bounded size, whatever the line ends."""

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.oracles.effort import effort
from tests.oracles.job_text import jobs
from tests.oracles.plain_payload import lines_of, payload_of_line

from layergate.gcode import blocks as blocks_module
from layergate.gcode.blocks import BLOCK_BYTES, Block, UnreadableJobError, read_blocks
from layergate.gcode.dialect import DEFAULT_DIALECT
from layergate.gcode.payload import payload


class Dribble(io.RawIOBase):
    """A stream that gives at most a few bytes at a time, as pipes do."""

    def __init__(self, data: bytes, most: int) -> None:
        self._data, self._most, self._at = data, most, 0

    def read(self, size: int = -1) -> bytes:
        size = self._most if size < 0 else min(size, self._most)
        piece = self._data[self._at : self._at + size]
        self._at += len(piece)
        return piece


def cut(job: bytes, size: int = BLOCK_BYTES) -> list[Block]:
    return list(read_blocks(io.BytesIO(job), DEFAULT_DIALECT, size))


def check(job: bytes, found: list[Block]) -> None:
    """Nothing lost, nothing doubled, line numbers right, payload of each block its own lines'."""
    assert b"".join(block.raw for block in found) == job
    lines = lines_of(job)
    offset, line = 0, 1
    for block in found:
        assert (block.offset, block.first_line) == (offset, line)
        assert block.payload == payload(block.raw)
        own = lines[line - 1 : line - 1 + block.lines]
        assert [text for text in block.payload.split(b"\n") if text] == [t for t in map(payload_of_line, own) if t]
        offset += len(block.raw)
        line += block.lines
    assert line - 1 == len(lines)


@effort(120)
@given(jobs(), st.integers(1, 200))
def test_blocks_add_up_to_the_job_at_any_block_size(job: list[bytes], size: int) -> None:
    """Offsets, lines and bytes of all blocks add up, with blocks down to one byte."""
    text = b"".join(job)
    check(text, cut(text, size))


@effort(60)
@given(jobs(), st.integers(1, 60), st.integers(1, 9))
def test_short_reads_give_the_same_blocks(job: list[bytes], size: int, most: int) -> None:
    """A pipe that gives a few bytes at a time leads to the blocks of the same file read whole."""
    text = b"".join(job)
    assert list(read_blocks(Dribble(text, most), DEFAULT_DIALECT, size)) == cut(text, size)  # type: ignore[arg-type]


def test_an_empty_job_has_no_blocks() -> None:
    """Nothing in, nothing out."""
    assert cut(b"") == []


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
@pytest.mark.parametrize("last", [b"", b"; the end", b"  ", b"M84"])
def test_the_last_line_counts_whether_ended_or_not(end: bytes, last: bytes) -> None:
    """A last line without an end is a line, even where nothing of it is sent."""
    job = b"G28" + end + b"G1 X1" + end + last
    (block,) = cut(job)
    assert block.lines == 2 + bool(last)


def test_a_line_longer_than_a_block_stays_whole_and_later_blocks_are_small_again() -> None:
    """A picture in a comment of 300 KiB is one line; the blocks after it keep their size."""
    job = b"G28\n;" + b"x" * 300_000 + b"\n" + b"G1 X1\n" * 60_000
    found = cut(job)
    check(job, found)
    assert max(len(block.raw) for block in found[3:]) <= BLOCK_BYTES
    assert sum(b"x" * 1000 in block.raw for block in found) == 1


@pytest.mark.parametrize("rest", [b"", b"\nG28\n"])
def test_a_line_without_an_end_in_sight_is_refused_with_its_place(monkeypatch: pytest.MonkeyPatch, rest: bytes) -> None:
    """What is no text is refused, naming the line, whether or not the file ends there; memory stays bounded."""
    monkeypatch.setattr(blocks_module, "LONGEST_LINE_BYTES", 10_000)
    with pytest.raises(UnreadableJobError, match=r"line 3 is longer than 10,000 bytes"):
        cut(b"G28\nG1 X1\n" + b"y" * 25_000 + rest, 256)


@effort(60)
@given(st.binary(max_size=300), st.integers(1, 40))
def test_any_bytes_are_cut_without_loss(data: bytes, size: int) -> None:
    """Whatever the bytes, the blocks are the job."""
    found = cut(data, size)
    assert b"".join(block.raw for block in found) == data
    assert sum(block.lines for block in found) == len(lines_of(data))
