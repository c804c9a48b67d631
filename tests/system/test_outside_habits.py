"""Good jobs of habits that programs of the trade are known to have are not stopped, and lay down what they should.

The second outside maker of tests/oracles (habits.py) makes them from solids of trimesh with offsets of shapely; nothing of it
imports the daemon or the simulator. The wide run is a command: `python -m tests.oracles.trial --maker habits`.
"""

from collections.abc import Callable
from random import Random
from typing import Any

import pytest
from tests.oracles import odd_solids, solids
from tests.oracles.calibrations import CALIBRATIONS
from tests.oracles.examination import report_of
from tests.oracles.habit_plates import Bed, made_bed
from tests.oracles.habits import Habit
from tests.oracles.scribe import Scribe
from tests.oracles.solids import Solid, box
from tests.oracles.styles import Style
from tests.oracles.trial import habit_job

from layergate.preflight.findings import Report

SIZE = (0.0, 0.0, 220.0, 220.0)


def bed_of(solid: Solid, said: dict[str, Any] | None = None, **habits: Any) -> Bed:
    habit = Habit(height=0.3, first_height=0.3, first_width=1.0, **{"density": 0.15, **habits})
    return made_bed([solid], habit, Random(5), (110.0, 110.0), said or {"around": "skirt"})


def judged(bed: Bed, **style: Any) -> Report:
    return report_of(Scribe(bed, Style(**style), Random(1), SIZE).text())


def stops(report: Report) -> list[str]:
    return [f"{finding.rule}: {finding.message}" for finding in report.findings if finding.severity != "note"]


def block(wide: float = 12.0, deep: float = 10.0, high: float = 5.0) -> Solid:
    return Solid("block", [box(0, 0, 0, wide, deep, high)])


@pytest.mark.parametrize("make", CALIBRATIONS)
def test_jobs_that_set_up_a_printer_pass(make: Callable[[Random], bytes]) -> None:
    """Towers, patches, lines and squares are odd parts, and meant."""
    assert stops(report_of(make(Random(0)))) == []


@pytest.mark.parametrize(
    "habits",
    [
        {"wall_way": "centre"},
        {"wall_way": "turns", "wall_order": "sandwich", "rough": 0.2},
        {"wall_way": "half-up"},
        {"seam": "ramp", "seam_mm": 20.0, "coast": 0.3},
        {"seam": "flow"},
        {"pattern": "gyroid", "inner_bridge": 1.5},
        {"pattern": "honeycomb turned"},
        {"pattern": "branches", "skin": "oneway"},
        {"pattern": "cubic", "skin": "rings", "every": 2, "nozzle": 0.8, "width": 0.9},
        {"pattern": "hilbert", "ironing": 0.1, "one_wall_top": True},
        {"curve": "curve", "ironing": 0.0},
    ],
    ids=lambda habits: "-".join(str(value) for value in habits.values()),
)
def test_habits_of_walls_and_fillings_pass(habits: dict[str, Any]) -> None:
    """A block, whatever its walls, seams, fillings and skins."""
    assert stops(judged(bed_of(block(), **habits), retract_mm=0.8, hop="slope", wipe="on")) == []


@pytest.mark.parametrize(
    ("maker", "said", "habits"),
    [
        (solids.make_hook, {"around": "nothing"}, {"support": "tree", "support_air": 1, "support_dense": 2}),
        (solids.make_hook, {"around": "ears", "tower": "full"}, {"support": "grid", "support_air": 0, "dense_tool": 1}),
        (odd_solids.make_tee, {"around": "some brims"}, {"support": "lines", "support_air": 2}),
        (odd_solids.make_insert, {"around": "tall skirt"}, {"bridge_layers": 2, "bridge_flow": 0.85}),
        (odd_solids.make_thinning, {"around": "brim"}, {"wall_way": "centre"}),
        (odd_solids.make_spikes, {"around": "shield"}, {"wall_way": "centre", "walls": 3}),
        (solids.make_cup, {"spiral": "ramped ends"}, {}),
        (solids.make_cup, {"spiral": "double"}, {}),
    ],
    ids=["tree", "soluble", "air", "insert", "thinning", "spikes", "spiral", "two-spirals"],
)
def test_habits_of_supports_bridges_and_spirals_pass(
    maker: Callable[[Random], Solid], said: dict[str, Any], habits: dict[str, Any]
) -> None:
    """Shapes that need support, bridges, walls that run out thin, and walls that climb all along."""
    assert stops(judged(bed_of(maker(Random(3)), said, **habits), e_mode="relative", start="two lines")) == []


@pytest.mark.parametrize("wall_way", ["offset", "centre", "turns"])
@pytest.mark.parametrize("maker", [block, odd_solids.make_thinning])
def test_a_solid_is_filled_whatever_its_walls(maker: Callable[..., Solid], wall_way: str) -> None:
    """Full fill has the volume of the solid (facts.md 3.1), to the border of half a line that fill leaves or takes."""
    solid = maker() if maker is block else maker(Random(4))
    bed = bed_of(solid, {"around": "nothing"}, wall_way=wall_way, density=1.0)
    volume = sum(one.volume_mm3 for sheet in bed.sheets for one in sheet.strokes)
    assert judged(bed).estimate.volume_mm3 == pytest.approx(volume, rel=0.003)
    high = len({sheet.z for sheet in bed.sheets}) * 0.3
    assert volume == pytest.approx(solid.section(1.0).area * high, rel=0.08)


@pytest.mark.parametrize(
    "style",
    [
        {"start": "wipe on bed", "end": "push off", "retract": "firmware", "arcs": True},
        {"start": "zigzag", "e_mode": "volumetric", "hop": "helix", "pause": "park and M0"},
        {"start": "blob", "inches": True, "decimals": 6, "e_decimals": 8, "end": "present"},
        {"start": "slow descent", "e_reset": "never", "g0_extrudes": True, "lapse": True, "pause": "M600"},
        {"start": "macro", "end": "macro", "e_mode": "relative", "blank": "", "bare": True},
    ],
    ids=lambda style: style["start"],
)
def test_habits_of_starts_pauses_and_ends_pass(style: dict[str, Any]) -> None:
    """The same block, however its job is written."""
    assert stops(judged(bed_of(block()), **style)) == []


@pytest.mark.parametrize(
    "seed",
    [
        412,  # ironed roofs over walls in two thin layers: most of the path lays next to nothing
        449,  # a roof over its support, beside an object with layers of its own heights
        1042,  # a wall of one wide bead that becomes two
        1045,  # two objects whose heights lie a hundredth apart
        1055,
        14017,  # two objects, each of heights that change, so that what lies under a layer was thicker
        15004,  # a wall more in every second layer, beside infill that breaks off
        23068,  # and beside a line of infill that runs along it
        1029,  # ramped seams in heights of two decimals
        1226,  # gap fill that comes and goes
        1337,  # adaptive heights of objects that lie 0.02 mm apart
        14083,  # a purge line at the first layer's height
        14124,  # nothing but walls in every second layer
        19028,  # pins with rough walls, whose seams run over their beginning
        14147,  # an arm over its supports, beside a shield
    ],
)
def test_jobs_that_were_stopped_once_pass(seed: int) -> None:
    """Drawn jobs, good by the maker's own account."""
    assert stops(report_of(habit_job(seed)[1])) == []
