"""Solids that ask something of a path generator: thin, tiny, tilted, lettered, strutted, closed.

Parts of one solid may overlap here, so that its volume is that of its sections. Knows nothing of beads. Lengths in mm.
"""

import itertools
import math
from collections.abc import Callable
from random import Random

import numpy as np
import trimesh
from tests.oracles.solids import Solid, box, circle, loft


def make_thinning(r: Random) -> Solid:
    """A wall whose thickness runs from one bead to many along it."""
    long, high = r.uniform(30, 50), r.uniform(4, 9)
    thin, thick = r.uniform(0.5, 1.0), r.uniform(2.5, 6)
    ring = np.array([(0, 0), (long, 0), (long, thin), (long * 0.6, thin + 0.3 * (thick - thin)), (0, thick)])
    return Solid("thinning wall", [loft([(0, ring), (high, ring)])])


def make_thin_plate(r: Random) -> Solid:
    """An upright plate of a bead or two, perhaps leaning."""
    long, thick, high = r.uniform(15, 35), r.choice([0.45, 0.6, 0.8, 1.0, 1.2, 1.6]), r.uniform(6, 15)
    lean = high * math.tan(math.radians(r.choice([0, 0, 15, 30, 40])))
    ring = np.array([(0, 0), (long, 0), (long, thick), (0, thick)])
    return Solid("thin plate", [loft([(0, ring), (high, np.add(ring, (0, lean)))])])


def make_tiny_pins(r: Random) -> Solid:
    parts = [box(0, 0, 0, 24, 8, 1.6)]
    for i in range(r.randint(2, 5)):
        radius, high = r.uniform(0.5, 1.2), r.uniform(4, 9)
        parts.append(loft([(1.6 + z, circle(radius, 24) + np.array([3 + i * 4.5, 4])) for z in (0, high)]))
    return Solid("plate with pins", parts)


def make_spikes(r: Random) -> Solid:
    """Cones that run out into dots."""
    parts = []
    for i in range(r.randint(1, 3)):
        low, high = r.uniform(4, 8), r.uniform(10, 16)
        parts.append(
            loft(
                [
                    (0, np.add(circle(low, 48), (i * 20, 0))),
                    (high, np.add(circle(r.uniform(0.15, 0.6), 48), (i * 20, 0))),
                ]
            )
        )
    return Solid("spikes", parts)


def make_low_dome(r: Random) -> Solid:
    """So flat that its top layers are wide steps which shrink to a dot."""
    radius, high = r.uniform(12, 18), r.uniform(3, 6)
    heights = np.linspace(0, high * 0.999, 40)
    rings = [(float(z), circle(radius * math.sqrt(max(1e-4, 1 - (z / high) ** 2)), 64)) for z in heights]
    return Solid("low dome", [loft(rings)])


def make_lettered(r: Random) -> Solid:
    """A tag with raised bars as of letters, one or two layers high."""
    wide, deep, thick = r.uniform(28, 40), r.uniform(14, 20), r.uniform(1.6, 3.2)
    parts, high = [box(0, 0, 0, wide, deep, thick)], r.choice([0.2, 0.3, 0.4, 0.8])
    for i in range(4):
        x = 4 + i * (wide - 8) / 4
        parts += [box(x, 4, thick, 1.2, deep - 8, high), box(x + 1.2, deep - 5.2, thick, 3, 1.2, high)]
    return Solid("tag", parts)


def make_engraved(r: Random) -> Solid:
    wide, deep, thick = r.uniform(28, 40), r.uniform(14, 20), r.uniform(2, 4)
    cut = r.choice([0.2, 0.4, 0.6])
    holes = [box(4 + i * 5, 4, thick - cut, 1.6, deep - 8, cut + 0.5) for i in range(4)]
    return Solid("engraved tag", [box(0, 0, 0, wide, deep, thick)], holes)


def make_engraved_below(r: Random) -> Solid:
    """Letters cut into the underside: bridged over."""
    wide, deep, thick = r.uniform(28, 40), r.uniform(14, 20), r.uniform(2, 4)
    return Solid("stamp", [box(0, 0, 0, wide, deep, thick)], [box(4 + i * 6, 4, -0.1, 1.6, deep - 8, 0.5) for i in range(4)],
                 held="bridge")  # fmt: skip


def rod(a: tuple[float, float, float], b: tuple[float, float, float], radius: float) -> trimesh.Trimesh:
    ring = circle(radius, 24)
    return loft([(a[2], ring + a[:2]), (b[2], ring + b[:2])])


def make_struts(r: Random) -> Solid:
    """Leaning struts between a plate and the posts' tops: a lattice in small."""
    cell, high, radius = r.uniform(8, 12), r.uniform(6, 10), r.uniform(0.9, 1.6)
    parts = [box(-2, -2, 0, 2 * cell + 4, 2 * cell + 4, 1.2)]
    for i in range(3):
        for j in range(3):
            parts.append(rod((i * cell, j * cell, 1.2), (i * cell, j * cell, 1.2 + high), radius))
            if i < 2 and j < 2:
                low = (i * cell + 2 * radius, j * cell + 2 * radius, 1.2)
                parts.append(rod(low, (i * cell + cell / 2, j * cell + cell / 2, 1.2 + high), radius))
    return Solid("struts", parts)


def make_insert(r: Random) -> Solid:
    """A block with a pocket for a nut, bridged over."""
    side, high, pocket = r.uniform(16, 24), r.uniform(7, 10), r.uniform(5, 9)
    hole = loft(
        [
            (2, np.add(circle(pocket / 2, 6), (side / 2, side / 2))),
            (5, np.add(circle(pocket / 2, 6), (side / 2, side / 2))),
        ]
    )
    return Solid("nut block", [box(0, 0, 0, side, side, high)], [hole], held="bridge")


def make_closed_box(r: Random) -> Solid:
    wide, deep, high, wall = r.uniform(14, 30), r.uniform(14, 22), r.uniform(7, 11), r.uniform(0.9, 2.4)
    inside = box(wall, wall, 1.2, wide - 2 * wall, deep - 2 * wall, high - 3)
    return Solid("closed box", [box(0, 0, 0, wide, deep, high)], [inside], held="bridge")


def make_chamfered(r: Random) -> Solid:
    """Chamfered or rounded bottom edge, a countersink, a slanted top."""
    radius, high, cut = r.uniform(9, 14), r.uniform(5, 9), r.uniform(0.6, 2)
    rings = [(0, circle(radius - cut)), (cut, circle(radius)), (high, circle(radius * r.uniform(0.8, 1)))]
    hole = loft([(0, circle(2.0)), (high - 1.5, circle(2.0)), (high, circle(3.5))])
    return Solid("bush", [loft(rings)], [hole])


def make_gear(r: Random) -> Solid:
    teeth, radius, high = r.randint(9, 20), r.uniform(8, 14), r.uniform(3, 8)
    ring = circle(radius, 4 * teeth) * np.array([1, 1, 0.85, 0.85] * teeth)[:, None]
    hole = loft([(0, circle(2.5)), (high, circle(2.5))])
    return Solid("gear", [loft([(0, ring), (high, ring)])], [hole])


def make_screw(r: Random) -> Solid:
    """A twisted three-cornered bar: every layer's outline turns."""
    ring = (
        circle(r.uniform(6, 10), 36)
        * np.array([1, 0.95, 0.88, 0.8, 0.75, 0.72, 0.72, 0.75, 0.8, 0.88, 0.95, 1] * 3)[:, None]
    )
    levels, pitch = [], r.uniform(0.1, 0.25)
    for z in np.linspace(0, 12, 49):
        c, w = math.cos(z * pitch), math.sin(z * pitch)
        levels.append((float(z), ring @ np.array([[c, w], [-w, c]])))
    return Solid("twist", [loft(levels)])


def make_ball(r: Random) -> Solid:
    """A ball on the bed, cut flat at the bottom: carried by supports."""
    radius = r.uniform(6, 10)
    low, high = -radius * 0.92, radius * 0.995
    zs = np.linspace(low, high, 50)
    return Solid(
        "ball", [loft([(float(z - low), circle(math.sqrt(max(1e-3, radius**2 - z * z)))) for z in zs])], held="support"
    )


def make_tee(r: Random) -> Solid:
    """Arms at two heights out from one post."""
    post, deep, high = r.uniform(5, 8), r.uniform(6, 10), r.uniform(4, 6)
    parts = [box(-post / 2, 0, 0, post, deep, 2 * high + 5)]
    for i, reach in enumerate((r.uniform(5, 9), r.uniform(6, 12))):
        z = high * (i + 1)
        parts += [box(post / 2, 0, z, reach, deep, 2), box(-post / 2 - reach, 0, z, reach, deep, 2)]
    return Solid("tee", parts, held="support")


def make_wave_top(r: Random) -> Solid:
    """A plate whose top rises and falls gently."""
    wide, deep, base = r.uniform(20, 32), r.uniform(10, 18), r.uniform(2, 3)
    parts = []
    xs = np.linspace(0, wide, 33)
    for a, b in itertools.pairwise(xs):
        parts.append(box(float(a), 0, 0, float(b - a), deep, base + 0.9 * math.sin(float(a + b) / wide * 4)))
    return Solid("wave", parts)


ODD_MAKERS: tuple[Callable[[Random], Solid], ...] = (
    make_thinning, make_thin_plate, make_tiny_pins, make_spikes, make_low_dome, make_lettered, make_engraved, make_engraved_below,
    make_struts, make_insert, make_closed_box, make_chamfered, make_gear, make_screw, make_ball, make_tee, make_wave_top,
)  # fmt: skip
