"""Solids of known shape, as meshes, and their sections: what the outside trial prints. Knows nothing of beads or jobs.

Meshes and their volumes come from trimesh (a general-purpose mesh library); a section is cut edge by edge by trimesh and
put together by shapely. A solid is a union of parts less a union of holes; parts touch but don't overlap, so that volumes
add up. Every solid stands on z = 0. Lengths in mm.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import Any

import numpy as np
import shapely
import trimesh
from shapely.affinity import translate
from shapely.geometry import MultiPolygon, Point, Polygon
from shapely.ops import unary_union

Region = Polygon | MultiPolygon


@dataclass
class Solid:
    """`held` says how a part of it that hangs over air is carried: "" (nothing does), "bridge" or "support"."""

    name: str
    parts: list[trimesh.Trimesh]
    holes: list[trimesh.Trimesh] = field(default_factory=list)
    held: str = ""

    @property
    def volume_mm3(self) -> float:
        return float(sum(p.volume for p in self.parts) - sum(h.volume for h in self.holes))

    @property
    def bounds_mm(self) -> Any:
        """[[x, y, z], [x, y, z]] of the whole."""
        boxes = np.array([p.bounds for p in self.parts])
        return np.array([boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)])

    def section(self, z: float) -> Region:
        """The area that a plane at a height cuts out; just above, where one part ends there and another begins."""
        heights = np.concatenate([mesh.vertices[:, 2] for mesh in (*self.parts, *self.holes)])
        if np.abs(heights - z).min() < 1e-6:
            z += 1e-4
        return unary_union([cut(p, z) for p in self.parts]).difference(unary_union([cut(h, z) for h in self.holes]))


def cut(mesh: trimesh.Trimesh, z: float) -> Region:
    """One mesh cut by a level plane; rings inside rings are holes (even-odd)."""
    if not mesh.bounds[0][2] < z < mesh.bounds[1][2]:
        return Polygon()
    edges = trimesh.intersections.mesh_plane(mesh, (0.0, 0.0, 1.0), (0.0, 0.0, z))[:, :, :2].round(6)
    lines = shapely.linestrings(edges)
    rings = shapely.get_parts(shapely.polygonize([shapely.node(shapely.multilinestrings(lines))]))
    shape: Region = Polygon()
    for ring in rings:
        shape = shape.symmetric_difference(Polygon(ring.exterior))
    return shape.buffer(0)


def loft(rings: list[tuple[float, Any]]) -> trimesh.Trimesh:
    """Skin over rings of n points each, bottom first; each must be star-shaped about its middle."""
    count = len(rings[0][1])
    points = [(x, y, z) for z, ring in rings for x, y in ring]
    faces = []
    for level in range(len(rings) - 1):
        for i in range(count):
            a, b = level * count + i, level * count + (i + 1) % count
            faces += [(a, b, b + count), (a, b + count, a + count)]
    for level, flip in ((0, True), (len(rings) - 1, False)):
        middle = len(points)
        z, ring = rings[level]
        points.append((*np.mean(ring, axis=0), z))
        for i in range(count):
            a, b = level * count + i, level * count + (i + 1) % count
            faces.append((b, a, middle) if flip else (a, b, middle))
    return trimesh.Trimesh(points, faces)


def circle(radius: float, count: int = 64, turn: float = 0.0) -> Any:
    angles = np.arange(count) * math.tau / count + turn
    return np.column_stack([np.cos(angles), np.sin(angles)]) * radius


def box(x: float, y: float, z: float, wide: float, deep: float, high: float) -> trimesh.Trimesh:
    """A box by its lowest corner and its size."""
    made = trimesh.creation.box((wide, deep, high))
    made.apply_translation((x + wide / 2, y + deep / 2, z + high / 2))
    return made


def _revolved(name: str, profile: Callable[[float], float], high: float, levels: int = 24, points: int = 64) -> Solid:
    heights = np.linspace(0, high, levels + 1)
    return Solid(name, [loft([(float(z), circle(profile(z / high), points)) for z in heights])])


def make_box(r: Random) -> Solid:
    return Solid("box", [box(0, 0, 0, r.uniform(12, 35), r.uniform(12, 35), r.uniform(5, 14))])


def make_cylinder(r: Random) -> Solid:
    radius = r.uniform(6, 14)
    return _revolved("cylinder", lambda _: radius, r.uniform(5, 14), 1)


def make_frustum(r: Random) -> Solid:
    low, top = r.uniform(8, 15), r.uniform(3, 7)
    return _revolved("frustum", lambda s: low + (top - low) * s, r.uniform(8, 14), 1)


def make_cup(r: Random) -> Solid:
    """Wider at the top, at most 35 degrees from upright: needs no support."""
    low, high = r.uniform(6, 9), r.uniform(8, 14)
    flare = high * math.tan(math.radians(r.uniform(5, 35)))
    return _revolved("cup", lambda s: low + flare * s, high, 1)


def make_tube(r: Random) -> Solid:
    outer, wall, high = r.uniform(8, 15), r.uniform(1.2, 5), r.uniform(6, 15)
    made = trimesh.creation.annulus(outer - wall, outer, high)
    made.apply_translation((0, 0, high / 2))
    return Solid("tube", [made])


def make_dome(r: Random) -> Solid:
    radius = r.uniform(8, 14)
    return _revolved("dome", lambda s: radius * math.sqrt(max(1e-4, 1 - s * s)), radius * 0.995, 48)


def make_torus(r: Random) -> Solid:
    """Sunk into the bed, so that it rises at no more than 50 degrees from upright."""
    big, small = r.uniform(9, 14), r.uniform(3, 5)
    sunk = small * r.uniform(0.1, 0.6)
    high = sunk + small * 0.97
    heights = np.linspace(0, high, 41)
    half = [math.sqrt(max(0.0, small**2 - (float(z) - sunk) ** 2)) for z in heights]
    outer, inner = (
        loft([(float(z), circle(big + way * x)) for z, x in zip(heights, half, strict=True)]) for way in (1, -1)
    )
    return Solid("torus", [outer], [inner])


def make_wedge(r: Random) -> Solid:
    wide, deep, high = r.uniform(15, 30), r.uniform(10, 20), r.uniform(6, 14)
    ring = np.array([(0, 0), (wide, 0), (wide, deep), (0, deep)])
    return Solid("wedge", [loft([(0, ring), (high, ring * (r.uniform(0.1, 0.4), 1))])])


def make_pyramid(r: Random) -> Solid:
    ring = circle(r.uniform(10, 18), r.choice([3, 4, 5, 6]), r.random())
    return Solid("pyramid", [loft([(0, ring), (r.uniform(8, 15), ring * 0.12)])])


def make_steps(r: Random) -> Solid:
    side, high = r.uniform(20, 34), r.uniform(1.5, 3.5)
    steps = [side * (1 - 0.22 * i) for i in range(r.randint(2, 4))]
    return Solid("steps", [box(-s / 2, -s / 2, i * high, s, s, high) for i, s in enumerate(steps)])


def make_bracket(r: Random) -> Solid:
    long, deep, thick = r.uniform(18, 32), r.uniform(10, 18), r.uniform(2.5, 5)
    up = [box(0, 0, 0, long, deep, thick), box(0, 0, thick, thick, deep, r.uniform(6, 14))]
    hole = loft(
        [(0, circle(2.2) + np.array([long * 0.7, deep / 2])), (thick, circle(2.2) + np.array([long * 0.7, deep / 2]))]
    )
    return Solid("bracket", up, [hole])


def make_hook(r: Random) -> Solid:
    """A post with an arm out over the air."""
    post, deep, high, arm = r.uniform(5, 9), r.uniform(6, 12), r.uniform(6, 10), r.uniform(6, 14)
    parts = [box(0, 0, 0, post, deep, high), box(0, 0, high, post + arm, deep, r.uniform(2, 4))]
    return Solid("hook", parts, held="support")


def make_mushroom(r: Random) -> Solid:
    stem, cap, high = r.uniform(3, 5), r.uniform(8, 13), r.uniform(4, 8)
    thick = r.uniform(2, 4)
    return Solid("mushroom", [
        loft([(0, circle(stem)), (high, circle(stem))]), loft([(high, circle(cap)), (high + thick, circle(cap * 0.8))]),
    ], held="support")  # fmt: skip


def make_table(r: Random) -> Solid:
    side, leg, high = r.uniform(18, 28), r.uniform(4, 6), r.uniform(4, 8)
    legs = [box(x, y, 0, leg, leg, high) for x in (0, side - leg) for y in (0, side - leg)]
    return Solid("table", [*legs, box(0, 0, high, side, side, r.uniform(1.5, 3))], held="support")


def make_arch(r: Random) -> Solid:
    span, deep, post, high = r.uniform(5, 25), r.uniform(6, 15), r.uniform(4, 7), r.uniform(4, 10)
    return Solid("arch", [
        box(0, 0, 0, post, deep, high), box(post + span, 0, 0, post, deep, high),
        box(0, 0, high, 2 * post + span, deep, r.uniform(1.5, 4)),
    ], held="bridge")  # fmt: skip


def make_comb(r: Random) -> Solid:
    long, pitch, thick = r.uniform(15, 30), r.uniform(3, 6), r.uniform(0.8, 2.2)
    base, count = r.uniform(1, 2.5), r.randint(3, 6)
    teeth = [box(0, i * pitch, base, long, thick, r.uniform(4, 9)) for i in range(count)]
    return Solid("comb", [box(0, 0, 0, long, (count - 1) * pitch + thick, base), *teeth])


def make_lattice(r: Random) -> Solid:
    """Upright walls crossing one another; those of one direction stop at the others."""
    pitch, thick, count, high = r.uniform(5, 8), r.uniform(1.2, 2), r.randint(3, 4), r.uniform(5, 12)
    long = (count - 1) * pitch + thick
    parts = [box(0, i * pitch, 0, long, thick, high) for i in range(count)]
    for i in range(count):
        parts += [box(i * pitch, j * pitch + thick, 0, thick, pitch - thick, high) for j in range(count - 1)]
    return Solid("lattice", parts)


def make_star(r: Random) -> Solid:
    points, radius, depth = r.randint(4, 7), r.uniform(9, 15), r.uniform(0.5, 0.8)
    ring = circle(radius, 2 * points) * np.array([1, depth] * points)[:, None]
    turn = r.uniform(0, 0.5)
    levels = []
    for s in np.linspace(0, 1, 13):
        c, w = math.cos(turn * s), math.sin(turn * s)
        levels.append((s * 10, ring @ np.array([[c, w], [-w, c]])))
    return Solid("star", [loft(levels)])


def make_vase(r: Random) -> Solid:
    radius, wave = r.uniform(9, 13), r.uniform(0.5, 2.5)
    return _revolved("vase", lambda s: radius + wave * math.sin(s * 5), r.uniform(12, 20), 40)


def make_plate(r: Random) -> Solid:
    wide, deep, thick = r.uniform(20, 40), r.uniform(15, 30), r.uniform(1.6, 4)
    spots = [(wide * x, deep * y) for x in (0.2, 0.5, 0.8) for y in (0.3, 0.7)]
    rings = [circle(2, 32) + np.array(at) for at in r.sample(spots, r.randint(1, 6))]
    holes = [loft([(0, ring), (thick, ring)]) for ring in rings]
    return Solid("plate", [box(0, 0, 0, wide, deep, thick)], holes)


def make_tunnel(r: Random) -> Solid:
    """A block with a square hole right through it: its ceiling is a bridge."""
    wide, deep, high, hole = r.uniform(18, 28), r.uniform(10, 20), r.uniform(9, 13), r.uniform(4, 10)
    return Solid(
        "tunnel", [box(0, 0, 0, wide, deep, high)], [box((wide - hole) / 2, 0, 2, hole, deep, 4)], held="bridge"
    )


def make_pins(r: Random) -> Solid:
    parts = []
    for i in range(r.randint(2, 5)):
        radius, high = r.uniform(1.5, 3), r.uniform(5, 14)
        parts.append(
            loft([(0, circle(radius, 40) + np.array([i * 9, 0])), (high, circle(radius, 40) + np.array([i * 9, 0]))])
        )
    return Solid("pins", parts)


MAKERS: tuple[Callable[[Random], Solid], ...] = (
    make_box, make_cylinder, make_frustum, make_cup, make_tube, make_dome, make_torus, make_wedge, make_pyramid, make_steps,
    make_bracket, make_hook, make_mushroom, make_table, make_arch, make_comb, make_lattice, make_star, make_vase, make_plate,
    make_tunnel, make_pins,
)  # fmt: skip


def placed(shape: Region, dx: float, dy: float) -> Region:
    return translate(shape, dx, dy)


__all__ = ["MAKERS", "Point", "Region", "Solid", "circle", "cut", "placed"]
