"""Where layers can't be told, the report says so, why and where: one job for each reason, written here."""

import json

import pytest
from tests.oracles.examination import examined, report_of

from layergate.cli.report_text import report_text
from layergate.preflight.findings import Report

HEAD = ["G28", "G90", "M83", "M104 S200", "M109 S200"]
END = ["M104 S0", "M140 S0", "G1 Z20 F600"]


def rings(heights: list[float]) -> list[str]:
    """A square ring of 20 mm at each height, 0.45 x 0.2 mm (facts.md 3.1)."""
    lines = []
    for z in heights:
        lines += [f"G1 Z{z:.3f} F600", "G1 X50 Y50 F6000"]
        lines += [f"G1 {to} E0.67698 F1800" for to in ("X70 Y50", "X70 Y70", "X50 Y70", "X50 Y50")]
    return lines


def told(lines: list[str]) -> Report:
    return examined(("\n".join(lines) + "\n").encode(), rules=[]).report


PART = [*HEAD, *rings([0.2, 0.4, 0.6])]  # lines 1 to 23
SPIRAL = [
    f"G1 X{x} Y{y} Z{0.6 + 0.05 * (n + 1):.3f} E0.677 F1800"
    for n, (x, y) in enumerate([(70, 50), (70, 70), (50, 70), (50, 50)] * 5)
]
RIDGE = [f"G1 X{50 + 2 * (n % 5)} Z{0.8 + (n % 3):.1f} E0.08 F1800" for n in range(12)]
# reason: lines of the job, lines named, how many, a piece of the sentence
CASES = {
    "no-extrusion": ([*HEAD, "G1 X10 Y10 F600", *END], [], 1, "no command pushes filament"),
    "nothing-laid": ([*HEAD, "G1 X10 Y10 F600", "G1 E5", *END], [7], 1, "from line 7 on"),
    "flow-unknown": (["G28", "G1 Z0.2 F600", "M101", "G1 X50 Y0", "G1 Y50", "M103", "G1 X0"], [], 1, "beads have no size"),
    "spiral": ([*PART, *SPIRAL, *END], [24, 43], 20, "climb all along"),
    "not-planar": ([*PART, "G1 X50 Y60 Z0.8 F600", *RIDGE, *END], [26, 36], 11, "go up and down"),
    "far-away": ([*PART, "G1 X5000 Y50 E1 F1800", *END], [24, 24], 1, "over 400 mm"),
    "macro": ([*PART, "LIGHT_ON", "PARK A=1", *rings([0.8]), "END_OF_JOB", *END], [24, 25], 2, "2 macros in lines 24 to 25"),
    "spline": ([*PART, "G5 I0 J3 P0 Q-3 X60 Y60 E1", *END], [24], 1, "line 24 G5, followed as straight to where it ends"),
    "arc": ([*PART, "G2 X60 Y60 E1", "G3 X50 Y50 R1 E1", *END], [24, 25], 2, "2 lines, the first being 24, G2 or G3"),
    "work-offset": (["G55", *PART, *END], [1], 1, "line 1 changing the origin"),
    "tool-offset": ([*HEAD, "G10 P1 X20 Y0", "M218 T1 X20", *rings([0.2]), *END], [6, 7], 2, "setting a tool's offset"),
    "unknown-place": (["G91", "M83", "G1 X10 E1", "G1 Y5 E1", "G90", *PART, *END], [3, 4], 2, "in no layer"),
    "absurd-number": ([*PART, "G1 X1e3 Y50", "G1 X12345678901 Y50 F1800", *END], [25], 1, "beyond any machine"),
}  # fmt: skip


@pytest.mark.parametrize("reason", CASES)
def test_each_reason_is_named_with_its_lines(reason: str) -> None:
    """A word for programs, a sentence for people, the lines, how many; in JSON and, once, in the text."""
    lines, where, count, sentence = CASES[reason]
    report = told(lines)
    (item,) = [item for item in report.layers_untold if item.reason == reason]
    assert (item.lines, item.count) == (where, count)
    assert sentence in item.message
    document = json.loads(report.model_dump_json())
    assert {"reason": reason, "message": item.message, "lines": where, "count": count} in document["layers_untold"]
    text = " ".join(report_text(report, width=100).split())
    assert text.count(f"Can't be told of the layers: {item.message}.") == 1


@pytest.mark.parametrize("reason", sorted(set(CASES) - {"absurd-number", "unknown-place"}))
def test_no_other_reason_is_named(reason: str) -> None:
    """Each of these jobs has one thing that can't be told."""
    assert [item.reason for item in told(CASES[reason][0]).layers_untold] == [reason]


@pytest.mark.parametrize(
    "lines",
    [
        [*PART, *END],
        ["START_OF_JOB", *PART, "END_OF_JOB", *END],
        ["G54", "G1 E5 F300", "G21", *PART, *END],
        ["M117 X5 on the quay", *PART, "T0", "G10 P0 S200 R150", "G10", "G11", *END],
        [*HEAD, "G10 L2 P2 X10 Y10 Z0", "G55", *rings([0.2]), *END],
        [*PART, "G18", "G3 X60 Z0.6 I5 F600", "G17", *END],
    ],
    ids=["plain", "macros-around", "primes-before-homing", "text-and-temperatures", "stated-origin", "travel-arc"],
)
def test_a_job_that_tells_everything_gets_no_such_line(lines: list[str]) -> None:
    """Nothing is said where nothing is open."""
    report = told(lines)
    assert report.layers_untold == []
    assert "Can't be told" not in report_text(report)


def test_macros_are_counted_however_the_job_is_cut() -> None:
    """One macro in each of 9,000 layers of many pieces; those before the first and after the last bead don't count."""
    lines = ["START_OF_JOB", *HEAD]
    for n in range(9000):
        lines += ["SNAP", f"G1 Z{0.2 * (n + 1):.1f} F600", "G1 X50 Y50 F6000", f"G1 X70 Y{50 + n % 3} E0.7 F1800"]
    report = told([*lines, "SNAP", "END_OF_JOB"])
    (item,) = report.layers_untold
    assert (item.reason, item.count) == ("macro", 8999)
    assert item.lines == [11, 7 + 4 * 8999]


def test_what_can_not_be_told_stops_no_good_job() -> None:
    """It is said beside the verdict and is no finding: a spiral is printed as it is meant."""
    report = report_of(("\n".join(CASES["spiral"][0]) + "\n").encode())
    assert report.verdict == "clear"
    assert [item.reason for item in report.layers_untold] == ["spiral"]
