"""two-jobs: a file with a second start behind an end is held; objects printed one after another are not."""

import pytest
from tests.oracles.examination import report_of
from tests.rules.judged import MICRO, MICRO_LINES, findings, micro, why_not_applied

from layergate_sim.damage import apply_damage
from layergate_sim.specimens import make_specimen


def test_twice() -> None:
    """The micro-job (facts.md 11) twice in one file: the second one homes in line 45."""
    found = findings(MICRO + MICRO, "two-jobs")
    assert [(f.severity, f.where.lines, f.evidence["jobs"]) for f in found] == [("hold", (45, 74), 2)]


def test_three_times() -> None:
    """Every job is counted."""
    assert findings(MICRO * 3, "two-jobs")[0].evidence["jobs"] == 3


def test_macros_that_say_so() -> None:
    """Ends and starts inside macros are known by their names."""
    body = "\n".join(MICRO_LINES[8:33])
    job = f"PRINT_START BED=60\n{body}\nPRINT_END\n"
    assert len(findings(job + job, "two-jobs")) == 1
    labels = f"OBJECT_START NAME=cap\n{body}\nOBJECT_END NAME=cap\n"
    assert findings(labels + labels, "two-jobs") == []


@pytest.mark.parametrize("middle", [["G28 X"], ["M104 S0", "M104 S205"], ["M84 E"], ["M84 S600", "G28"], ["M140 S0"]])
def test_what_stands_inside_one_job(middle: list[str]) -> None:
    """Homing alone, a tool switched off and on, an idle extruder, or a cooling bed do not end a job."""
    assert findings(micro(insert={18: middle}), "two-jobs") == []


def test_good_job_is_silent() -> None:
    """One job is one job."""
    assert findings(MICRO, "two-jobs") == []


def test_nothing_laid() -> None:
    """A file that lays nothing has no second job."""
    assert "nothing" in why_not_applied("G28\nM84\nG28\n", "two-jobs")


def test_no_rule_fails_where_a_second_job_lies_on_the_first() -> None:
    """Layers of the second job start inside the first one, some at no height above it."""
    kinds = ("bollard-cap", "plate-solid", "tube", "sequential")
    for seed in range(40, 43):
        damaged = apply_damage("two-jobs", make_specimen(kinds[seed % 4], seed), seed)
        report = report_of(damaged.text)
        assert not [finding.message for finding in report.findings if "could not judge" in finding.message]


def test_zeros_are_lost_not_repeated() -> None:
    """A zeroed block is equal to the zeros before it, and yet no copy: damaged-bytes tells it, repeated-block does not."""
    text = (MICRO * 4).encode()
    zeroed = text[:512] + bytes(2048) + text[512:]
    assert {f.rule for f in report_of(zeroed).findings} >= {"damaged-bytes"}
    assert findings(zeroed, "repeated-block") == []
