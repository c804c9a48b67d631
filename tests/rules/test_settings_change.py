"""settings-change: what outlives or moves a job is held; what only tunes it is one note."""

import pytest
from tests.rules.judged import MICRO, findings, micro

# facts.md 1.4 and 1.5; that these are held is common practice.
HELD = [
    "M92 E210.5", "M206 X5", "M851 Z-1.9", "M301 P30 I2 D60", "M303 E0 S240 C8", "M304 P1",
    "M211 S0", "M218 T1 X25", "M350 E8",
    "M500", "M906 X900", "M42 P4 S255", "M302 S100", "M428",
    "M569 S0 X",
]  # fmt: skip
NOTED = [
    "M201 X1000",
    "M203 X200",
    "M204 S1000",
    "M205 X8",
    "M220 S90",
    "M221 S95",
    "M900 K0.05",
    "M572 S0.03",
    "M302 S160",
    "M501",
]


@pytest.mark.parametrize("command", HELD)
def test_held(command: str) -> None:
    """Each is held at its line, and can be released."""
    found = findings(micro(insert={20: [command]}), "settings-change")
    assert [(f.severity, f.releasable, f.where.lines) for f in found] == [("hold", True, (20, 20))]


@pytest.mark.parametrize("command", NOTED)
def test_noted(command: str) -> None:
    """What only tunes this job is a note."""
    assert [f.severity for f in findings(micro(insert={9: [command]}), "settings-change")] == ["note"]


@pytest.mark.parametrize("command", ["M302 P1", "M92", "M301", "M851", "M42 P4 S0", "M211", "M503"])
def test_queries(command: str) -> None:
    """A query, or switching a pin off, changes nothing; a guard switched off is another rule's matter."""
    assert findings(micro(insert={9: [command]}), "settings-change") == []


def test_stored_measurement() -> None:
    """Storing a bed measurement before the first layer is a note; storing anything later is held."""
    good = findings(micro(insert={9: ["G29", "M500"]}), "settings-change")
    assert [f.severity for f in good] == ["note"]
    late = findings(micro(insert={9: ["G29"], 20: ["M500"]}), "settings-change")
    assert [f.severity for f in late] == ["hold"]
    with_steps = findings(micro(insert={9: ["M92 E400", "G29", "M500"]}), "settings-change")
    assert [f.severity for f in with_steps] == ["hold", "hold"]


def test_end_stops_back_on() -> None:
    """Soft end stops that are on again before the first layer are a note."""
    assert [f.severity for f in findings(micro(insert={9: ["M211 S0", "M211 S1"]}), "settings-change")] == ["note"]


def test_good_job_is_silent() -> None:
    """The reference micro-job (facts.md 11) sets nothing of the kind."""
    assert findings(MICRO, "settings-change") == []
