"""Rules on small jobs written here: limits from both sides, evidence, and when a rule does not apply."""

from typing import Any

import pytest
from tests.oracles.examination import BED_235, applied, found, report_of
from tests.oracles.harbour import E_PER_MM, HEAD, TAIL, job, ring, rings

from layergate.preflight.findings import Finding


def only(text: bytes, rule: str, printer: dict[str, Any] | None = None) -> Finding:
    (finding,) = found(report_of(text, printer), rule)
    return finding


def why_not(text: bytes, rule: str, printer: dict[str, Any] | None = None) -> str:
    """Why a rule did not apply."""
    return next(item.why for item in report_of(text, printer).not_applied if item.rule == rule)


def test_the_plain_job_of_these_tests_is_clear() -> None:
    """What the others change is faultless before; that so small a ring is quick is noted, and stops nothing."""
    report = report_of(job(rings(12)), BED_235)
    assert report.verdict == "clear"
    assert {finding.rule for finding in report.findings} <= {"short-layer-time"}


@pytest.mark.parametrize(
    ("rule", "key"),
    [
        ("outside-build-volume", "build_volume_mm"), ("keep-out", "keep_out_mm"), ("over-temperature", "maximum_hot_end_c"),
        ("material-temperature", "material"),
    ],
)  # fmt: skip
def test_what_nobody_stated_is_no_limit(rule: str, key: str) -> None:
    """Unstated is not a default (architecture.md): the rule is listed, with the key that it needs."""
    assert key in why_not(job(rings(12)), rule)


@pytest.mark.parametrize("rule", ["starved-layer", "bead-outlier", "retraction-debt"])
def test_rules_of_flow_do_not_apply_to_jobs_without_e(rule: str) -> None:
    """A job with M101 and M103 does not say what it pushes."""
    lines = [part for line in rings(12) for part in (["M101", line.split(" E")[0], "M103"] if " E" in line else [line])]
    assert "how much filament" in why_not(job(lines), rule)


@pytest.mark.parametrize(
    "rule", ["cold-extrusion", "truncated", "below-bed", "not-homed", "heater-left-on", "missing-layer"]
)
def test_rules_of_beads_do_not_apply_where_nothing_is_laid(rule: str) -> None:
    """An empty part can be neither cold nor cut."""
    assert not applied(report_of(job([])), rule)


# Layers.


def test_shifted_layers_name_the_shift() -> None:
    """From ring 7 on everything stands 3 mm aside: geometry, every edge moves alike."""
    text = job(rings(6), rings(6, first=7, x=52.4, y=51.8))
    finding = only(text, "shifted-layers")
    assert finding.evidence["shift_mm"] == pytest.approx(3.0, abs=0.01)
    assert (finding.evidence["shift_x_mm"], finding.evidence["shift_y_mm"]) == pytest.approx((2.4, 1.8), abs=0.01)
    assert finding.where.layer == 7
    assert finding.where.lines is not None
    assert finding.where.lines[0] <= len(HEAD) + 6 * 6 + 2 <= finding.where.lines[1] + 2


def test_a_shift_within_a_taper_and_within_a_layer() -> None:
    """Rings that grow by 0.2 mm a layer go on growing beside themselves; a layer that has both places is passed over."""
    taper = [line for n in range(1, 13) for line in ring(0.2 * n, 60 - 0.1 * n + 2 * (n > 6), side=20 + 0.2 * n)]
    finding = only(job(taper), "shifted-layers")
    assert finding.evidence["shift_mm"] == pytest.approx(2.0, abs=0.01)
    mixed = rings(6)
    mixed += [*ring(1.4)[:4], *ring(1.4, 53.0)[4:]]
    finding = only(job(mixed, rings(6, first=8, x=53.0)), "shifted-layers")
    assert finding.evidence["shift_mm"] == pytest.approx(3.0, abs=0.01)


def test_a_shift_within_a_lean() -> None:
    """A wedge whose one edge moves by 0.6 mm a layer goes on so; beside itself, the other edge moves, too, and once."""

    def wedge(shift_mm: float) -> list[str]:
        return [
            line
            for n in range(1, 16)
            for line in ring(0.2 * n, 60 + 0.6 * n + shift_mm * (n > 8), 60, side=30 - 0.6 * n)
        ]

    assert found(report_of(job(wedge(0.0))), "shifted-layers") == []
    (finding,) = found(report_of(job(wedge(2.0))), "shifted-layers")
    assert finding.evidence["shift_x_mm"] == pytest.approx(2.0, abs=0.01)
    assert finding.where.layer == 9


def test_outlines_that_waver_are_no_shift() -> None:
    """Of curved walls, boxes move by a quarter of a millimetre to and fro; what is left against their mean may be twice that."""
    boxes = [
        (65.743, 69.958, 79.332, 82.992), (65.617, 70.372, 79.115, 82.951), (65.537, 70.065, 79.174, 82.956),
        (65.396, 70.000, 78.901, 83.088), (65.335, 70.243, 78.956, 83.158), (65.463, 70.248, 78.943, 83.412),
        (65.423, 70.118, 78.841, 83.333), (65.312, 70.225, 78.741, 83.499), (65.300, 70.125, 78.603, 83.579),
    ]  # fmt: skip
    lines = []
    for n, (x0, y0, x1, y1) in enumerate(boxes, 1):
        lines += [f"G1 Z{0.2 * n:.3f} F600", f"G1 X{x0} Y{y0} F6000"]
        lines += [f"G1 X{x} Y{y} E{14 * E_PER_MM:.5f} F1800" for x, y in ((x1, y0), (x1, y1), (x0, y1), (x0, y0))]
    assert found(report_of(job(lines)), "shifted-layers") == []


def plate(z: float, x0: float, x1: float, y0: float = 60.0, y1: float = 72.0) -> list[str]:
    """Solid lines along X, 0.42 mm apart."""
    lines = [f"G1 Z{z:.3f} F600"]
    for n in range(int((y1 - y0) / 0.42)):
        y, (a, b) = y0 + 0.42 * n, (x0, x1) if n % 2 == 0 else (x1, x0)
        lines += [f"G1 X{a:.3f} Y{y:.3f} F6000", f"G1 X{b:.3f} Y{y:.3f} E{(x1 - x0) * E_PER_MM:.5f} F1800"]
    return lines


def test_a_second_layer_over_the_bare_bed() -> None:
    """A slab whose first layer is a quarter of it hangs over the bed; a pocket in the first layer is bridged from both ends."""
    above = [line for n in range(2, 6) for line in plate(0.2 * n, 60.0, 100.0)]
    finding = only(job(plate(0.2, 60.0, 70.0), above), "unsupported-island")
    assert finding.severity == "hold"
    assert finding.evidence["share_of_layer"] == pytest.approx(0.75, abs=0.03)
    assert finding.evidence["air_mm"] == pytest.approx(0.4, abs=0.001)
    assert finding.where.layer == 2
    pocket = [*plate(0.2, 60.0, 72.0), *plate(0.2, 88.0, 100.0)]
    assert found(report_of(job(pocket, above)), "unsupported-island") == []
    chamfer = plate(0.2, 60.8, 99.2, 60.8, 71.2)
    assert found(report_of(job(chamfer, above)), "unsupported-island") == []


def test_a_leaning_wall_is_no_shift() -> None:
    """0.15 mm a layer, for ever: an overhang of 37 degrees."""
    lines = [line for n in range(1, 20) for line in ring(0.2 * n, 50 + 0.15 * n)]
    assert found(report_of(job(lines)), "shifted-layers") == []


@pytest.mark.parametrize(("thickness", "step"), [(0.4, 0.4), (0.2, 0.2)])
def test_a_change_of_layer_height_is_no_missing_layer(thickness: float, step: float) -> None:
    """Thick layers after thin ones, fed accordingly: flow explains the gap (detection.md 1)."""
    area_ratio = ((0.45 - thickness) * thickness + 3.14159 * thickness**2 / 4) / 0.0814159
    upper = [line for n in range(1, 9) for line in ring(1.6 + step * n, e_per_mm=0.033849 * area_ratio)]
    assert found(report_of(job(rings(8), upper)), "missing-layer") == []


# Envelope.


@pytest.mark.parametrize(("x", "stops"), [(214.9, False), (215.04, False), (215.2, True)])
def test_the_build_volume_has_the_tolerance_that_it_states(x: float, stops: bool) -> None:
    """Up to 0.05 mm is rounding; more is outside."""
    report = report_of(job(rings(6, x=x)), BED_235)
    assert bool(found(report, "outside-build-volume")) == stops


def test_a_travel_may_leave_the_volume_and_not_the_reach() -> None:
    """Parking outside the build volume is fine unless the stated reach ends before."""
    lines = [*rings(6), "G1 X-8 Y50 F6000"]
    assert found(report_of(job(lines), BED_235), "outside-build-volume") == []
    reach = {**BED_235, "reach_mm": {"x": (-5, 240), "y": (-5, 240), "z": (0, 260)}}
    finding = only(job(lines), "outside-build-volume", reach)
    assert finding.evidence["beyond_mm"] == pytest.approx(3)
    assert finding.evidence["x_mm"] == pytest.approx(-8)


def test_an_arc_is_followed_not_only_its_ends() -> None:
    """facts.md 2.3, bounds trap: the R-10 arc reaches X -10 though both ends lie inside."""
    bed = {"build_volume_mm": {"x": (-1, 235), "y": (-1, 235), "z": (0, 250)}}
    lines = ["G1 Z0.2 F600", "G1 X10 Y0 F6000", "G2 X0 Y10 R-10 E1.6 F1800"]
    finding = only(job(lines), "outside-build-volume", bed)
    assert finding.evidence["beyond_mm"] == pytest.approx(9, abs=0.01)
    # The same ends by the short way stay inside.
    assert found(report_of(job([*lines[:2], "G2 X0 Y10 R10 E0.5 F1800"]), bed), "outside-build-volume") == []


def test_a_lone_point_outside_is_told_as_a_damaged_number() -> None:
    """X50.0 that became X500 takes one corner away; a part beside the bed has many moves there, and other advice."""
    lines = rings(8)
    lines[4 * 6 + 2] = lines[4 * 6 + 2].replace("X70.000", "X700.00")
    report = report_of(job(lines), BED_235)
    (finding,) = found(report, "outside-build-volume")
    assert finding.evidence["moves"] == 2
    assert "damaged number" in finding.advice
    assert len(found(report, "mid-air-bead")) <= 1  # however long the bead, it is told once
    (finding,) = found(report_of(job(rings(8, x=230)), BED_235), "outside-build-volume")
    assert "made for this printer" in finding.advice


def test_a_round_bed_has_no_corners() -> None:
    """A ring in the corner of the box around an elliptic bed hangs over its edge."""
    round_bed = {"build_volume_mm": {"x": (0, 200), "y": (0, 200), "z": (0, 200)}, "bed_shape": "ellipse"}
    assert found(report_of(job(rings(6, x=90, y=90)), round_bed), "outside-build-volume") == []
    assert found(report_of(job(rings(6, x=5, y=5)), round_bed), "outside-build-volume")
    assert (
        found(report_of(job(rings(6, x=5, y=5)), {**round_bed, "bed_shape": "rectangle"}), "outside-build-volume") == []
    )


@pytest.mark.parametrize(("z", "severity"), [(-0.1, "hold"), (-0.9, "block")])
def test_beads_below_the_bed(z: float, severity: str) -> None:
    """Deeper than the nozzle is wide: nobody can have meant it; less deep: an offset may explain it (domain.md)."""
    finding = only(job(ring(z), rings(6)), "below-bed", {"nozzle_diameter_mm": 0.4})
    assert finding.severity == severity
    assert finding.evidence["depth_mm"] == pytest.approx(-z)
    assert finding.evidence["path_mm"] == pytest.approx(80)


def test_a_keep_out_box_is_cut_by_paths_not_only_by_ends() -> None:
    """A travel straight through a clip, both ends outside it."""
    box = {"keep_out_mm": [{"x": (100, 110), "y": (40, 60), "z": (0, 15), "name": "clip"}]}
    finding = only(job([*rings(6), "G1 X150 Y50 F6000"]), "keep-out", box)
    assert finding.evidence["path_in_box_mm"] == pytest.approx(10)
    assert "'clip'" in finding.message
    assert found(report_of(job([*rings(6), "G1 Z20 F600", "G1 X150 Y50 F6000"]), box), "keep-out") == []


# Heat.


@pytest.mark.parametrize(
    ("target", "stated", "severity"),
    [(160, 170, "block"), (160, None, "hold"), (160, 150, None), (40, None, "block"), (171, None, None)],
)
def test_cold_extrusion_by_target_and_by_what_is_stated(target: int, stated: int | None, severity: str | None) -> None:
    """Below the stated limit: block; below the usual guard of 170 deg C (facts.md 3.3) with nothing stated: hold."""
    head = [line.replace("S205", f"S{target}") for line in HEAD]
    printer = {"lowest_extrusion_c": stated} if stated else None
    findings = found(report_of(job(rings(6), head=head), printer), "cold-extrusion")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    if severity:
        assert findings[0].evidence["target_c"] == target
        assert findings[0].evidence["path_mm"] == pytest.approx(480)


def test_a_macro_before_the_first_bead_may_heat() -> None:
    """Unknown is not absent: the rule does not apply, and says which line."""
    head = ["START_PRINT", "G90", "M83", "G28"]
    assert "line 1 is a macro" in why_not(job(rings(6), head=head), "cold-extrusion")


@pytest.mark.parametrize(
    ("hot", "bed", "heaters"),
    [(300, 60, {"hot end"}), (205, 130, {"bed"}), (300, 130, {"hot end", "bed"}), (280, 120, set())],
)
def test_over_temperature_of_each_heater(hot: int, bed: int, heaters: set[str]) -> None:
    """At the limit is allowed, above is not; each heater for itself."""
    head = [line.replace("S205", f"S{hot}").replace("S60", f"S{bed}") for line in HEAD]
    findings = found(
        report_of(job(rings(6), head=head), {"maximum_hot_end_c": 280, "maximum_bed_c": 120}), "over-temperature"
    )
    assert {name for name in ("hot end", "bed") for finding in findings if f"The {name} " in finding.message} == heaters


@pytest.mark.parametrize(
    ("material", "target", "stops"), [("PLA", 205, False), ("PLA", 260, True), ("ABS", 190, True), ("ABS", 240, False)]
)
def test_material_temperature(material: str, target: int, stops: bool) -> None:
    """Ranges of facts.md 3.2 (PLA 190-230, ABS 230-260 and the margin): ABS at 190 or PLA at 260 is the wrong spool."""
    head = [line.replace("S205", f"S{target}") for line in HEAD]
    assert bool(found(report_of(job(rings(6), head=head), {"material": material}), "material-temperature")) == stops


@pytest.mark.parametrize(
    ("tail", "stops"),
    [(TAIL, False), (["M104 S0", "M84"], True), (["M140 S0", "M84"], True), (["END_PRINT"], False), (["M81"], False)],
)
def test_heater_left_on(tail: list[str], stops: bool) -> None:
    """Hot end or bed still on after the end block; a macro may switch off, and M81 cuts the supply."""
    assert bool(found(report_of(job(rings(6), tail=tail)), "heater-left-on")) == stops


# File.


@pytest.mark.parametrize(
    ("line", "severity"),
    [
        ("G1 F{TRAVEL}", "hold"), ("G1 X1.2.3 Y5", "hold"), ("X50 Y50 E1", "hold"), ("G1 X50 X60", "hold"),
        ("M104 S205G1 Z5", "hold"),
        ("...", "note"), ("M117 any text: {x}", None), ("; anything", None), ("PARK X=1", None), ("M84 X Y hello_all", None),
    ],
)  # fmt: skip
def test_unreadable_lines(line: str, severity: str | None) -> None:
    """Moves that can't be read are held; text without a comment mark is a note; texts, comments and macros are nothing."""
    findings = found(report_of(job([*rings(3), line, *rings(6, first=4)])), "unreadable-line")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    if severity:
        at = len(HEAD) + 3 * 6 + 1
        assert findings[0].where.lines == (at, at)


@pytest.mark.parametrize(
    ("tail", "severity"),
    [
        ([], "block"),
        (["G1 X0 Y0 F6000"], "block"),
        (TAIL, None),
        (["M84"], None),
        (["END_PRINT"], None),
        (["G28 X"], None),
    ],
)
def test_truncated(tail: list[str], severity: str | None) -> None:
    """An end is: something switched off, homed, or a macro; a travel alone is none."""
    findings = found(report_of(job(rings(6), tail=tail)), "truncated")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


def test_a_cut_file_that_never_heated_is_asked_about() -> None:
    """It may be a piece of a larger work."""
    assert only(job(rings(6), head=["G90", "M83", "G28"], tail=[]), "truncated").severity == "hold"


def test_claimed_layers_that_are_not_there_are_named() -> None:
    """The second witness: comments announce a hundred layers."""
    text = b"; layer count: 100\n" + job(rings(6), tail=[])
    finding = only(text, "truncated")
    assert finding.evidence["layers_announced"] == 100
    assert finding.evidence["layers"] == 6


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (b"", "The file is empty."), (b"; only\n; comments\n", "There is no command in the 2 lines of this file."),
        (b"G21\nG90\nG1 X10 Y10 F600\n", "Nothing in this file lays material (3 commands)."),
        (b"Dear harbour master,\nthe bollards are done.\n", "lays material (2 commands)."),
    ],
)  # fmt: skip
def test_what_is_no_print_job(text: bytes, message: str) -> None:
    """Nothing is laid: blocked, and may be released by name."""
    finding = only(text, "not-a-print-job")
    assert finding.severity == "block"
    assert finding.releasable
    assert finding.message.endswith(message)


@pytest.mark.parametrize(
    ("byte", "stops"),
    [(b"\x00", True), (b"\x1b", True), (b"\xff", True), ("é".encode(), True), (b"\t", False), (b"\r", False)],
)
def test_bytes_that_no_command_has(byte: bytes, stops: bool) -> None:
    """In a command line control and non-text bytes are damage; tabs and line ends are text."""
    text = job([*rings(3), "G1 X50 Y50?", *rings(6, first=4)]).replace(b"?", byte)
    assert bool(found(report_of(text), "damaged-bytes")) == stops


@pytest.mark.parametrize("line", ["; Höhe 名前", "M117 Höhe", "(Schräge)"])
def test_any_language_in_texts_and_comments(line: str) -> None:
    """Comments and texts may hold any language."""
    text = job([*rings(3), line, *rings(6, first=4)])
    assert found(report_of(text), "damaged-bytes") == []


def test_nul_bytes_even_in_comments() -> None:
    """A NUL is never part of a job; counted, with its place in the file."""
    text = job([*rings(3), "; gap:?", *rings(6, first=4)])
    at = text.index(b"?")
    finding = only(text.replace(b"?", b"\x00" * 7), "damaged-bytes")
    assert (finding.evidence["zero_bytes"], finding.evidence["first_byte"]) == (7, at)
    assert finding.where.lines == (len(HEAD) + 19, len(HEAD) + 19)


# Commands.


@pytest.mark.parametrize(
    "command", ["M997", "M502", "M28 x.g", "M30 x.g", "M302 S0", "M112", "M999", "M118 ok", "M23 a.g", "M110 N5"]
)
def test_commands_that_belong_in_no_job(command: str) -> None:
    """facts.md 1.4, "forbid in jobs", and domain.md: blocked, can't be released, the line is named."""
    report = report_of(job([*rings(3), command, *rings(6, first=4)]))
    finding = found(report, "forbidden-command")[0]
    assert (finding.severity, finding.releasable) == ("block", False)
    assert finding.where.lines == (len(HEAD) + 19, len(HEAD) + 19)


@pytest.mark.parametrize(
    ("command", "severity"),
    [
        ("M92 E93", "hold"), ("M851 Z-1", "hold"), ("M301 P20", "hold"), ("M206 Z0.1", "hold"), ("M500", "hold"),
        ("M211 S0", "hold"),
        ("M204 S800", "note"), ("M221 S95", "note"), ("M900 K0.05", "note"), ("M106 S255", None), ("M73 P10", None),
        ("M117 M92", None),
    ],
)  # fmt: skip
def test_settings(command: str, severity: str | None) -> None:
    """What stays after the job is held; what sets only this job's speeds or flow is a note (domain.md)."""
    findings = found(report_of(job([*rings(3), command, *rings(6, first=4)])), "settings-change")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


@pytest.mark.parametrize("text", ["; M997 is never sent", "M117 M502 M997", "(M112)"])
def test_commands_in_texts_and_comments_are_no_commands(text: str) -> None:
    """What does not go to the printer, or goes as text, is not judged as a command."""
    assert found(report_of(job([*rings(3), text, *rings(6, first=4)])), "forbidden-command") == []


def test_jobs_without_an_extrusion_mode_are_a_note() -> None:
    """Absolute E that grows, never said: judged as M82, the default (facts.md 1.4)."""
    e = 0.0
    lines = []
    for line in rings(8):
        if " E" in line:
            e += 20 * 0.033849
            line = line.split(" E")[0] + f" E{e:.5f} F1800"  # noqa: PLW2901
        lines.append(line)
    head = [line for line in HEAD if line != "M83"]
    assert only(job(lines, head=head), "extrusion-mode-unset").severity == "note"


@pytest.mark.parametrize(
    ("head", "severity"),
    [
        (HEAD, None), ([line for line in HEAD if line != "G28"], "hold"), ([*HEAD[:-1], "G28 X Y"], "hold"),
        ([*HEAD[:-1], "G28 X", "G28 Y", "G28 Z"], None), ([*HEAD[:-1], "G28 X Y", "G30"], None), ([*HEAD[:-1], "M84"], "block"),
    ],
)  # fmt: skip
def test_homing(head: list[str], severity: str | None) -> None:
    """Every axis before the first bead; motors switched off before it, and nothing homed, can't be meant."""
    findings = found(report_of(job(rings(6), head=head)), "not-homed")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


@pytest.mark.parametrize(
    ("ways", "told"), [([(1.5, 0.0)], 1), ([(1.5, 0.0), (-1.5, 0.0)], 2), ([(1.5, 0.0), (0.0, 1.5)], 0)]
)
def test_an_outline_that_jumps_again_and_again_is_a_threads(ways: list[tuple[float, float]], told: int) -> None:
    """Once, or there and back, the file shifts a part; a ridge that goes around moves it as far another way."""
    lines, x, y = list[str](), 50.0, 50.0
    for n in range(1, 25):
        if n % 8 == 0 and n // 8 <= len(ways):
            x, y = x + ways[n // 8 - 1][0], y + ways[n // 8 - 1][1]
        lines += ring(0.2 * n, x, y)
    assert len(found(report_of(job(lines)), "shifted-layers")) == told


def test_an_outline_that_wavers_and_stands_on_the_one_below_is_no_shift() -> None:
    """Rough rings that jump back and forth by half a millimetre: between two such, one that hardly moves seems shifted."""
    lines, x = list[str](), 50.0
    for n in range(1, 25):
        x += {11: -0.6, 12: 0.3, 13: -0.5}.get(n, 0.0)
        lines += ring(0.2 * n, x, 50.0)
    assert found(report_of(job(lines)), "shifted-layers") == []
