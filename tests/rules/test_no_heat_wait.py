"""no-heat-wait: a nozzle that is set and not waited for is held; every usual way of waiting is let through."""

import pytest
from tests.rules.judged import MICRO, findings, micro, why_not_applied


def test_never_waited_for() -> None:
    """Mutation 3, variant, of the micro-job (facts.md 11): line 5 stays, line 7 goes; target set but never waited for."""
    found = findings(micro(replace={7: ""}), "no-heat-wait")
    assert [(f.severity, f.where.lines) for f in found] == [("hold", (5, 11))]
    assert found[0].evidence == {"target_c": 205}


@pytest.mark.parametrize(
    "wait", ["M109 S205", "M109 R205", "M109", "M116", "G4 S90", "G4 P90000", "M0", "M109 T0 S205", "M6 T0"]
)
def test_ways_of_waiting(wait: str) -> None:
    """Waiting for the heater, for a person or for long enough is a wait (facts.md 1.4)."""
    assert findings(micro(replace={7: wait}), "no-heat-wait") == []


@pytest.mark.parametrize("wait", ["G4 S5", "M190 S60", "M400"])
def test_no_waits(wait: str) -> None:
    """A short dwell, the bed, or the end of the moves are no wait for the nozzle."""
    assert len(findings(micro(replace={7: wait}), "no-heat-wait")) == 1


def test_raised_after_the_wait() -> None:
    """A wait at probing temperature does not count for a printing temperature set afterwards."""
    job = micro(replace={5: "M104 S150", 7: "M109 S150"}, insert={9: ["M104 S215"]})
    assert [f.evidence for f in findings(job, "no-heat-wait")] == [{"target_c": 215, "waited_for_c": 150}]


def test_good_job_is_silent() -> None:
    """The reference micro-job (facts.md 11) waits."""
    assert findings(MICRO, "no-heat-wait") == []


def test_macro_first() -> None:
    """Behind a macro nothing is known."""
    assert "macro" in why_not_applied(micro(replace={5: "WARM_UP", 7: ""}), "no-heat-wait")


def test_never_heats() -> None:
    """A job that never heats is another rule's matter."""
    assert "sets no hot-end" in why_not_applied(micro(replace={5: "", 7: ""}), "no-heat-wait")
