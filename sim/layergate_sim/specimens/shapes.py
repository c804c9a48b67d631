"""Plane shapes of the specimens: closed outlines that can be shrunk or grown, and regions made of them.

Knows nothing of layers, beads or machines. All lengths in mm, all outlines counter-clockwise. Outlines of one region
must not cross each other: the makers of the solids keep to that, nothing here repairs it.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["Circle", "Polygon", "Region", "RoundedRect", "Segment", "Shape", "rectangle", "segments"]

CHORD_ERROR_MM = 0.02  # mm; flats on a circle stay below what a 0.4 mm bead can show


@dataclass(frozen=True, slots=True)
class Segment:
    """One piece of an outline, from where the last one ended to (x, y); `centre` makes it a counter-clockwise arc."""

    x: float
    y: float
    centre: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle; `start_deg` says where its outline begins."""

    x: float
    y: float
    r: float
    start_deg: float = 0.0

    def inset(self, d: float) -> "Circle | None":
        """The circle shrunk by d mm (grown where d is negative), or None where nothing is left."""
        return Circle(self.x, self.y, self.r - d, self.start_deg) if self.r - d > 0.05 else None

    @property
    def area_mm2(self) -> float:
        """Enclosed area."""
        return math.pi * self.r**2


@dataclass(frozen=True, slots=True)
class RoundedRect:
    """A rectangle with centre (x, y), sides w and h, corners of radius r, turned by `angle_deg`."""

    x: float
    y: float
    w: float
    h: float
    r: float
    angle_deg: float = 0.0

    def inset(self, d: float) -> "RoundedRect | None":
        """Shrunk by d mm; corners keep their centre until the radius is used up."""
        w, h = self.w - 2 * d, self.h - 2 * d
        if min(w, h) < 0.1:
            return None
        return RoundedRect(self.x, self.y, w, h, min(max(self.r - d, 0.0), w / 2, h / 2), self.angle_deg)

    @property
    def area_mm2(self) -> float:
        """Enclosed area."""
        return self.w * self.h - (4 - math.pi) * self.r**2


@dataclass(frozen=True, slots=True)
class Polygon:
    """A simple polygon, corners counter-clockwise; shrinking uses mitred corners, less than the local width."""

    corners: tuple[tuple[float, float], ...]

    def inset(self, d: float) -> "Polygon | None":
        """Shrunk by d mm; None where an edge would turn round (nothing sensible is left)."""
        p = np.asarray(self.corners, dtype=np.float64)
        edge = np.roll(p, -1, axis=0) - p
        unit = edge / np.linalg.norm(edge, axis=1)[:, None]
        normal = np.column_stack((-unit[:, 1], unit[:, 0]))  # to the left: inward for counter-clockwise corners
        before, after = np.roll(normal, 1, axis=0), normal
        moved = p + d * (before + after) / (1 + (before * after).sum(axis=1))[:, None]
        if np.any(((np.roll(moved, -1, axis=0) - moved) * unit).sum(axis=1) <= 0.02):
            return None
        return Polygon(tuple((float(x), float(y)) for x, y in moved))

    @property
    def area_mm2(self) -> float:
        """Enclosed area (shoelace formula)."""
        p = np.asarray(self.corners)
        q = np.roll(p, -1, axis=0)
        return float((p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]).sum() / 2)


Shape = Circle | RoundedRect | Polygon


def rectangle(x: float, y: float, w: float, h: float) -> Polygon:
    """An upright rectangle with centre (x, y)."""
    return Polygon(((x - w / 2, y - h / 2), (x + w / 2, y - h / 2), (x + w / 2, y + h / 2), (x - w / 2, y + h / 2)))


def _turned(x: float, y: float, shape: RoundedRect) -> tuple[float, float]:
    c, s = math.cos(math.radians(shape.angle_deg)), math.sin(math.radians(shape.angle_deg))
    return shape.x + c * x - s * y, shape.y + s * x + c * y


def segments(shape: Shape) -> tuple[tuple[float, float], list[Segment]]:
    """The outline as (start point, segments); the last segment ends at the start point."""
    if isinstance(shape, Circle):
        a = math.radians(shape.start_deg)
        p = (shape.x + shape.r * math.cos(a), shape.y + shape.r * math.sin(a))
        q = (2 * shape.x - p[0], 2 * shape.y - p[1])
        centre = (shape.x, shape.y)
        return p, [Segment(*q, centre), Segment(*p, centre)]
    if isinstance(shape, Polygon):
        first, *rest = shape.corners
        return first, [Segment(*c) for c in (*rest, first)]
    w, h, r = shape.w / 2, shape.h / 2, shape.r
    # Corner by corner, counter-clockwise from the lower edge: (end of the straight, centre, end of the corner).
    tour = (
        ((w - r, -h), (w - r, -h + r), (w, -h + r)),
        ((w, h - r), (w - r, h - r), (w - r, h)),
        ((-w + r, h), (-w + r, h - r), (-w, h - r)),
        ((-w, -h + r), (-w + r, -h + r), (-w + r, -h)),
    )
    start = _turned(-w + r, -h, shape)
    out: list[Segment] = []
    at = start
    for straight, centre, corner in tour:
        for end, mid in ((straight, None), (corner, centre)):
            p = _turned(*end, shape)
            if math.dist(at, p) > 1e-6:
                out.append(Segment(*p, _turned(*mid, shape) if mid and r > 0.02 else None))
                at = p
    return start, out


def facets(start: tuple[float, float], seg: Segment) -> Iterator[tuple[float, float]]:
    """End points of the chords of a counter-clockwise arc (or the one end point of a straight)."""
    if seg.centre is not None:
        cx, cy = seg.centre
        r = math.dist(start, seg.centre)
        a0 = math.atan2(start[1] - cy, start[0] - cx)
        sweep = (math.atan2(seg.y - cy, seg.x - cx) - a0) % math.tau or math.tau
        step = 2 * math.acos(max(1 - CHORD_ERROR_MM / r, 0.0)) if r > CHORD_ERROR_MM else math.pi / 2
        n = max(math.ceil(sweep / min(step, math.pi / 6)), 1)
        for i in range(1, n):
            a = a0 + sweep * i / n
            yield cx + r * math.cos(a), cy + r * math.sin(a)
    yield seg.x, seg.y


@lru_cache(maxsize=4096)
def outline(shape: Shape) -> NDArray[np.float64]:
    """Corners of the shape with its arcs cut into chords, shape (n, 2), not repeated at the end; read-only."""
    at, segs = segments(shape)
    points = []
    for seg in segs:
        for p in facets(at, seg):
            points.append(p)
            at = p
    array = np.asarray(points)
    array.setflags(write=False)
    return array


@dataclass(frozen=True, slots=True)
class Region:
    """Material of one cross-section: everything inside `outers` and outside `holes`."""

    outers: tuple[Shape, ...] = ()
    holes: tuple[Shape, ...] = ()

    def inset(self, d: float) -> "Region":
        """Shrunk by d mm from every side (holes grow)."""
        return Region(
            tuple(s for s in (o.inset(d) for o in self.outers) if s is not None),
            tuple(s for s in (h.inset(-d) for h in self.holes) if s is not None),
        )

    @property
    def shapes(self) -> tuple[Shape, ...]:
        """Every outline."""
        return self.outers + self.holes

    @property
    def area_mm2(self) -> float:
        """Area of the material."""
        return sum(s.area_mm2 for s in self.outers) - sum(s.area_mm2 for s in self.holes)

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        """(x0, y0, x1, y1) of the outers; raises ValueError where there are none."""
        p = np.vstack([outline(s) for s in self.outers])
        (x0, y0), (x1, y1) = p.min(axis=0), p.max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)
