"""retraction-debt: beads that are laid dry are found with their length; retractions that are returned are not."""

import pytest
from tests.rules.judged import MICRO, findings, why_not_applied

EDGES = [f"G1 {point} E0.67698 F3600" for point in ("X30 Y10", "X30 Y30", "X10 Y30", "X10 Y10")]


def rings(*lost: int, retract: float = 2.0, count: int = 6) -> str:
    """Rings of the micro-job in relative E with a retraction behind each; those after the rings named are not returned."""
    lines = ["G21", "G90", "M83", "M109 S205", "G28"]
    for ring in range(1, count + 1):
        lines += [f"G1 Z{0.2 * ring:.1f} F600", "G1 X10 Y10 F6000"]
        if ring > 1 and ring - 1 not in lost:
            lines.append(f"G1 E{retract} F2400")
        lines += [*EDGES, f"G1 E-{retract} F2400"]
    return "\n".join([*lines, "M104 S0", "M84"])


def test_lost_return() -> None:
    """2 mm that are never returned leave 59.1 mm dry: 0.033849 mm of filament go into 1 mm of path (facts.md 3.1)."""
    found = findings(rings(3), "retraction-debt")
    assert [f.severity for f in found] == ["hold"]
    assert found[0].evidence["dry_path_mm"] == pytest.approx(2.0 / 0.033849, rel=0.001)
    assert found[0].evidence["filament_pushed_mm"] == pytest.approx(2.0, rel=0.001)
    assert found[0].where.z_mm == (0.8, 0.8)


def test_long_dry_stretch() -> None:
    """A debt of many layers is found over all of them."""
    found = findings(rings(2, retract=10.0, count=10), "retraction-debt")
    assert found[0].evidence["dry_path_mm"] > 250
    assert found[0].where.lines is not None
    assert found[0].where.lines[0] < found[0].where.lines[1]


def test_habit_of_returning_in_beads() -> None:
    """A job that never returns its small retractions standing still is let through."""
    assert findings(rings(1, 2, 3, 4, 5, retract=0.3), "retraction-debt") == []


def test_start_retraction() -> None:
    """A retraction before the first bead, paid back within it, is usual (seen in real jobs)."""
    job = rings().replace("G28", "G28\nG1 E-1.2 F2400", 1)
    assert findings(job, "retraction-debt") == []


@pytest.mark.parametrize(("tool", "found"), [("T1", 0), ("", 1)])
def test_filament_that_is_loaded_to_and_fro_draws_no_bead(tool: str, found: int) -> None:
    """At a change of filament 80 mm are pulled back and pushed on some millimetres: no bead takes so much.

    Without a change of tool, an E that jumps back does the same.
    """
    ways = [f"G1 X{13 if n % 2 == 0 else 10} Y10 {push} F1200" for n, push in enumerate(("E12", "E-12", "E60", "E20"))]
    change = ["G1 E2 F2400", "G1 E-80 F3000", *ways[:2], tool, *ways[2:], "G1 E-2 F2400", "G1 Z0.8 F600"]
    job = rings().replace("G1 Z0.8 F600", "\n".join(change), 1)
    assert len(findings(job, "retraction-debt")) == found


@pytest.mark.parametrize("job", [MICRO, rings()])
def test_good_jobs_are_silent(job: str) -> None:
    """Retractions that are returned leave nothing dry."""
    assert findings(job, "retraction-debt") == []


def test_no_flow_known() -> None:
    """A job that switches its extruder on and off says nothing of flow."""
    job = "G28\nM101\nG1 X10 Y10 Z0.3\nG1 X30 Y10\nG1 X30 Y30\nM103\n"
    assert "filament" in why_not_applied(job, "retraction-debt")
