"""What hangs over supports with one layer of air is meant; the same part with a piece of a layer lost is not.

The gap that supports leave is a whole layer in many jobs (common practice: contact distance = layer height), so that the
height alone looks as if a layer were lost. The parts come from the independent path generator of tests/oracles.
"""

from collections.abc import Callable
from random import Random

import pytest
from tests.oracles.dialects import Writer
from tests.oracles.examination import report_of
from tests.oracles.manners import Manner
from tests.oracles.pathmaker import Recipe
from tests.oracles.plates import Plate, make_plate
from tests.oracles.solids import Solid, make_hook, make_mushroom, make_steps, make_table

BED = (0.0, 0.0, 220.0, 220.0)


def stops(plate: Plate) -> set[str]:
    """The rules that stop a plate's job."""
    text = Writer(plate, Manner(), Random(1), BED).text()
    return {finding.rule for finding in report_of(text).findings if finding.severity != "note"}


def plate_of(maker: Callable[[Random], Solid], seed: int, **said: object) -> Plate:
    recipe = Recipe(height=0.2, first_height=0.2, skirt=0, density=0.2, support_gap=1)
    for name, value in said.items():
        setattr(recipe, name, value)
    return make_plate([maker(Random(seed))], recipe, Random(seed), BED)


@pytest.mark.parametrize("maker", [make_hook, make_table, make_mushroom])
@pytest.mark.parametrize(
    "said",
    [
        {"pattern": "aligned", "top": 0},
        {"walls": 4, "top_pattern": "rings"},
        {"support_outline": True, "support_beyond": 0.0},
        {"support_spacing": 1.0, "pattern": "cross"},
    ],
    ids=["aligned", "rings", "outlined", "dense"],
)
def test_an_overhang_over_supports_is_meant(maker: Callable[[Random], Solid], said: dict[str, object]) -> None:
    """Arm, table top and cap over supports that end one layer below are not stopped."""
    assert stops(plate_of(maker, 1, **said)) == set()


@pytest.mark.parametrize("pattern", ["lines", "cross", "aligned"])
def test_one_layer_of_sparse_infill_between_floor_and_roof_is_meant(pattern: str) -> None:
    """Steps whose floor and roof leave one layer for sparse infill are not stopped."""
    assert stops(plate_of(make_steps, 3, pattern=pattern, density=0.06, walls=1, top=5, bottom=4)) == set()


@pytest.mark.parametrize("maker", [make_hook, make_table])
def test_a_lost_half_of_a_layer_is_found_all_the_same(maker: Callable[[Random], Solid]) -> None:
    """In the arm itself, four layers above its supports, and in the post below them."""
    for where in (0.3, 0.85):
        plate = plate_of(maker, 2, walls=2)
        layer = plate.layers[int(len(plate.layers) * where)]
        middle = sorted(float(x) for bead in layer.beads for x in bead.path[:, 0])
        border = middle[len(middle) // 2]
        for bead in layer.beads:
            keep = bead.path[:, 0].max() <= border
            bead.area = bead.area * (1 if keep else 0)
        layer.beads = [bead for bead in layer.beads if bead.area.any()] or layer.beads[:1]
        assert stops(plate) & {"partial-layer", "missing-layer"}, where
