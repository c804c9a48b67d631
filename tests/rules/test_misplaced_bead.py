"""misplaced-bead: flow tells where a point was meant to be (conservation of volume: filament is path times area)."""

import math
import random
import re

import pytest
from tests.oracles.harbour import job
from tests.oracles.trial import drawn_job
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


def half_rings(wrong: int | None, radius: str = "") -> list[str]:
    """Rings of two half circles, or of three thirds by radius (R below 180 degrees, NISTIR 6556 3.5.3.1)."""
    if radius:
        points = [(110.0, 100.0), (95.0, 108.660254), (95.0, 91.339746)]
        length = 10 * 2 * 3.14159265 / 3
    else:
        points, length = [(110.0, 100.0), (90.0, 100.0)], 10 * 3.14159265
    lines = ["M83"]
    for k in range(8):
        x, y = points[0]
        lines += ["G1 E-1 F1800", f"G1 Z{0.2 * (k + 1):.2f} F600", f"G1 X{x:.3f} Y{y:.3f} F9000", "G1 E1 F1800"]
        for n in range(len(points) * 2):
            at = n % len(points)
            (x0, y0), (x1, y1) = points[at], points[(at + 1) % len(points)]
            words = radius or f"I{100 - x0:.3f} J{100 - y0:.3f}"
            code = "G2" if k == 4 and n == wrong else "G3"
            lines.append(f"{code} X{x1:.3f} Y{y1:.3f} {words} E{AREA * length:.5f} F1800")
    return lines


@pytest.mark.parametrize("radius", ["", "R10"])
def test_an_arc_as_long_the_other_way_round_is_known_by_its_ends(radius: str) -> None:
    """Half a circle by its centre, a third by its radius: it turns off sharply at both ends."""
    assert findings(job(half_rings(None, radius)), "misplaced-bead") == []
    (finding,) = findings(job(half_rings(1, radius)), "misplaced-bead")
    assert finding.evidence["angle_deg"] == pytest.approx(120 if radius else 180, abs=6)
    assert finding.where.layer == 5


def test_scallops_are_made_of_arcs_that_meet_in_cusps() -> None:
    """A wall of half circles, each turning off sharply from the last, is meant so."""
    lines = ["M83"]
    for k in range(6):
        lines += ["G1 E-1 F1800", f"G1 Z{0.2 * (k + 1):.2f} F600", "G1 X100 Y100 F9000", "G1 E1 F1800"]
        lines += [f"G2 X{106 + 6 * n} Y100 I3 J0 E{AREA * 3 * 3.14159:.5f} F1800" for n in range(5)]
        lines += [f"G1 X130 Y90 E{AREA * 10:.5f}", f"G1 X100 Y90 E{AREA * 30:.5f}", f"G1 X100 Y100 E{AREA * 10:.5f}"]
    assert findings(job(lines), "misplaced-bead") == []


def test_a_few_notched_corners_by_their_centre_are_meant() -> None:
    """A rounded corner turned inside out, in one layer only. By its centre the other way round would be three times as long."""
    lines = arcs(None)
    for n, line in enumerate(lines):
        if line.startswith("G3 X113 Y103") and sum(before.startswith("G1 Z") for before in lines[:n]) == 4:
            lines[n] = line.replace("G3", "G2").replace("I0 J3", "I3 J0")
    assert sum(line.startswith("G2") for line in lines) == 2
    assert findings(job(lines), "misplaced-bead") == []


def test_an_end_beside_its_circle_is_no_arc() -> None:
    """RS-274/NGC 3.5.3.2: start and end lie equally far from the centre; a lost digit of the end shows so."""
    good = arcs(None)
    at = next(n for n, line in enumerate(good) if line.startswith("G3 X110 Y116"))
    bad = [*good[:at], good[at].replace("Y116", "Y16"), *good[at + 1 :]]
    assert findings(job(good), "unreadable-line") == []
    assert "no arc" in findings(job(bad), "unreadable-line")[0].message


@pytest.mark.parametrize("seed", range(3))
def test_beads_of_any_flow_fit_another_path_by_chance_only(seed: int) -> None:
    """Gap fill of widths drawn by lot, written with few decimals: some of it fits a digit, as often as any digit would."""
    lots = random.Random(seed)
    lines: list[str] = []
    for line in layers(120):
        lines.append(line)
        if line.startswith("G1 X120.000 Y106.1"):
            (x, y), back = (120.0, 106.12), line.split(" E")[0]
            for to_x, to_y in ((141.0, 98.0), (141.0, 114.0), (122.0, 114.0), (122.0, 106.0)):
                lines.append(f"G1 X{to_x:.3f} Y{to_y:.3f} E{AREA * math.hypot(to_x - x, to_y - y):.5f}")
                x, y = to_x, to_y
            for _ in range(2):
                to_x, to_y = lots.uniform(123, 140), lots.uniform(100, 112)
                amount = AREA * math.hypot(to_x - x, to_y - y) * lots.uniform(0.8, 1.2)
                lines.append(f"G1 X{to_x:.3f} Y{to_y:.3f} E{amount:.5f}")
                x, y = to_x, to_y
            lines.append(back)
    text = re.sub(r"E(\d+\.\d+)", lambda amount: f"E{float(amount[1]):.3f}", "\n".join(lines))
    assert findings(job(text.split("\n")), "misplaced-bead") == []


def test_an_exchange_that_any_flow_would_fit_is_not_told() -> None:
    """Walls whose widths swing, of short beads to 0.01 mm: two of 250 beads fit each other's place within 3 %, by chance."""
    assert findings(drawn_job(16098).text, "misplaced-bead") == []
