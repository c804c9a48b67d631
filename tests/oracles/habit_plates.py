"""Plates of the second outside maker: several objects, brims on some, ears, shields, towers; by layer or by object.

Gives sheets in print order; knows no command text. Common practice of the trade. Lengths in mm.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import Any

import numpy as np
import shapely
from shapely.ops import unary_union
from tests.oracles import fillings as fill
from tests.oracles.habits import Habit, ObjectMaker
from tests.oracles.odd_solids import ODD_MAKERS
from tests.oracles.pathmaker import CORNER, stadium_mm2
from tests.oracles.solids import MAKERS, Region, Solid, placed
from tests.oracles.strokes import Sheet, Stroke, stroke

SPIRALS = {"cylinder", "cup", "vase", "frustum", "star", "pyramid", "box", "twist"}
PLAIN = {
    "box",
    "cylinder",
    "cup",
    "tube",
    "vase",
    "spikes",
    "frustum",
    "pyramid",
    "pins",
    "comb",
    "twist",
    "thin plate",
}


@dataclass
class Bed:
    """What is printed and how."""

    solids: list[Solid]
    habit: Habit
    sheets: list[Sheet]
    by_object: bool = False
    said: dict[str, Any] = field(default_factory=dict)
    lift_mm: float = 0.0


def drawn_bed(r: Random, middle: tuple[float, float]) -> Bed:
    """One to five objects, everything drawn."""
    habit = Habit.drawn(r)
    count = r.choice([1, 1, 1, 2, 2, 3])
    every = r.choice((MAKERS, ODD_MAKERS, ODD_MAKERS))
    maker = r.choice(every)
    solids = [(maker if r.random() < 0.5 else r.choice(every))(r) for _ in range(count)]
    said: dict[str, Any] = {
        "around": r.choice(["skirt", "skirt", "tall skirt", "brim", "some brims", "ears", "shield", "nothing"]),
        "raft": r.random() < 0.06, "tower": r.choice(["", "", "full", "hollow"]), "spiral": "",
    }  # fmt: skip
    suit_height(habit, solids)
    if habit.density < 0.1 and any(solid.name not in PLAIN for solid in solids):
        habit.density = 0.1  # what stands on a roof inside would hang on nothing
    if 0 < habit.density < habit.width / 3 and any(solid.name not in PLAIN for solid in solids):
        habit.density = habit.width / 3  # lines no farther apart than pockets are wide, whose floors lie on them
    if habit.pattern == "branches" and any(solid.name not in PLAIN for solid in solids):
        habit.pattern = "lines"  # branches carry roofs, and not the floors of pockets
    if count == 1 and solids[0].name in SPIRALS and r.random() < 0.35:
        said["spiral"] = r.choice(["single", "single", "smooth", "double", "ramped ends"])
        habit.curve, habit.every = "even", 1
        said["raft"] = False
    by_object = count > 1 and r.random() < 0.3
    if by_object:
        said["around"], said["raft"] = r.choice(["skirt", "brim", "nothing"]), False
    if said["raft"]:
        habit.first_height = habit.height  # a thick first layer is for the bed
    return made_bed(solids, habit, r, middle, said, by_object=by_object)


def suit_height(habit: Habit, solids: list[Solid]) -> None:
    """Make layers so high that some hundred are enough, and the nozzle so wide that it lays them."""
    tall = max(float(solid.bounds_mm[1][2]) for solid in solids)
    habit.height = max(habit.height, round(tall * len(solids) / 110, 2))
    if habit.height > 0.75 * habit.nozzle:
        habit.width *= habit.height / 0.75 / habit.nozzle
        habit.nozzle = round(habit.height / 0.75, 2)
    if habit.every * habit.height > 0.85 * habit.nozzle:
        habit.every = 1
    habit.first_height = max(habit.first_height, habit.height)


def _one_maker(*given: Any) -> list[ObjectMaker]:
    return [ObjectMaker(*given)]


def made_bed(
    solids: list[Solid],
    habit: Habit,
    r: Random,
    middle: tuple[float, float],
    said: dict[str, Any],
    *,
    by_object: bool = False,
    make: Callable[..., list[ObjectMaker]] = _one_maker,
) -> Bed:
    """Objects side by side, and what stands around and beside them; each may be made by several makers."""
    apart = 32.0 if by_object else 8.0
    x, y, row, makers = middle[0] - 45, middle[1] - 40, 0.0, list[ObjectMaker]()
    for i, solid in enumerate(solids):
        low, high = solid.bounds_mm
        if i in (2, 4):
            x, y, row = middle[0] - 45, y + row + apart, 0.0
        makers += make(solid, habit, r, (x - low[0], y - low[1]), i)
        x, row = x + high[0] - low[0] + apart, max(row, high[1] - low[1])
    bed = Bed(solids, habit, [], by_object, said)
    stacks = [spiral(m, said["spiral"]) if said.get("spiral") else m.sheets() for m in makers]
    raft = _raft(bed, makers, r) if said.get("raft") else []
    for sheet in (s for stack in stacks for s in stack):
        sheet.z = round(sheet.z + bed.lift_mm, 4)
    if by_object:
        bed.sheets = [sheet for stack in stacks for sheet in stack]
    else:
        bed.sheets = sorted((s for stack in stacks for s in stack), key=lambda s: (s.z, s.part))
        if r.random() < 0.3:  # the order of objects turns round from layer to layer
            groups: dict[float, list[Sheet]] = {}
            for sheet in bed.sheets:
                groups.setdefault(sheet.z, []).append(sheet)
            bed.sheets = [s for k, g in enumerate(groups.values()) for s in (g if k % 2 else g[::-1])]
    if raft:
        bed.sheets = raft + bed.sheets
    else:
        there = {sheet.part for sheet in bed.sheets}  # what is too thin for the nozzle is not
        _around(bed, [m for m in makers if m.part in there], r)
    if said.get("tower") and not by_object and any(s.tool for sheet in bed.sheets for s in sheet.strokes):
        _tower(bed, hollow=said["tower"] == "hollow")
    return bed


def _foot(maker: ObjectMaker) -> Region:
    return maker.sections[0].union(maker.under.regions[0])


def _around(bed: Bed, makers: list[ObjectMaker], r: Random) -> None:
    habit, h = bed.habit, bed.habit.first_height
    width = habit.width * habit.first_width
    pitch, kind = width - h * CORNER, bed.said.get("around")
    whole = unary_union([_foot(m) for m in makers])
    first = {m.part: next(s for s in bed.sheets if s.part == m.part) for m in makers}
    for maker in makers:
        foot, beads = _foot(maker), list[Any]()
        if kind == "brim" or (kind == "some brims" and maker.part % 2 == 0):
            for k in reversed(range(r.choice([3, 8]))):
                beads += fill.rings(foot.buffer(pitch / 2 + k * pitch))
        elif kind == "ears":
            corners = shapely.get_coordinates(foot.minimum_rotated_rectangle)[:4]
            ears = unary_union([shapely.Point(c).buffer(5.0) for c in corners]).difference(foot.buffer(pitch * 0.1))
            beads += fill.concentric(ears.buffer(-pitch / 2), pitch)
        if beads:
            sheet = first[maker.part]
            sheet.strokes = [_extra(p, width, h, "brim") for p in beads] + sheet.strokes
    if kind in ("skirt", "tall skirt", "shield"):
        groups = [(m.part, _foot(m)) for m in makers] if bed.by_object else [(0, whole)]
        heights = {"skirt": 1, "tall skirt": 3, "shield": 10_000}[kind]
        for part, foot in groups:
            ring = foot.convex_hull.buffer(4.0)
            done = set[float]()
            for sheet in bed.sheets:
                # Only at the heights of one object: those of others, on a grid of their own, lie too close.
                if sheet.z in done or len(done) >= heights or sheet.part != part:
                    continue
                done.add(sheet.z)
                loops = 2 if len(done) == 1 else 1
                lines = [p for k in range(loops) for p in fill.rings(ring.buffer(k * pitch))]
                wide = width if len(done) == 1 else habit.width
                sheet.strokes = [_extra(p, wide, sheet.height, "skirt") for p in lines] + sheet.strokes


def _extra(path: Any, width: float, height: float, kind: str, flow: float = 1.0, tool: int = 0) -> Stroke:
    made = stroke(path, width, height, kind, flow, tool)
    made.extra = True
    return made


def _raft(bed: Bed, makers: list[ObjectMaker], r: Random) -> list[Sheet]:
    """Wide lines far apart, closer ones across, one or two dense layers; the object an air gap above."""
    habit, made, z = bed.habit, list[Sheet](), 0.0
    foot = unary_union([_foot(m).buffer(3.0).simplify(0.2) for m in makers])
    n = habit.nozzle
    for k, (h, width, spacing) in enumerate(
        [(0.7 * n, 2 * n, 3 * n), (0.6 * n, 1.2 * n, 1.8 * n)]
        + [(habit.height, n, n - habit.height * CORNER)] * r.choice([1, 2, 3])
    ):
        z = round(z + h, 4)
        lines = fill.connected(fill.hatch(foot, math.pi / 2 * (k % 2), spacing), foot, 2 * spacing)
        made.append(Sheet(z, h, [_extra(p, width, h, "raft") for p in lines]))
    bed.lift_mm = round(z + r.choice([0.0, 0.1, 0.15, 0.2, habit.height]), 4)
    return made


def _tower(bed: Bed, *, hollow: bool) -> None:
    """Beside the objects, in every layer up to the last change of tool: purged into at each change."""
    habit, strokes = bed.habit, [s for sheet in bed.sheets for s in sheet.strokes]
    right = max(float(s.path[:, 0].max()) for s in strokes) + 6
    low = min(float(s.path[:, 1].min()) for s in strokes)
    shape = placed(shapely.box(0, 0, 12, 15), right, low)
    last, done = max(k for k, sheet in enumerate(bed.sheets) if any(s.tool for s in sheet.strokes)), set[float]()
    for sheet in bed.sheets[: last + 1]:
        if sheet.z in done or sheet.part:
            continue
        done.add(sheet.z)
        pitch = habit.width - sheet.height * CORNER
        lines = fill.rings(fill.inset(shape, pitch / 2)) + fill.rings(fill.inset(shape, 1.5 * pitch))
        if not hollow:
            room = fill.inset(shape, 2.5 * pitch)
            lines += fill.connected(fill.hatch(room, math.pi / 2 * (len(done) % 2), 2 * pitch), room, 5 * pitch)
        tool = sheet.strokes[0].tool
        sheet.strokes = [_extra(p, habit.width, sheet.height, "tower", 1.0, tool) for p in lines] + sheet.strokes


def spiral(maker: ObjectMaker, kind: str) -> list[Sheet]:
    """A floor, then walls that climb all along: one, or two side by side; drawn from outline to outline, or stepping."""
    habit, made = maker.habit, list[Sheet]()
    for i, (z, h) in enumerate(maker.steps):
        if i < habit.bottom:
            made += [Sheet(z, h, maker._sheet(i)[0].strokes, maker.part)]
            continue
        rings = []
        for k in range(2 if kind == "double" else 1):
            centre = fill.inset(maker.sections[i], (0.5 + k) * (habit.width - h * CORNER * (k > 0)))
            rings += [fill.turned(ring, int(np.argmax(ring[:-1, 1]))) for ring in fill.rings(centre)[:1]]
        strokes = []
        for ring in rings:
            path = shapely.get_coordinates(fill.LineString(ring).segmentize(2.0))
            along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
            share = along / along[-1]
            if kind == "smooth" and i + 1 < len(maker.steps):
                above = fill.rings(fill.inset(maker.sections[i + 1], 0.5 * habit.width))
                if above:
                    near = shapely.LinearRing(above[0])
                    spots = shapely.points(path)
                    onto = shapely.get_coordinates(near.interpolate(near.project(spots)))
                    path = path + share[:, None] * (onto - path)
            area = np.full(len(path) - 1, stadium_mm2(habit.width, h))
            middle = (share[1:] + share[:-1]) / 2
            if kind == "ramped ends" and i == habit.bottom:
                area = area * np.maximum(middle, 0.02)
            strokes.append(Stroke(path, area, "spiral", rise=-h * (1 - share)))
            if kind == "ramped ends" and i + 1 == len(maker.steps):
                strokes.append(Stroke(path, area * np.maximum(1 - middle, 0.02), "spiral", rise=np.zeros(len(path))))
        made.append(Sheet(z, h, strokes, maker.part))
    return made
