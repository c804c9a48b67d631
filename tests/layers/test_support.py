"""Support field: a plain field, cell by cell, finds the same gaps."""

from random import Random

import numpy as np
import numpy.typing as npt
import pytest
from tests.oracles.effort import seeds
from tests.oracles.plain_support import PlainSupport

from layergate.layers.support import SupportField
from layergate.layers.tolerances import TOLERANCES

F64 = npt.NDArray[np.float64]
SAME = TOLERANCES.same_height_mm


def arrays(beads: list[tuple[float, float, float, float]]) -> tuple[F64, F64, F64, F64]:
    x0, y0, x1, y1 = (np.array(column, np.float64) for column in zip(*beads, strict=True))
    return x0, y0, x1, y1


@pytest.mark.parametrize("seed", seeds(25))
def test_gaps_equal_those_of_a_plain_field(seed: int) -> None:
    """Random beads at rising, equal and falling heights, near and far: the same points, gaps and weights."""
    rng = Random(seed)
    field = SupportField()
    plain = PlainSupport(TOLERANCES.cell_mm, TOLERANCES.sample_share)
    z = 0.0
    size = rng.choice((5.0, 30.0))
    different = total = 0
    for _ in range(12):
        z = max(0.2, z + rng.choice((0.2, 0.2, 0.1, 0.3, 0.0, 0.005, -0.2)))
        centre = rng.choice((0.0, 0.0, 60.0, -40.0))
        beads = []
        for _ in range(rng.choice((1, 5, 40))):
            x, y = centre + rng.uniform(0, size), centre + rng.uniform(0, size)
            dx, dy = rng.choice(
                ((rng.uniform(-9, 9), 0.0), (0.0, rng.uniform(-9, 9)), (rng.gauss(0, 4), rng.gauss(0, 4)))
            )
            beads.append((x, y, x + dx, y + dy))
        found = field.lay(*arrays(beads), np.full(len(beads), z), SAME)
        expected = plain.lay(beads, z, SAME)
        assert found.bead.tolist() == [number for number, _, _ in expected]
        assert found.weight_mm.tolist() == pytest.approx([weight for _, _, weight in expected], rel=1e-5)
        different += int(np.count_nonzero(np.abs(found.gap_mm - [gap for _, gap, _ in expected]) > 1e-4))
        total += len(expected)
    # Cells are found in 32-bit numbers here: a point within 1e-5 mm of a cell's edge may fall into the next one.
    assert different <= 0.002 * total


@pytest.mark.parametrize("seed", seeds(20))
def test_gaps_of_steep_beads_equal_those_of_a_plain_field(seed: int) -> None:
    """Chains that go up and down, over each other and over level beads: each point by its own height."""
    rng = Random(500 + seed)
    field, plain = SupportField(), PlainSupport(TOLERANCES.cell_mm, TOLERANCES.sample_share)
    different = total = 0
    for number in range(10):
        if number % 4 == 0:
            level = [(rng.uniform(0, 20), 0.0, rng.uniform(0, 20), 20.0) for _ in range(15)]
            z = 0.2 * (number + 1)
            field.lay(*arrays(level), np.full(len(level), z), SAME)
            plain.lay(level, z, SAME)
            continue
        beads, place = [], (rng.uniform(0, 20), rng.uniform(0, 20), rng.uniform(1, 3))
        for _ in range(12):
            step = rng.uniform(0.5, 4) * rng.choice((-1, 1)), rng.uniform(0.5, 4), rng.uniform(-1.5, 1.5)
            to = place[0] + step[0], place[1] + step[1], max(0.2, place[2] + step[2])
            beads.append((*place, *to))
            place = to
        x0, y0, z0, x1, y1, z1 = (np.array(column) for column in zip(*beads, strict=True))
        found = field.lay(x0, y0, x1, y1, z1, 0.132, z0)
        expected = plain.lay_steep(beads, 0.132)
        assert found.bead.tolist() == [bead for bead, _, _ in expected]
        different += int(np.count_nonzero(np.abs(found.gap_mm - [gap for _, gap, _ in expected]) > 2e-4))
        total += len(expected)
    # Points within 1e-5 mm of a cell's edge, or tops of the margin, may fall to the other side in 32-bit numbers.
    assert different <= 0.005 * total


def test_beads_of_one_height_do_not_carry_each_other() -> None:
    """The second pass at a height sees what was there before the first, not the first (detection.md 2)."""
    field = SupportField()
    line = arrays([(0, 0, 10, 0)])
    assert field.lay(*line, np.array([0.2]), SAME).gap_mm == pytest.approx(0.2)
    assert field.lay(*line, np.array([0.4]), SAME).gap_mm == pytest.approx(0.2)
    assert field.lay(*line, np.array([0.4]), SAME).gap_mm == pytest.approx(0.2)
    assert field.lay(*line, np.array([1.0]), SAME).gap_mm == pytest.approx(0.6)


def test_a_bead_reaches_one_cell_and_no_farther() -> None:
    """A bead updates its cell and the neighbours: 0.4 to 0.8 mm beside it there is support, at 1.3 mm there is none."""
    field = SupportField()
    field.lay(*arrays([(0, 0.2, 20, 0.2)]), np.array([0.2]), SAME)
    gaps = {
        y: float(np.median(field.lay(*arrays([(0, y, 20, y)]), np.array([0.4]), SAME).gap_mm)) for y in (0.5, -1.3, 1.7)
    }
    assert gaps[0.5] == pytest.approx(0.2)
    assert gaps[-1.3] == gaps[1.7] == pytest.approx(0.4)


def test_a_bead_of_a_hundred_metres_stays_bounded() -> None:
    """A lost decimal point must neither fill the memory nor end the job."""
    field = SupportField()
    field.lay(*arrays([(100, 100, 120, 100)]), np.array([0.2]), SAME)
    samples = field.lay(*arrays([(120, 100, 123456, 100)]), np.array([0.2]), SAME)
    assert len(samples.bead) == TOLERANCES.most_samples
    assert field._top.size * field._top.itemsize * 2 <= 64e6
    assert field.lay(*arrays([(100, 100, 120, 100)]), np.array([0.4]), SAME).gap_mm == pytest.approx(0.2)


def test_growing_keeps_what_lies_there() -> None:
    """Beads far to each side make the grid grow; nothing moves by a cell."""
    field = SupportField()
    spot = arrays([(100.1, 100.1, 104.9, 100.1)])
    field.lay(*spot, np.array([0.2]), SAME)
    for x, y in ((0, 100), (250, 100), (100, 0), (100, 250), (-30, -30), (280, 280)):
        field.lay(*arrays([(x, y, x + 1, y)]), np.array([0.2]), SAME)
    assert field.lay(*spot, np.array([0.4]), SAME).gap_mm == pytest.approx(0.2)


def test_no_beads_no_samples() -> None:
    """Empty arrays give empty samples."""
    none = np.empty(0)
    field = SupportField()
    field.lay(*arrays([(0, 0, 1, 0)]), np.array([0.2]), SAME)
    assert len(field.lay(none, none, none, none, none, SAME).bead) == 0
