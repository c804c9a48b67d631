"""strayed-wall: walls repeat from layer to layer (geometry); a point that one layer alone has elsewhere is found."""

import pytest
from tests.oracles.harbour import job
from tests.rules.judged import findings

from layergate_sim.specimens import make_specimen

AREA = 0.0338  # mm of filament a mm of bead; facts 3.1
CORNERS = [(100.0, 100.0), (120.0, 100.0), (120.0, 112.0), (100.0, 112.0), (100.0, 100.0)]


def layers(wrong: dict[tuple[int, int], tuple[float, float]] | None = None, *, flow: bool, count: int = 7) -> list[str]:
    """Three loops a layer, 0.45 mm apart; corner ``n`` of the outer loop of layer ``k`` may be commanded elsewhere."""
    lines = ["M83"] if flow else []
    for k in range(count):
        lines.append(f"G1 Z{0.2 * (k + 1):.2f} F600")
        for loop in range(3):
            inset = 0.45 * loop
            meant = [(x + (inset if x < 110 else -inset), y + (inset if y < 106 else -inset)) for x, y in CORNERS]
            lines += [f"G1 X{meant[0][0]:.3f} Y{meant[0][1]:.3f} F9000", *([] if flow else ["M101"])]
            for n in range(1, 5):
                (x0, y0), (x1, y1) = meant[n - 1], meant[n]
                x, y = (wrong or {}).get((k, n), (x1, y1)) if loop == 0 else (x1, y1)
                e = f" E{AREA * (abs(x1 - x0) + abs(y1 - y0)):.5f}" if flow else ""
                lines.append(f"G1 X{x:.3f} Y{y:.3f}{e} F1800")
            lines += [] if flow else ["M103"]
    return lines


@pytest.mark.parametrize("flow", [True, False])
def test_walls_that_repeat_have_none(flow: bool) -> None:
    """The good twin."""
    assert findings(job(layers(flow=flow)), "strayed-wall") == []


@pytest.mark.parametrize("flow", [True, False])
def test_a_spike_has_its_height(flow: bool) -> None:
    """Corner 2 lies 10 mm beyond, and the next one where it was meant."""
    (found,) = findings(job(layers({(3, 2): (120.0, 122.0)}, flow=flow)), "strayed-wall")
    assert found.severity == "hold"
    assert found.where.layer == 4
    assert found.evidence["stray_mm"] == pytest.approx(10.0, rel=0.05)


@pytest.mark.parametrize("flow", [True, False])
def test_a_wall_beside_its_place(flow: bool) -> None:
    """Two corners lie 1 mm inside, as where the second line does not name the axis: the loops keep their flow's sum."""
    (found,) = findings(job(layers({(3, 1): (119.0, 100.0), (3, 2): (119.0, 112.0)}, flow=flow)), "strayed-wall")
    assert found.evidence["stray_mm"] == pytest.approx(1.0, rel=0.05)


def test_a_notch_that_the_writer_meant_has_its_own_flow() -> None:
    """The same wall, fed for where it lies: nobody says that it was meant elsewhere."""
    lines = layers({(3, 2): (120.0, 115.0)}, flow=True)
    at = next(n for n, line in enumerate(lines) if "Y115.000" in line)
    meant = [*lines[:at], f"G1 X120.000 Y115.000 E{AREA * 15:.5f}", f"G1 X100.000 Y112.000 E{AREA * 20.224:.5f}"]
    assert findings(job([*meant, *lines[at + 2 :]]), "strayed-wall") == []


def test_a_step_that_stays_is_a_feature() -> None:
    """From layer 4 on all corners lie there."""
    wrong = {(k, n): (123.0, (100.0, 112.0)[n - 1]) for k in range(3, 7) for n in (1, 2)}
    assert findings(job(layers(wrong, flow=False)), "strayed-wall") == []


def test_walls_that_stray_in_many_places_are_a_pattern() -> None:
    """Five layers of a job have a tooth of their own; more than four are how the part is made."""
    wrong = {(k, 2): (120.0, 114.0 + k) for k in range(1, 10, 2)}
    assert findings(job(layers(wrong, flow=False, count=12)), "strayed-wall") == []


def test_a_hairpin_of_infill_on_the_other_side_of_its_wall_is_none() -> None:
    """Lines at 45 degrees and lines at -45 degrees may begin and end at the same points of a wall."""
    assert findings(make_specimen("no-e", 500).text, "strayed-wall") == []
