"""checksum-mismatch: changed bytes and lost lines of numbered files are found; files in order are not."""

from functools import reduce
from operator import xor

import pytest
from tests.rules.judged import MICRO_LINES, findings

# Public worked examples (facts.md 1.1): each in order; the spaces before the star count.
IN_ORDER = [
    "N3 T0*57\nN4 G92 E0*67\nN5 G28*22\nN6 G1 F1500.0*82\nN7 G1 X2.0 Y2.0 F3000.0*85\nN8 G1 X3.0 Y3.0*33\n",
    "N0 M106*36\nN1 G28*18\nN2 M107*39\n",
    "N201 G1 X88.28 Y111.20 E2.1025 F600.00 *50\nN202 G1 X89.53 Y113.80 E2.1998 *69\n",
    "N211 G1 E1.6837 F1500.00 *54\r\nN212 G92 E0.0000 *72\r\n",
    "N3186 M105*27\nN3187 G1 X89.000 Y86.327 E3.38725*94",
    "N0 M110 N0*125\nN1 M105*38\n",
    "N9 M105 ; harbour 3*4\nG1 X3*4\n",
]


def framed(lines: list[str], first: int = 1) -> list[str]:
    """Number lines and add checksums, as the protocol says (facts.md 1.1)."""
    numbered = [f"N{first + n} {line}" for n, line in enumerate(lines)]
    return [f"{line}*{reduce(xor, line.encode())}" for line in numbered]


@pytest.mark.parametrize("text", IN_ORDER)
def test_published_lines(text: str) -> None:
    """Lines that were published as correct are in order."""
    assert findings(text, "checksum-mismatch") == []


def test_published_wrong_line() -> None:
    """`N20 M105*20` was printed in public and is wrong; 21 is right (facts.md 1.1)."""
    found = findings("N20 M105*20\n", "checksum-mismatch")
    assert [(f.severity, f.releasable, f.where.lines) for f in found] == [("block", False, (1, 1))]
    assert findings("N20 M105*21\n", "checksum-mismatch") == []


def test_changed_byte() -> None:
    """A changed byte is found at its line."""
    lines = framed(MICRO_LINES)
    lines[19] = lines[19].replace("X30", "X31")
    assert [f.where.lines for f in findings("\n".join(lines), "checksum-mismatch")] == [(20, 20)]


def test_lost_lines() -> None:
    """Lost lines show in the numbers, with how many."""
    lines = framed(MICRO_LINES)
    found = findings("\n".join(lines[:19] + lines[24:]), "checksum-mismatch")
    assert [(f.where.lines, f.evidence["lines_lost"]) for f in found] == [((20, 20), 5)]


def test_counter_set_anew() -> None:
    """M110 sets the counter and is no skip."""
    lines = [*framed(["G28", "M105"]), *framed(["M110", "M105"], first=100)]
    assert findings("\n".join(lines), "checksum-mismatch") == []


def test_long_file_across_blocks() -> None:
    """A numbered file of several blocks is followed across them; numbers above 99999 occur (facts.md 1.1)."""
    lines = framed(["G1 X10.000 Y20.000"] * 12_000, first=95_000)
    assert findings("\n".join(lines), "checksum-mismatch") == []
    lines[9000] = lines[9000].replace("X10", "X11")
    assert [f.where.lines for f in findings("\n".join(lines), "checksum-mismatch")] == [(9001, 9001)]
