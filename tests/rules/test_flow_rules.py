"""over-flow, filament-short: what the hot end melts and what the spool holds."""

import pytest
from tests.rules.judged import MICRO, findings, why_not_applied


def test_over_flow() -> None:
    """The micro-job asks for 4.885 mm3/s during 4 s (facts.md 11: 240 mm at 60 mm/s)."""
    found = findings(MICRO, "over-flow", {"maximum_flow_mm3_s": 4.0}, least_seconds=3.0)
    assert [(f.severity, f.where.lines) for f in found] == [("hold", (12, 31))]
    assert found[0].evidence["highest_flow_mm3_s"] == pytest.approx(4.885, rel=1e-3)
    assert found[0].evidence["seconds_above"] == pytest.approx(4.0, rel=1e-3)


@pytest.mark.parametrize("limit", [4.7, 11.0])
def test_flow_within(limit: float) -> None:
    """At the stated flow, within the tolerance of filament, nothing is found."""
    assert findings(MICRO, "over-flow", {"maximum_flow_mm3_s": limit}, least_seconds=0.0) == []


def test_single_beads_are_let_through() -> None:
    """Less than five seconds in the whole job are no reason to ask."""
    assert findings(MICRO, "over-flow", {"maximum_flow_mm3_s": 4.0}) == []


def test_filament_short() -> None:
    """300 times the micro-job's 0.024229 g of PLA (facts.md 11) is more than a nearly empty spool."""
    body = "\n".join(MICRO.splitlines()[8:33])
    job = "\n".join(["G90", "M82", "G28", *[body] * 300, "M84"])
    found = findings(job, "filament-short", {"material": "PLA", "material_left_g": 8.0})
    assert [f.severity for f in found] == ["hold"]
    assert found[0].evidence["needed_g"] == pytest.approx(300 * 0.024229, rel=0.01)
    assert findings(job, "filament-short", {"material": "PLA", "material_left_g": 10.0}) == []


def test_unstated() -> None:
    """Without limits, and without a density, nothing is judged."""
    assert "maximum_flow_mm3_s" in why_not_applied(MICRO, "over-flow")
    assert "material_left_g" in why_not_applied(MICRO, "filament-short")
    assert "density" in why_not_applied(MICRO, "filament-short", {"material_left_g": 10})
