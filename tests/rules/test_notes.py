"""The rules that only note: what is worth knowing, with figures, and never more than a note."""

import pytest
from tests.rules.judged import MICRO, MICRO_LINES, findings, micro, why_not_applied

from layergate.preflight.findings import Finding


def one_note(found: list[Finding]) -> Finding:
    """Check that there is one finding, and that it is a note."""
    assert [f.severity for f in found] == ["note"]
    return found[0]


@pytest.mark.parametrize("command", ["M0", "M1", "M600", "M601", "M25", "PAUSE", "M226 P4 S1"])
def test_needs_attendance(command: str) -> None:
    """What waits for a person between the beads is noted at its line (meanings: facts.md 1.4)."""
    assert one_note(findings(micro(insert={18: [command]}), "needs-attendance")).where.lines == (18, 18)


def test_pauses_outside_the_print() -> None:
    """Before the first and after the last bead a pause holds up nothing."""
    assert findings(micro(insert={9: ["M0"], 34: ["M1"]}), "needs-attendance") == []


def test_unknown_command() -> None:
    """Commands outside the table (facts.md 1.4) and tools that are none are one note, with how many."""
    found = one_note(findings(micro(insert={18: ["M1002", "T255", "M1002", "G99"]}), "unknown-command"))
    assert found.evidence == {"commands": 3, "lines": 4}
    assert found.where.lines == (18, 21)
    assert findings(micro(insert={9: ["M862.3 P1", "T1", "M900 K1", "MY_MACRO A=1"]}), "unknown-command") == []


def rings(count: int, size: float = 20.0, feed: int = 3600, between: tuple[str, ...] = ()) -> str:
    """Square rings in relative E at 0.033849 mm of filament per mm (facts.md 3.1)."""
    e = round(0.033849 * size, 5)
    far = 10 + size
    lines = ["G90", "M83", "G28", "M109 S205"]
    for ring in range(1, count + 1):
        lines += [f"G1 Z{0.2 * ring:.1f} F600", "G1 X10 Y10 F6000"]
        lines += [
            f"G1 X{far} Y10 E{e} F{feed}",
            f"G1 X{far} Y{far} E{e}",
            f"G1 X10 Y{far} E{e}",
            f"G1 X10 Y10 E{e}",
            *between,
        ]
    return "\n".join([*lines, "M104 S0", "M84"])


def test_filament_grinding() -> None:
    """Ten retractions behind each ring of 2.7 mm of filament are some 37 in 10 mm; one behind each is 3 to 4."""
    ten = rings(20, between=("G1 E-1 F2400", "G1 E1 F2400") * 10)
    found = one_note(findings(ten, "filament-grinding"))
    assert 30 < found.evidence["retractions_in_10_mm"] <= 40
    assert findings(rings(20, between=("G1 E-1 F2400", "G1 E1 F2400")), "filament-grinding") == []


def test_speed_over_limit() -> None:
    """The first travel, from home to X10 Y10 at 100 mm/s, asks Y for 100 / sqrt 2; retractions run at 40 mm/s."""
    found = findings(MICRO, "speed-over-limit", {"maximum_speed_mm_s": {"y": 50, "e": 30}})
    assert sorted(f.evidence["highest_mm_s"] for f in found) == [pytest.approx(40), pytest.approx(70.7107)]
    assert {f.severity for f in found} == {"note"}
    assert findings(MICRO, "speed-over-limit", {"maximum_speed_mm_s": {"x": 100, "y": 100, "z": 10, "e": 40}}) == []
    assert "maximum_speed_mm_s" in why_not_applied(MICRO, "speed-over-limit")


def test_acceleration_over_limit() -> None:
    """M204 S5000 asks both axes for 5000 mm/s2 along straight edges."""
    job = micro(insert={9: ["M204 S5000"]})
    found = findings(job, "acceleration-over-limit", {"maximum_acceleration_mm_s2": {"x": 3000, "y": 6000}})
    assert one_note(found).evidence["highest_mm_s2"] == pytest.approx(5000)
    assert findings(MICRO, "acceleration-over-limit", {"maximum_acceleration_mm_s2": {"x": 3000}}) == []
    assert "maximum_acceleration_mm_s2" in why_not_applied(job, "acceleration-over-limit")


def test_small_footprint() -> None:
    """A ring of 4 x 5 mm path with 0.0814159 mm2 beads (facts.md 3.1) stands on 8.14 mm2; 30 mm of height is much."""
    found = one_note(findings(rings(150, size=5.0), "small-footprint"))
    assert found.evidence["footprint_mm2"] == pytest.approx(20 * 0.0814159 / 0.2, rel=0.01)
    assert found.evidence["height_mm"] == pytest.approx(30.0)
    assert findings(rings(20), "small-footprint") == []


def test_short_layer_time() -> None:
    """80 mm at 60 mm/s take 1.5 s (facts.md 11: 1.513448 s with acceleration); at 10 mm/s they take 8 s."""
    found = one_note(findings(rings(12), "short-layer-time"))
    assert found.evidence["layers"] == 12
    assert 1.4 < found.evidence["quickest_s"] < 2.5
    assert findings(rings(12, feed=600), "short-layer-time") == []
    assert findings(MICRO, "short-layer-time") == []  # three layers only


def test_heat_creep() -> None:
    """An hour at 0.3 mm3/s with many retractions is noted in PLA, not in ABS; without a material it is not judged."""
    # 80 mm a ring at 240 mm/min take 20 s: 0.33 mm3/s.
    slow = rings(150, feed=240, between=("G1 E-1 F2400", "G1 E1 F2400") * 5)
    found = one_note(findings(slow, "heat-creep", {"material": "PLA"}))
    assert found.evidence["flow_mm3_s"] == pytest.approx(80 * 0.0814159 / 20, rel=0.05)
    assert found.evidence["minutes"] > 45
    assert "softens only" in why_not_applied(slow, "heat-creep", {"material": "ABS"})
    assert "material" in why_not_applied(slow, "heat-creep")
    assert findings(rings(150), "heat-creep", {"material": "PLA"}) == []


def test_nothing_laid() -> None:
    """Files that lay nothing are not judged."""
    for rule in ("needs-attendance", "small-footprint", "short-layer-time"):
        assert "nothing" in why_not_applied("G28\n", rule)
    assert len(MICRO_LINES) == 37  # facts.md 11
