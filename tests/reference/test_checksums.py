"""Published framed lines inside a job's file: the framing goes, the command stays, and framing it again gives the line."""

import pytest

from layergate.gcode.payload import payload
from layergate.link.framing import frame

# facts.md 1.1, "Worked examples" (SEEN: RepRap wiki; question-and-answer archive; public test suites; transcripts), and
# "More vectors" (CALC). Of each source the lines without a blank before `*`, which covers the blank.
PUBLISHED = """
N3 T0*57|N4 G92 E0*67|N5 G28*22|N6 G1 F1500.0*82|N7 G1 X2.0 Y2.0 F3000.0*85|N8 G1 X3.0 Y3.0*33|N0 M106*36|N1 G28*18|N2 M107*39
N2 G28*17|N0 G1 X10 Y25.2*51|N1 G1 Z5.2*122|N2 G0 F5.2*100|N4 G1 Z3 F5000*6|N5 M105*34|N6 G92 E0*65|N7 M105*32|N8 M140 S110*109
N9 M104 S245*111|N10 M105*22|N11 M190 S110*88|N12 M109 S245*88|N13 G1 X1 Y20 Z0.35 F5000.0*55|N15 M73 P0 R24*23|N20 G92 E0*117
N14 G1 X1 Y200.0 Z0.35 F1500.0 E15*126|N21 M105*20|N22 G1 E4 F300*28|N65048 G1 X136.689 Y160.389 E6563.257*93|N3186 M105*27
N65055 G0 X138.513 Y158.877 F9000*77|N3187 G1 X89.000 Y86.327 E3.38725*94|N0 M110 N0*125|N1 M105*38|N2 M110 N100*126|N0 M110*35
N1 M115*39|N2 M155 S2*97|N3 M114*36|N4 M400*35|N5 M112*36|N1 G21*27|N2 G90*18|N3 M82*26|N4 M140 S60*87|N5 M104 S205*103
N6 M190 S60*88|N7 M109 S205*104|N8 G28*27|N9 G92 E0*78|N123 G1 X10.000 Y20.000 E1.23456 F1800*9
"""
LINES = [line for row in PUBLISHED.strip().splitlines() for line in row.split("|")]


@pytest.mark.parametrize("line", LINES)
def test_framing_goes_and_comes_back(line: str) -> None:
    """The payload is the command between number and checksum; framed again it is the published line, byte for byte."""
    number, _, rest = line[1:].partition(" ")
    command = rest.rpartition("*")[0]
    assert payload(line.encode() + b"\n") == command.encode() + b"\n"
    assert frame(int(number), command.encode()) == line.encode() + b"\n"


@pytest.mark.parametrize(
    ("line", "command"),
    [
        ("N201 G1 X88.28 Y111.20 E2.1025 F600.00 *50", "G1 X88.28 Y111.20 E2.1025 F600.00"),
        ("N202 G1 X89.53 Y113.80 E2.1998 *69", "G1 X89.53 Y113.80 E2.1998"),
        ("N211 G1 E1.6837 F1500.00 *54", "G1 E1.6837 F1500.00"), ("N212 G92 E0.0000 *72", "G92 E0.0000"),
    ],
)  # fmt: skip
def test_a_blank_before_the_star_is_covered_by_the_sum_and_not_sent(line: str, command: str) -> None:
    """Transcript lines of facts.md 1.1 whose checksum counts the blank before ``*``; the payload has no outer blanks."""
    number = int(line[1:].split(maxsplit=1)[0])
    assert payload(line.encode()) == command.encode()
    assert frame(number, command.encode() + b" ") == line.encode() + b"\n"
