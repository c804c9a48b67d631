"""Loops that begin on a slope and end upon it, as ramped seams are laid (common practice). Jobs written here."""

import math
import re
from functools import partial
from io import BytesIO

import pytest
from tests.oracles.examination import examined

from layergate.gcode.blocks import read_blocks
from layergate.gcode.columns import read_columns
from layergate.gcode.dialect import DEFAULT_DIALECT
from layergate.layers.builder import laid_whole
from layergate.preflight import reading
from layergate.toolpath.reader import MoveReader

E_PER_MM = 0.033849  # 0.45 x 0.2 mm, stadium (facts.md 3.1)
STEPS = 20


def circle(z: float, radius: float, *, ramp_mm: float, turns: int = 96) -> list[str]:
    """A loop of full flow; with a ramp, its first part climbs from a layer lower and is run over again at the end."""
    points = [
        (100 + radius * math.cos(a), 100 + radius * math.sin(a))
        for a in (k * math.tau / turns for k in range(turns + 1))
    ]
    piece = math.dist(points[0], points[1])
    sloped = round(ramp_mm / piece)
    lines = [f"G1 X{points[0][0]:.3f} Y{points[0][1]:.3f} F9000", f"G1 Z{z - (0.2 if sloped else 0):.3f} F600"]
    for k in range(1, turns + 1):
        share = min(1.0, (k - 0.5) / sloped) if sloped else 1.0
        height = f" Z{z - 0.2 * (1 - k / sloped):.4f}" if k <= sloped else ""
        lines.append(f"G1 X{points[k][0]:.3f} Y{points[k][1]:.3f}{height} E{piece * E_PER_MM * share:.5f} F1800")
    lines += [
        f"G1 X{x:.3f} Y{y:.3f} E{piece * E_PER_MM * (1 - (k + 0.5) / sloped):.5f}"
        for k, (x, y) in enumerate(points[1 : sloped + 1])
    ]
    return lines


def tube(layers: int, ramp_mm: float) -> bytes:
    lines = ["G28", "M104 S210", "M109 S210", "G90", "M83"]
    for n in range(1, layers + 1):
        for radius in (12.0, 11.55, 11.1):
            lines += ["G1 E-1 F1800", *circle(0.2 * n, radius, ramp_mm=ramp_mm if n > 1 else 0.0)[:2], "G1 E1"]
            lines += circle(0.2 * n, radius, ramp_mm=ramp_mm if n > 1 else 0.0)[2:]
    return "\n".join([*lines, "G1 E-1", "G1 Z30 F600", "M104 S0", "M84", ""]).encode()


@pytest.mark.parametrize("ramp_mm", [5.0, 20.0, 60.0])
@pytest.mark.parametrize("layers", [12, 60])
def test_a_ramped_seam_belongs_to_its_layer(ramp_mm: float, layers: int) -> None:
    """Layers, gaps and volume are those of the job without ramps, in jobs of one block and of many; nothing is stopped."""
    report = examined(tube(layers, ramp_mm)).report
    plain = examined(tube(layers, 0.0)).report
    heights = [round(0.2 * n, 3) for n in range(1, layers + 1)]
    assert [round(z, 3) for z in report.layers["z_mm"]] == heights
    assert all(abs(gap - 0.2) <= 0.002 for gap in report.layers["gap_mm"])
    assert report.estimate.volume_mm3 == pytest.approx(plain.estimate.volume_mm3, rel=0.002)
    assert [finding.message for finding in report.findings if finding.severity != "note"] == []


@pytest.mark.parametrize("piece_bytes", [6_000, 30_000])
def test_a_gentle_slope_may_be_written_in_hundredths(piece_bytes: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its heights are stairs with level pieces between, the first of several beads; it belongs to its layer all the same."""
    text = tube(8, 20.0).decode()
    stairs = re.sub(r" Z([0-9.]+)", lambda m: f" Z{0.5 * float(m[1]):.2f}", text)
    thin = re.sub(r" E([0-9.]+)", lambda m: m[0] if m[1] == "1" else f" E{0.5 * float(m[1]):.5f}", stairs)
    monkeypatch.setattr(reading, "PIECE_BYTES", piece_bytes)
    monkeypatch.setattr(reading, "read_blocks", partial(read_blocks, block_bytes=1500))
    report = examined(thin.encode()).report
    assert [round(z, 3) for z in report.layers["z_mm"]] == [round(0.1 * n, 3) for n in range(1, 9)]
    assert [finding.message for finding in report.findings if finding.severity != "note"] == []


@pytest.mark.parametrize("piece_bytes", [1, 2_000, 30_000])
def test_seams_do_not_depend_on_how_the_job_is_cut(piece_bytes: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A loop whose slope is all that is there yet waits for the rest of it."""
    whole = examined(tube(8, 20.0)).report
    monkeypatch.setattr(reading, "PIECE_BYTES", piece_bytes)
    monkeypatch.setattr(reading, "read_blocks", partial(read_blocks, block_bytes=1500))
    assert examined(tube(8, 20.0)).report.layers == whole.layers


def test_a_small_loop_at_the_end_of_a_piece_is_laid_whole() -> None:
    """The tip of a cone: a slope of some beads and as few level ones after it, which are no way up and no spiral."""
    lines = ["G28", "M83", "G1 X100 Y100 Z0.2", *circle(0.4, 1.0, ramp_mm=1.5, turns=8)]
    reader = MoveReader(DEFAULT_DIALECT)
    (block,) = read_blocks(BytesIO("\n".join(lines).encode()), DEFAULT_DIALECT)
    moves = reader.read(read_columns(block.payload, 1))
    assert laid_whole(moves) == len(moves)
    assert laid_whole(moves.take(slice(-7))) == len(moves) - 10  # of the loop nothing, until it is known for a seam


def test_a_slope_does_not_wait_for_ever() -> None:
    """A job that ends on a slope and then travels for thousands of lines: what is laid is laid, and memory stays flat."""
    climb = [f"G1 X{10 + k} Y10 Z{0.2 + 0.01 * k:.2f} E0.03" for k in range(1, 11)]
    travels = [f"G0 X{n % 200} Y{n // 200}" for n in range(100)]
    text = "\n".join(["G28", "M83", "G1 X10 Y10 Z0.2", *climb, *travels]).encode()
    reader = MoveReader(DEFAULT_DIALECT)
    (block,) = read_blocks(BytesIO(text), DEFAULT_DIALECT)
    moves = reader.read(read_columns(block.payload, 1))
    assert laid_whole(moves.take(slice(-90))) == len(moves) - 90 - 20
    assert laid_whole(moves) == len(moves)


def test_a_thick_layer_may_begin_on_a_slope() -> None:
    """The nozzle goes down by a whole layer of 0.6 mm beside the loop before it, which is no way through the part."""
    text = tube(12, 20.0).decode()
    thick = re.sub(r"([ZE])([0-9.]+)", lambda m: m[0] if m[0] == "E1" else f"{m[1]}{3 * float(m[2]):.5f}", text)
    report = examined(thick.encode()).report
    assert [finding.message for finding in report.findings if finding.rule == "through-printed-part"] == []


def test_a_spiral_is_still_followed() -> None:
    """A wall that climbs all along is told as what it is."""
    lines = ["G28", "M104 S210", "M109 S210", "G90", "M83", "G1 X112 Y100 Z0.2 F600"]
    piece = math.tau * 12 / 96
    for k in range(1, 96 * 20 + 1):
        a = k * math.tau / 96
        x, y = 100 + 12 * math.cos(a), 100 + 12 * math.sin(a)
        lines.append(f"G1 X{x:.3f} Y{y:.3f} Z{0.2 + 0.2 * k / 96:.4f} E{piece * E_PER_MM:.5f} F1800")
    report = examined("\n".join([*lines, "M104 S0", "M84", ""]).encode()).report
    assert "spiral" in {item.reason for item in report.layers_untold}
