"""The third outside maker of good jobs: customs of many programs that the other two lack. Knows no command text.

Solid layers among sparse ones, infill that turns or thins out with height, other settings in a band or a corner of an object
or for one object of several, objects of several colours, supports at heights of their own, towers that colours are rammed and
purged into, first layers drawn in. Built on habits.py; common practice of the trade. Lengths in mm.
"""

import math
from collections.abc import Callable
from copy import copy
from dataclasses import dataclass, field, replace
from random import Random
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon
from shapely.ops import unary_union
from tests.oracles import fillings as fill
from tests.oracles.custom_solids import CUSTOM_MAKERS, Sliced
from tests.oracles.habit_plates import PLAIN, Bed, made_bed, suit_height
from tests.oracles.habits import Habit, ObjectMaker
from tests.oracles.odd_solids import ODD_MAKERS
from tests.oracles.pathmaker import CORNER, stadium_mm2
from tests.oracles.solids import MAKERS, Region, Solid, placed
from tests.oracles.strokes import Sheet, Stroke, stroke

RAM, PURGE = "ram", "purge"
_SUPPORTS = 100  # and up: numbers of the supports of objects, where they have heights of their own
Mask = Callable[[Region, float, float], Region]
"""What of a section is of a colour, by its height and the object's."""


@dataclass
class Custom:
    """What an object is made like besides its habit; neutral unless drawn."""

    solid_every: int = 0
    turn: float = 0.0  # of infill and floors, radians from layer to layer beyond the usual
    bands: tuple[tuple[float, float, dict[str, Any]], ...] = ()  # from, to in shares of the height; what differs there
    corner: float = 0.0  # times the density, in half of the object
    drawn_in: float = 0.0  # the first layer's outline
    rough_flow: float = 0.0  # share by which a skin's flow jitters
    own_supports: float = 0.0  # height of the supports' layers, in the object's
    inner_brim: bool = False

    @classmethod
    def drawn(cls, r: Random) -> "Custom":
        made = cls()
        for what in r.sample(
            ["solid", "turn", "band", "band", "corner", "foot", "flow", "supports", "brim"], r.choice([1, 2, 3])
        ):
            match what:
                case "solid":
                    made.solid_every = r.choice([4, 7, 10])
                case "turn":
                    made.turn = r.choice([math.radians(15), math.radians(30), math.radians(36), 1.0])
                case "band":
                    low = r.uniform(0.15, 0.6)
                    other: dict[str, Any] = r.choice(
                        [{"walls": 1}, {"walls": 4}, {"density": 0.5}, {"density": 0.1}, {"density": 1.0}, {"pattern": "gyroid"},
                         {"pattern": "grid"}]
                    )  # fmt: skip
                    made.bands = ((low, r.choice([1.0, low + 0.25]), other),)
                case "corner":
                    made.corner = r.choice([2.0, 0.5, 3.0])
                case "foot":
                    made.drawn_in = r.choice([0.1, 0.15, 0.3])
                case "flow":
                    made.rough_flow = r.choice([0.15, 0.3])
                case "supports":
                    made.own_supports = r.choice([0.7, 1.5, 2.0, 1.3])
                case _:
                    made.inner_brim = True
        return made


class CustomMaker(ObjectMaker):
    """One object, or what of it is of one colour."""

    def __init__(
        self, solid: Solid, habit: Habit, r: Random, shift: tuple[float, float], part: int, custom: Custom,
        mask: Mask | None = None, tool: int = 0,
    ) -> None:  # fmt: skip
        super().__init__(solid, habit, r, shift, part)
        self.custom, self.tool, self.plain, self.first_base = custom, tool, habit, self.base
        if mask:
            top = float(solid.bounds_mm[1][2])
            self.sections = [
                unary_union(fill.polygons(mask(section, z, top).buffer(0), 0.3))
                for section, (z, _) in zip(self.sections, self.steps, strict=True)
            ]
        if custom.drawn_in:
            self.sections[0] = self.sections[0].buffer(-custom.drawn_in)

    def sheets(self) -> list[Sheet]:
        made = super().sheets()
        if self.custom.own_supports and not all(region.is_empty for region in self.under.regions):
            made = sorted(made + self._own_supports(), key=lambda sheet: sheet.z)
        return made

    def _sheet(self, i: int) -> list[Sheet]:
        custom, top = self.custom, self.steps[-1][0]
        other: dict[str, Any] = {}
        for low, high, what in custom.bands:
            if low * top < self.steps[i][0] <= high * top:
                other |= what
        if custom.solid_every and i % custom.solid_every == custom.solid_every - 1:
            other["density"] = 1.0
        self.habit = replace(self.plain, **other)
        self.base = self.first_base + i * custom.turn
        sheets = super()._sheet(i)
        for one in (one for sheet in sheets for one in sheet.strokes):
            one.tool = one.tool or self.tool
        if custom.own_supports:
            for sheet in sheets:
                sheet.strokes = [one for one in sheet.strokes if one.kind != "support"]
        if custom.inner_brim and i == 0:
            sheets[0].strokes = self._inner_brim(sheets[0].height) + sheets[0].strokes
        return sheets

    def _inner_brim(self, h: float) -> list[Stroke]:
        """Rings inside the holes, in the first layer."""
        width = self.habit.width
        pitch, made = width - h * CORNER, list[Stroke]()
        for piece in fill.polygons(self.sections[0]):
            for hole in piece.interiors:
                room = Polygon(hole).difference(self.sections[0].buffer(0.001))
                for k in range(3):
                    rings = fill.rings(fill.inset(room, pitch * (k + 0.5)))
                    made += [stroke(p, width, h, "brim", 1.0, self.tool) for p in rings if len(p) > 3]
        for one in made:
            one.extra = True
        return made[::-1]

    def _loop(self, i: int, ring: Any, width: float, h: float, kind: str) -> Stroke:
        made = super()._loop(i, ring, width, h, kind)
        if self.custom.rough_flow and kind == "outer" and i and made.rise is None and np.ptp(made.area) < 1e-9:
            path = shapely.get_coordinates(LineString(made.path).segmentize(0.6))
            jitter = np.array(
                [self.r.uniform(1 - self.custom.rough_flow, 1 + self.custom.rough_flow) for _ in path[1:]]
            )
            made = replace(made, path=path, area=made.area[0] * jitter)
        return made

    def _sparse(self, i: int, region: Region, h: float, width: float) -> list[Stroke]:
        if not self.custom.corner or region.is_empty or self.habit.every > 1:
            return super()._sparse(i, region, h, width)
        x0, y0, x1, y1 = unary_union(self.sections).bounds
        half = shapely.box(x0 - 99, y0 - 99, x0 + 0.45 * (x1 - x0), y1 + 99)
        usual = self.habit
        made = super()._sparse(i, region.difference(half).buffer(-0.05).buffer(0.05), h, width)
        self.habit = replace(usual, density=min(0.7, usual.density * self.custom.corner))
        made += super()._sparse(i, region.intersection(half).buffer(-0.05).buffer(0.05), h, width)
        self.habit = usual
        return made

    def _own_supports(self) -> list[Sheet]:
        """The same columns in layers of their own height, which end somewhere in the air under what they carry."""
        under, made = copy(self.under), list[Sheet]()
        step = round(self.custom.own_supports * self.plain.height, 3)
        step = min(step, round(0.8 * self.plain.nozzle, 3))
        under.steps, under.regions, under.dense, bottoms = [], [], [], list[float]()
        z = 0.0
        while z + step < self.steps[-1][0]:
            h = self.steps[0][1] if not under.steps else step
            z = round(z + h, 4)
            bottoms.append(z - h)
            under.steps.append((z, h))
        for (z, _), low in zip(under.steps, bottoms, strict=True):
            # Where the supports are through all of the layers that it stands beside.
            beside = [k for k, (top, h) in enumerate(self.steps) if top > low + 1e-6 and top - h < z - 1e-6]
            region: Region = self.under.regions[beside[0]] if beside else Polygon()
            dense: Region = Polygon()
            for k in beside:
                region = region.intersection(self.under.regions[k])
                dense = dense.union(self.under.dense[k])
            under.regions.append(unary_union(fill.polygons(region, 1.0)))
            under.dense.append(dense.intersection(region))
        for k, (z, h) in enumerate(under.steps):
            strokes = under.strokes(k)
            if strokes:
                made.append(Sheet(z, h, strokes, self.part + _SUPPORTS))
        return made


@dataclass
class Colours:
    """How an object is parted by colour: each mask with its tool."""

    name: str = ""
    masks: list[tuple[Mask, int]] = field(default_factory=list)

    @classmethod
    def drawn(cls, r: Random, solid: Solid, shift: tuple[float, float]) -> "Colours":
        low, high = solid.bounds_mm
        x0, y0, x1, y1 = low[0] + shift[0], low[1] + shift[1], high[0] + shift[0], high[1] + shift[1]
        match r.choice(["halves", "inlay", "bands", "stripes"]):
            case "halves":
                half = shapely.box(x0 - 1, y0 - 1, (x0 + x1) / 2, y1 + 1)
                masks: list[tuple[Mask, int]] = [
                    (lambda s, _z, _t: s.intersection(half), 0),
                    (lambda s, _z, _t: s.difference(half), 1),
                ]
                return cls("halves", masks)
            case "inlay":
                spots = [
                    shapely.Point(r.uniform(x0 + 3, x1 - 3), r.uniform(y0 + 3, y1 - 3)).buffer(r.uniform(1.5, 4))
                    for _ in range(3)
                ]
                picture, deep = unary_union(spots), r.choice([0.4, 0.7, 1.2])
                return cls("inlay", [
                    (lambda s, z, t: s.difference(picture) if z > t - deep else s, 0),
                    (lambda s, z, t: s.intersection(picture) if z > t - deep else Polygon(), 1),
                ])  # fmt: skip
            case "bands":
                at = r.uniform(0.3, 0.7)
                return cls("bands", [
                    (lambda s, z, t: s if z <= at * t else Polygon(), 0),
                    (lambda s, z, t: s if z > at * t else Polygon(), 1),
                ])  # fmt: skip
        pieces = [shapely.box(x0 + k * 6, y0 - 1, x0 + k * 6 + 3, y1 + 1) for k in range(int((x1 - x0) / 6) + 1)]
        stripes = unary_union(pieces)
        return cls(
            "stripes", [(lambda s, _z, _t: s.intersection(stripes), 0), (lambda s, _z, _t: s.difference(stripes), 1)]
        )


def drawn_custom_bed(r: Random, middle: tuple[float, float]) -> Bed:
    """One to three objects, everything drawn."""
    habit = Habit.drawn(r)
    count = r.choice([1, 1, 2, 2])
    solids = [
        r.choice(r.choice((CUSTOM_MAKERS, CUSTOM_MAKERS, CUSTOM_MAKERS, MAKERS, ODD_MAKERS)))(r) for _ in range(count)
    ]
    if any(isinstance(solid, Sliced) for solid in solids):  # made for the nozzle that most have
        habit.nozzle, habit.width, habit.height = 0.4, r.uniform(0.42, 0.48), r.choice([0.15, 0.2, 0.2, 0.28])
        habit.first_width = min(habit.first_width, 1.2)
    suit_height(habit, solids)
    plain = all(solid.name in PLAIN for solid in solids)
    if not plain:  # what stands on a roof inside would hang on nothing, as floors of pockets on lines far apart
        habit.density = habit.density and max(habit.density, 0.1, habit.width / 3)
        habit.density = habit.density or 0.15
        habit.pattern = "lines" if habit.pattern == "branches" else habit.pattern
    customs = [Custom.drawn(r) for _ in solids]
    habits = [habit] * count
    said: dict[str, Any] = {
        "around": r.choice(["skirt", "tall skirt", "brim", "ears", "shield", "nothing"]), "raft": r.random() < 0.06,
        "tower": "", "spiral": "", "customs": customs,
    }  # fmt: skip
    by_object = count > 1 and r.random() < 0.25
    if by_object:
        customs = [replace(custom, own_supports=0.0) for custom in customs]
        said["customs"] = customs
        said["around"], said["raft"] = r.choice(["skirt", "brim", "nothing"]), False
    elif count > 1 and r.random() < 0.5:  # each object as its owner likes it
        habits = [_other(habit, r) for _ in solids]
    coloured = not by_object and not said["raft"] and r.random() < 0.4
    if coloured:
        said["around"] = "skirt"
        said["tower"] = r.choice(["rammed", "rammed", ""])
    if said["tower"]:  # takes layers of one height
        habits = [replace(other, height=habit.height, curve="even") for other in habits]
        customs = [replace(custom, own_supports=0.0) for custom in customs]
        said["customs"] = customs
    if said["raft"]:
        habit.first_height = habit.height  # a thick first layer is for the bed

    def make(solid: Solid, _: Habit, r: Random, shift: tuple[float, float], part: int) -> list[ObjectMaker]:
        custom = customs[part]
        if not coloured or solid.held == "support":
            return [CustomMaker(solid, habits[part], r, shift, part, custom)]
        colours = Colours.drawn(r, solid, shift)
        said["colours"] = colours.name
        return [CustomMaker(solid, habits[part], r, shift, part, custom, mask, tool) for mask, tool in colours.masks]

    bed = made_bed(solids, habit, r, middle, said, by_object=by_object, make=make)
    if said["tower"] == "rammed":
        _rammed_tower(bed, r)
    return bed


def _other(habit: Habit, r: Random) -> Habit:
    """Settings of one object of several; the first layer is all of theirs."""
    other = replace(
        habit, walls=r.choice([1, 2, 3]), pattern=r.choice(["lines", "grid", "gyroid"]), density=r.choice([0.15, 0.2, 0.4]),
        top=r.choice([3, 4]), bottom=r.choice([2, 3]), every=1,
    )  # fmt: skip
    other.height = round(habit.height * r.choice([1.0, 1.0, 0.5, 0.75, 1.5]), 3)
    if other.height > 0.75 * habit.nozzle or other.height < 0.06:
        other.height = habit.height
    return other


def _rammed_tower(bed: Bed, r: Random) -> None:
    """At each change of tool the old filament is rammed out in fast thick lines, the new one purged in lines behind them.

    Every layer up to the last change has a frame, and sparse lines where nothing is purged.
    """
    habit, strokes = bed.habit, [s for sheet in bed.sheets for s in sheet.strokes]
    if not any(s.tool for s in strokes):
        return
    left = max(float(s.path[:, 0].max()) for s in strokes) + 8
    low = min(float(s.path[:, 1].min()) for s in strokes)
    heights: dict[float, list[Sheet]] = {}
    for sheet in bed.sheets:
        heights.setdefault(sheet.z, []).append(sheet)
    wide, tool = 30.0, strokes[0].tool
    changes: dict[float, list[tuple[Sheet, int, int]]] = {}
    for z, sheets in heights.items():
        for sheet in sheets:
            for k, one in enumerate(sheet.strokes):
                if one.tool != tool:
                    changes.setdefault(z, []).append((sheet, k, tool))
                    tool = one.tool
    if not changes:
        return
    rams, purges, spread = r.choice([2, 3]), r.choice([5, 9]), r.choice([1.0, 1.0, 1.5])
    pitch = habit.width * 1.3 - habit.height * CORNER
    deep = max(len(found) for found in changes.values()) * (rams + purges) * pitch * spread + 2 * pitch
    last = max(changes)
    box = placed(shapely.box(0, 0, wide, deep), left, low)
    below = 0.0
    for z in sorted(heights):
        if z > last:
            break
        # Layers of objects of other heights are too close together for a tower.
        own = heights[z][0]
        if z - below < 0.6 * own.height and z not in changes:
            continue
        h = round(z - below, 4)
        below = z
        width, y = habit.width * 1.3, low + pitch
        for sheet, at, old in reversed(changes.get(z, [])):
            new = sheet.strokes[at].tool
            rammed, y = _rows(
                left + pitch, y, wide - 2 * pitch, rams, pitch * spread, stadium_mm2(width, h) * 1.6, RAM, old
            )
            purged, y = _rows(
                left + pitch, y, wide - 2 * pitch, purges, pitch * spread, stadium_mm2(width, h), PURGE, new
            )
            sheet.strokes[at:at] = [rammed, purged]
        frame = [
            _tower_stroke(p, width, h, heights[z][0].strokes[0].tool) for p in fill.rings(fill.inset(box, pitch / 2))
        ]
        room = fill.inset(placed(shapely.box(0, y - low + pitch / 2, wide, deep), left, low), pitch)
        lines = fill.connected(fill.hatch(room, math.pi / 4, 4 * pitch), room, 9 * pitch)
        own.strokes = frame + [_tower_stroke(p, width, h, own.strokes[0].tool) for p in lines] + own.strokes


def _rows(
    x: float, y: float, wide: float, count: int, pitch: float, area: float, kind: str, tool: int
) -> tuple[Stroke, float]:
    path = []
    for k in range(count):
        ends = (x, x + wide) if k % 2 == 0 else (x + wide, x)
        path += [(ends[0], y + k * pitch), (ends[1], y + k * pitch)]
    made = Stroke(np.array(path), np.full(len(path) - 1, area), kind, tool)
    made.extra = True
    return made, y + count * pitch


def _tower_stroke(path: Any, width: float, h: float, tool: int) -> Stroke:
    made = stroke(path, width, h, "tower", 1.0, tool)
    made.extra = True
    return made
