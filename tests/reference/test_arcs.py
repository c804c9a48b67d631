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
        (one(start[0]), one(start[1])), (one(end[0]), one(end[1])), (one(i), one(j)), one(r), np.array([clockwise]), one(NAN)
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


@pytest.mark.xfail(
    strict=True, reason="design: NIST refuses a radius error of 0.0025 mm, printers and real jobs' rounding do not"
)
def test_radii_that_differ_by_more_are_refused() -> None:
    """NIST 3.5.3.2: more than 0.002 mm is an error."""
    assert not arc((0, 0), (10.0025, 0), (5, 0), NAN, True).judged[0]


def test_sagitta_figures() -> None:
    """CALC rows of facts.md 2.3 for chords: r 10, s 0.01: 5.125117 deg and 71 segments; r 50: 158; r 10, s 0.1: 23."""
    for r, s, degrees, segments in ((10, 0.01, 5.125117, 71), (50, 0.01, 2.291869, 158), (10, 0.1, 16.219229, 23)):
        step = 2 * math.acos(1 - s / r)
        assert math.degrees(step) == pytest.approx(degrees, abs=1e-6)
        assert math.ceil(2 * math.pi / step) == segments
