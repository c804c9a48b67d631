"""Framing: checksums, line ends, numbers, the ring. Vectors from facts.md 1.1, each with the mark it has there."""

from __future__ import annotations

import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from tests.sim.printer.desk import frame

from layergate_sim.printer.framing import Line, LineReader, Refused, checksum

# facts.md 1.1: SEEN in the RepRap wiki, in a question-and-answer archive, in public test suites and transcripts.
SEEN = """
N3 T0*57|N4 G92 E0*67|N5 G28*22|N6 G1 F1500.0*82|N7 G1 X2.0 Y2.0 F3000.0*85|N8 G1 X3.0 Y3.0*33|N0 M106*36|N1 G28*18
N2 M107*39|N2 G28*17|N0 G1 X10 Y25.2*51|N1 G1 Z5.2*122|N2 G0 F5.2*100|N4 G1 Z3 F5000*6|N5 M105*34|N6 G92 E0*65|N7 M105*32
N8 M140 S110*109|N9 M104 S245*111|N10 M105*22|N11 M190 S110*88|N12 M109 S245*88|N13 G1 X1 Y20 Z0.35 F5000.0*55
N14 G1 X1 Y200.0 Z0.35 F1500.0 E15*126|N15 M73 P0 R24*23|N20 G92 E0*117|N21 M105*20|N22 G1 E4 F300*28
N201 G1 X88.28 Y111.20 E2.1025 F600.00 *50|N202 G1 X89.53 Y113.80 E2.1998 *69|N211 G1 E1.6837 F1500.00 *54
N212 G92 E0.0000 *72|N65048 G1 X136.689 Y160.389 E6563.257*93|N65055 G0 X138.513 Y158.877 F9000*77|N3186 M105*27
N3187 G1 X89.000 Y86.327 E3.38725*94
"""
# facts.md 1.1, CALC there.
CALCULATED = """
N0 M110 N0*125|N1 M105*38|N2 M110 N100*126|N0 M110*35|N-1 M110*15|N1 M115*39|N2 M155 S2*97|N3 M114*36|N4 M400*35
N5 M112*36|N1 G21*27|N2 G90*18|N3 M82*26|N4 M140 S60*87|N5 M104 S205*103|N6 M190 S60*88|N7 M109 S205*104|N8 G28*27
N9 G92 E0*78|N123 G1 X10.000 Y20.000 E1.23456 F1800*9
"""
VECTORS = [line for line in re.split(r"[|\n]", SEEN + CALCULATED) if line]


def reader(ring: int = 0, longest: int = 96) -> LineReader:
    return LineReader(ring, longest)


def read_all(one: LineReader) -> list[Line | Refused]:
    found = []
    while (raw := one.next_raw()) is not None:
        line = one.accept(raw)
        if line is not None:
            found.append(line)
    return found


@pytest.mark.parametrize("vector", VECTORS)
def test_published_checksums_are_accepted(vector: str) -> None:
    """Every line of facts.md 1.1 has the checksum that we compute, and is accepted at its number."""
    body, _, given_sum = vector.rpartition("*")
    assert checksum(body.encode()) == int(given_sum)
    one = reader()
    number = int(re.match(r"N(-?\d+)", vector)[1])  # type: ignore[index]
    one.last_number = number - 1
    line = one.accept(vector.encode())
    assert isinstance(line, Line)
    assert line.number == number
    assert line.payload == re.sub(r"^N-?\d+ ", "", body).encode()


def test_the_wrong_published_line_is_refused() -> None:
    """`N20 M105*20`, printed in a public thread, is wrong: 21 is right (facts.md 1.1, negative example)."""
    one = reader()
    one.last_number = 19
    refused = one.accept(b"N20 M105*20")
    assert isinstance(refused, Refused)
    assert refused.kind == "checksum"
    assert isinstance(one.accept(b"N20 M105*21"), Line)


def test_what_a_checksum_cannot_see() -> None:
    """XOR does not see reordering, nor a pair of equal bytes more or less (facts.md 1.1)."""
    assert checksum(b"N9 G1 X12 Y34") == checksum(b"N9 G1 X21 Y34") == 36
    assert checksum(b"N9 G1 X1 Y5") == checksum(b"N9 G1 X100 Y5") == 36
    assert checksum(b"N3 T0") == checksum(b"n3 t0") == 57


@given(st.binary(max_size=300))
def test_checksum_equals_the_plain_loop(data: bytes) -> None:
    """The folded checksum is the XOR of all bytes (facts.md 1.1)."""
    plain = 0
    for byte in data:
        plain ^= byte
    assert checksum(data) == plain


@given(st.integers(0, 10**7), st.integers(0, 60), st.integers(1, 255))
@example(0, 1, 11)  # N0 becomes "N;": a comment begins where the number was
def test_one_changed_byte_is_always_seen(number: int, place: int, flip: int) -> None:
    """A single changed byte never gives an accepted line with another payload (facts.md 1.1)."""
    good = frame(number, "G1 X10.5 Y-3.25 E0.0123 F1800")[:-1]
    bad = bytearray(good)
    bad[place % len(good)] ^= flip
    if bad[place % len(good)] in b"\r\n":
        return  # then it is two lines, which is another test
    one = reader()
    one.last_number = number - 1
    line = one.accept(bytes(bad))
    assert not isinstance(line, Line) or line.payload == b"G1 X10.5 Y-3.25 E0.0123 F1800"


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n"])
@pytest.mark.parametrize("size", [1, 2, 7, 1000])
def test_line_ends_and_pieces_make_no_difference(end: bytes, size: int) -> None:
    """LF, CR and both end a line (facts.md 1.1), in whatever pieces the bytes come."""
    data = b"".join(frame(n, f"G1 X{n}")[:-1] + end for n in range(1, 20)) + b"N20 G1"
    one = reader()
    lines: list[Line | Refused] = []
    for at in range(0, len(data), size):
        one.feed(data[at : at + size])
        lines += read_all(one)
    assert [line.payload for line in lines if isinstance(line, Line)] == [b"G1 X%d" % n for n in range(1, 20)]
    assert len(lines) == 19
    assert one.pending == len(b"N20 G1")


@pytest.mark.parametrize(
    ("line", "kind", "text"),
    [
        (b"N5 G28*1", "checksum", "checksum mismatch, Last Line: 4"),
        (b"N5 G28", "no-checksum", "No Checksum with line number, Last Line: 4"),
        (b"G28*22", "no-number", "No Line Number with checksum, Last Line: 4"),
        (b"N7 M105*32", "sequence", "Line Number is not Last Line Number+1, Last Line: 4"),
        (b"N3 T0*57", "sequence", "Line Number is not Last Line Number+1, Last Line: 4"),
        (b"N5 G28*", "checksum", "checksum mismatch, Last Line: 4"),
    ],
)
def test_refusals_have_the_texts_of_public_transcripts(line: bytes, kind: str, text: str) -> None:
    """The four framing errors, in the forms of facts.md 1.2 (the mismatch text is from memory there)."""
    one = reader()
    one.last_number = 4
    refused = one.accept(line)
    assert isinstance(refused, Refused)
    assert (refused.kind, refused.text) == (kind, text)
    assert one.last_number == 4


@pytest.mark.parametrize(
    ("line", "after"),
    [(b"N123 M110*96", 123), (b"N5 M110 N123*77", 123), (b"N0 M110 N0*125", 0), (b"M110 N7", 7), (b"M110", 55)],
)
def test_m110_sets_the_line_number(line: bytes, after: int) -> None:
    """M110 is accepted at any number; N among its words wins over the line's own (facts.md 1.3)."""
    body, star, _ = line.partition(b"*")
    one = reader()
    one.last_number = 55
    assert isinstance(one.accept(body + star + (b"%d" % checksum(body) if star else b"")), Line)
    assert one.last_number == after


def test_comments_and_blank_lines_are_no_commands() -> None:
    """A comment ends a line's content before the checksum is looked for; blank lines are nothing (facts.md 1.1)."""
    one = reader()
    one.feed(b"\n  \n; only words\nG28 ; home\nN1 G28*18;said later\n")
    assert [line.payload for line in read_all(one) if isinstance(line, Line)] == [b"G28 ", b"G28"]


def test_a_full_ring_loses_what_does_not_fit_and_counts_it() -> None:
    """128 bytes fit (facts.md 1.3: 64-128); the rest is lost, and what follows is marked as touched."""
    one = reader(128)
    one.feed(b"x" * 100 + b"\n" + b"y" * 50)
    assert one.overrun_bytes == 23
    assert one.next_raw() == b"x" * 100
    assert not one.damaged
    one.feed(b"z\n")
    assert one.next_raw() == b"y" * 27 + b"z"
    assert one.damaged


def test_an_endless_line_does_not_make_the_reader_deaf() -> None:
    """A ring full of bytes without a line end gives way, so that the next line end is seen at all."""
    one = reader(128)
    for _ in range(10):
        one.feed(b"x" * 100)
        assert one.next_raw() is None
    one.feed(b"\nG28\n")
    assert one.next_raw() is not None
    assert one.next_raw() == b"G28"


def test_a_line_longer_than_the_buffer_is_cut_and_so_refused() -> None:
    """A fixed line buffer (96 bytes, common practice) cuts what is longer: its checksum is gone."""
    one = reader()
    refused = one.accept(frame(1, "M117 " + "a" * 120)[:-1])
    assert isinstance(refused, Refused)
    assert refused.kind == "no-checksum"
    assert one.lines_cut == 1


def test_lines_without_a_number_can_be_forbidden() -> None:
    """A printer may insist on numbers and checksums."""
    one = LineReader(0, 96, numbered_only=True)
    assert isinstance(one.accept(b"G28"), Refused)
    assert isinstance(one.accept(b"N1 G28*18"), Line)
