"""mid-air-bead: a bead that leaves the part and ends in the air has nothing to hold on to (gravity); a bridge has."""

import pytest
from tests.oracles.harbour import job
from tests.rules.judged import findings

AREA = 0.0338  # mm of filament a mm of bead of 0.45 by 0.2 mm; facts 3.1


def bead(x: float, y: float, x0: float, y0: float) -> str:
    length = ((x - x0) ** 2 + (y - y0) ** 2) ** 0.5
    return f"G1 X{x:.3f} Y{y:.3f} E{AREA * length:.5f} F1800"


def layers(
    *, out_mm: float = 0.0, at: tuple[int, ...] = (4,), back: bool = False, bridge: bool = False, beside_mm: float = 0.0
) -> list[str]:
    """Two towers 30 mm apart; behind some layers of the second a bead goes out from it, or over to the first."""
    lines = ["M83"]
    for k in range(9):
        lines.append(f"G1 Z{0.2 * (k + 1):.2f} F600")
        for left in (100.0, 140.0):
            for n in range(10):
                y = 100 + 0.5 * n
                ends = (left, left + 10) if n % 2 == 0 else (left + 10, left)
                lines += [f"G1 X{ends[0]:.3f} Y{y:.3f} F9000", bead(ends[1], y, ends[0], y)]
        if k in at and bridge:
            lines += ["G1 X140 Y102 F9000", bead(110, 102, 140, 102)]
        elif k in at and out_mm:
            x = 140 + k * beside_mm
            lines += [f"G1 X{x:.3f} Y104.5 F9000", bead(x, 104.5 + out_mm, x, 104.5)]
            lines += [bead(x + 0.2, 104.5, x, 104.5 + out_mm)] if back else []
    return lines


def test_the_good_twin_and_a_bridge_have_none() -> None:
    """Thirty millimetres from tower to tower are held at both ends."""
    assert findings(job(layers()), "mid-air-bead") == []
    assert findings(job(layers(bridge=True)), "mid-air-bead") == []


@pytest.mark.parametrize("back", [False, True])
def test_a_bead_that_ends_in_the_air(back: bool) -> None:
    """20 mm out, and either no more or straight back: it is told once, its length to 5 %."""
    (found,) = findings(job(layers(out_mm=20.0, back=back)), "mid-air-bead")
    assert (found.severity, found.where.layer) == ("hold", 5)
    assert found.evidence["path_mm"] == pytest.approx(40.0 if back else 20.0, rel=0.05)


def test_a_ledge_that_the_next_layer_lies_on_is_meant() -> None:
    """The same bead in two layers, one upon the other: the lower one carries, the upper one lies on it."""
    assert findings(job(layers(out_mm=20.0, at=(4, 5))), "mid-air-bead") == []


def test_hairs_in_many_layers_are_meant() -> None:
    """Beside each other, in three layers of nine, each is told; in five it is a brush."""
    assert len(findings(job(layers(out_mm=20.0, at=(2, 4, 6), beside_mm=1.4)), "mid-air-bead")) == 3
    assert findings(job(layers(out_mm=20.0, at=(2, 3, 4, 6, 7), beside_mm=1.4)), "mid-air-bead") == []


def test_a_short_end_is_an_overhang() -> None:
    """5 mm droop and hold."""
    assert findings(job(layers(out_mm=5.0)), "mid-air-bead") == []
