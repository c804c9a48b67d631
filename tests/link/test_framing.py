"""Framing and checksum against published lines (facts.md 1.1)."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.link.peers import xor_by_hand

from layergate.link.framing import SYNC_FRAME, checksum, frame

# facts.md 1.1, "Worked examples": RepRap wiki; question-and-answer archive; public test suites; public transcripts
# (pastebin aWCZV0i8, bkfiNE1w, Td4FR430; a gist), each read there and recomputed. The blank before * is counted.
SEEN = """
N3 T0*57|N4 G92 E0*67|N5 G28*22|N6 G1 F1500.0*82|N7 G1 X2.0 Y2.0 F3000.0*85|N8 G1 X3.0 Y3.0*33
N0 M106*36|N1 G28*18|N2 M107*39
N2 G28*17|N0 G1 X10 Y25.2*51|N1 G1 Z5.2*122|N2 G0 F5.2*100
N4 G1 Z3 F5000*6|N5 M105*34|N6 G92 E0*65|N7 M105*32|N8 M140 S110*109|N9 M104 S245*111|N10 M105*22|N11 M190 S110*88
N12 M109 S245*88|N13 G1 X1 Y20 Z0.35 F5000.0*55|N14 G1 X1 Y200.0 Z0.35 F1500.0 E15*126|N15 M73 P0 R24*23
N20 G92 E0*117|N21 M105*20|N22 G1 E4 F300*28
N201 G1 X88.28 Y111.20 E2.1025 F600.00 *50|N202 G1 X89.53 Y113.80 E2.1998 *69|N211 G1 E1.6837 F1500.00 *54
N212 G92 E0.0000 *72
N65048 G1 X136.689 Y160.389 E6563.257*93|N65055 G0 X138.513 Y158.877 F9000*77
N3186 M105*27|N3187 G1 X89.000 Y86.327 E3.38725*94
"""
# facts.md 1.1, "More vectors": calculated there from the definition.
CALCULATED = """
N0 M110 N0*125|N1 M105*38|N2 M110 N100*126|N0 M110*35|N1 M115*39|N2 M155 S2*97|N3 M114*36|N4 M400*35|N5 M112*36
N1 G21*27|N2 G90*18|N3 M82*26|N4 M140 S60*87|N5 M104 S205*103|N6 M190 S60*88|N7 M109 S205*104|N8 G28*27|N9 G92 E0*78
N123 G1 X10.000 Y20.000 E1.23456 F1800*9
"""
LINES = [line for line in re.split(r"[|\n]", SEEN + CALCULATED) if line]


@pytest.mark.parametrize("line", LINES)
def test_published_lines_come_out_byte_for_byte(line: str) -> None:
    """Number and command of a published line give that line, its checksum and a line end."""
    match = re.match(r"N(\d+) (.*)\*(\d+)$", line)
    assert match is not None
    assert frame(int(match[1]), match[2].encode()) == line.encode() + b"\n"


def test_a_negative_number_is_covered_too() -> None:
    """N-1 M110 has checksum 15 (facts.md 1.1, calculated)."""
    assert checksum(b"N-1 M110") == 15


def test_a_wrong_checksum_of_a_public_thread_is_not_reproduced() -> None:
    """A public issue thread prints N20 M105*20; the right value is 21 (facts.md 1.1)."""
    assert frame(20, b"M105") == b"N20 M105*21\n"


def test_the_sync_line_is_framed_like_any_other() -> None:
    """The line that sets the printer's counter has the number and the parameter 0 (facts.md 1.3)."""
    assert frame(0, b"M110 N0") == SYNC_FRAME


@given(st.binary(max_size=200))
def test_the_checksum_is_the_plain_loop(text: bytes) -> None:
    """The checksum equals XOR spelled out byte by byte."""
    assert checksum(text) == xor_by_hand(text)


@given(st.binary(min_size=1, max_size=80), st.data())
def test_every_change_of_one_byte_is_seen(text: bytes, data: st.DataObject) -> None:
    """Whatever one byte is changed to, the checksum changes (facts.md 1.1, "what XOR cannot see")."""
    at = data.draw(st.integers(0, len(text) - 1))
    other = data.draw(st.integers(0, 255).filter(lambda value: value != text[at]))
    assert checksum(text[:at] + bytes([other]) + text[at + 1 :]) != checksum(text)


def test_xor_is_blind_to_order_and_to_pairs() -> None:
    """Reordered bytes and pairs of equal bytes go unseen: 36 four times (facts.md 1.1); so a wire is not made sound by it."""
    for text in (b"N9 G1 X12 Y34", b"N9 G1 X21 Y34", b"N9 G1 X1 Y5", b"N9 G1 X100 Y5"):
        assert checksum(text) == 36
