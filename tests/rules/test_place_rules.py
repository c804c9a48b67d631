"""not-homed, below-bed, keep-out: unknown position, beads below the bed, boxes where something stands."""

import math

import pytest
from tests.oracles.examination import found, report_of
from tests.oracles.harbour import E_PER_MM, job, ring, rings
from tests.rules.judged import MICRO, findings, micro, why_not_applied

CLIP = {"name": "bed clip", "x": [28, 40], "y": [15, 25], "z": [0, 5]}


def test_never_homed() -> None:
    """Without G28 (line 8 of the micro-job) the job is held: someone may have homed by hand."""
    found = findings(micro(replace={8: ""}), "not-homed")
    assert [(f.severity, f.where.lines, f.evidence["axes_not_homed"]) for f in found] == [("hold", (1, 11), 3)]


def test_motors_off_before() -> None:
    """A job that switches its motors off first and does not home can't have been homed by hand."""
    assert [f.severity for f in findings(micro(replace={8: "M84"}), "not-homed")] == ["block"]


@pytest.mark.parametrize(
    "home", ["G28 X0 Y10 Z0", "G28 W", "G 28", "G28 X Y\nG28 Z", "G28 X Y\nG29", "G162 X Y F2500\nG161 Z"]
)
def test_ways_of_homing(home: str) -> None:
    """Every way of homing all axes counts (facts.md 1.4; all seen in real jobs)."""
    assert findings(micro(replace={8: home}), "not-homed") == []


def test_one_axis_missing() -> None:
    """Homing some of the axes is held, and the others are named."""
    found = findings(micro(replace={8: "G28 X Y"}), "not-homed")
    assert [f.severity for f in found] == ["hold"]
    assert "Z is homed" in found[0].message


def test_motors_off_in_between() -> None:
    """Motors off in mid-job lose the position (facts.md 1.4), unless it homes again or only the extruder is off."""
    found = findings(micro(insert={18: ["M84"]}), "not-homed")
    assert [(f.severity, f.where.lines) for f in found] == [("block", (18, 21))]
    for fine in (["M84", "G28 X Y"], ["M84 E"], ["M84 S600"]):
        assert findings(micro(insert={18: fine}), "not-homed") == []


def test_not_homed_not_judged() -> None:
    """A macro may home."""
    assert "macro" in why_not_applied(micro(replace={8: "PRINT_START"}), "not-homed")


@pytest.mark.parametrize(
    ("z", "offset", "severity"),
    [("-1.5", [], "block"), ("-0.3", [], "hold"), ("-1.5", ["G92 Z-1"], "hold"), ("0", [], None)],
)
def test_below_bed(z: str, offset: list[str], severity: str | None) -> None:
    """Deeper than a nozzle's diameter blocks, unless an offset in the job explains it; less deep is held."""
    found = findings(
        micro(replace={10: f"G1 Z{z} F600"}, insert={12: offset} if offset else {}),
        "below-bed",
        {"nozzle_diameter_mm": 0.4},
    )
    assert [f.severity for f in found] == ([severity] if severity else [])
    if severity and not offset:
        assert found[0].evidence["depth_mm"] == pytest.approx(-float(z))
        assert found[0].evidence["path_mm"] == pytest.approx(80)  # one ring


def test_keep_out() -> None:
    """The edge at X 30 from Y 10 to 30 goes through the clip's 10 mm, in each of three rings, and so do parts of others."""
    found = findings(MICRO, "keep-out", {"keep_out_mm": [CLIP]})
    assert [(f.severity, f.releasable, f.where.lines) for f in found] == [("block", False, (13, 29))]
    assert found[0].evidence == {"moves": 3, "path_in_box_mm": pytest.approx(30)}
    assert found[0].where.z_mm == (0.2, 0.6)
    assert "bed clip" in found[0].message


@pytest.mark.parametrize("change", [{"x": [31, 40]}, {"z": [1, 5]}, {"y": [31, 40]}])
def test_keep_out_beside(change: dict[str, list[float]]) -> None:
    """A box beside, in front of, or above the path is not entered."""
    assert findings(MICRO, "keep-out", {"keep_out_mm": [CLIP | change]}) == []


def test_keep_out_crossed_in_one_move() -> None:
    """A long travel whose ends are outside is cut with the box."""
    job = micro(insert={18: ["G1 X50 Y20", "G1 X10 Y20"]})  # the second one crosses it
    found = findings(job, "keep-out", {"keep_out_mm": [{"x": [15, 16], "y": [19, 21], "z": [0, 5]}]})
    assert found[0].evidence == {"moves": 1, "path_in_box_mm": pytest.approx(1)}


def test_keep_out_unstated() -> None:
    """Without boxes there is nothing to keep out of."""
    assert "keep_out_mm" in why_not_applied(MICRO, "keep-out")


@pytest.mark.parametrize(
    ("height", "printer", "severity"),
    [(0.2, {}, None), (0.3, {}, None), (0.33, {}, None), (0.35, {}, "hold"), (0.4, {}, "hold"),
     (0.33, {"nozzle_diameter_mm": 0.3}, "note"), (0.33, {"nozzle_diameter_mm": 0.4}, None)],
)  # fmt: skip
def test_a_first_layer_that_does_not_reach_the_bed(
    height: float, printer: dict[str, float], severity: str | None
) -> None:
    """0.45 x 0.20 mm are 0.081416 mm2 (facts.md 3.1), a free strand of 0.322 mm; above the nozzle's width is an error (3.3)."""
    lines = [line for n in range(8) for line in ring(height + 0.2 * n)]
    found_here = found(report_of(job(lines), printer), "first-layer-height")
    assert [finding.severity for finding in found_here] == ([severity] if severity else [])
    if severity:
        evidence = found_here[0].evidence
        assert evidence["height_mm"] == pytest.approx(height)
        assert evidence["strand_mm"] == pytest.approx(math.sqrt(4 * 0.081416 / math.pi), rel=1e-3)
        assert found_here[0].where.layer == 1


@pytest.mark.parametrize(
    ("first_mm", "flow", "severities"),
    [(0.1, 1.0, []), (0.2, 2.0, []), (0.2, 1.0, ["hold"]), (0.2, 1.2, [])],
)
def test_wide_beads_of_thin_layers_reach_over_a_lost_one(first_mm: float, flow: float, severities: list[str]) -> None:
    """0.6 x 0.1 mm make a strand of 0.27 mm, which touches the bed from 0.2 mm up; but such a bead is fed for 0.1 mm."""
    lines = [*ring(first_mm, e_per_mm=flow * 0.02411)]
    lines += [line for n in range(1, 8) for line in ring(first_mm + 0.1 * n, e_per_mm=0.02411)]
    found_here = found(report_of(job(lines)), "first-layer-height")
    assert [finding.severity for finding in found_here] == severities


def test_a_first_layer_of_each_object_is_judged() -> None:
    """Of two objects printed one after another, the second lacks its first layer; on a raft nothing is bare bed."""
    second = [line for n in range(2, 10) for line in ring(0.2 * n, 120.0)]
    (finding,) = found(report_of(job(rings(8), ["G1 Z10 F600"], second)), "first-layer-height")
    assert finding.where.layer == 9


def test_a_first_layer_that_is_fed_for_its_height_is_a_note() -> None:
    """Jobs begin 0.5 mm and more above the bed where their printer has an offset (seen): told, and let through."""
    lines = [*ring(0.5, e_per_mm=2 * E_PER_MM), *(line for n in range(1, 8) for line in ring(0.5 + 0.2 * n))]
    assert [f.severity for f in found(report_of(job(lines)), "first-layer-height")] == ["note"]


@pytest.mark.parametrize(("purge_mm", "severity"), [(0.24, "hold"), (0.3, "note")])
def test_a_purge_on_the_bed_rules_out_an_offset(purge_mm: float, severity: str) -> None:
    """Beads of 0.163 mm2 make a strand of 0.455 mm: pressed on by half of it, the nozzle would purge into the bed."""
    lines = [*ring(0.5, e_per_mm=2 * E_PER_MM), *(line for n in range(1, 8) for line in ring(0.5 + 0.2 * n))]
    purge = [f"G1 Z{purge_mm}", "G1 X5 Y10", "G1 X5 Y100 E9", "G92 E0"]
    assert [f.severity for f in found(report_of(job(purge, lines)), "first-layer-height")] == [severity]


@pytest.mark.parametrize(("thick", "severity"), [(False, "hold"), (True, None)])
def test_thicker_filament_than_assumed_lifts_no_layer(thick: bool, severity: str | None) -> None:
    """With 2.85 mm in the printer and none stated, the beads of all layers seem too thin to touch what is under them."""
    flow = 0.115686 / 0.081416 * ((1.75 / 2.85) ** 2 if thick else 1.0)  # 0.45 x 0.30 mm against 0.20 (facts.md 3.1)
    lines = [line for n in range(8) for line in ring(0.5 + 0.3 * n, e_per_mm=flow * E_PER_MM)]
    assert [f.severity for f in found(report_of(job(lines)), "first-layer-height")] == ([severity] if severity else [])
