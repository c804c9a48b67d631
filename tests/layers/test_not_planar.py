"""Beads whose height varies along them: arcs in upright planes, ramps, arches over a part. Jobs written here."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from tests.oracles.examination import examined, found

from layergate.preflight.examine import Examination

Roof = Callable[..., list[str]]
E_PER_MM = 0.033849  # 0.45 x 0.2 mm, stadium (facts.md 3.1)


def block(layers: int) -> list[str]:
    """A solid of 20 x 20 mm at (50, 50), in layers of 0.2 mm."""
    lines = []
    for n in range(1, layers + 1):
        lines.append(f"G1 Z{0.2 * n:.3f} F600")
        for row in range(50):
            y = 50 + 0.4 * row
            lines += [f"G1 X50 Y{y:.2f} F6000", f"G1 X70 Y{y:.2f} E{20 * E_PER_MM:.4f} F1800"]
    return lines


def vaults(z: float, passes: int = 50) -> list[str]:
    """Arcs in ZX over the block: a quarter turn of radius 10 sqrt(2), 4.142 mm above its ends in the middle."""
    lines = []
    length = 10 * math.sqrt(2) * math.pi / 2
    for row in range(passes):
        y = 50 + 0.4 * row
        lines += ["G1 Z15 F600", f"G1 X50 Y{y:.2f} F6000", f"G1 Z{z:.3f} F600"]
        lines += ["G18", f"G3 X70 Z{z:.3f} I10 K-10 E{length * E_PER_MM:.5f} F1800", "G17"]
    return lines


def waves(z: float, passes: int = 50, height: float = 3.0) -> list[str]:
    """The same in straight pieces: half a sine."""
    lines = []
    for row in range(passes):
        y = 50 + 0.4 * row
        lines += ["G1 Z15 F600", f"G1 X50 Y{y:.2f} F6000", f"G1 Z{z:.3f} F600"]
        before = (50.0, z)
        for n in range(1, 41):
            after = 50 + 0.5 * n, z + height * math.sin(math.pi * n / 40)
            lines.append(f"G1 X{after[0]:.3f} Z{after[1]:.3f} E{math.dist(before, after) * E_PER_MM:.5f} F1800")
            before = after
    return lines


def made(lines: list[str], *, every_rule: bool = False) -> Examination:
    text = "\n".join(["G28", "G90", "M83", "M104 S200", "M109 S200", *lines, "M104 S0", "M140 S0", "G1 Z20", ""])
    return examined(text.encode(), rules=None if every_rule else [])


def test_an_arc_in_zx_lays_its_whole_path_at_the_heights_of_the_arc() -> None:
    """Path by radius and angle, bead area by path in space, box and top of the arc (facts.md 2.3, 3.1)."""
    layers = made([*block(5), *vaults(1.2, 1)]).layers
    vault = layers.ramp.nonzero()[0]
    assert layers.path_mm[vault].sum() == pytest.approx(10 * math.sqrt(2) * math.pi / 2, rel=1e-5)
    assert layers.z_mm[vault].max() == pytest.approx(1.2 + 10 * math.sqrt(2) - 10, abs=0.005)
    assert layers.area_mm2[vault, 2] == pytest.approx(np.full(len(vault), 0.081416), rel=0.01)
    assert layers.box_mm[vault[0]].tolist() == pytest.approx([50, 50, 70, 50], abs=1e-3)


@pytest.mark.parametrize("upper", [vaults, waves])
def test_each_point_of_a_vault_is_measured_by_its_own_height(upper: Roof) -> None:
    """Over a level block, gaps run from the step at the ends to the height of the vault in the middle."""
    layers = made([*block(5), *upper(1.2, 1)]).layers
    vault = int(layers.ramp.nonzero()[0][0])
    top = layers.z_mm[vault] - 1.0
    assert layers.gap_share(vault, 0.0, 0.19) == 0
    assert layers.gap_share(vault, 0.19, top + 0.01) == pytest.approx(1.0)
    assert layers.gap_share(vault, 0.75 * top, top + 0.01) > 0.3


@pytest.mark.parametrize("upper", [vaults, waves])
def test_a_second_vault_rests_on_the_first(upper: Roof) -> None:
    """The same shape a step higher: gaps are a step, and what the lowered tops of steep cells add (a cell and a half)."""
    layers = made([*block(5), *upper(1.2), *upper(1.4)]).layers
    second = int(layers.ramp.nonzero()[0][-1])
    assert layers.gap_mm[second, 0] == pytest.approx(0.2, abs=0.12)
    assert layers.gap_mm[second, 4] < 0.2 + 1.5 * 0.4 * 1.0 + 0.1


@pytest.mark.parametrize("upper", [vaults, waves])
def test_a_good_job_with_a_vaulted_roof_draws_no_finding(upper: Roof) -> None:
    """Coming down beside steep beads is no way through the part, and going down along one begins no new object."""
    examination = made([*block(20), *upper(4.2), *upper(4.4)], every_rule=True)
    assert [finding.rule for finding in examination.report.findings if finding.severity != "note"] == []
    assert not examination.layers.stack.any()


def test_a_way_through_a_vault_is_seen() -> None:
    """The nozzle goes across at 4.5 mm, where the vault's crown stands at 8.34."""
    through = ["G1 Z15", "G1 X60 Y40", "G1 Z4.5", "G1 Y80"]
    report = made([*block(20), *vaults(4.2), *through], every_rule=True).report
    deepest = found(report, "through-printed-part")[0].evidence["depth_mm"]
    assert deepest == pytest.approx(8.34 - 4.5, abs=0.1)
