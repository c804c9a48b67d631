"""Fills regions with lines: walls by inward offset, hatches by clipping. Offsets and clipping are shapely's. Lengths in mm.

Knows regions and lines only; nothing of heights, beads or jobs.
"""

import math
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, MultiLineString, Polygon
from shapely.ops import linemerge
from tests.oracles.solids import Region

Path = Any  # an (n, 2) array of points


def polygons(shape: Any, least_mm2: float = 0.05) -> list[Polygon]:
    return [p for p in shapely.get_parts(shape) if isinstance(p, Polygon) and p.area > least_mm2]


def lines_of(shape: Any, least_mm: float) -> list[Path]:
    """Every line in a mixed collection, longer than so much."""
    merged = linemerge(shape) if isinstance(shape, MultiLineString) else shape
    pieces = [piece for piece in shapely.get_parts(merged) if isinstance(piece, LineString) and piece.length > least_mm]
    return [np.asarray(piece.coords)[:, :2] for piece in pieces]


def rings(region: Region, tolerance_mm: float = 0.005) -> list[Path]:
    """The outlines of a region as closed paths, holes too."""
    found = []
    for polygon in polygons(region.simplify(tolerance_mm)):
        found += [np.asarray(ring.coords)[:, :2] for ring in (polygon.exterior, *polygon.interiors)]
    return found


def turned(path: Path, start: int) -> Path:
    """A closed path that starts elsewhere."""
    return np.vstack([path[start:-1], path[: start + 1]])


def inset(region: Region, by_mm: float) -> Region:
    """Inward offset with mitred corners, as walls are laid."""
    return region.buffer(-by_mm, join_style="mitre", mitre_limit=2.0)


def thin_lines(region: Region, least_mm: float, most_mm: float) -> list[tuple[Path, float]]:
    """One line with its width down the middle of every oblong piece that is too thin for walls."""
    found = []
    for piece in polygons(region, least_mm * 1.5):
        frame = piece.minimum_rotated_rectangle
        corners = np.asarray(frame.exterior.coords)
        a, b = corners[1] - corners[0], corners[2] - corners[1]
        wide, long = sorted((float(np.hypot(*a)), float(np.hypot(*b))))
        if not least_mm <= wide <= most_mm or long < 3 * wide or piece.area < 0.93 * frame.area:
            continue
        along = b if np.hypot(*b) > np.hypot(*a) else a
        middle, unit = corners[:4].mean(axis=0), along / long
        found.append((np.array([middle - unit * (long - wide) / 2, middle + unit * (long - wide) / 2]), wide))
    return found


def hatch(region: Region, angle: float, spacing_mm: float, least_mm: float = 0.4, shift_mm: float = 0.0) -> list[Path]:
    """Parallel lines over a region, every second one the other way. The lattice stands still between layers."""
    if region.is_empty:
        return []
    c, s = math.cos(angle), math.sin(angle)
    x0, y0, x1, y1 = region.bounds
    across = [-s * x + c * y for x in (x0, x1) for y in (y0, y1)]
    along = [c * x + s * y for x in (x0, x1) for y in (y0, y1)]
    first = math.floor((min(across) - shift_mm) / spacing_mm)
    count = math.ceil((max(across) - min(across)) / spacing_mm) + 2
    low, high, found = min(along) - 1, max(along) + 1, []
    for i in range(count):
        v = (first + i) * spacing_mm + shift_mm
        line = LineString([(c * low - s * v, s * low + c * v), (c * high - s * v, s * high + c * v)])
        pieces = lines_of(line.intersection(region), least_mm)
        pieces.sort(key=lambda p: c * p[0][0] + s * p[0][1])
        if i % 2:
            pieces = [p[::-1] for p in reversed(pieces)]
        found += pieces
    return found


def connected(paths: list[Path], region: Region, reach_mm: float) -> list[Path]:
    """Hatch lines joined end to end where the joint is short and stays in the region."""
    made: list[Path] = []
    room = region.buffer(0.05)
    for path in paths:
        if made:
            joint = LineString([made[-1][-1], path[0]])
            if joint.length < reach_mm and room.covers(joint):
                made[-1] = np.vstack([made[-1], path])
                continue
        made.append(path)
    return made


def waves(region: Region, angle: float, spacing_mm: float, phase: float) -> list[Path]:
    """Wavy lines over a region; neighbouring layers' waves cross as the phase moves."""
    if region.is_empty:
        return []
    c, s = math.cos(angle), math.sin(angle)
    x0, y0, x1, y1 = region.bounds
    half = math.hypot(x1 - x0, y1 - y0) / 2 + spacing_mm
    u = np.arange(-half, half, 0.5)
    found = []
    for v in np.arange(-half, half, spacing_mm):
        w = v + spacing_mm * 0.45 * np.sin(u * math.tau / (2 * spacing_mm) + phase)
        path = np.column_stack([(x0 + x1) / 2 + c * u - s * w, (y0 + y1) / 2 + s * u + c * w])
        found += lines_of(LineString(path).intersection(region), 0.8)
    return found


def concentric(region: Region, spacing_mm: float) -> list[Path]:
    """Rings ever further in."""
    found: list[Path] = []
    while not region.is_empty and len(found) < 400:
        found += rings(region)
        region = inset(region, spacing_mm)
    return found


def bridge_angle(over: Region, anchors: Region, spacing_mm: float) -> tuple[float, float]:
    """The direction in which most of the lines over a gap end on something, and their share by length."""
    best = (0.0, 0.0)
    for angle in np.arange(12) * math.pi / 12:
        lines = hatch(over, float(angle), spacing_mm)
        if not lines:
            continue
        near = anchors.buffer(0.3)
        held = [p for p in lines if all(near.intersects(shapely.Point(end)) for end in (p[0], p[-1]))]
        share = sum(LineString(p).length for p in held) / sum(LineString(p).length for p in lines)
        if share > best[1] + 0.02:
            best = (float(angle), share)
    return best


def short_way(paths: list[Path], at: Any) -> list[Path]:
    """The paths in the order of a walker who always takes the nearest start."""
    left, made = list(paths), []
    here = np.asarray(at)
    while left:
        starts = np.array([p[0] for p in left])
        path = left.pop(int(np.argmin(((starts - here) ** 2).sum(axis=1))))
        made.append(path)
        here = path[-1]
    return made
