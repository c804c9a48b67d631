"""Solids that people print often and the other makers lack: threads, joints, reliefs, bins, windows, lattices, tall-hole blocks.

Most are known by their sections alone, not as meshes; nothing of beads or jobs is known here. Lengths in mm.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Any

import numpy as np
import shapely
from shapely.affinity import rotate, translate
from shapely.geometry import LineString, Point, Polygon
from shapely.ops import polygonize, unary_union
from tests.oracles.patterns import level_set
from tests.oracles.solids import Region, Solid, circle


@dataclass
class Sliced(Solid):
    """A solid that is given by its section at every height, and by how far it reaches."""

    at: Callable[[float], Region] = lambda _z: Polygon()
    reach_mm: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)  # x0, y0, x1, y1, height

    @property
    def bounds_mm(self) -> Any:
        x0, y0, x1, y1, high = self.reach_mm
        return np.array([[x0, y0, 0.0], [x1, y1, high]])

    def section(self, z: float) -> Region:
        return self.at(z) if 0 < z < self.reach_mm[4] else Polygon()


def _sliced(
    name: str, at: Callable[[float], Region], reach: tuple[float, float, float, float, float], held: str = ""
) -> Solid:
    return Sliced(name, [], [], held, at, reach)


def _thread_ring(radius: float, depth: float, pitch: float, z: float) -> Region:
    """The section of a rod with a ridge that winds up around it: its radius rises and falls once around."""
    angles = np.arange(96) * math.tau / 96
    phase = (z / pitch - angles / math.tau) % 1
    radii = radius - depth * np.clip(np.abs(phase - 0.5) * 3 - 0.25, 0, 1)
    return Polygon(np.column_stack([radii * np.cos(angles), radii * np.sin(angles)]))


def make_bolt(r: Random) -> Solid:
    """A hexagon head, and a thread on it."""
    radius, pitch, head, high = r.uniform(4, 8), r.uniform(1.5, 3), r.uniform(2, 4), r.uniform(10, 16)
    hexagon = Polygon(circle(radius * 1.7, 6))

    def at(z: float) -> Region:
        return hexagon if z < head else _thread_ring(radius, 0.35 * pitch, pitch, z)

    wide = radius * 1.7
    return _sliced("bolt", at, (-wide, -wide, wide, wide, head + high))


def make_nut(r: Random) -> Solid:
    """The thread on the inside."""
    radius, pitch, high = r.uniform(4, 8), r.uniform(1.5, 3), r.uniform(5, 9)
    wide = radius * 1.8
    outer = Polygon(circle(wide, 6))
    return _sliced(
        "nut",
        lambda z: outer.difference(_thread_ring(radius, 0.35 * pitch, pitch, z)),
        (-wide, -wide, wide, wide, high),
    )


def make_hinge(r: Random) -> Solid:
    """Two leaves whose knuckles are cones in hollows, a gap between: printed in one piece, free to turn."""
    radius, gap, long = r.uniform(2.8, 4), r.choice([0.3, 0.4, 0.5]), r.uniform(5, 8)
    leaf, thick = r.uniform(10, 16), r.uniform(2, 2.6)

    def disc(z: float, size: float) -> float:
        """Half of how wide a lying cylinder is at a height."""
        return math.sqrt(max(0.0, size**2 - (z - radius) ** 2))

    def at(z: float) -> Region:
        half = disc(z, radius)
        pieces: list[Any] = []
        for k in range(3):
            y0, y1 = k * (long + gap), k * (long + gap) + long
            knuckle: Any = shapely.box(-half, y0, half, y1) if half > 0.05 else Polygon()
            side = -1 if k % 2 else 1
            if z < thick:
                knuckle = unary_union([knuckle, shapely.box(0, y0, side * (leaf + radius), y1)])
            if k == 1:  # hollow at both ends
                for end, way in ((y0, 1), (y1, -1)):
                    steps = np.linspace(0, 2.2, 12)
                    widths = [disc(z, max(0.0, (radius - 0.9) * (1 - s / 2.2) + gap)) for s in steps]
                    hollow = [(-w, end + way * s) for s, w in zip(steps, widths, strict=True)]
                    hollow += [(w, end + way * s) for s, w in reversed(list(zip(steps, widths, strict=True)))]
                    knuckle = knuckle.difference(Polygon(hollow).buffer(0))
            pieces.append(knuckle)
        for end, way in ((long, 1), (2 * (long + gap), -1)):  # and the cones in them
            steps = np.linspace(0, 2.2 + gap * 0.4, 12)
            widths = [disc(z, (radius - 0.9) * max(0.0, 1 - s / 2.2)) for s in steps]
            cone = [(-w, end + way * s) for s, w in zip(steps, widths, strict=True)]
            cone += [(w, end + way * s) for s, w in reversed(list(zip(steps, widths, strict=True)))]
            pieces.append(Polygon(cone).buffer(0))
        for side in (1, -1):  # the leaves' plates
            if z < thick:
                x0, x1 = sorted((side * (radius + gap + 0.2), side * (leaf + radius)))
                pieces.append(shapely.box(x0, 0, x1, 3 * long + 2 * gap))
        return unary_union(pieces).buffer(0)

    wide = leaf + radius
    return _sliced("hinge", at, (-wide, 0, wide, 3 * long + 2 * gap, 2 * radius))


def make_articulated(r: Random) -> Solid:
    """Links that hold each other by a post with a head in an eye, a little air all around: printed in place."""
    gap, count, size = r.choice([0.3, 0.4, 0.5]), r.randint(2, 3), r.uniform(10, 13)
    eye, head, high = r.uniform(2.0, 2.6), r.uniform(1.2, 1.8), r.uniform(6, 8)

    def at(z: float) -> Region:
        pieces: list[Any] = []
        for k in range(count):
            x = k * (size + 2 * eye)
            body: Any = shapely.box(x, 0, x + size, 8)
            middle = Point(x + size + eye, 4)
            if head + gap < z < high - head - gap and k + 1 < count:
                # The next one's eye, around this one's post.
                ring = middle.buffer(eye + gap + 1.4).difference(middle.buffer(eye / 2 + 0.8 + gap))
                pieces.append(
                    unary_union([ring, shapely.box(x + size + 2 * eye + gap + 0.5, 2.5, x + size + 2 * eye + 2, 5.5)])
                )
                body = body.difference(middle.buffer(eye + 2 * gap + 1.4))
            if k + 1 < count:
                # Plates below and above with the post between; it widens at 45 degrees towards the upper one.
                low, top = z < head, z > high - head
                wide = eye / 2 + 0.8
                plate = shapely.box(x + size - 1, 1.5, x + size + eye, 6.5).union(middle.buffer(2.5))
                pieces.append(plate if low or top else middle.buffer(wide))
            pieces.append(body)
        return unary_union(pieces).buffer(0)

    return _sliced("links", at, (0, 0, count * (size + 2 * eye), 8, high), held="bridge")


def make_relief(r: Random) -> Solid:
    """A picture in steps: a plate, and on it ever smaller islands, a layer or a few high each."""
    wide, deep, base, step = r.uniform(25, 40), r.uniform(20, 30), r.uniform(0.6, 1.2), r.uniform(0.3, 0.8)
    plate = shapely.box(0, 0, wide, deep)
    levels: list[Region] = [plate]
    for _ in range(r.randint(2, 4)):
        spots = [
            Point(r.uniform(3, wide - 3), r.uniform(3, deep - 3)).buffer(r.uniform(1, 7))
            for _ in range(r.randint(3, 8))
        ]
        levels.append(unary_union(spots).intersection(levels[-1]).buffer(-0.1).buffer(0.1))

    def at(z: float) -> Region:
        return levels[0] if z < base else levels[min(len(levels) - 1, 1 + int((z - base) / step))]

    return _sliced("relief", at, (0, 0, wide, deep, base + step * (len(levels) - 1)))


def make_bin(r: Random) -> Solid:
    """A thin-walled bin on feet with slanted edges, with a lip."""
    side, wall, high, radius = r.uniform(24, 38), r.choice([0.95, 1.2, 1.6]), r.uniform(8, 14), 3.0
    cells = r.choice([1, 2])

    def at(z: float) -> Region:
        if z < 3.5:
            inset = max(0.0, 2.6 - z) if z < 1 or z > 2 else 1.6
            cell = side / cells
            feet = [
                shapely.box(i * cell, j * cell, (i + 1) * cell, (j + 1) * cell)
                .buffer(-radius)
                .buffer(radius)
                .buffer(-inset - 0.2)
                for i in range(cells)
                for j in range(cells)
            ]
            return unary_union(feet)
        outer = shapely.box(0, 0, side, side).buffer(-radius).buffer(radius)
        if z < 4.7:
            return outer
        lip = max(0.0, min(1.4, z - (high - 2.5))) if z < high - 0.6 else 0.4
        return outer.difference(outer.buffer(-wall - lip))

    return _sliced("bin", at, (0, 0, side, side, high), held="bridge")


def make_windows(r: Random) -> Solid:
    """A tube with round-topped windows in rows."""
    radius, wall, high = r.uniform(9, 14), r.uniform(0.9, 2.4), r.uniform(12, 18)
    count, size = r.randint(5, 9), r.uniform(1.5, 3)
    size = min(size, 0.6 * math.pi * radius / count)  # posts stay between them

    def at(z: float) -> Region:
        ring = Point(0, 0).buffer(radius).difference(Point(0, 0).buffer(radius - wall))
        holes = []
        for row in range(int(high / (2.6 * size))):
            up = z - (row * 2.6 * size + 1.4 * size)
            half = math.sqrt(size**2 - up**2) if abs(up) < size else 0.0
            if half > 0.05:
                for k in range(count):
                    slot = shapely.box(radius - wall - 2, -half, radius + 2, half)
                    holes.append(rotate(slot, 360 / count * (k + 0.5 * (row % 2)), origin=(0, 0)))
        return ring.difference(unary_union(holes))

    return _sliced("windows", at, (-radius, -radius, radius, radius, high))


def make_grill(r: Random) -> Solid:
    """A frame with bars of a bead or two across, some diagonal."""
    side, high, bar = r.uniform(25, 40), r.uniform(2, 4), r.choice([1.2, 1.6, 2.0])
    frame = shapely.box(0, 0, side, side).difference(shapely.box(2.5, 2.5, side - 2.5, side - 2.5))
    turn = r.choice([0, 45, 60])
    pitch = r.uniform(4, 7)
    bars = []
    for k in range(-int(side / pitch) - 2, int(side / pitch) + 3):
        for angle in (turn, turn + 90):
            line = LineString([(-side, k * pitch), (side, k * pitch)])
            bars.append(
                translate(rotate(line, angle, origin=(0, 0)), side / 2, side / 2).buffer(bar / 2, cap_style="flat")
            )
    shape = unary_union([frame, unary_union(bars).intersection(shapely.box(1, 1, side - 1, side - 1))])
    return _sliced("grill", lambda _z: shape, (0, 0, side, side, high))


def make_honeycomb_plate(r: Random) -> Solid:
    """A plate full of six-cornered holes with thin walls between."""
    wide, deep, high, side, wall = (
        r.uniform(28, 40),
        r.uniform(20, 30),
        r.uniform(2, 6),
        r.uniform(2.5, 4),
        r.uniform(0.8, 1.6),
    )
    plate, holes = shapely.box(0, 0, wide, deep), []
    for i in range(int(wide / (1.5 * side)) + 1):
        for j in range(int(deep / (1.7 * side)) + 1):
            middle = (i * 1.5 * side + side, j * math.sqrt(3) * side + (i % 2) * math.sqrt(3) / 2 * side + side)
            hole = Polygon(circle(side - wall / math.sqrt(3), 6) + np.array(middle))
            if plate.buffer(-1.2).covers(hole):
                holes.append(hole)
    shape = plate.difference(unary_union(holes))
    return _sliced("honeycomb plate", lambda _z: shape, (0, 0, wide, deep, high))


def make_counterbore(r: Random) -> Solid:
    """A plate with stepped holes, wide below: over the step they are closed by one layer, or bridged in two strips."""
    side, high, wide, narrow = r.uniform(14, 20), r.uniform(5, 8), r.uniform(3.2, 4.2), r.uniform(1.5, 2)
    way, step = r.choice(["closed", "strips", "plain"]), r.choice([0.2, 0.25, 0.3])
    depth = r.uniform(2, 3)
    spot = Point(side / 2, side / 2)

    def at(z: float) -> Region:
        plate = shapely.box(0, 0, side, side)
        if z < depth:
            return plate.difference(spot.buffer(wide))
        up = z - depth
        if way == "closed" and up < step:
            return plate
        if way == "strips" and up < 2 * step:
            x, y = spot.x, spot.y
            strip = shapely.box(x - wide, y - narrow, x + wide, y + narrow)
            hole = strip.intersection(spot.buffer(wide))
            return plate.difference(
                hole if up < step else hole.intersection(shapely.box(x - narrow, 0, x + narrow, side))
            )
        return plate.difference(spot.buffer(narrow))

    return _sliced("stepped hole", at, (0, 0, side, side, high), held="bridge")


def make_panel(r: Random) -> Solid:
    """An upright picture: a thin panel whose thickness follows waves in both directions."""
    wide, high, thin, thick = r.uniform(30, 45), r.uniform(12, 18), r.uniform(0.5, 0.8), r.uniform(1.8, 3)
    a, b, c = (r.uniform(0.15, 0.6) for _ in range(3))
    xs = np.linspace(0, wide, 120)

    def at(z: float) -> Region:
        waves = (np.sin(xs * a + z * b) + np.sin(xs * c * 2 - z * 0.4) + 2) / 4
        ys = thin + (thick - thin) * waves
        return (
            Polygon([(0, 0), (wide, 0), *zip(xs[::-1], ys[::-1], strict=True)])
            .union(shapely.box(-2, -1, 0, 4))
            .union(shapely.box(wide, -1, wide + 2, 4))
        )

    return _sliced("panel", at, (-2, -1, wide + 2, 4, high))


def make_waves_block(r: Random) -> Solid:
    """A block of a minimal surface's walls, thin and closed nowhere."""
    side, thick, cell = r.uniform(16, 22), r.uniform(0.4, 0.7), r.uniform(10, 14)  # waves wide enough for thick layers
    xs = np.arange(-1, side + 1.2, 0.4)
    k = math.tau / cell
    square = shapely.box(0, 0, side, side)

    def at(z: float) -> Region:
        x, y = xs[:, None] * k, xs[None, :] * k
        g = np.sin(x) * np.cos(y) + np.sin(y) * np.cos(z * k) + np.sin(z * k) * np.cos(x)
        lines = [*level_set(g - thick, xs, xs), *level_set(g + thick, xs, xs), square.boundary]
        faces = [face for face in polygonize(unary_union(lines)) if square.contains(face.representative_point())]
        inside = []
        for face in faces:
            spot = face.representative_point()
            px, py = spot.x * k, spot.y * k
            value = math.sin(px) * math.cos(py) + math.sin(py) * math.cos(z * k) + math.sin(z * k) * math.cos(px)
            if abs(value) < thick:
                inside.append(face)
        return unary_union(inside).buffer(0)

    return _sliced("waves block", at, (0, 0, side, side, r.uniform(6, 12)))


def make_clip(r: Random) -> Solid:
    """A round clip with a foot: thin curved arms that part and come together."""
    radius, thick, high = r.uniform(6, 10), r.uniform(1.2, 2.4), r.uniform(5, 10)
    ring = Point(0, 0).buffer(radius).difference(Point(0, 0).buffer(radius - thick))
    mouth = Polygon([(0, 0), (radius * 2, radius), (radius * 2, -radius)])
    foot = shapely.box(-radius - 3, -radius, -radius + 1, radius).difference(Point(0, 0).buffer(radius - 0.1))
    shape = unary_union([ring.difference(mouth), foot])
    return _sliced("clip", lambda _z: shape, (-radius - 3, -radius, radius, radius, high))


CUSTOM_MAKERS: tuple[Callable[[Random], Solid], ...] = (
    make_bolt, make_nut, make_hinge, make_articulated, make_relief, make_bin, make_windows, make_grill, make_honeycomb_plate,
    make_counterbore, make_panel, make_waves_block, make_clip,
)  # fmt: skip
