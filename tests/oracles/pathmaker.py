"""Turns solids into beads, layer by layer: an independent little path generator. Knows nothing of command text.

Written for the outside trial of the checker, from the trade's common practice as in domain.md ("Rebuilding the part") and
facts.md 3: walls by inward offset, a bead of width w and height h has the stadium's area a = (w - h) h + pi h^2 / 4, and
full fill is spaced p = w - h (1 - pi / 4) (facts.md 3.1). What overhangs gets supports or is bridged. Lengths in mm.
"""

import math
from dataclasses import dataclass, field
from random import Random
from typing import Any

import numpy as np
from shapely.geometry import Polygon
from shapely.ops import unary_union
from tests.oracles import fillings as fill
from tests.oracles.solids import Region, Solid, placed

CORNER = 1 - math.pi / 4  # facts.md 3.1: what the round ends lack of a rectangle, in units of h^2


def stadium_mm2(width: float, height: float) -> float:
    """Area of a bead's cross-section; never less than the smallest stadium, a circle of the height."""
    return (max(width, height) - height) * height + math.pi * height**2 / 4


@dataclass
class Bead:
    """A polyline with one area in mm2 for each of its segments; `rise_mm` is how far it climbs (spiral)."""

    path: Any
    area: Any
    kind: str
    tool: int = 0
    rise_mm: float = 0.0

    @property
    def lengths(self) -> Any:
        return np.hypot(*np.diff(self.path, axis=0).T)

    @property
    def volume_mm3(self) -> float:
        return float((self.lengths * self.area).sum())


@dataclass
class Layer:
    """Beads at one height (of the nozzle, which is their top), in the order in which they are laid."""

    z: float
    height: float
    beads: list[Bead] = field(default_factory=list)
    part: int = 0


@dataclass
class Recipe:
    """How a job is made; everything drawn at random unless a test says otherwise."""

    nozzle: float = 0.4
    height: float = 0.2
    first_height: float = 0.25
    adaptive: float = 0.0  # layer heights swing by so much of themselves
    wall_width: float = 0.42
    fill_width: float = 0.45
    walls: int = 2
    walls_from_inside: bool = True
    density: float = 0.2
    pattern: str = "lines"
    joined: bool = False
    every: int = 1  # infill only each so many layers, with beads as high as those together
    top: int = 4
    bottom: int = 3
    top_pattern: str = "lines"
    ironing: bool = False
    overlap: float = 0.15  # share of a bead's width that infill runs into the walls
    vary: float = 0.0  # walls' widths swing by so much
    seam: str = "nearest"
    skirt: int = 1
    brim: int = 0
    raft: bool = False
    support_angle: float = 55.0  # degrees from upright, beyond which a support is made
    support_gap: int = 1  # layers of air under what is supported
    support_spacing: float = 2.2
    support_outline: bool = False
    support_beyond: float = 0.4  # how far supports reach beyond what they carry
    support_tool: int = 0
    bridge_flow: float = 1.0
    spiral: bool = False
    fill_tool: int = 0
    tower: bool = False

    @classmethod
    def drawn(cls, r: Random) -> "Recipe":
        nozzle = r.choice([0.25, 0.4, 0.4, 0.4, 0.4, 0.6, 0.8])
        height = round(nozzle * r.choice([0.3, 0.4, 0.5, 0.5, 0.6, 0.7]), 3)
        density = r.choice([0.0, 0.05, 0.1, 0.15, 0.15, 0.2, 0.2, 0.3, 0.5, 1.0])
        made = cls(
            nozzle=nozzle, height=height, first_height=round(height * r.choice([1, 1, 1.25, 1.4]), 3),
            adaptive=r.choice([0, 0, 0, 0.3]), wall_width=nozzle * r.uniform(1.0, 1.2), fill_width=nozzle * r.uniform(1.0, 1.3),
            walls=r.choice([1, 2, 2, 3, 4]), walls_from_inside=r.random() < 0.6, density=density,
            pattern=r.choice(["lines", "lines", "cross", "triangles", "star", "waves", "rings", "aligned"]),
            joined=r.random() < 0.4, every=r.choice([1, 1, 1, 1, 2, 3]),
            top=r.choice([0, 2, 3, 4, 5]), bottom=r.choice([1, 2, 3, 4]),
            top_pattern=r.choice(["lines", "lines", "rings"]), ironing=r.random() < 0.12, overlap=r.choice([0, 0.1, 0.15, 0.25]),
            vary=r.choice([0, 0, 0, 0.2]), seam=r.choice(["nearest", "random", "back"]), skirt=r.choice([0, 1, 1, 2, 3]),
            brim=r.choice([0, 0, 0, 4, 8]), raft=r.random() < 0.1, support_angle=r.choice([45.0, 55.0, 60.0]),
            support_gap=r.choice([0, 1, 1, 1]), support_spacing=r.uniform(1.5, 3),
            support_outline=r.random() < 0.4,
            support_beyond=r.choice([0.0, 0.4, 0.8]), bridge_flow=r.choice([1, 1, 0.85, 1.2]),
        )  # fmt: skip
        if made.every * height > 0.85 * nozzle or density in (0.0, 1.0) or made.adaptive:
            made.every = 1
        if r.random() < 0.15:
            made.support_tool, made.fill_tool, made.tower = r.choice([(1, 0, True), (0, 1, True), (1, 0, False)])
        return made


class PathMaker:
    """One object: its sections, and from these its layers."""

    def __init__(self, solid: Solid, recipe: Recipe, r: Random, shift: tuple[float, float], part: int) -> None:
        self.solid, self.recipe, self.r, self.part = solid, recipe, r, part
        self.base = r.uniform(0, math.pi) if r.random() < 0.3 else math.pi / 4 * r.choice([0, 1])
        top = float(solid.bounds_mm[1][2])
        self.steps: list[tuple[float, float]] = []
        z = 0.0
        while True:
            h = recipe.first_height if not self.steps else recipe.height
            if self.steps and recipe.adaptive:
                h = round(recipe.height * (1 + recipe.adaptive * math.sin(z * 0.9)), 3)
            if z + h > top + h * 0.25:
                break
            z = round(z + h, 6)
            self.steps.append((z, h))
        self.sections = [placed(solid.section(min(z - h / 2, top - 1e-4)), *shift) for z, h in self.steps]
        self.lift = 0.0
        self.supports = self._supports() if solid.held == "support" else [Polygon()] * len(self.steps)

    def _unheld(self, i: int, degrees: float) -> Region:
        """What of a section hangs over air beyond an angle; slivers left out."""
        reach = self.steps[i][1] * math.tan(math.radians(degrees))
        over = self.sections[i].difference(self.sections[i - 1].buffer(reach + 0.02))
        return over.buffer(-0.15).buffer(0.15)

    def _supports(self) -> list[Region]:
        count, recipe = len(self.steps), self.recipe
        made: list[Region] = [Polygon()] * count
        carried: Region = Polygon()
        for i in range(count - 1, 0, -1):
            carried = carried.union(self._unheld(i, recipe.support_angle).buffer(recipe.support_beyond))
            below = i - 1 - recipe.support_gap
            if below < 0:
                break
            near = unary_union(self.sections[max(0, below - 1) : below + 1 + recipe.support_gap])
            room = carried.difference(near.buffer(0.7 if recipe.support_gap else 0.4))
            made[below] = unary_union(fill.polygons(room.buffer(-0.2).buffer(0.2), 1.5))
        return made

    def layers(self) -> list[Layer]:
        return self._spiral() if self.recipe.spiral else [self._layer(i) for i in range(len(self.steps))]

    def _bead(self, path: Any, width: float, height: float, kind: str, flow: float = 1.0, tool: int = 0) -> Bead:
        area = np.full(len(path) - 1, stadium_mm2(width, height) * flow)
        return Bead(path, area, kind, tool)

    def _layer(self, i: int) -> Layer:
        z, h = self.steps[i]
        recipe = self.recipe
        layer = Layer(round(z + self.lift, 4), h, [], self.part)
        wide = 1.15 if i == 0 else 1.0
        walls: list[Bead] = []
        inner = self._walls(self.sections[i], h, recipe.wall_width * wide, walls)
        filled = self._fill(i, inner, h, recipe.fill_width * wide)
        held = self._support_beads(i, h)
        layer.beads = held + (filled + walls if self.r.random() < 0.1 else walls + filled)
        return layer

    def _walls(self, section: Region, h: float, width: float, beads: list[Bead]) -> Region:
        """Lay the walls; give the region inside them."""
        pitch = width - h * CORNER
        loops: list[tuple[Any, str]] = []
        left = section
        for k in range(self.recipe.walls):
            centre = fill.inset(section, pitch / 2 + k * pitch)
            thin = left.difference(fill.inset(left, pitch * 0.5).buffer(pitch * 0.52, join_style="mitre"))
            for path, across in fill.thin_lines(thin, 0.6 * width, 1.7 * width):
                beads.append(self._bead(path, across + h * CORNER, h, "thin"))
            if centre.is_empty:
                left = Polygon()
                break
            loops += [(ring, "outer" if k == 0 else "wall") for ring in fill.rings(centre)]
            left = fill.inset(section, (k + 1) * pitch)
        if self.recipe.walls_from_inside:
            loops.reverse()
        for ring, kind in loops:
            path = fill.turned(ring, self._seam(ring))
            bead = self._bead(path, width, h, kind)
            if self.recipe.vary and kind == "wall":
                swing = self.recipe.vary * np.sin(np.arange(len(path) - 1) * 0.7)
                bead.area = np.array([stadium_mm2(width * (1 + s), h) for s in swing])
            beads.append(bead)
        return left

    def _seam(self, ring: Any) -> int:
        if self.recipe.seam == "random":
            return self.r.randrange(len(ring) - 1)
        return int(np.argmax(ring[:-1, 1])) if self.recipe.seam == "back" else 0

    def _fill(self, i: int, inner: Region, h: float, width: float) -> list[Bead]:
        recipe, beads = self.recipe, list[Bead]()
        if inner.is_empty:
            return beads
        count = len(self.sections)
        above = [self.sections[i + k] if i + k < count else Polygon() for k in range(1, recipe.top + 1)]
        below = [self.sections[i - k] if i - k >= 0 else Polygon() for k in range(1, recipe.bottom + 1)]
        solid = inner if recipe.density == 1.0 else inner.difference(self._common(above)).union(
            inner.difference(self._common(below))
        ).buffer(-0.2).buffer(0.6).intersection(inner)  # fmt: skip
        if recipe.density < 0.1:
            # What nothing carries from within is closed where walls of the layers above stand, and where it would be low.
            steps = self.sections[i].difference(self._common(above)).buffer(-0.2)
            solid = solid.union(steps.buffer(0.6 + recipe.walls * recipe.wall_width)).intersection(inner)
            solid = inner.difference(self._high_enough(i, inner.difference(solid)))
        over = (
            self._unheld(i, 70.0).buffer(1.0 + width).intersection(inner)
            if i and self.solid.held == "bridge"
            else Polygon()
        )
        for piece in fill.polygons(over, 3.0):
            angle, share = fill.bridge_angle(piece, self.sections[i - 1], width)
            if share < 0.5:
                continue
            solid = solid.difference(piece)
            pitch = width - h * CORNER
            lines = fill.hatch(self._grown(piece, pitch).intersection(self._grown(inner, pitch)), angle, pitch)
            beads += [self._bead(p, width, h, "bridge", recipe.bridge_flow) for p in lines]
        beads += self._solid(i, solid, h, width)
        sparse = inner.difference(solid).difference(over)
        if 0 < recipe.density < 1.0:
            beads += self._sparse(i, sparse.buffer(-0.1).buffer(0.1), h, width)
        if recipe.ironing and above and i + 1 < count + 1:
            roof = fill.polygons(inner.difference(above[0]).buffer(-0.6).buffer(0.3), 4.0)
            for piece in roof:
                lines = fill.hatch(piece, self.base + 0.3, 0.15)
                beads += [self._bead(p, 0.15 + h * CORNER, h, "ironing", 0.12) for p in lines]
        return beads

    def _hollow(self, i: int) -> Region:
        """About what of a layer is neither wall nor floor nor roof; nothing outside the object."""
        count, recipe = len(self.sections), self.recipe
        if not 0 <= i < count:
            return Polygon()
        near = (*range(i - recipe.bottom, i), *range(i + 1, i + recipe.top + 1))
        if any(not 0 <= k < count for k in near):
            return Polygon()
        inner = fill.inset(self.sections[i], recipe.walls * recipe.wall_width)
        return inner.intersection(self._common([self.sections[k] for k in near]))

    def _high_enough(self, i: int, region: Region) -> Region:
        """What of a hollow is three layers high at least."""
        runs = [range(first, first + 3) for first in (i - 2, i - 1, i)]
        return region.intersection(
            unary_union([self._common([self._hollow(k) for k in run]) for run in runs]).buffer(0.1)
        )

    def _common(self, sections: list[Region]) -> Region:
        """What lies in every one; of no sections at all: everything."""
        if not sections:
            return Polygon([(-1e4, -1e4), (1e4, -1e4), (1e4, 1e4), (-1e4, 1e4)])
        shape = sections[0]
        for other in sections[1:]:
            shape = shape.intersection(other)
        return shape

    def _grown(self, region: Region, pitch: float) -> Region:
        """The region in which centres of fill beads may lie: half a bead in from its edge, less the overlap."""
        return region.buffer(pitch * (self.recipe.overlap - 0.5))

    def _solid(self, i: int, region: Region, h: float, width: float) -> list[Bead]:
        pitch = width - h * CORNER
        beads: list[Bead] = []
        angle = self.base + (math.pi / 2 if i % 2 else 0)
        for piece in fill.polygons(region, 0.1):
            room = self._grown(piece, pitch)
            if room.is_empty:
                beads += [
                    self._bead(p, w + h * CORNER, h, "thin")
                    for p, w in fill.thin_lines(piece, 0.6 * width, 1.9 * width)
                ]
                continue
            lines = (
                fill.concentric(room, pitch) if self.recipe.top_pattern == "rings" else fill.hatch(room, angle, pitch)
            )
            if self.recipe.joined:
                lines = fill.connected(lines, room, 3 * pitch)
            beads += [self._bead(p, width, h, "solid", tool=self.recipe.fill_tool) for p in lines]
        return beads

    def _sparse(self, i: int, region: Region, h: float, width: float) -> list[Bead]:
        recipe = self.recipe
        if recipe.every == 1:
            return self._lines(i, region, h, width, 1.0)
        # Thick lines fill the layers that are sparse together; what is sparse in fewer is filled layer by layer.
        group = range(i - i % recipe.every, i - i % recipe.every + recipe.every)
        together = self._common([self._hollow(k) for k in group]).buffer(-0.1).buffer(0.1)
        thick = sum(step for _, step in self.steps[group.start : group.stop])
        made = self._lines(i, region.difference(together).buffer(-0.3).buffer(0.3), h, width, 1.0)
        if i == group.stop - 1:
            made += self._lines(i, region.intersection(together), h, width, thick / h * 0.97)
        return made

    def _lines(self, i: int, region: Region, h: float, width: float, flow: float) -> list[Bead]:
        recipe = self.recipe
        pitch = width - h * CORNER
        room = self._grown(unary_union(fill.polygons(region, 0.5)), pitch)
        ways = {"lines": 1, "aligned": 1, "cross": 2, "triangles": 3, "star": 4}.get(recipe.pattern, 1)
        spacing = ways * pitch / recipe.density
        lines: list[Any] = []
        if recipe.pattern == "rings":
            # From the widest section inwards, so that rings stand on rings where the object has a step.
            widest = fill.inset(unary_union(self.sections), recipe.walls * recipe.wall_width)
            even = (width - recipe.height * CORNER) / recipe.density  # whatever the layer's own height
            cut = [fill.LineString(p).intersection(room) for p in fill.concentric(widest, even)]
            lines = [p for piece in cut for p in fill.lines_of(piece, 0.8)]
        elif recipe.pattern == "waves":
            lines = fill.waves(room, self.base + math.pi / 2 * (i // 4 % 2), spacing, i * 0.25)
        else:
            turn = math.pi / 2 if recipe.pattern == "lines" and (i // recipe.every) % 2 else 0.0
            for k in range(ways):
                made = fill.hatch(room, self.base + turn + k * math.pi / ways, spacing)
                lines += fill.connected(made, room, 2 * spacing) if recipe.joined else made
        if not recipe.joined:
            lines = fill.short_way(lines, (0, 0))
        return [self._bead(p, width, h, "sparse", flow, recipe.fill_tool) for p in lines]

    def _support_beads(self, i: int, h: float) -> list[Bead]:
        recipe, region = self.recipe, self.supports[i]
        if region.is_empty:
            return []
        pitch = recipe.fill_width - h * CORNER
        dense = i + 1 < len(self.supports) and not self.supports[i + 1].buffer(0.5).covers(region)
        # What is dense lies across the lines below it, or every second line of it would hang in the air.
        close = dense or i == 0
        angle = self.base + math.pi / 2 * dense
        lines = fill.hatch(self._grown(region, pitch), angle, pitch * 1.3 if close else recipe.support_spacing)
        lines = fill.connected(lines, region, 2 * recipe.support_spacing)
        if recipe.support_outline:
            lines = fill.rings(fill.inset(region, pitch / 2)) + lines
        return [self._bead(p, recipe.fill_width, h, "support", 0.95, recipe.support_tool) for p in lines]

    def _spiral(self) -> list[Layer]:
        """A floor, then one wall that climbs all along; for solids whose every section is one outline."""
        recipe, made = self.recipe, list[Layer]()
        for i, (z, h) in enumerate(self.steps):
            if i < recipe.bottom:
                made.append(self._layer(i))
                continue
            ring = fill.rings(fill.inset(self.sections[i], recipe.wall_width / 2))[0]
            bead = self._bead(fill.turned(ring, int(np.argmax(ring[:-1, 1]))), recipe.wall_width, h, "spiral")
            bead.rise_mm = h
            made.append(Layer(z, h, [bead], self.part))
        return made
