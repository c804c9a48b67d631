"""Payload: the same as a plain function that looks at one line at a time, however the job is cut."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.oracles.effort import effort
from tests.oracles.job_text import jobs
from tests.oracles.plain_payload import lines_of, payload_of_line

from layergate.gcode.dialect import Dialect
from layergate.gcode.payload import payload, payload_lines


def plain(job: bytes, parentheses: bool = True) -> list[bytes]:
    return [payload_of_line(line, parentheses) for line in lines_of(job)]


def as_lines(text: bytes, job: bytes) -> list[bytes]:
    """The lines of a payload; a last line end ends, and does not begin, a line."""
    lines = text.split(b"\n")
    return lines[:-1] if job.endswith((b"\n", b"\r")) or not job else lines


@effort(200)
@given(jobs(), st.booleans())
def test_payload_equals_the_plain_function_line_for_line(job: list[bytes], parentheses: bool) -> None:
    """Comments of both kinds, nesting, framing, marks, blanks, every line end: one line out for each line in."""
    text = b"".join(job)
    assert as_lines(payload(text, Dialect(parentheses_are_comments=parentheses)), text) == plain(text, parentheses)


@effort(120)
@given(jobs(), st.data())
def test_payload_does_not_depend_on_cuts_at_line_ends(job: list[bytes], data: st.DataObject) -> None:
    """Blocks of whole lines, however many lines each has, give the payload of the whole."""
    cuts = sorted(data.draw(st.sets(st.integers(0, len(job)), max_size=5)) | {0, len(job)})
    parts = [payload(b"".join(job[a:b])) for a, b in itertools.pairwise(cuts)]
    assert b"".join(parts) == payload(b"".join(job))


@effort(80)
@given(jobs())
def test_payload_of_a_payload_changes_no_ordinary_line(job: list[bytes]) -> None:
    """What goes to the printer has no comment left: taking the payload again changes only lines still framed or odd."""
    once = payload(b"".join(job))
    for line, again in zip(once.split(b"\n"), payload(once).split(b"\n"), strict=True):
        if b"(" not in line and line[:1] not in b"Nn%" and b"\xef\xbb\xbf" not in line:
            assert again == line


@pytest.mark.parametrize(
    ("line", "sent"),
    [
        # facts.md 1.1: the line number and the checksum are framing.
        (b"N3 T0*57", b"T0"), (b"N201 G1 X88.28 Y111.20 E2.1025 F600.00 *50", b"G1 X88.28 Y111.20 E2.1025 F600.00"),
        (b"N-1 M110*15", b"N-1 M110*15"),
        # facts.md 2.1: comments in parentheses; the community convention adds `;`.
        (b"G1 (to the left) X5 ; and on", b"G1  X5"), (b"; all of it", b""), (b"(MSG, hello)", b""), (b"%", b""), (b"% O100", b""),
        (b"M117 (shown)", b"M117 (shown)"), (b"M117 shown ; not", b"M117 shown"), (b"N5 M117 (shown)*9", b"M117 (shown)"),
        (b"M1170 (gone)", b"M1170"), (b"\xef\xbb\xbfG21", b"G21"), (b"G1\tX5\t", b"G1\tX5"), (b"  G28  ", b"G28"),
        (b"G1 (open X5", b"G1 (open X5"),
        (b"G1 (a (b) c) X5", b"G1  X5"), (b"M18;text", b"M18"), (b"G1 X5)", b"G1 X5)"), (b"G1 (;) X5", b"G1  X5"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("end", [b"", b"\n", b"\r\n", b"\r"])
def test_single_lines(line: bytes, sent: bytes, end: bytes) -> None:
    """Each habit alone, with every line end."""
    assert payload(line + end) == sent + (b"\n" if end else b"")
    assert payload_of_line(line) == sent


def test_parentheses_stay_where_the_printer_knows_no_such_comments() -> None:
    """A dialect that has only `;` comments gets the parentheses, as its controller would read the words inside."""
    assert payload(b"G1 (X5) Y6 ; x\n", Dialect(parentheses_are_comments=False)) == b"G1 (X5) Y6\n"


def test_payload_lines_skip_what_is_not_sent_and_keep_the_index() -> None:
    """The streamer's view: only lines to send, each with its index in the block."""
    assert payload_lines(b"; a\nG28\n\nG1 X1 ; b\n") == [(1, b"G28"), (3, b"G1 X1")]
