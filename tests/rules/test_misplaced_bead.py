"""misplaced-bead: flow tells where a point was meant to be (conservation of volume: filament is path times area)."""

import pytest
from tests.oracles.harbour import job
from tests.rules.judged import findings

AREA = 0.0338  # mm of filament a mm of bead; facts 3.1


def layers(
    count: int = 6, *, replace: dict[tuple[int, int], str] | None = None, swap: tuple[int, int] = (0, 0)
) -> list[str]:
    """Plates of solid lines to and fro, 20 mm by 12 mm, relative E; line `n` of layer `k` may be another, two swapped."""
    lines = ["M83"]
    for k in range(count):
        lines += ["G1 E-1 F1800", f"G1 Z{0.2 * (k + 1):.2f} F600", "G1 X100 Y100 F9000", "G1 E1 F1800"]
        here: list[str] = []
        for n in range(24):
            x, y = (120.0, 100 + n * 0.5) if n % 2 == 0 else (100.0, 100 + n * 0.5)
            here.append(f"G1 X{x:.3f} Y{y + n * 0.01:.3f} E{AREA * 20:.5f} F1800")
            here.append(f"G1 X{x:.3f} Y{y + 0.5 + (n + 1) * 0.01 - 0.01:.3f} E{AREA * 0.5:.5f}")
        if k == 3 and swap != (0, 0):
            here[swap[0]], here[swap[1]] = here[swap[1]], here[swap[0]]
        lines += [(replace or {}).get((k, n), line) for n, line in enumerate(here)]
    return lines


def test_a_plate_of_one_flow_has_none() -> None:
    """The good twin."""
    assert findings(job(layers()), "misplaced-bead") == []


@pytest.mark.parametrize(
    ("wrong", "moved"), [("X117.000", 3.0), ("X129.000", 9.0), ("X20.000", 100.0), ("X12.000", 108.0)]
)
def test_the_digit_that_was_meant_is_told(wrong: str, moved: float) -> None:
    """X 120 with one digit other, or one lost: the flow of the beads at that point gives it back to a hundredth."""
    good = layers()
    at = next(n for n, line in enumerate(good) if line.startswith("G1 Z0.80")) + 3 + 12
    line = good[at].replace("X120.000", wrong)
    assert line != good[at]
    (finding,) = findings(job([*good[:at], line, *good[at + 1 :]]), "misplaced-bead")
    assert finding.evidence["coordinate_meant_mm"] == pytest.approx(120.0, abs=0.01)
    assert finding.evidence["moved_mm"] == pytest.approx(moved, rel=0.05)
    assert finding.where.layer == 4
    assert finding.severity == "hold"


def test_two_lines_in_each_others_place() -> None:
    """Exchanged back, every bead at them has the flow of the others."""
    (finding,) = findings(job(layers(swap=(8, 21))), "misplaced-bead")
    assert finding.evidence["beads_that_fit"] >= 3
    assert finding.where.layer == 4
    assert finding.where.lines is not None
    assert finding.where.lines[1] - finding.where.lines[0] == 13


def arcs(wrong: int | None) -> list[str]:
    """Rounded squares with quarter arcs (RS-274/NGC 3.5.3: G3 counter-clockwise, I and J from the start)."""
    length = {"side": 10.0, "arc": 3.0 * 3.14159265 / 2}
    corners = [
        (110, 100, 113, 103, 0, 3),
        (113, 113, 110, 116, -3, 0),
        (100, 116, 97, 113, 0, -3),
        (97, 103, 100, 100, 3, 0),
    ]
    lines = ["M83"]
    for k in range(6):
        lines += ["G1 E-1 F1800", f"G1 Z{0.2 * (k + 1):.2f} F600", "G1 X100 Y100 F9000", "G1 E1 F1800"]
        for n, (x0, y0, x1, y1, i, j) in enumerate(corners * 2):
            code = "G2" if k == 3 and n == wrong else "G3"
            lines.append(f"G1 X{x0} Y{y0} E{AREA * length['side']:.5f} F1800")
            lines.append(f"{code} X{x1} Y{y1} I{i} J{j} E{AREA * length['arc']:.5f}")
    return lines


def test_an_arc_the_other_way_round() -> None:
    """A quarter written as G2 is three quarters long, and fed for one."""
    assert findings(job(arcs(None)), "misplaced-bead") == []
    (finding,) = findings(job(arcs(2)), "misplaced-bead")
    assert finding.evidence["length_mm"] == pytest.approx(3 * 3.0 * 3.14159 / 2, rel=0.01)
    assert finding.evidence["length_meant_mm"] == pytest.approx(3.0 * 3.14159 / 2, rel=0.01)
    assert finding.where.layer == 4


def test_a_feature_with_a_flow_of_its_own_is_none() -> None:
    """Two beads that share another flow are made so: a gap filled, a bridge."""
    base = layers()
    at = [n for n, line in enumerate(base) if line.startswith("G1 X120.000")][80:82]
    for n in at:
        head, _, e = base[n].rpartition("E")
        base[n] = f"{head}E{float(e.split()[0]) * 1.3:.5f}"
    assert findings(job(base), "misplaced-bead") == []
