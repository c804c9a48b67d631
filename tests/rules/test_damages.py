"""Each rule on the damage that it is for: silent on the good twin, firing at the right place with the right figures.

Damages come from layergate_sim.damage, which knows by construction where each one is and how large.
"""

from collections.abc import Iterable
from functools import cache

import pytest
from tests.oracles.effort import FACTOR
from tests.oracles.examination import BED_235, found, report_of

from layergate.preflight.findings import Finding, Report
from layergate_sim.damage import Damaged, apply_damage
from layergate_sim.specimens import Specimen, make_specimen

PRINTER = {**BED_235, "maximum_hot_end_c": 285, "maximum_bed_c": 120}
TWINS = {"plate-sparse": 3, "tube": 4, "bollard-cap": 5}
# Damage: rule, severity. Damages of bytes that may fall on anything are in the trials, not here.
MEANT = {
    "layer-lost": ("missing-layer", "block"), "two-layers-lost": ("missing-layer", "block"),
    "layer-dry": ("missing-layer", "block"), "first-layer-lost": ("first-layer-height", "hold"),
    "layer-lines-lost": ("missing-layer", "block"), "z-move-lost": ("missing-layer", "block"),
    "layer-starved-30": ("starved-layer", "block"), "layer-starved-60": ("starved-layer", "block"),
    "layers-starved-30": ("starved-layer", "block"), "half-layer-lost": ("partial-layer", "hold"),
    "region-lost": ("partial-layer", "hold"), "stray-bead": ("mid-air-bead", "hold"), "blob": ("bead-outlier", "block"),
    "plunge": ("through-printed-part", "block"), "retraction-unpaid": ("retraction-debt", "hold"),
    "heat-cut-off": ("cold-extrusion", "block"), "heat-missing": ("cold-extrusion", "hold"),
    "heat-too-high": ("over-temperature", "block"), "heat-wait-missing": ("no-heat-wait", "hold"),
    "heater-left-on": ("heater-left-on", "hold"), "homing-missing": ("not-homed", "hold"),
    "forbidden-command": ("forbidden-command", "block"), "settings-changed": ("settings-change", "hold"),
    "moved-off-bed": ("outside-build-volume", "block"), "other-machine-origin": ("outside-build-volume", "block"),
    "block-zeroed": ("damaged-bytes", "block"), "block-noise": ("damaged-bytes", "block"), "truncated": ("truncated", "block"),
    "block-inserted": ("repeated-block", "block"), "block-repeated": ("repeated-block", "block"),
    "line-end-gone": ("unreadable-line", "hold"),
}  # fmt: skip


@cache
def good(kind: str) -> tuple[Specimen, Report]:
    specimen = make_specimen(kind, TWINS[kind])
    return specimen, report_of(specimen.text, PRINTER)


@cache
def bad(damage: str, kind: str) -> tuple[Damaged, Report]:
    damaged = apply_damage(damage, good(kind)[0], 1)
    return damaged, report_of(damaged.text, PRINTER)


def turns(damages: Iterable[str]) -> list[tuple[str, str]]:
    """Each damage on one of the twins, in turn; with LAYERGATE_EXAMPLES on all."""
    kinds = list(TWINS)
    return [(d, k) for i, d in enumerate(damages) for j, k in enumerate(kinds) if FACTOR > 1 or i % len(kinds) == j]


@pytest.mark.parametrize(("damage", "kind"), turns(MEANT))
def test_a_damage_is_stopped_by_the_rule_that_is_meant_for_it(damage: str, kind: str) -> None:
    """The good twin is clear; the damaged one is stopped, by that rule, as strongly as it should."""
    rule, severity = MEANT[damage]
    assert good(kind)[1].verdict == "clear"
    _, report = bad(damage, kind)
    order = ["note", "hold", "block"]
    findings = found(report, rule)
    assert findings, (report.verdict, [finding.rule for finding in report.findings])
    assert max(order.index(finding.severity) for finding in findings) >= order.index(severity)
    assert order.index({"clear": "note"}.get(report.verdict, report.verdict)) >= order.index(severity)


def first(damage: str, kind: str) -> tuple[Damaged, Finding]:
    damaged, report = bad(damage, kind)
    return damaged, found(report, MEANT[damage][0])[0]


def near(lines: tuple[int, int] | None, place: tuple[int, int] | None, slack: int) -> bool:
    """Whether two line ranges meet, to a few lines."""
    return lines is not None and place is not None and lines[0] - slack <= place[1] and place[0] <= lines[1] + slack


PLACELESS = {"heat-missing", "heater-left-on", "homing-missing", "moved-off-bed", "other-machine-origin"}


@pytest.mark.parametrize(("damage", "kind"), [turn for turn in turns(MEANT) if turn[0] not in PLACELESS])
def test_the_place_is_that_of_the_damage(damage: str, kind: str) -> None:
    """Lines or height of the finding meet those that the damage maker changed: within a layer's lines, within a layer."""
    damaged, report = bad(damage, kind)
    layer_lines = 400
    findings = found(report, MEANT[damage][0])
    by_height = damaged.z_mm is not None and any(
        f.where.z_mm is not None
        and f.where.z_mm[0] - 0.31 <= damaged.z_mm[1]
        and damaged.z_mm[0] <= f.where.z_mm[1] + 0.31
        for f in findings
    )
    by_line = any(near(f.where.lines, damaged.lines, layer_lines if damaged.z_mm else 3) for f in findings)
    assert by_height or by_line, (damaged.lines, damaged.z_mm, [f.where for f in findings])


@pytest.mark.parametrize("kind", TWINS)
def test_a_lost_layer_has_twice_the_gap(kind: str) -> None:
    """Gap ratio 2, one layer missing, at the height of the layer above (geometry, detection.md 1)."""
    damaged, finding = first("layer-lost", kind)
    assert finding.evidence["gap_ratio"] == pytest.approx(2.0, abs=0.05)
    assert finding.evidence["layers_missing"] == 1
    assert damaged.z_mm is not None
    assert finding.where.z_mm is not None
    assert finding.where.z_mm[0] < damaged.z_mm[0] < finding.where.z_mm[1]
    assert first("two-layers-lost", kind)[1].evidence["layers_missing"] == 2


@pytest.mark.parametrize("kind", TWINS)
@pytest.mark.parametrize(("damage", "share"), [("layer-starved-30", 0.3), ("layer-starved-60", 0.6)])
def test_a_starved_layer_has_its_share_of_flow(damage: str, share: float, kind: str) -> None:
    """The flow ratio is the factor by which the maker lowered it."""
    damaged, finding = first(damage, kind)
    assert finding.evidence["flow_ratio"] == pytest.approx(share, abs=0.03)
    assert finding.where.layer == damaged.layers[0] + 1


@pytest.mark.parametrize("kind", TWINS)
def test_a_stray_bead_has_its_length(kind: str) -> None:
    """Path in the air as the maker laid it."""
    damaged, finding = first("stray-bead", kind)
    length = next(
        value for name, value in damaged.size.items() if (name.endswith("_mm") and "path" in name) or "length" in name
    )
    assert finding.evidence["path_mm"] == pytest.approx(length, rel=0.15)


@pytest.mark.parametrize("kind", TWINS)
def test_a_temperature_that_is_too_high_is_named(kind: str) -> None:
    """The target of the damaged job and the limit of the description."""
    _, finding = first("heat-too-high", kind)
    assert finding.evidence["target_c"] > 285
    assert finding.evidence["highest_c"] == 285
    assert not finding.releasable


@pytest.mark.parametrize("kind", TWINS)
def test_zeroed_bytes_are_counted(kind: str) -> None:
    """As many as the storage block had."""
    damaged, finding = first("block-zeroed", kind)
    assert finding.evidence["zero_bytes"] == damaged.text.count(b"\x00")
    assert damaged.text[int(finding.evidence["first_byte"])] == 0
    assert damaged.text[int(finding.evidence["first_byte"]) - 1] != 0


@pytest.mark.parametrize("kind", ["tube"])
def test_a_changed_digit_in_a_numbered_job_breaks_its_checksum(kind: str) -> None:
    """facts.md 1.1: XOR sees every single changed byte; the tube is written with numbers and checksums."""
    damaged = apply_damage("digit-changed", good(kind)[0], 1)
    finding = found(report_of(damaged.text), "checksum-mismatch")[0]
    assert damaged.lines is not None
    assert finding.where.lines is not None
    assert finding.where.lines[0] <= damaged.lines[0] <= finding.where.lines[1]
    assert not finding.releasable


@pytest.mark.parametrize("seed", [0, 1, 3])
def test_a_shift_has_its_distance(seed: int) -> None:
    """Everything from one height up lies aside by what the maker says; a bead's width is the least that can be told."""
    damaged = apply_damage("layers-shifted", good("plate-sparse")[0], seed)
    finding = found(report_of(damaged.text, PRINTER), "shifted-layers")[0]
    assert damaged.size["shift_mm"] > 1
    assert finding.evidence["shift_mm"] == pytest.approx(damaged.size["shift_mm"], abs=0.05)
    assert finding.evidence["shift_x_mm"] == pytest.approx(damaged.size["dx_mm"], abs=0.05)
    assert finding.where.layer == damaged.layers[0] + 1


def test_two_jobs_in_one_file_are_asked_about() -> None:
    """The part is printed, ends, is homed, and is printed again in the same place."""
    specimen = make_specimen("tube", 4)
    damaged = apply_damage("two-jobs", specimen, 1)
    report = report_of(damaged.text, PRINTER)
    assert found(report, "two-jobs")
    assert report.verdict != "clear"
