"""unreadable-line: what a printer would misread is held; stray text that moves nothing is a note."""

import pytest
from tests.oracles.examination import report_of
from tests.oracles.micro_job import before_line
from tests.rules.judged import MICRO, findings, micro

HELD = [
    "G1 X0 Y0 Z5 F{Z_SPEED}",  # a placeholder that was never filled in (seen in real jobs)
    "G1 X12.3.4 Y5",
    "G1 X10 Y20 E1G1 X30",  # a lost line end
    "M109 S200G1 X10 Z5 E1",
    "G1 X10 X20",
    "X10 Y20 E1.5",
    "1 X10 Y20 E1.5",
    "G1 X1\x0b5",
    "G1 X1 0 Y10",  # X10 by RS-274/NGC 3.3, X1 to a printer
    "M104 S2 00",
    "G1889 Y103.689 E0.16300",  # what is left of `G1 X..` and `..889 Y103.689` (RS-274/NGC 3.5: no G above 99)
    "G11 X13.661 Y7.222 E0.27187",
]
NOTED = ["...", "~~ for the harbour master ~~", "M109 S200G1 X0.1 Y200"]
FINE = [
    "G1 E-1.29e-15",
    "G1  X10\tY20",
    "g1x10y20",
    "M117 Layer 3 of 7",
    "PRINT_START BED=60",
    "G 28 W",
    "M18;text",
    "G11 S1",
    "G1",
]


@pytest.mark.parametrize("line", HELD)
def test_held(line: str) -> None:
    """Each is held, at its line and with its text."""
    found = findings(micro(insert={20: [line]}), "unreadable-line")
    assert [(f.severity, f.where.lines) for f in found] == [("hold", (20, 20))]
    assert line[:3] in found[0].message


@pytest.mark.parametrize("line", NOTED)
def test_noted(line: str) -> None:
    """What changes nothing that is laid is a note."""
    assert [f.severity for f in findings(micro(insert={9: [line]}), "unreadable-line")] == ["note"]


@pytest.mark.parametrize("line", FINE)
def test_odd_and_fine(line: str) -> None:
    """Odd ways of writing that can be read (seen in real jobs) are let through."""
    assert findings(micro(insert={9: [line]}), "unreadable-line") == []


def test_good_job_is_silent() -> None:
    """The reference micro-job (facts.md 11) is plain."""
    assert findings(MICRO, "unreadable-line") == []


def test_a_command_longer_than_the_controller_takes_is_held() -> None:
    """Controllers of the community convention cut at their buffer (96 bytes is common practice); only where it is stated."""
    long = "G1 X10.000000000000000000 Y10.000000000000000000 Z0.2000000000000000 E0.1 F1200"
    text = before_line(12, long)
    stated = report_of(text, {"dialect": {"longest_line_bytes": 64}})
    (finding,) = [item for item in stated.findings if item.rule == "unreadable-line"]
    assert finding.severity == "hold"
    assert finding.where.lines == (12, 12)
    assert "longer than the 64 bytes" in finding.message
    assert not [item for item in report_of(text).findings if item.rule == "unreadable-line"]
