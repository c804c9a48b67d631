"""forbidden-command: what belongs in no job is found at its line, and its harmless relatives are not."""

import pytest
from tests.rules.judged import MICRO, findings, micro

# facts.md 11, mutation 9, and the table in 1.4 (what a job must not hold is common practice).
FORBIDDEN = [
    "M302 P1", "M302 S0", "M302", "M502", "M28 x", "M997", "M23 x.g", "M24", "M32 x.g", "M928 x.g", "M30 x.g", "M110 N5",
    "M575 P1 B250000", "M112", "M999", "M111 S8", "M111 S15", "M118 ok", "M118 E1 Resend: 5", "M118 T:200 /0", "M37 S1", "m997",
]  # fmt: skip
HARMLESS = [
    "M30",
    "M111 S6",
    "M118 layer 3",
    "M118 wrench ready",
    "M302 P0",
    "M302 S170",
    "M117 ok",
    "M105",
    "M37 S0",
    "M27",
]


@pytest.mark.parametrize("command", FORBIDDEN)
def test_forbidden(command: str) -> None:
    """Each forbidden command blocks without release, at its line."""
    found = findings(micro(insert={20: [command]}), "forbidden-command")
    assert [(f.severity, f.releasable, f.where.lines) for f in found] == [("block", False, (20, 20))]
    assert command.split(maxsplit=1)[0].upper() in found[0].message


@pytest.mark.parametrize("command", HARMLESS)
def test_harmless(command: str) -> None:
    """Relatives that change nothing are let through."""
    assert findings(micro(insert={20: [command]}), "forbidden-command") == []


def test_good_job_is_silent() -> None:
    """The reference micro-job (facts.md 11) has none."""
    assert findings(MICRO, "forbidden-command") == []


def test_many_are_counted_once() -> None:
    """A command that stands many times is one finding with its count."""
    found = findings(micro(insert={12: ["M112"] * 5, 20: ["M112"]}), "forbidden-command")
    assert [(f.evidence["times"], f.where.lines) for f in found] == [(6, (12, 12))]
