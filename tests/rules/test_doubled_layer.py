"""doubled-layer: two beads have no room in one place (conservation of volume)."""

from itertools import pairwise

import pytest
from tests.oracles.harbour import job
from tests.rules.judged import findings

AREA = 0.0338  # mm of filament a mm of bead of 0.45 by 0.2 mm; facts 3.1


def layers(
    *, lost: tuple[int, ...] = (), relative: bool = False, flow: float = 1.0, there_and_back: bool = False
) -> list[str]:
    """Eight layers of four loops each; the move to one height may be lost."""
    lines = ["M83"]
    for k in range(8):
        if k not in lost:
            lines += ["G91", "G1 Z0.2 F600", "G90"] if relative else [f"G1 Z{0.2 * (k + 1):.2f} F600"]
        for loop in range(4):
            i = 0.45 * loop
            corners = [
                (100 + i, 100 + i),
                (120 - i, 100 + i),
                (120 - i, 112 - i),
                (100 + i, 112 - i),
                (100 + i, 100 + i),
            ]
            if there_and_back:
                corners += corners[-2::-1]
            lines.append(f"G1 X{corners[0][0]:.3f} Y{corners[0][1]:.3f} F9000")
            for (x0, y0), (x, y) in pairwise(corners):
                lines.append(f"G1 X{x:.3f} Y{y:.3f} E{flow * AREA * (abs(x - x0) + abs(y - y0)):.5f} F1800")
    return lines


@pytest.mark.parametrize("relative", [False, True])
def test_a_layer_on_itself_is_found(relative: bool) -> None:
    """Four loops, 245.6 mm, are laid twice; the good twin has none, and a thin drawing in passes has room."""
    assert findings(job(layers(relative=relative)), "doubled-layer") == []
    (found,) = findings(job(layers(lost=(4,), relative=relative)), "doubled-layer")
    assert found.severity == "hold"
    assert found.evidence["laid_twice_mm"] == pytest.approx(245.6, rel=0.05)
    assert found.evidence["share_of_layer"] == pytest.approx(1.0, rel=0.05)
    assert found.where.z_mm == (pytest.approx(0.8), pytest.approx(0.8))
    assert findings(job(layers(lost=(4,), relative=relative, flow=0.3)), "doubled-layer") == []


def test_two_such_layers_are_how_the_job_is_made() -> None:
    """Windings are laid on themselves on purpose."""
    assert findings(job(layers(lost=(2, 5))), "doubled-layer") == []


def test_strokes_there_and_back_are_no_layer() -> None:
    """Each loop is drawn both ways, in all layers: how the job is made."""
    assert findings(job(layers(there_and_back=True)), "doubled-layer") == []
