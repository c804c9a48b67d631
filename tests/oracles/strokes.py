"""Strokes: beads with a width and a height of their own at every point, and what is done to them before they are written.

Centre lines come from shapely's Voronoi edges. A stroke is written as it stands here; nothing of command text is known.
The habits (walls of varying width, ramped seams, coasting, fuzzy skins) are common practice of the trade. Lengths in mm.
"""

import math
from dataclasses import dataclass
from random import Random
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, MultiLineString, MultiPoint
from shapely.ops import linemerge
from tests.oracles import fillings as fill
from tests.oracles.pathmaker import CORNER, stadium_mm2
from tests.oracles.solids import Region


@dataclass
class Stroke:
    """`rise` is the height of each point above (or below) its layer's, mm; None where it is level."""

    path: Any
    area: Any
    kind: str
    tool: int = 0
    rise: Any = None
    pace: float = 1.0
    coasted: Any = None  # where the nozzle runs on dry after the last point
    extra: bool = False  # of another part of the print than the object itself

    @property
    def lengths(self) -> Any:
        return np.hypot(*np.diff(self.path, axis=0).T)

    @property
    def volume_mm3(self) -> float:
        return float((self.lengths * self.area).sum())


@dataclass
class Sheet:
    """What is laid of one object at one height, in order."""

    z: float
    height: float
    strokes: list[Stroke]
    part: int = 0
    before: str = ""  # commands before it


def stroke(path: Any, width: float, height: float, kind: str, flow: float = 1.0, tool: int = 0) -> Stroke:
    return Stroke(path, np.full(len(path) - 1, stadium_mm2(width, height) * flow), kind, tool)


def centre_lines(region: Region, least_mm: float, most_mm: float) -> list[tuple[Any, Any]]:
    """Lines down the middle of what is between so thick, with the thickness at each of their points."""
    found = []
    for piece in fill.polygons(region, least_mm * least_mm):
        edge = piece.segmentize(0.25).boundary
        points = MultiPoint(shapely.get_coordinates(edge))
        pieces = shapely.get_parts(shapely.get_parts(shapely.voronoi_polygons(points, only_edges=True)))
        lines = [line for line in pieces if line.length > 1e-6]
        ends = shapely.points(np.array([[line.coords[0], line.coords[-1]] for line in lines]))
        clear = shapely.distance(ends, piece.boundary) * shapely.contains_xy(
            piece, shapely.get_x(ends), shapely.get_y(ends)
        )
        long = np.array([line.length for line in lines])
        # An edge towards the border, between two neighbours on it, loses its whole length in clearance.
        good = (np.abs(clear[:, 0] - clear[:, 1]) < 0.6 * long) & (clear.min(axis=1) * 2 >= least_mm)
        good &= clear.max(axis=1) * 2 <= most_mm
        merged = linemerge(MultiLineString([line for line, keep in zip(lines, good, strict=True) if keep]))
        for line in shapely.get_parts(merged):
            if line.length < 2 * least_mm:
                continue
            path = shapely.get_coordinates(line.simplify(0.01).segmentize(0.8))
            found.append((path, 2 * shapely.distance(shapely.points(path), piece.boundary)))
    return found


def along_middle(region: Region, least: float, most: float, height: float, kind: str) -> list[Stroke]:
    """Beads of varying width down the middle of what is thin."""
    made = []
    for path, thick in centre_lines(region, least, most):
        wide = np.clip((thick[1:] + thick[:-1]) / 2 + height * CORNER, least, None)
        made.append(Stroke(path, np.array([stadium_mm2(w, height) for w in wide]), kind))
    return made


def fuzzy(path: Any, r: Random, depth: float, every: float) -> Any:
    """A closed path roughened: a point every so often, pushed in or out at random."""
    ring = LineString(path)
    count = max(6, int(ring.length / every))
    at = (np.arange(count) + np.array([r.uniform(-0.3, 0.3) for _ in range(count)])) / count * ring.length
    points = shapely.get_coordinates(ring.interpolate(at % ring.length))
    ahead = shapely.get_coordinates(ring.interpolate((at + 0.05) % ring.length)) - points
    normal = np.column_stack([-ahead[:, 1], ahead[:, 0]]) / np.maximum(np.hypot(*ahead.T), 1e-9)[:, None]
    points = points + normal * np.array([r.uniform(-depth, depth) for _ in range(count)])[:, None]
    return np.vstack([points, points[:1]])


def cut_in_two(path: Any, at_mm: float) -> tuple[Any, Any]:
    """A path up to a length, and the rest."""
    steps = np.hypot(*np.diff(path, axis=0).T)
    sums = np.concatenate([[0], np.cumsum(steps)])
    k = int(np.clip(np.searchsorted(sums, at_mm, side="right"), 1, len(path) - 1))
    share = (at_mm - sums[k - 1]) / max(steps[k - 1], 1e-9)
    point = path[k - 1] + share * (path[k] - path[k - 1])
    return np.vstack([path[:k], point]), np.vstack([point, path[k:]])


def ramped_seam(loop: Stroke, height: float, long: float, *, lift: bool) -> Stroke:
    """A closed loop that begins with little flow, and runs over its beginning again at the end, as one slope upon the other.

    With `lift` it begins a layer lower and climbs to its height on the way; without, only the flow does.
    """
    whole = float(loop.lengths.sum())
    long = min(long, 0.4 * whole)
    if whole < 4 or np.ptp(loop.area) > 1e-9:
        return loop
    head, rest = cut_in_two(loop.path, long)
    head = shapely.get_coordinates(LineString(head).segmentize(1.0))
    steps = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(head, axis=0).T))]) / long
    share = (steps[1:] + steps[:-1]) / 2
    area = float(loop.area[0])
    path = np.vstack([head, rest[1:], head[1:]])
    areas = np.concatenate([area * share, np.full(len(rest) - 1, area), area * (1 - share)])
    rise = np.concatenate([-(height - 0.02) * (1 - steps), np.zeros(len(rest) - 1 + len(head) - 1)]) if lift else None
    return Stroke(path, np.maximum(areas, 1e-4), loop.kind, loop.tool, rise, loop.pace)


def coasted(one: Stroke, by_mm: float) -> Stroke:
    """A stroke whose last bit is run dry, on what pressure is left in the nozzle."""
    whole = float(one.lengths.sum())
    if whole < 5 * by_mm or one.rise is not None:
        return one
    laid, dry = cut_in_two(one.path, whole - by_mm)
    return Stroke(laid, one.area[: len(laid) - 1], one.kind, one.tool, None, one.pace, dry, one.extra)


def chopped(one: Stroke, step_mm: float) -> Stroke:
    """The same stroke in very short pieces."""
    made, areas, rises = [one.path[:1]], [], [0.0]
    rise = one.rise if one.rise is not None else np.zeros(len(one.path))
    for k in range(len(one.path) - 1):
        a, b = one.path[k], one.path[k + 1]
        count = max(1, min(400, math.ceil(float(np.hypot(*(b - a))) / step_mm)))
        share = np.arange(1, count + 1)[:, None] / count
        made.append(a + share * (b - a))
        areas += [one.area[k]] * count
        rises += list(rise[k] + share[:, 0] * (rise[k + 1] - rise[k]))
    return Stroke(
        np.vstack(made), np.array(areas), one.kind, one.tool, None if one.rise is None else np.array(rises), one.pace,
        one.coasted, one.extra,
    )  # fmt: skip
