"""over-temperature, material-temperature, heater-left-on: what is too hot, wrong for its material, or left on."""

import pytest
from tests.rules.judged import MICRO, findings, micro, why_not_applied


def test_over_temperature() -> None:
    """A target above the stated limit is blocked without release, whether waited for or not."""
    found = findings(
        micro(insert={7: ["M104 S310"]}), "over-temperature", {"maximum_hot_end_c": 300, "maximum_bed_c": 50}
    )
    assert [(f.severity, f.releasable, f.where.lines, f.evidence["target_c"]) for f in found] == [
        ("block", False, (4, 6), 60),
        ("block", False, (7, 7), 310),
    ]
    assert findings(MICRO, "over-temperature", {"maximum_hot_end_c": 205, "maximum_bed_c": 60}) == []
    assert "maximum_hot_end_c" in why_not_applied(MICRO, "over-temperature")


@pytest.mark.parametrize(
    ("material", "target", "holds"),
    # facts.md 3.2: PLA 190-230, PETG 235-250, ABS 240-260, TPU 220-240 (read); PC 270-310 (memory).
    [("PLA", 205, False), ("PLA", 310, True), ("pla silk", 240, False), ("PETG", 230, False), ("PETG", 180, True),
     ("ABS", 230, False), ("ABS", 190, True), ("PC", 205, True), ("TPU 95A", 230, False), ("PA12", 200, True)],
)  # fmt: skip
def test_material_stated(material: str, target: float, *, holds: bool) -> None:
    """The stated material decides, with some margin."""
    job = MICRO.replace("S205", f"S{target}")
    found = findings(job, "material-temperature", {"material": material})
    assert [f.severity for f in found] == (["hold"] if holds else [])
    if holds:
        assert (found[0].evidence["target_c"], found[0].where.lines) == (target, (12, 31))
        assert found[0].evidence["path_mm"] == pytest.approx(240)  # facts.md 11


def test_material_claimed() -> None:
    """Without a description, the comments name the material; several materials name none."""
    job = MICRO.replace("S205", "S310")
    assert len(findings("; filament_type = PLA\n" + job, "material-temperature")) == 1
    assert "material" in why_not_applied("; filament_type = PLA,ABS\n" + job, "material-temperature")
    assert "material" in why_not_applied(job, "material-temperature")


@pytest.mark.parametrize(("line", "heater"), [(34, "hot_end_0_c"), (35, "bed_c")])
def test_left_on(line: int, heater: str) -> None:
    """A heater whose switch-off is missing at the end (lines 34 and 35 of the micro-job) is held, with its target."""
    found = findings(micro(replace={line: ""}), "heater-left-on")
    assert [f.severity for f in found] == ["hold"]
    assert found[0].evidence == {heater: {"hot_end_0_c": 205, "bed_c": 60}[heater]}


def test_left_on_otherwise() -> None:
    """A second tool and a chamber are heaters, too; the supply switched off, and a lukewarm bed, are fine."""
    found = findings(micro(insert={7: ["M104 T1 S190", "M141 S50"]}), "heater-left-on")
    assert found[0].evidence == {"hot_end_1_c": 190, "chamber_c": 50}
    assert findings(micro(replace={35: "M81"}), "heater-left-on") == []
    assert findings(micro(replace={35: "M140 S25"}), "heater-left-on") == []
    assert findings(MICRO, "heater-left-on") == []


def test_left_on_not_judged() -> None:
    """A macro at the end may switch off; a file that is cut has no end to judge."""
    assert "macro" in why_not_applied(micro(replace={34: "PRINT_END", 35: ""}), "heater-left-on")
    assert "no end" in why_not_applied("\n".join(MICRO.splitlines()[:20]), "heater-left-on")


def test_left_on_where_the_end_can_not_be_read() -> None:
    """A torn last line is no command that switches anything off."""
    found = findings(micro(replace=dict.fromkeys(range(33, 37), "") | {32: "G"}), "heater-left-on")
    assert [f.evidence for f in found] == [{"hot_end_0_c": 205, "bed_c": 60}]
