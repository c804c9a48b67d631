"""Published and computed arcs: every row of facts.md 2.3 (RS-274/NGC, NISTIR 6556, section 3.5.3)."""

import math

import numpy as np
import pytest

from layergate.gcode.columns import read_columns
from layergate.gcode.dialect import Dialect
from layergate.toolpath.arcs import Arcs, arcs_from_words
from layergate.toolpath.reader import MoveReader

NAN = math.nan
# start, end, (I, J), R, clockwise, centre, radius, sweep in degrees, length, mid-point, bounds (x0, x1, y0, y1)
ROWS = {
    # Published: NIST 3.5.3.2 gives block, centre and radius; the other figures are computed from the definition.
    "nist-centre": ((7, 7), (10, 16), (3, 4), NAN, True, (10, 11), 5, 143.130102, 12.490458, (5.256584, 12.581139), (5, 10, 7, 16)),
    "same-as-g3": ((7, 7), (10, 16), (3, 4), NAN, False, (10, 11), 5, 216.869898, 18.925469, (14.743416, 9.418861), (7, 15, 6, 16)),
    # NIST 3.5.3.1 gives the block and no start; the start (0, 0) is assumed.
    "nist-radius": (
        (0, 0), (10, 15), None, 20, True, (19.855069, -2.403379), 20, 53.576426, 18.701701, (3.214063, 8.690625), (0, 10, 0, 15),
    ),
    "nist-radius-long": (
        (0, 0), (10, 15), None, -20, True, (-9.855069, 17.403379), 20, 306.423574, 106.962005, (-26.496075, 28.497383),
        (-29.8551, 10.1449, -2.5966, 37.4034),
    ),
    "g3-quarter": ((10, 0), (0, 10), None, 10, False, (0, 0), 10, 90, 15.707963, (7.071068, 7.071068), (0, 10, 0, 10)),
    "g3-long": ((10, 0), (0, 10), None, -10, False, (10, 10), 10, 270, 47.123890, (17.071068, 17.071068), (0, 20, 0, 20)),
    "g2-quarter": ((10, 0), (0, 10), None, 10, True, (10, 10), 10, 90, 15.707963, (2.928932, 2.928932), (0, 10, 0, 10)),
    "g2-long": ((10, 0), (0, 10), None, -10, True, (0, 0), 10, 270, 47.123890, (-7.071068, -7.071068), (-10, 10, -10, 10)),
    "full-circle": ((10, 0), (10, 0), (-10, 0), NAN, False, (0, 0), 10, 360, 62.831853, (-10, 0), (-10, 10, -10, 10)),
}  # fmt: skip


def arc(
    start: tuple[float, float], end: tuple[float, float], offset: tuple[float, float] | None, r: float, clockwise: bool
) -> Arcs:
    def one(value: float) -> np.ndarray:
        return np.array([float(value)])

    i, j = offset or (NAN, NAN)
    return arcs_from_words(
        (one(start[0]), one(start[1])), (one(end[0]), one(end[1])), (one(i), one(j)), one(r), np.array([clockwise]), one(NAN),
        np.array([17]),
    )  # fmt: skip


@pytest.mark.parametrize("name", ROWS)
def test_centre_radius_sweep_length_middle_and_bounds(name: str) -> None:
    """Each figure of the row; bounds follow the arc, not its end points (the trap that facts.md names)."""
    start, end, offset, r, clockwise, centre, radius, sweep, length, middle, bounds = ROWS[name]
    found = arc(start, end, offset, r, clockwise)
    assert found.judged[0]
    assert (found.centre_x[0], found.centre_y[0]) == pytest.approx(centre, abs=1e-6)
    assert found.start_radius[0] == pytest.approx(radius)
    assert math.degrees(found.sweep[0]) == pytest.approx(-sweep if clockwise else sweep, abs=1e-6)
    assert found.length()[0] == pytest.approx(length, abs=1e-6)
    x, y = found.points(np.array([0.5]), np.array([0]))
    assert (x[0], y[0]) == pytest.approx(middle, abs=1e-6)
    low_x, low_y, high_x, high_y = (float(edge[0]) for edge in found.bounds())
    assert (low_x, high_x, low_y, high_y) == pytest.approx(bounds, abs=1e-4)


@pytest.mark.parametrize("name", ROWS)
def test_the_rebuilt_path_has_the_same_length_end_and_bounds(name: str) -> None:
    """The same rows through the whole reader: words, modes, chords; bounds to the chord error."""
    start, end, offset, r, clockwise, _, _, _, length, _, bounds = ROWS[name]
    how = f"I{offset[0]} J{offset[1]}" if offset else f"R{r}"
    text = f"G28\nG1 X{start[0]} Y{start[1]}\n{'G2' if clockwise else 'G3'} X{end[0]} Y{end[1]} {how} E1\n"
    moves = MoveReader(Dialect()).read(read_columns(text.encode(), 1))
    path = moves.take(moves.line == 3)
    assert path.xy_mm.sum() == pytest.approx(length, abs=1e-6)
    assert (path.x1[-1], path.y1[-1]) == pytest.approx(end)
    x, y = np.append(path.x0, path.x1), np.append(path.y0, path.y1)
    assert (x.min(), x.max(), y.min(), y.max()) == pytest.approx(bounds, abs=6e-3)


def test_radii_that_differ_by_less_than_the_tolerance_are_accepted() -> None:
    """NIST 3.5.3.2: up to 0.002 mm between start and end radius is no error."""
    assert arc((0, 0), (10.0015, 0), (5, 0), NAN, True).judged[0]


def test_radii_that_differ_by_more_are_taken_all_the_same() -> None:
    """NIST 3.5.3.2 refuses more than 0.002 mm; controllers of printers don't (common practice), so the gate must not
    lose the bead: the radius grows evenly and the arc ends where the job says."""
    found = arc((0, 0), (10.0025, 0), (5, 0), NAN, True)
    assert found.judged[0]
    assert (found.start_radius[0], found.end_radius[0]) == pytest.approx((5.0, 5.0025))
    x, y = found.points(np.array([0.0, 1.0]), np.array([0, 0]))
    assert x == pytest.approx([0, 10.0025])
    assert y == pytest.approx([0, 0], abs=1e-9)
    assert found.length()[0] == pytest.approx(math.pi * (5.0 + 5.0025) / 2)


# Turning the frame from X Y Z to Y Z X (and Z X Y) keeps what is right-handed, so that every row in XY is one in YZ and ZX
# with the same figures: the plane's own axes, centres, normal.
@pytest.mark.parametrize(("plane", "axes"), [("G18", "ZXKIY"), ("G19", "YZJKX")])
@pytest.mark.parametrize("name", ROWS)
def test_the_same_rows_in_the_other_planes(name: str, plane: str, axes: str) -> None:
    """G18 and G19 (NIST 3.5.3): I and K, J and K; G2 is clockwise seen from the positive end of Y, of X."""
    start, end, offset, r, clockwise, _, _, _, length, _, bounds = ROWS[name]
    p, q, i, j, normal = axes
    how = f"{i}{offset[0]} {j}{offset[1]}" if offset else f"R{r}"
    command = "G2" if clockwise else "G3"
    text = f"G28\nG1 {p}{start[0]} {q}{start[1]} {normal}3\n{plane}\n{command} {p}{end[0]} {q}{end[1]} {how} E1\n"
    reader = MoveReader(Dialect())
    moves = reader.read(read_columns(text.encode(), 1))
    path = moves.take(moves.line == 4)
    assert not reader.unrebuilt.counts
    low, high = ({"X": (path.x0, path.x1), "Y": (path.y0, path.y1), "Z": (path.z0, path.z1)}[axis] for axis in (p, q))
    assert path.length_mm.sum() == pytest.approx(length, abs=1e-6)
    assert (low[1][-1], high[1][-1]) == pytest.approx(end)
    first, second = np.concatenate(low), np.concatenate(high)
    assert (first.min(), first.max(), second.min(), second.max()) == pytest.approx(bounds, abs=6e-3)
    still = {"X": path.x1, "Y": path.y1, "Z": path.z1}[normal]
    assert still == pytest.approx(np.full(len(path), 3.0))


@pytest.mark.parametrize(("plane", "axes"), [("G17", "XYIJZ"), ("G18", "ZXKIY"), ("G19", "YZJKX")])
def test_a_helix_rises_along_the_normal_of_its_plane(plane: str, axes: str) -> None:
    """facts.md 2.3, second row: with a rise of 7 along the third axis the NIST arc has a length of 14.318224."""
    p, q, i, j, normal = axes
    text = f"G28\nG1 {p}7 {q}7 {normal}2\n{plane}\nG2 {p}10 {q}16 {i}3 {j}4 {normal}9 E1\n"
    moves = MoveReader(Dialect()).read(read_columns(text.encode(), 1))
    path = moves.take(moves.line == 4)
    assert path.length_mm.sum() == pytest.approx(14.318224, abs=1e-6)
    rises = {"X": path.x1 - path.x0, "Y": path.y1 - path.y0, "Z": path.z1 - path.z0}[normal]
    assert rises == pytest.approx(np.full(len(path), 7 / len(path)))


def test_sagitta_figures() -> None:
    """CALC rows of facts.md 2.3 for chords: r 10, s 0.01: 5.125117 deg and 71 segments; r 50: 158; r 10, s 0.1: 23."""
    for r, s, degrees, segments in ((10, 0.01, 5.125117, 71), (50, 0.01, 2.291869, 158), (10, 0.1, 16.219229, 23)):
        step = 2 * math.acos(1 - s / r)
        assert math.degrees(step) == pytest.approx(degrees, abs=1e-6)
        assert math.ceil(2 * math.pi / step) == segments
