"""More ways to fill: three-dimensional waves, honeycombs, space-filling curves, tilted cubes, branches under roofs.

Everything is drawn from the geometry of the patterns as the literature of space-filling curves and minimal surfaces has it
(gyroid: sin x cos y + sin y cos z + sin z cos x = 0; Hilbert's curve). Knows regions and lines only. Lengths in mm.
"""

import math
from typing import Any

import numpy as np
import shapely
from shapely.affinity import rotate
from shapely.geometry import LineString, MultiLineString
from shapely.ops import linemerge
from tests.oracles import fillings as fill
from tests.oracles.solids import Region


def clipped(lines: list[Any], region: Region, least_mm: float = 0.6) -> list[Any]:
    if region.is_empty or not lines:
        return []
    return fill.lines_of(shapely.union_all([line.intersection(region) for line in lines]), least_mm)


def level_set(values: Any, xs: Any, ys: Any) -> list[LineString]:
    """Where a field on a grid is zero, by halves of its cells."""
    pieces = []
    for corners in (((0, 0), (1, 0), (1, 1)), ((0, 0), (1, 1), (0, 1))):
        v = np.array([values[i : len(xs) - 1 + i, j : len(ys) - 1 + j] for i, j in corners])
        for i, j in np.argwhere((v > 0).any(axis=0) & ~(v > 0).all(axis=0)).tolist():
            ends = []
            for a, b in ((0, 1), (1, 2), (2, 0)):
                p, q = v[a, i, j], v[b, i, j]
                if (p > 0) != (q > 0):
                    s = p / (p - q)
                    (ai, aj), (bi, bj) = corners[a], corners[b]
                    x = xs[i + ai] + s * (xs[i + bi] - xs[i + ai])
                    y = ys[j + aj] + s * (ys[j + bj] - ys[j + aj])
                    ends.append((round(float(x), 5), round(float(y), 5)))
            if ends[0] != ends[1]:
                pieces.append(ends)
    merged = linemerge(MultiLineString(pieces)) if pieces else MultiLineString()
    return [line.simplify(0.02) for line in shapely.get_parts(merged)]


def gyroid(region: Region, spacing: float, z: float) -> list[Any]:
    if region.is_empty:
        return []
    x0, y0, x1, y1 = region.bounds
    step = min(0.7, spacing / 6)
    # The same grid at every height: a grid that moves with the outline would move the waves.
    xs = np.arange(math.floor(x0 / step) - 1, math.ceil(x1 / step) + 2) * step
    ys = np.arange(math.floor(y0 / step) - 1, math.ceil(y1 / step) + 2) * step
    k = math.tau / (2.4 * spacing)
    x, y = xs[:, None] * k, ys[None, :] * k
    return clipped(
        level_set(np.sin(x) * np.cos(y) + np.sin(y) * np.cos(z * k) + np.sin(z * k) * np.cos(x), xs, ys), region
    )


def honeycomb(region: Region, side: float, turned: bool = False) -> list[Any]:
    """Columns of hexagons: zig-zag lines whose upright pieces neighbours share, each layer alike or turned by 60 degrees."""
    if region.is_empty:
        return []
    x0, y0, x1, y1 = region.buffer(2 * side).bounds
    half, lines = side * math.sqrt(3) / 2, []
    middle = (round((x0 + x1) / 2), round((y0 + y1) / 2))
    reach = math.hypot(x1 - x0, y1 - y0) / 2
    for i in range(-int(reach / (2 * half)) - 2, int(reach / (2 * half)) + 3):
        for way in (1, -1):
            points, y = [], -math.ceil(reach / (3 * side)) * 3 * side
            x = middle[0] + (2 * i + (0.5 + 0.5 * way)) * half
            inner = 0.1 * half * way
            while y < reach:
                points += [(x - way * half + inner, y), (x - way * half + inner, y + side), (x - inner, y + 1.5 * side),
                           (x - inner, y + 2.5 * side), (x - way * half + inner, y + 3 * side)]  # fmt: skip
                y += 3 * side
            lines.append(LineString(np.add(points, (0, middle[1]))))
    if turned:
        lines = [rotate(line, 60, origin=middle) for line in lines]
    return clipped(lines, region)


def hilbert(region: Region, spacing: float) -> list[Any]:
    if region.is_empty:
        return []
    x0, y0, x1, y1 = region.bounds
    x0, y0 = math.floor(x0 / 64) * 64.0, math.floor(y0 / 64) * 64.0
    order = max(1, math.ceil(math.log2(max(x1 - x0, y1 - y0) / spacing + 1)))
    points = np.array([_hilbert_point(order, d) for d in range(4**order)]) * spacing + (x0, y0)
    return clipped([LineString(points)], region)


def _hilbert_point(order: int, d: int) -> tuple[int, int]:
    x = y = 0
    s = 1
    while s < 2**order:
        rx = 1 & (d // 2)
        ry = 1 & (d ^ rx)
        if not ry:
            if rx:
                x, y = s - 1 - x, s - 1 - y
            x, y = y, x
        x, y, d, s = x + s * rx, y + s * ry, d // 4, s * 2
    return x, y


def cubic(region: Region, base: float, spacing: float, z: float) -> list[Any]:
    """Cubes that stand on a corner: three directions whose lines move with height, each its own way."""
    shift = z / math.sqrt(2)
    lines = []
    for k in range(3):
        lines += fill.hatch(region, base + k * math.pi / 3, spacing, shift_mm=shift if k % 2 == 0 else -shift)
    return lines


def branches(roof: list[Any], section: Region, below_mm: float) -> list[Any]:
    """Lines from the wall out to points that will carry a roof; so much further down, they are that much shorter.

    The free end of each grows by 45 degrees from layer to layer, so that every layer of it lies on the one before.
    """
    edge, made = section.boundary, []
    for point in roof:
        spot = shapely.Point(point)
        foot = edge.interpolate(edge.project(spot))
        long = spot.distance(foot)
        left = long - below_mm
        if left < 0.4 or not section.covers(spot):
            continue
        a, b = np.array(foot.coords[0]), np.array(point)
        made.append(np.array([a, a + (b - a) * left / long]))
    return made


def grid_points(region: Region, spacing: float) -> list[Any]:
    if region.is_empty:
        return []
    x0, y0, x1, y1 = region.bounds
    xs, ys = (
        np.arange(math.floor(lo / spacing), math.ceil(hi / spacing) + 1) * spacing for lo, hi in ((x0, x1), (y0, y1))
    )
    return [(float(x), float(y)) for x in xs for y in ys if region.covers(shapely.Point(x, y))]
