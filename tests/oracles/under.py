"""Supports of the second outside maker: lines, grids and trees, with air of none to two layers, dense tops, other tools.

Knows sections and gives strokes; nothing of command text. Common practice of the trade. Lengths in mm.
"""

import math
from random import Random
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.ops import unary_union
from tests.oracles import fillings as fill
from tests.oracles.pathmaker import CORNER
from tests.oracles.patterns import grid_points
from tests.oracles.solids import Region
from tests.oracles.strokes import Stroke, stroke

if TYPE_CHECKING:
    from tests.oracles.habits import Habit

_ANGLE = math.radians(50)  # from upright, beyond which something is carried
_LEAN = math.radians(35)  # of a tree's branches
_APART = 0.7  # from the object


class Under:
    """What stands under one object, layer by layer."""

    def __init__(
        self, sections: list[Region], steps: list[tuple[float, float]], habit: "Habit", held: str, r: Random
    ) -> None:
        self.sections, self.steps, self.habit = sections, steps, habit
        self.base = r.uniform(0, math.pi)
        self.regions: list[Region] = [Polygon()] * len(sections)
        self.dense: list[Region] = [Polygon()] * len(sections)
        if held == "support":
            if habit.support == "tree":
                self._trees()
            else:
                self._columns()

    def _over(self, i: int) -> Region:
        reach = self.steps[i][1] * math.tan(_ANGLE)
        return self.sections[i].difference(self.sections[i - 1].buffer(reach + 0.02)).buffer(-0.15).buffer(0.15)

    def _room(self, i: int, region: Region) -> Region:
        """What of a region keeps clear of the object at a layer and up to the air above it."""
        near = unary_union(self.sections[max(0, i - 1) : i + 1 + self.habit.support_air])
        return region.difference(near.buffer(_APART if self.habit.support_air else 0.4))

    def _columns(self) -> None:
        carried: Region = Polygon()
        tops: list[tuple[int, Region]] = []
        for i in range(len(self.sections) - 1, 0, -1):
            over = self._over(i).buffer(0.4)
            carried = carried.union(over)
            below = i - 1 - self.habit.support_air
            if below < 0:
                break
            if not over.is_empty:
                tops.append((below, over))
            self.regions[below] = unary_union(fill.polygons(self._room(below, carried).buffer(-0.2).buffer(0.2), 1.5))
            dense = unary_union([top for at, top in tops if at - self.habit.support_dense < below <= at])
            self.dense[below] = dense.intersection(self.regions[below])

    def _trees(self) -> None:
        """Points under what hangs over, carried by branches that lean towards the middle and grow thicker downwards."""
        branches: list[Any] = []  # [point, radius, layers of dense top left]
        for i in range(len(self.sections) - 1, 0, -1):
            over, below = self._over(i), i - 1 - self.habit.support_air
            if below < 0:
                break
            h = self.steps[below][1]
            fresh = [p for p in grid_points(over, 3.0) if all(math.dist(p, b[0]) > 2.5 for b in branches)]
            if not over.is_empty and not fresh:
                fresh = [
                    (piece.representative_point().x, piece.representative_point().y)
                    for piece in fill.polygons(over, 0.5)
                ]
                fresh = [p for p in fresh if all(math.dist(p, b[0]) > 2.0 for b in branches)]
            branches += [[np.array(p), 0.9, self.habit.support_dense] for p in fresh]
            if not branches:
                continue
            middle = np.mean([b[0] for b in branches], axis=0)
            discs, tops = [], []
            for branch in branches:
                way = middle - branch[0]
                far = float(np.hypot(*way))
                step = min(far, h * math.tan(_LEAN))
                moved = branch[0] + way * (step / far if far > 1e-6 else 0)
                clear = self.sections[below].buffer(_APART + branch[1])
                spot = shapely.Point(moved)
                if not clear.covers(spot):
                    branch[0] = moved
                branch[1] = min(2.5, branch[1] + h * 0.05)
                disc = shapely.Point(branch[0]).buffer(branch[1])
                discs.append(disc)
                if branch[2] > 0:
                    tops.append(disc)
                    branch[2] -= 1
            region = self._room(below, unary_union(discs))
            self.regions[below] = unary_union(fill.polygons(region.buffer(-0.2).buffer(0.2), 1.0))
            self.dense[below] = unary_union(tops).intersection(self.regions[below]) if tops else Polygon()

    def strokes(self, i: int) -> list[Stroke]:
        habit, region = self.habit, self.regions[i]
        if region.is_empty:
            return []
        h, width = self.steps[i][1], habit.width
        pitch, made = width - h * CORNER, list[Any]()
        dense = self.dense[i]
        sparse = region.difference(dense)
        if habit.support == "tree":
            made += fill.rings(fill.inset(region, pitch / 2))
            if i == 0:
                made += fill.rings(fill.inset(region, 1.5 * pitch))
        else:
            lines = fill.hatch(sparse.buffer(-0.3 * pitch), self.base, 2.4 if i else 1.2)
            if habit.support == "grid":
                lines += fill.hatch(sparse.buffer(-0.3 * pitch), self.base + math.pi / 2, 3.0)
            made += fill.connected(lines, sparse, 5)
        both = [stroke(p, width, h, "support", 0.95, habit.support_tool) for p in made]
        inside = dense.buffer(-1.2 * pitch if habit.support == "tree" else -0.3 * pitch)
        lines = fill.connected(fill.hatch(inside, self.base + math.pi / 2 * (i % 2), 1.15 * pitch), inside, 3 * pitch)
        both += [stroke(p, width, h, "support", 0.95, habit.dense_tool) for p in lines]
        for one in both:
            one.extra = True
        return both
