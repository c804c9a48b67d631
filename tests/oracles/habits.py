"""The second outside maker of good jobs: path strategies and habits that the first (pathmaker.py) lacks. Knows no command text.

Walls of varying width along centre lines, gap fill in one bead, walls by turns and half a layer up, ramped seams, coasting,
rough skins; waves in space, honeycombs, branches under roofs; ironing, bridges in two layers, tops along one way; layer
heights by a curve. Common practice of the trade; stadium beads and full-fill spacing by facts.md 3.1. Lengths in mm.
"""

import math
from dataclasses import dataclass
from random import Random
from typing import Any

import numpy as np
from shapely.geometry import Polygon
from shapely.ops import unary_union
from tests.oracles import fillings as fill
from tests.oracles import patterns
from tests.oracles.pathmaker import CORNER
from tests.oracles.solids import Region, Solid, placed
from tests.oracles.strokes import Sheet, Stroke, along_middle, chopped, coasted, fuzzy, ramped_seam, stroke
from tests.oracles.under import Under

PATTERNS = ("lines", "grid", "triangles", "cubic", "gyroid", "honeycomb", "honeycomb turned", "hilbert", "rings", "waves",
            "branches", "lines", "gyroid")  # fmt: skip


@dataclass
class Habit:
    """How objects are made. Everything is drawn from a seed unless a test says otherwise."""

    nozzle: float = 0.4
    height: float = 0.2
    first_height: float = 0.2
    first_width: float = 1.2
    first_flow: float = 1.0
    curve: str = "even"  # layer heights: even | curve | blocks
    width: float = 0.45
    walls: int = 2
    wall_way: str = "offset"  # offset | centre | turns | half-up
    wall_order: str = "inside"  # inside | outside | sandwich
    gap_fill: bool = True
    rough: float = 0.0  # depth of a rough skin
    seam: str = "plain"  # plain | flow | ramp
    seam_at: str = "nearest"  # nearest | random | back
    seam_mm: float = 10.0
    coast: float = 0.0
    one_wall_top: bool = False
    pattern: str = "lines"
    density: float = 0.15
    every: int = 1
    top: int = 4
    bottom: int = 3
    skin: str = "zigzag"  # zigzag | oneway | rings | hilbert
    skin_width: float = 1.0
    ironing: float = -1.0  # flow; below zero: none
    bridge_flow: float = 1.0
    bridge_layers: int = 1
    inner_bridge: float = 1.0
    support: str = "lines"  # lines | grid | tree
    support_air: int = 1
    support_dense: int = 1
    support_tool: int = 0
    dense_tool: int = 0
    fill_first: bool = False
    fill_tool: int = 0
    chop: float = 0.0

    @classmethod
    def drawn(cls, r: Random) -> "Habit":
        nozzle = r.choice([0.25, 0.4, 0.4, 0.4, 0.4, 0.6, 0.8])
        share = r.choice([0.2, 0.3, 0.4, 0.5, 0.5, 0.5, 0.6, 0.7])
        height = round(max(0.06, nozzle * share), 2)
        made = cls(
            nozzle=nozzle, height=height,
            first_height=r.choice([height, round(max(height, 0.5 * nozzle), 3), round(height * 1.3, 3)]),
            first_width=r.choice([1.0, 1.1, 1.25, 1.4]), first_flow=r.choice([0.85, 0.95, 1, 1, 1.1, 1.2]),
            curve=r.choice(["even", "even", "even", "curve", "blocks"]), width=nozzle * r.uniform(1.0, 1.25),
            walls=r.choice([1, 2, 2, 3, 3, 5]),
            wall_way=r.choice(["offset", "offset", "centre", "centre", "centre", "turns", "turns", "half-up"]),
            wall_order=r.choice(["inside", "outside", "sandwich"]), gap_fill=r.random() < 0.8,
            rough=r.choice([0, 0, 0, 0, 0, 0.1, 0.3]), seam=r.choice(["plain", "plain", "flow", "ramp"]),
            seam_at=r.choice(["nearest", "random", "back"]), seam_mm=r.choice([5.0, 10, 20]), coast=r.choice([0, 0, 0, 0.3, 0.8]),
            one_wall_top=r.random() < 0.25, pattern=r.choice(PATTERNS), density=r.choice([0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5, 1.0]),
            every=r.choice([1, 1, 1, 1, 2, 3]), top=r.choice([2, 3, 4, 6]), bottom=r.choice([1, 2, 3, 4]),
            skin=r.choice(["zigzag", "oneway", "oneway", "rings", "hilbert"]), skin_width=r.choice([0.9, 1, 1, 1.1]),
            ironing=r.choice([-1, -1, -1, -1, 0, 0.1, 0.15]), bridge_flow=r.choice([0.7, 0.85, 1, 1, 1.2]),
            bridge_layers=r.choice([1, 1, 2]), inner_bridge=r.choice([1, 1, 1.25, 1.5]),
            support=r.choice(["lines", "grid", "tree", "tree"]), support_air=r.choice([0, 1, 1, 2]),
            support_dense=r.choice([0, 1, 2, 3]),
            fill_first=r.random() < 0.1, chop=r.choice([0] * 14 + [0.05, 0.1]),
        )  # fmt: skip
        if made.every * height > 0.85 * nozzle or made.density in (0.0, 1.0) or made.curve != "even":
            made.every = 1
        if made.density < 0.1:
            made.top = max(3, made.top)
            made.skin = "zigzag" if made.skin in ("rings", "hilbert") else made.skin
        if r.random() < 0.15:
            made.dense_tool, made.fill_tool = r.choice([(1, 0), (0, 1)])
        return made


class ObjectMaker:
    """One object: its sections, and from these its sheets."""

    def __init__(self, solid: Solid, habit: Habit, r: Random, shift: tuple[float, float], part: int) -> None:
        self.solid, self.habit, self.r, self.part = solid, habit, r, part
        self.base = r.choice([0.0, math.pi / 4, math.pi / 4, r.uniform(0, math.pi)])
        top = float(solid.bounds_mm[1][2])
        self.steps: list[tuple[float, float]] = []
        z = 0.0
        while True:
            h = habit.first_height if not self.steps else self._step(z, top)
            if z + h > top + h * 0.25:
                break
            z = round(z + h, 6)
            self.steps.append((z, h))
        self.sections = [placed(solid.section(min(z - h / 2, top - 1e-4)), *shift) for z, h in self.steps]
        self.under = Under(self.sections, self.steps, habit, solid.held, r)
        self._roofs: list[tuple[int, list[Any]]] | None = None

    def _step(self, z: float, top: float) -> float:
        habit = self.habit
        if habit.curve == "curve":
            return round(habit.height * (1 - 0.35 * math.sin(z / top * 5) ** 2), 2)
        if habit.curve == "blocks":
            return habit.height if z < 0.45 * top else round(habit.height * 0.6, 2)
        return habit.height

    def sheets(self) -> list[Sheet]:
        made = [self._sheet(i) for i in range(len(self.steps))]
        return [sheet for pair in made for sheet in pair if sheet.strokes]

    def _sheet(self, i: int) -> list[Sheet]:
        """One layer; and half a layer up, the walls that are laid there."""
        z, h = self.steps[i]
        habit, section = self.habit, self.sections[i]
        width = habit.width * (habit.first_width if i == 0 else 1.0)
        walls, raised, inner = self._walls(i, section, h, width)
        filled = self._fill(i, inner, h, width)
        held = self.under.strokes(i)
        made = held + (filled + walls if habit.fill_first and i else walls + filled)
        if habit.coast:
            made = [coasted(s, habit.coast) if s.kind in ("outer", "wall") else s for s in made]
        if habit.chop and i in (2, 3, 7):
            made = [chopped(s, habit.chop) if s.rise is None else s for s in made]
        if i == 0:
            for one in made:
                one.area = one.area * habit.first_flow
        sheets = [Sheet(z, h, made, self.part)]
        if raised:
            sheets.append(Sheet(round(z + self._half(i), 4), h, raised, self.part))
        return sheets

    def _half(self, i: int) -> float:
        """By how much raised walls stand above their layer: half of the next one, nothing at the top."""
        return round(self.steps[i + 1][1] / 2, 4) if i + 1 < len(self.steps) else 0.0

    def _walls(self, i: int, section: Region, h: float, width: float) -> tuple[list[Stroke], list[Stroke], Region]:
        habit = self.habit
        pitch = width - h * CORNER
        count = habit.walls + (i % 2 if habit.wall_way == "turns" else 0)
        if habit.one_wall_top and i + 1 == len(self.steps):
            count = 1
        loops: list[list[Stroke]] = []
        thin: list[Stroke] = []
        left = section
        for k in range(count):
            if habit.wall_way == "centre":
                # Where two walls side by side find no room, one bead down the middle takes all of it.
                wide = fill.inset(left, pitch).buffer(pitch, join_style="mitre").intersection(left)
                wide = unary_union(fill.polygons(wide, pitch * pitch))
                rest = left.difference(wide.buffer(0.01))
                thin += along_middle(rest.buffer(0.01), 0.5 * pitch, 2.1 * pitch, h, "thin")
                left = wide
            elif habit.gap_fill:
                # Of what is hardly wider than a bead, no loop is made.
                loops_there = unary_union(fill.polygons(fill.inset(left, 0.5 * pitch)))
                opened = loops_there.buffer(0.51 * pitch, join_style="mitre")
                thin += along_middle(left.difference(opened), 0.45 * pitch, 1.1 * pitch, h, "thin")
            # Of what is hardly wider than one bead, two would lie in one place.
            centre = fill.inset(fill.inset(left, 0.55 * pitch).buffer(0.55 * pitch, join_style="mitre"), pitch / 2)
            if centre.is_empty:
                left = Polygon()
                break
            loops.append([self._loop(i, ring, width, h, "outer" if k == 0 else "wall") for ring in fill.rings(centre)])
            left = fill.inset(left, pitch)
        raised: list[Stroke] = []
        if habit.wall_way == "half-up" and len(loops) > 1 and len(self.sections[i:]) and self._goes_on(i):
            raised = [s for ring in loops[1::2] for s in ring]
            loops = loops[::2]
            lower = self.steps[i][1] - (self._half(i - 1) if i else 0.0)
            for one in raised:
                one.area = one.area * ((lower + self._half(i)) / h)
        order = {"inside": loops[::-1], "outside": loops}.get(habit.wall_order, loops[1:2] + loops[:1] + loops[2:])
        return [s for ring in order for s in ring] + thin, raised, left

    def _goes_on(self, i: int) -> bool:
        """Whether the object stands upright all the way up, so that walls can be half a layer up throughout."""
        areas = [s.area for s in self.sections]
        return min(areas) > 0.98 * max(areas) and self.habit.curve == "even"

    def _loop(self, i: int, ring: Any, width: float, h: float, kind: str) -> Stroke:
        habit = self.habit
        start = {"random": self.r.randrange(len(ring) - 1), "back": int(np.argmax(ring[:-1, 1]))}.get(habit.seam_at, 0)
        path = fill.turned(ring, start)
        if kind == "outer" and habit.rough and i:
            path = fuzzy(path, self.r, habit.rough, 0.6)
        made = stroke(path, width, h, kind)
        made.pace = 0.6 if kind == "outer" else 1.0
        if habit.seam != "plain" and i and (kind == "outer" or habit.seam_mm > 9):
            made = ramped_seam(made, h, habit.seam_mm, lift=habit.seam == "ramp")
        return made

    def _fill(self, i: int, inner: Region, h: float, width: float) -> list[Stroke]:
        habit, made = self.habit, list[Stroke]()
        if inner.is_empty:
            return made
        count = len(self.sections)
        above = [self.sections[i + k] if i + k < count else Polygon() for k in range(1, habit.top + 1)]
        below = [self.sections[i - k] if i - k >= 0 else Polygon() for k in range(1, habit.bottom + 1)]
        roof, floor = inner.difference(common(above)), inner.difference(common(below))
        solid = inner if habit.density == 1.0 else roof.union(floor).buffer(-0.2).buffer(0.6).intersection(inner)
        bridged = Polygon()
        if self.solid.held == "bridge" and i:
            bridged, lines = self._bridges(i, inner, h, width)
            made += lines
        solid = solid.difference(bridged)
        lowest = habit.inner_bridge if i and 0 < habit.density < 1 and not self._was_roof(i, roof) else 1.0
        made += self._solid(i, solid, h, width * habit.skin_width, lowest)
        if 0 < habit.density < 1.0:
            made += self._sparse(i, inner.difference(solid).difference(bridged).buffer(-0.1).buffer(0.1), h, width)
        if habit.ironing >= 0 and i:
            for piece in fill.polygons(inner.difference(above[0]).buffer(-0.4).buffer(0.2), 4.0):
                lines = fill.connected(fill.hatch(piece, self.base + 0.3, 0.15), piece, 0.5)
                made += [stroke(p, 0.15 + h * CORNER, h, "ironing", habit.ironing) for p in lines]
        return made

    def _was_roof(self, i: int, roof: Region) -> bool:
        """Whether what is solid here was solid one layer down, too."""
        habit, count = self.habit, len(self.sections)
        lower = [self.sections[i - 1 + k] if i - 1 + k < count else Polygon() for k in range(1, habit.top + 1)]
        return roof.is_empty or float(roof.intersection(common(lower)).area) < 0.5 * float(roof.area)

    def _bridges(self, i: int, inner: Region, h: float, width: float) -> tuple[Region, list[Stroke]]:
        """Strands over the gap, round as they are in the air; over them, perhaps, a second layer of such."""
        habit, made, region = self.habit, list[Stroke](), Polygon()
        for back in range(habit.bridge_layers):
            if i - back < 1:
                break
            over = (
                self.sections[i - back]
                .difference(self.sections[i - back - 1].buffer(h * 2.5))
                .buffer(-0.15)
                .buffer(0.15)
            )
            for piece in fill.polygons(over.buffer(1.0 + width).intersection(inner), 2.0):
                angle, share = fill.bridge_angle(piece, self.sections[i - back - 1], width)
                if share < 0.5:
                    continue
                region = region.union(piece)
                pitch = habit.nozzle * 1.05 if back == 0 else width - h * CORNER
                room = piece.buffer(0.3).intersection(inner.buffer(-0.4 * pitch))
                lines = fill.hatch(room, angle + (math.pi / 2 if back else 0), pitch)
                area = math.pi / 4 * habit.nozzle**2 * habit.bridge_flow
                for path in lines:
                    one = stroke(path, width, h, "bridge")
                    if back == 0:
                        one.area = one.area * 0 + area
                    one.pace = 0.5
                    made.append(one)
        return region, made

    def _grown(self, region: Region, pitch: float) -> Region:
        return region.buffer(-0.4 * pitch)

    def _solid(self, i: int, region: Region, h: float, width: float, flow: float) -> list[Stroke]:
        habit = self.habit
        pitch, made = width - h * CORNER, list[Stroke]()
        angle = self.base + (math.pi / 2 if i % 2 else 0)
        for piece in fill.polygons(region, 0.1):
            room = self._grown(piece, pitch)
            if habit.gap_fill or room.is_empty:
                wide = fill.inset(piece, 0.5 * pitch).buffer(0.51 * pitch, join_style="mitre")
                made += along_middle(piece.difference(wide), 0.45 * pitch, 1.2 * pitch, h, "thin")
            if habit.skin == "rings":
                lines = fill.concentric(room, pitch)
            elif habit.skin == "hilbert" and i and i + 1 == len(self.sections):
                lines = patterns.hilbert(room, pitch)
            else:
                lines = fill.hatch(room, angle, pitch)
                if habit.skin == "oneway":
                    way = np.array([math.cos(angle), math.sin(angle)])
                    lines = [p if float((p[-1] - p[0]) @ way) > 0 else p[::-1] for p in lines]
                else:
                    lines = fill.connected(lines, room, 3 * pitch)
            made += [stroke(p, width, h, "solid", flow, habit.fill_tool) for p in lines]
        return made

    def _sparse(self, i: int, region: Region, h: float, width: float) -> list[Stroke]:
        habit = self.habit
        if habit.every == 1:
            return self._lines(i, region, h, width, 1.0)
        # Thick lines fill the layers that are sparse together; what is sparse in fewer is filled layer by layer.
        group = range(i - i % habit.every, i - i % habit.every + habit.every)
        together = common([self._hollow(k) for k in group]).buffer(-0.1).buffer(0.1)
        thick = sum(step for _, step in self.steps[group.start : group.stop])
        made = self._lines(i, region.difference(together).buffer(-0.3).buffer(0.3), h, width, 1.0)
        if i == group.stop - 1:
            made += self._lines(i, region.intersection(together), h, width, thick / h * 0.97)
        return made

    def _hollow(self, i: int) -> Region:
        """About what of a layer is neither wall nor floor nor roof; nothing outside the object."""
        count, habit = len(self.sections), self.habit
        near = (*range(i - habit.bottom, i), *range(i + 1, i + habit.top + 1))
        if not 0 <= i < count or any(not 0 <= k < count for k in near):
            return Polygon()
        return fill.inset(self.sections[i], habit.walls * habit.width).intersection(
            common([self.sections[k] for k in near])
        )

    def _lines(self, i: int, region: Region, h: float, width: float, flow: float) -> list[Stroke]:
        habit = self.habit
        if region.is_empty:
            return []
        pitch = width - h * CORNER
        z, room = self.steps[i][0], self._grown(unary_union(fill.polygons(region, 0.5)), pitch)
        lines, spacing = list[Any](), pitch / habit.density
        layer = i // habit.every
        match habit.pattern:
            case "grid" | "triangles":
                ways = 2 if habit.pattern == "grid" else 3
                for k in range(ways):
                    lines += fill.connected(
                        fill.hatch(room, self.base + k * math.pi / ways, ways * spacing), room, 2 * spacing
                    )
            case "cubic":
                lines = patterns.cubic(room, self.base, 3 * spacing, z)
            case "gyroid":
                lines = patterns.gyroid(room, max(1.2, spacing), z)
            case "honeycomb":
                lines = patterns.honeycomb(room, max(1.5, 1.2 * spacing))
            case "honeycomb turned":
                lines = patterns.honeycomb(room, max(1.5, 1.2 * spacing), layer % 2 == 1)
            case "hilbert":
                lines = patterns.hilbert(room, spacing)
            case "rings":
                # From the widest section inwards, so that rings stand on rings where the object has a step.
                widest = fill.inset(unary_union(self.sections), habit.walls * habit.width)
                even = (width - habit.height * CORNER) / habit.density  # whatever the layer's own height
                cut = [fill.LineString(p).intersection(room) for p in fill.concentric(widest, even)]
                lines = [p for piece in cut for p in fill.lines_of(piece, 0.8)]
            case "waves":
                lines = fill.waves(room, self.base + math.pi / 2 * (layer // 4 % 2), spacing, layer * 0.25)
            case "branches":
                lines = self._branches(i, room)
            case _:
                lines = fill.connected(
                    fill.hatch(room, self.base + math.pi / 2 * (layer % 2), spacing), room, 2 * spacing
                )
        return [stroke(p, width, h, "sparse", flow, habit.fill_tool) for p in fill.short_way(lines, (0, 0))]

    def _branches(self, i: int, room: Region) -> list[Any]:
        """Of every roof further up, the points it needs carried, on branches that come out of the walls below it."""
        if self._roofs is None:
            self._roofs, count = [], len(self.sections)
            for k in range(1, count):
                roof = self.sections[k].difference(common([self.sections[k + j] if k + j < count else Polygon()
                                                           for j in range(1, self.habit.top + 1)]))  # fmt: skip
                inner = roof.buffer(-self.habit.walls * self.habit.width)
                if inner.area > 4:
                    self._roofs.append((k, patterns.grid_points(inner, 2.0)))
        lines: list[Any] = []
        for k, points in self._roofs:
            if k > i and not self.sections[i].is_empty:
                lines += patterns.branches(points, self.sections[i].buffer(-0.3), self.steps[k][0] - self.steps[i][0])
        return patterns.clipped([fill.LineString(p) for p in lines], room.buffer(0.2)) if lines else []


def common(sections: list[Region]) -> Region:
    """What lies in every one; of no sections at all: everything."""
    shape: Region = Polygon([(-1e4, -1e4), (1e4, -1e4), (1e4, 1e4), (-1e4, 1e4)])
    for other in sections:
        shape = shape.intersection(other)
    return shape
