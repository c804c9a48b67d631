"""The reference micro-job of facts.md section 11 (figures CALC there): every figure, and the verdict of every mutation."""

import re

import numpy as np
import pytest
from tests.oracles.examination import BED_235, examined, found, report_of
from tests.oracles.micro_job import LINES, MICRO_JOB, before_line, job, with_line, without

from layergate.gcode.columns import read_columns
from layergate.gcode.dialect import Dialect
from layergate.gcode.payload import payload
from layergate.link.framing import SYNC_FRAME, frame
from layergate.preflight.findings import Finding, Report
from layergate.toolpath.moves import DEPOSIT, RETRACT, Moves
from layergate.toolpath.planner import MotionLimits, Planner
from layergate.toolpath.reader import MoveReader

GOOD = MICRO_JOB.encode()
PRINTER = {
    **BED_235,
    "lowest_extrusion_c": 170,
}  # the guard of 170 deg C: facts.md 3.3, "Minimum extrusion temperature"
AREA_175 = 2.405282  # mm2, facts.md 3.1


def moves_of(text: bytes) -> Moves:
    return MoveReader(Dialect()).read(read_columns(payload(text), 1))


def only(report: Report, rule: str) -> Finding:
    (finding,) = found(report, rule)
    return finding


def test_the_job_is_as_printed() -> None:
    """37 lines, 596 bytes plain with LF."""
    assert len(LINES) == 37
    assert len(GOOD) == 596


def test_framed_it_has_866_bytes_over_38_lines() -> None:
    """Numbers and checksums, with a leading ``N0 M110 N0*125``."""
    framed = SYNC_FRAME + b"".join(frame(n, line.encode()) for n, line in enumerate(LINES, 1))
    assert framed.startswith(b"N0 M110 N0*125\n")
    assert len(framed) == 866
    assert framed.count(b"\n") == 38
    assert payload(framed).split(b"\n")[1:-1] == [line.encode() for line in LINES]


def test_layers_path_filament_volume_and_mass() -> None:
    """3 layers at 0.2, 0.4, 0.6; 240 mm of path; 8.12371 mm net; 19.5398 mm3; 0.024229 g at 1.24 g/cm3."""
    examination = examined(GOOD, {**PRINTER, "material": "PLA"})
    layers, estimate = examination.layers, examination.report.estimate
    assert layers.z_mm.tolist() == pytest.approx([0.2, 0.4, 0.6])
    assert layers.path_mm.sum() == pytest.approx(240)
    assert layers.laid_mm.sum() == pytest.approx(8.12371, abs=1e-5)
    assert layers.volume_mm3.sum() == pytest.approx(19.5398, abs=1e-4)
    assert estimate.layers == 3
    assert estimate.filament_mm == pytest.approx(8.12371, abs=1e-3)
    assert estimate.volume_mm3 == pytest.approx(19.5398, abs=1e-3)
    assert estimate.filament_g == pytest.approx(0.024229, abs=5e-4)


def test_gross_push_pull_and_retractions() -> None:
    """Gross pushed 10.52371 mm, pulled 2.4, three retractions."""
    moves = moves_of(GOOD)
    assert moves.push_mm[moves.push_mm > 0].sum() == pytest.approx(10.52371, abs=1e-5)
    assert moves.push_mm[moves.push_mm < 0].sum() == pytest.approx(-2.4, abs=1e-5)
    assert (moves.kind == RETRACT).sum() == 3


def test_bounds_width_and_flow() -> None:
    """Extruding bounds 10..30; bead width 0.4500 on every edge; flow 4.885 mm3/s."""
    examination = examined(GOOD)
    layers = examination.layers
    assert layers.box_mm.tolist() == [[10, 10, 30, 30]] * 3
    assert layers.width_mm.tolist() == pytest.approx([0.45] * 3, abs=5e-5)
    moves = moves_of(GOOD)
    beads = moves.take(moves.kind == DEPOSIT)
    area = beads.laid_mm * AREA_175 / beads.xy_mm
    width = area / 0.2 + 0.2 * (1 - np.pi / 4)  # inverse of the stadium, facts.md 3.1
    assert width.tolist() == pytest.approx([0.45] * 12, abs=5e-5)
    assert (area * beads.feed_mm_s).tolist() == pytest.approx([4.885] * 12, abs=5e-4)


def test_seconds_of_a_ring() -> None:
    """The edges of one ring alone: 1.513448 s with a 1000, delta 0.05; 1.333333 naive."""
    moves = moves_of(GOOD)
    for first in (12, 20, 28):
        ring = moves.take((moves.line >= first) & (moves.line < first + 4))
        planner = Planner(MotionLimits(1000, 0.05))
        planner.feed(ring)
        planner.finish()
        assert planner.clock_s == pytest.approx(1.513448, abs=1e-6)
        assert (ring.xy_mm / ring.feed_mm_s).sum() == pytest.approx(1.333333, abs=1e-6)


def test_the_good_job_is_clear_with_and_without_a_description() -> None:
    """No rule finds anything in it, notes included."""
    for printer in (None, PRINTER, {**PRINTER, "material": "PLA", "nozzle_diameter_mm": 0.4}):
        report = report_of(GOOD, printer)
        assert report.findings == []
        assert report.verdict == "clear"


def test_mutation_1_a_ring_is_deleted() -> None:
    """Lines 18-25 gone: a step of 0.4 mm, and an E jump of 3.38488 on one 20 mm edge (bead area x 5)."""
    report = report_of(without(*range(18, 26)), PRINTER)
    assert report.verdict == "block"
    missing = only(report, "missing-layer")
    assert (missing.where.layer, missing.where.z_mm, missing.where.lines) == (2, (0.2, 0.6), (15, 20))
    assert missing.evidence["gap_mm"] == pytest.approx(0.4, abs=0.003)
    assert missing.evidence["layers_missing"] == 1
    lump = only(report, "bead-outlier")
    assert lump.where.lines == (20, 20)
    assert lump.evidence["area_ratio"] == pytest.approx(5.0, abs=0.01)
    assert lump.evidence["bead_mm3"] == pytest.approx(3.38488 * AREA_175, rel=1e-4)


def test_mutation_2_a_ring_is_starved() -> None:
    """Every E step of ring 2 halved, later E rescaled: width 0.24646 in that band."""
    lines, before, counter = [], 0.0, 0.0
    for number, line in enumerate(LINES, 1):
        word = re.search(r"E([\d.]+)", line)
        if word and line.startswith("G1"):
            step, before = float(word[1]) - before, float(word[1])
            counter += step / 2 if 20 <= number <= 23 else step
            line = line.replace(word[0], f"E{counter:.5f}")  # noqa: PLW2901
        lines.append(line)
    report = report_of(job(lines), PRINTER)
    assert report.verdict == "block"
    (finding,) = report.findings
    assert finding.rule == "starved-layer"
    assert finding.where.layer == 2
    assert finding.where.z_mm == pytest.approx((0.4, 0.4))
    assert finding.evidence["bead_width_mm"] == pytest.approx(0.24646, abs=1e-4)
    assert finding.evidence["flow_ratio"] == pytest.approx(0.5, abs=1e-3)


def test_mutation_3_the_heat_of_the_hot_end_is_deleted() -> None:
    """Lines 5 and 7 gone: extrusion at ambient. The job never speaks of heat, so a person is asked (domain.md)."""
    report = report_of(without(5, 7), PRINTER)
    assert report.verdict == "hold"
    assert only(report, "cold-extrusion").evidence["path_mm"] == pytest.approx(240)


def test_mutation_3_variant_the_wait_is_deleted() -> None:
    """Line 7 gone: a target is set and never waited for: a warning."""
    report = report_of(without(7), PRINTER)
    assert report.verdict == "hold"
    (finding,) = report.findings
    assert finding.rule == "no-heat-wait"
    assert finding.evidence["target_c"] == 205


def test_mutation_4_a_coordinate_leaves_the_bed() -> None:
    """Line 12 X30 -> X300 on a bed of 235: out of bounds by 65 mm; that edge of 290 mm has 1/14.5 of the bead area."""
    report = report_of(with_line(12, "G1 X300 Y10 E0.67698 F3600"), PRINTER)
    assert report.verdict == "block"
    outside = only(report, "outside-build-volume")
    assert outside.evidence["beyond_mm"] == pytest.approx(65)
    assert outside.where.lines is not None
    assert outside.where.lines[0] == 12
    thin = next(finding for finding in found(report, "bead-outlier") if finding.where.lines == (12, 12))
    assert thin.evidence["area_ratio"] == pytest.approx(1 / 14.5, rel=1e-3)
    assert thin.evidence["length_mm"] == 290


def test_mutation_4_without_a_description() -> None:
    """Nobody stated a bed: the bead itself gives the job away."""
    report = report_of(with_line(12, "G1 X300 Y10 E0.67698 F3600"))
    assert report.verdict == "block"
    rules = {finding.rule: finding.severity for finding in report.findings}
    # The point is off its wall, too, and a layer of four beads gets thin by it.
    assert rules == {"bead-outlier": "block", "strayed-wall": "hold", "first-layer-height": "note"}


def test_mutation_5_a_ring_hangs_in_the_air() -> None:
    """Line 26 Z0.6 -> Z1.6: a step of 1.2 mm, 1.0 mm of air under the bead."""
    report = report_of(with_line(26, "G1 Z1.6 F600"), PRINTER)
    assert report.verdict == "block"
    missing = only(report, "missing-layer")
    assert missing.evidence["gap_mm"] == pytest.approx(1.2, abs=0.003)
    assert missing.where.z_mm == pytest.approx((0.4, 1.6))
    air = only(report, "mid-air-bead")
    assert air.where.lines == (28, 31)
    assert air.evidence["path_mm"] == pytest.approx(80)


def test_mutation_6_the_file_is_cut() -> None:
    """Cut after line 20: no heater off, E ends at 3.38488; it can't be released."""
    report = report_of(job(LINES[:20]), PRINTER)
    assert report.verdict == "block"
    finding = only(report, "truncated")
    assert not finding.releasable
    assert finding.where.lines == (20, 20)
    assert report.estimate.filament_mm == pytest.approx(3.38488, abs=1e-3)


def test_mutation_7_a_number_loses_its_point() -> None:
    """E0.67698 -> E067698: a corrupt number, 67.698 m of filament on one edge."""
    report = report_of(with_line(12, "G1 X30 Y10 E067698 F3600"), PRINTER)
    assert report.verdict == "block"
    finding = only(report, "bead-outlier")
    assert finding.where.lines == (12, 12)
    assert finding.evidence["push_mm"] == pytest.approx(67698)


def test_mutation_8_the_heater_goes_off_too_early() -> None:
    """M104 S0 moved to line 12: the heater is off while all three rings are laid."""
    moved = [line for number, line in enumerate(LINES, 1) if number != 34]
    report = report_of(before_line(12, "M104 S0", lines=moved), PRINTER)
    assert report.verdict == "block"
    finding = only(report, "cold-extrusion")
    assert not finding.releasable
    assert finding.where.lines == (13, 32)
    assert finding.evidence["target_c"] == 0
    assert finding.evidence["path_mm"] == pytest.approx(240)


@pytest.mark.parametrize("command", ["M302 P1", "M502", "M28 x", "M997"])
def test_mutation_9_forbidden_commands(command: str) -> None:
    """Cold extrusion allowed, factory reset, writing to the card, firmware update: blocked, and can't be released."""
    report = report_of(before_line(12, command), PRINTER)
    assert report.verdict == "block"
    finding = only(report, "forbidden-command")
    assert not finding.releasable
    assert finding.where.lines == (12, 12)
    assert command.split(maxsplit=1)[0] in finding.message


def test_mutation_10_every_coordinate_accumulates() -> None:
    """Line 2 G90 -> G91: X 90 after ring 1, 180 after ring 2; out of a bed of 235 in ring 3, at X 250, line 29."""
    text = with_line(2, "G91")
    report = report_of(text, PRINTER)
    assert report.verdict == "block"
    outside = only(report, "outside-build-volume")
    assert outside.where.lines is not None
    assert outside.where.lines[0] == 29
    moves = moves_of(text)
    at = {int(line): float(x) for line, x in zip(moves.line, moves.x1, strict=True)}
    assert (at[15], at[23], at[29]) == pytest.approx((90, 180, 250))


def test_mutation_10_e_accumulates_where_g91_covers_it_and_m82_does_not_follow() -> None:
    """In dialects where G91 switches E, M82 follows in line 3 and ends that; without line 3, E accumulates."""
    dialect = {**PRINTER, "dialect": {"g90_g91_and_e": "until-stated"}}
    with_m82 = report_of(with_line(2, "G91"), dialect).estimate.filament_mm
    lines = [line for number, line in enumerate(LINES, 1) if number != 3]
    lines[1] = "G91"
    assert with_m82 == pytest.approx(8.12371, abs=1e-3)
    assert report_of(job(lines), dialect).estimate.filament_mm > 5 * with_m82
