"""Layer map of small jobs written here, each for one behaviour; bead formulas of facts.md 3.1."""

import json
import math

import numpy as np
import pytest
from tests.oracles.examination import examined

from layergate.preflight.examine import Examination

AREA_175 = 2.405282  # mm2, facts.md 3.1

# Filament pushed where nothing moves, or by less than a printer can resolve: no bead, and no division by its length.
NO_LENGTH = [
    ["G1 Z0.75 E0.3"],
    ["G1 X50.0000001 E0.4"],
    ["G1 Z0.75 X50.0000001 E0.4"],
    ["G2 I0 J0 E0.3"],
    ["G3 X50 Y50 Z0.9 I0 J0.00000001 E1"],
]

# facts.md 3.1: width, height, stadium area, rectangle area, E per mm at 1.75 (stadium, rectangle).
BEADS = [
    (0.40, 0.20, 0.071416, 0.080, 0.029691, 0.033260), (0.45, 0.20, 0.081416, 0.090, 0.033849, 0.037418),
    (0.48, 0.20, 0.087416, 0.096, 0.036343, 0.039912), (0.42, 0.30, 0.106686, 0.126, 0.044355, 0.052385),
    (0.50, 0.30, 0.130686, 0.150, 0.054333, 0.062363), (0.40, 0.10, 0.037854, 0.040, 0.015738, 0.016630),
    (0.80, 0.40, 0.285664, 0.320, 0.118765, 0.133041),
]  # fmt: skip


def rings(heights: list[float], e_per_mm: float = 0.033849, *, side: float = 20.0, at: float = 50.0) -> list[str]:
    """A square ring at each height."""
    lines = []
    corners = [(at + side, at), (at + side, at + side), (at, at + side), (at, at)]
    for z in heights:
        lines += [f"G1 Z{z:.3f} F600", f"G1 X{at:g} Y{at:g} F6000"]
        lines += [f"G1 X{x:g} Y{y:g} E{side * e_per_mm:.6f} F1800" for x, y in corners]
    return lines


def made(lines: list[str], printer: dict[str, object] | None = None) -> Examination:
    text = "\n".join(["G28", "G90", "M83", "M104 S200", *lines, "M104 S0", ""])
    return examined(text.encode(), printer, rules=[])


def steps(count: int, height: float) -> list[float]:
    return [round(height * (n + 1), 6) for n in range(count)]


@pytest.mark.parametrize(("width", "height", "stadium", "rectangle", "e_stadium", "e_rectangle"), BEADS)
def test_stadium_beads(
    width: float, height: float, stadium: float, rectangle: float, e_stadium: float, e_rectangle: float
) -> None:
    """Bead area from E per mm, and the width that the stadium gives back; a rectangle's flow reads as wider."""
    layers = made(rings(steps(4, height), e_stadium)).layers
    assert layers.area_mm2[:, 2] == pytest.approx(np.full(4, stadium), rel=1e-4)
    assert layers.width_mm == pytest.approx(np.full(4, width), abs=2e-4)
    assert layers.volume_mm3 == pytest.approx(np.full(4, 80 * stadium), rel=1e-4)
    fuller = made(rings(steps(4, height), e_rectangle)).layers
    assert fuller.area_mm2[:, 2] == pytest.approx(np.full(4, rectangle), rel=1e-4)
    assert fuller.width_mm == pytest.approx(np.full(4, rectangle / height + height * (1 - math.pi / 4)), abs=2e-4)


@pytest.mark.parametrize(("share", "width"), [(0.9, 0.40929), (0.8, 0.36858), (0.7, 0.32788), (0.5, 0.24646)])
def test_under_extrusion_seen_as_width(share: float, width: float) -> None:
    """facts.md 3.1, nominal 0.45 x 0.20: width at 90, 80, 70, 50 % of the flow (CALC)."""
    layers = made(rings(steps(3, 0.2), 0.033849 * share)).layers
    assert layers.width_mm == pytest.approx(np.full(3, width), abs=1e-4)


def test_filament_of_2_85_mm() -> None:
    """A_f of 2.85 is 6.379397 mm2 (facts.md 3.1): the same E lays 2.65 times as much."""
    thin = made(rings([0.2])).layers.volume_mm3[0]
    thick = made(rings([0.2]), {"filament_diameter_mm": 2.85}).layers.volume_mm3[0]
    assert thick / thin == pytest.approx(6.379397 / AREA_175, rel=1e-6)


def test_a_cube_of_20_mm_takes_3326_mm_of_filament() -> None:
    """facts.md 3.1: a solid 20 mm cube is 8000 mm3, 3326.01 mm of 1.75 mm filament."""
    lines = []
    for z in steps(100, 0.2):
        lines.append(f"G1 Z{z:.1f} F600")
        for row in range(50):
            y = 50 + 0.4 * row
            lines += [f"G1 X50 Y{y:.1f} F6000", f"G1 X70 Y{y:.1f} E{20 * 0.4 * 0.2 / AREA_175:.7f} F3000"]
    examination = made(lines)
    assert examination.report.estimate.filament_mm == pytest.approx(3326.01, abs=0.05)
    assert examination.report.estimate.volume_mm3 == pytest.approx(8000, rel=1e-4)
    assert examination.layers.gap_mm[:, 2] == pytest.approx(np.full(100, 0.2), abs=1e-3)


def test_heights_that_interleave_are_layers_of_their_own() -> None:
    """A support on another grid comes in between; each bead is measured by its own column (detection.md 1)."""
    lines = []
    for n in range(1, 13):
        lines += rings([0.2 * n])
        if n % 3 == 0:
            for half in (0.3 * (2 * n / 3 - 1), 0.3 * (2 * n / 3)):
                lines += rings([half], 0.0504, at=100)
    layers = made(lines).layers
    assert (np.diff(layers.z_mm) > 0).all()
    assert layers.gap_mm[:, 0].min() == pytest.approx(0.2, abs=0.003)
    assert layers.gap_mm[:, 4].max() == pytest.approx(0.3, abs=0.003)


def test_a_purge_line_at_a_height_of_its_own_is_no_layer() -> None:
    """Laid before the first layer and above it: printing then goes down (domain.md, purge lines)."""
    purge = ["G1 Z0.3 F600", "G1 X5 Y5 F6000", "G1 X5 Y180 E15 F1000"]
    examination = made([*purge, *rings(steps(5, 0.2))])
    assert examination.layers.z_mm.tolist() == pytest.approx(steps(5, 0.2))
    assert examination.layers.gap_mm[:, 2] == pytest.approx(np.full(5, 0.2), abs=1e-3)
    assert examination.report.estimate.filament_mm == pytest.approx(15 + 5 * 80 * 0.033849, abs=1e-2)


def test_a_second_pass_at_the_same_height_joins_its_layer() -> None:
    """Ironing and coming back later in the same height: one layer, not two."""
    lines = rings(steps(3, 0.2)) + rings([0.6], 0.003)
    layers = made(lines).layers
    assert layers.z_mm.tolist() == pytest.approx(steps(3, 0.2))
    assert layers.path_mm.tolist() == pytest.approx([80, 80, 160])


def test_heights_below_zero_are_printed_on_a_lower_bed() -> None:
    """Prints started at a negative height by an offset (seen in real jobs, domain.md)."""
    layers = made(rings([-0.1, 0.1, 0.3])).layers
    assert layers.z_mm.tolist() == pytest.approx([-0.1, 0.1, 0.3])
    assert layers.gap_mm[:, 2] == pytest.approx(np.full(3, 0.2), abs=1e-3)


def test_no_flow_known_is_not_no_flow() -> None:
    """A job with M101/M103 and no E: layers are there, bead areas are unknown, not zero."""
    lines: list[str] = []
    for line in rings(steps(3, 0.2)):
        lines += ["M101", line.split(" E")[0], "M103"] if " E" in line else [line]
    layers = made(lines).layers
    assert len(layers) == 3
    assert not layers.flow_known
    assert np.isnan(layers.area_mm2).all()
    assert np.isnan(layers.width_mm).all()


@pytest.mark.parametrize("lines", [[], ["G1 X10 Y10 F600", "G1 Z5"], ["G1 E5", "G1 E-5"]])
def test_a_job_that_lays_nothing_has_an_empty_map(lines: list[str]) -> None:
    """No layers, no made-up height; the report can still be written."""
    examination = made(lines)
    assert len(examination.layers) == 0
    assert examination.report.estimate.height_mm == 0
    assert json.loads(examination.report.model_dump_json())["layers"]["z_mm"] == []


def test_columns_of_the_report_are_plain_json_numbers() -> None:
    """One list for each column, one entry for each layer; what is unknown is null, never NaN."""
    columns = made(rings(steps(4, 0.2))).layers.columns()
    assert {len(column) for column in columns.values()} == {4}
    text = json.dumps(columns, allow_nan=False)
    assert json.loads(text)["z_mm"] == pytest.approx(steps(4, 0.2))


def test_share_of_path_by_gap() -> None:
    """Half of a layer over a layer, half over two empty steps: shares of the path, not of beads."""
    lower = ["G1 Z0.2 F600", "G1 X0 Y0 F6000", "G1 X100 Y0 E3.4 F1800"]
    upper = ["G1 Z0.4 F600", "G1 X0 Y0 F6000", "G1 X100 Y0 E3.4 F1800", "G1 X100 Y50 F6000", "G1 X0 Y50 E3.4 F1800"]
    layers = made([*lower, *upper]).layers
    assert layers.gap_share(1, 0.19, 0.21) == pytest.approx(0.5, abs=0.01)
    assert layers.gap_share(1, 0.39, 0.41) == pytest.approx(0.5, abs=0.01)


def test_a_wild_coordinate_ends_no_job() -> None:
    """A lost decimal point: layers go on, memory stays bounded, nothing is NaN in the map."""
    lines = rings(steps(6, 0.2))
    lines[14] = "G1 X7000000 Y50 E0.67698 F1800"
    layers = made(lines).layers
    assert len(layers) == 6
    assert np.isfinite(layers.path_mm).all()


@pytest.mark.parametrize(
    "word", ["Z99999999999", "Z-99999999", "X1e300", "E1e300", "F1e300", "Z0.0000001", "Z1e18", "I1e300", "S1e300"]
)
def test_absurd_numbers_are_survived(word: str) -> None:
    """Whatever number damage leaves, the preflight ends with a report that is valid JSON."""
    lines = rings(steps(3, 0.2))
    lines.insert(7, f"G1 {word}")
    report = made(lines).report
    json.dumps(json.loads(report.model_dump_json()), allow_nan=False)


@pytest.mark.parametrize("lines", NO_LENGTH, ids=lambda lines: lines[0])
def test_filament_without_a_path_is_no_bead(lines: list[str]) -> None:
    """Before, between and without other beads: rebuilt without a warning (which is an error here), as no layer of its own."""
    head = ["G90", "M83", "G28", "G1 X50 Y50 Z0.2 F6000"]
    for text in ([*rings([0.2, 0.4, 0.6]), *lines], [*lines, *rings([0.2, 0.4, 0.6])]):
        assert len(examined("\n".join([*head, *text, "M84"]).encode()).layers) == 3
    assert len(examined("\n".join([*head, *lines, "M84"]).encode()).layers) == 0
