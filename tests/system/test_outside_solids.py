"""Parts made by an independent path generator are rebuilt as what they are: volume, filament, layers, place.

The solids are meshes of known volume (trimesh), their sections and offsets are shapely's, beads follow the stadium formula
(facts.md 3.1), and the commands are written in manners drawn at random. Nothing of it imports the daemon or the simulator.
"""

from random import Random

import numpy as np
import pytest
from tests.oracles import solids
from tests.oracles.dialects import Writer
from tests.oracles.examination import report_of
from tests.oracles.manners import Manner
from tests.oracles.pathmaker import CORNER, PathMaker, Recipe
from tests.oracles.plates import Plate, make_plate
from tests.oracles.solids import Solid

from layergate.preflight.findings import Report

BED = (0.0, 0.0, 220.0, 220.0)
MAKERS = {maker.__name__.removeprefix("make_"): maker for maker in solids.MAKERS}
PLAIN = {"skirt": 0, "brim": 0, "raft": False, "every": 1, "ironing": False, "spiral": False, "tower": False}


def job_of(plate: Plate, seed: int, **said: object) -> tuple[Writer, bytes]:
    """A job with no purge line before the part, in a manner drawn from a seed."""
    manner = Manner.drawn(Random(seed))
    for name, value in {"diameter": 1.75, "start": "plain", **said}.items():
        setattr(manner, name, value)
    writer = Writer(plate, manner, Random(seed), BED)
    return writer, writer.text()


def stopping(report: Report) -> list[str]:
    return [finding.message for finding in report.findings if finding.severity != "note"]


SOLID = Recipe(nozzle=0.4, height=0.2, first_height=0.2, walls=2, density=1.0, overlap=0.5, **PLAIN)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "name", ["box", "cylinder", "frustum", "tube", "dome", "torus", "wedge", "pyramid", "star", "steps"]
)
def test_solid_fill_has_the_volume_of_the_solid(name: str) -> None:
    """Each layer's volume is its section's area times its height; what may differ is half a fill line along the region's edge.

    Fill lines are spaced so that their area is that of the region they fill (facts.md 3.1, full-fill spacing) and end at its
    border; since their number is whole, they leave or take at most half a line's width along the border.
    """
    r = Random(name)
    solid: Solid = MAKERS[name](r)
    plate = make_plate([solid], SOLID, r, BED)
    _, text = job_of(plate, 3)
    report = report_of(text)
    maker = PathMaker(solid, SOLID, Random(name), (0.0, 0.0), 0)
    assert report.layers["z_mm"] == pytest.approx([z for z, _ in maker.steps], abs=1e-4)
    pitch = SOLID.fill_width - 0.2 * CORNER
    for i, (found, section) in enumerate(zip(report.layers["volume_mm3"], maker.sections, strict=True)):
        # Of the first layer every bead is 1.15 times as wide, on purpose.
        allowed = 0.5 * pitch * (1.15 if i == 0 else 1) * section.length * 0.2
        assert found == pytest.approx(section.area * 0.2, abs=allowed), f"layer {i + 1}"
    assert report.estimate.volume_mm3 == pytest.approx(solid.volume_mm3, rel=0.06)
    assert not stopping(report)


@pytest.mark.parametrize("seed", range(6))
def test_the_account_of_the_generator_is_the_report(seed: int) -> None:
    """Filament, layers, heights and box agree with what the generator laid, whatever the manner of writing."""
    r = Random(seed)
    made = [MAKERS[name](r) for name in r.sample(["cup", "plate", "arch", "lattice", "vase", "pins", "bracket"], 2)]
    recipe = Recipe.drawn(r)
    recipe.density, recipe.top, recipe.raft, recipe.support_tool, recipe.fill_tool = 0.2, 3, False, 0, 0
    recipe.height = max(recipe.height, 0.2)
    plate = make_plate(made, recipe, r, BED)
    writer, text = job_of(plate, seed, firmware_retraction=False)
    report = report_of(text)
    # E is written with so many decimals: each number may be rounded by half of the last one.
    digits = writer.m.e_decimals
    beads = sum(what == "bead" for _, what in writer.spots)
    rounding = (
        0.5
        * 10.0**-digits
        * (25.4 if writer.m.inches else 1)
        * (beads if not writer.m.e_absolute else len(plate.layers) * 40)
    )
    assert report.estimate.filament_mm == pytest.approx(writer.filament_mm, abs=max(0.02, rounding))
    heights = sorted({layer.z for layer in plate.layers})
    assert report.layers["z_mm"] == pytest.approx(heights, abs=6e-4 if writer.m.decimals > 2 else 6e-3)
    volumes = [sum(b.volume_mm3 for x in plate.layers if x.z == z for b in x.beads) for z in heights]
    assert report.layers["volume_mm3"] == pytest.approx(volumes, rel=0.002, abs=0.02)
    points = np.vstack([bead.path for layer in plate.layers for bead in layer.beads])
    box = [report.layers[f"{axis}_{end}_mm"] for end in ("min", "max") for axis in "xy"]
    found = [min(box[0]), min(box[1]), max(box[2]), max(box[3])]
    assert found == pytest.approx([*points.min(axis=0), *points.max(axis=0)], abs=0.02)
    # Of the solids themselves, a bead's centre lies at most its width from the outline; a brim or skirt lies outside.
    if not recipe.brim and not recipe.skirt:
        ends = [solid.bounds_mm[:, :2] + shift for solid, shift in zip(made, plate.shifts, strict=True)]
        low, high = np.min([e[0] for e in ends], axis=0), np.max([e[1] for e in ends], axis=0)
        assert found == pytest.approx([*low, *high], abs=2 * recipe.wall_width)
    assert not stopping(report)
