"""uneven-layer-step: a single layer of another height is noted; heights that change gradually or take turns are not."""

import math
from collections.abc import Sequence
from itertools import accumulate, repeat

import pytest
from tests.rules.judged import findings, report

FILAMENT_MM2 = math.pi * 1.75**2 / 4


def sleeve(steps_mm: Sequence[float]) -> str:
    """A square sleeve, 20 mm wide, of layers of these heights, each fed for its own (facts 3: area of a bead 0.45 mm wide)."""
    lines = ["G21", "G90", "M83", "M104 S205", "M109 S205", "G28"]
    for step, z in zip(steps_mm, accumulate(steps_mm), strict=True):
        area = (0.45 - step) * step + math.pi * step**2 / 4
        lines += [f"G1 Z{z:.3f} F600", "G1 X100 Y100 F6000"]
        corners = ("X120 Y100", "X120 Y120", "X100 Y120", "X100 Y100")
        lines += [f"G1 {corner} E{20 * area / FILAMENT_MM2:.5f} F1800" for corner in corners]
    return "\n".join([*lines, "M104 S0", "M140 S0", "M84", ""])


@pytest.mark.parametrize("odd_mm", [0.15, 0.25, 0.28])
def test_a_layer_of_another_height_is_noted(odd_mm: float) -> None:
    """Layer 8 of 20 has another step; it is named with both figures, and stops nothing."""
    steps = [0.25, *repeat(0.2, 19)]
    steps[7] = odd_mm
    (finding,) = findings(sleeve(steps), "uneven-layer-step")
    assert finding.severity == "note"
    assert finding.where.layer == 8
    assert finding.evidence["layers"] == 1
    assert finding.evidence["step_mm"] == pytest.approx(odd_mm, rel=0.01)
    assert finding.evidence["usual_step_mm"] == pytest.approx(0.2, rel=0.01)
    assert report(sleeve(steps)).verdict == "clear"


def test_a_damaged_height_is_noted_on_both_sides_of_it() -> None:
    """One height 0.05 mm too high makes a high step and a low one."""
    steps = [0.25, *repeat(0.2, 19)]
    steps[7], steps[8] = 0.25, 0.15
    (finding,) = findings(sleeve(steps), "uneven-layer-step")
    assert finding.evidence["layers"] == 2


@pytest.mark.parametrize(
    "steps",
    [
        [0.3, *repeat(0.2, 19)],
        [0.2, *(0.1 + 0.01 * n for n in range(20)), *(0.3 - 0.01 * n for n in range(20))],
        [0.3, *repeat(0.2, 10), *repeat(0.1, 10)],
        [0.2, *(0.2 if n % 2 else 0.14 for n in range(20))],
    ],
    ids=["thick first layer", "gradual", "another height from here on", "taking turns"],
)
def test_heights_that_are_meant_are_not_noted(steps: list[float]) -> None:
    """Adaptive heights, a change for good, and kinds of layers that take turns (common practice)."""
    assert findings(sleeve(steps), "uneven-layer-step") == []
