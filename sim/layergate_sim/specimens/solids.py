"""Parametric solids of the harbour workshop: cross-section at every height, volume where a closed formula exists.

Knows nothing of beads or machines. Every solid stands on z = 0; lengths in mm, volumes in mm3.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from .shapes import Circle, Polygon, Region, RoundedRect, rectangle

__all__ = ["Overhang", "Solid", "cap", "cone", "hook", "lattice", "plate", "posts_with_bridge", "tube"]


@dataclass(frozen=True, slots=True)
class Overhang:
    """A horizontal underside that needs support: its plan area, its height."""

    area: Region
    z_mm: float


@dataclass(frozen=True, slots=True)
class Solid:
    """A solid: `region` gives the cross-section at a height."""

    name: str
    height_mm: float
    region: Callable[[float], Region]
    volume_mm3: float | None = None
    walls_only: Callable[[float], bool] = field(default=lambda _z: False)  # no room for infill between the walls here
    hatch_deg: Callable[[float], float | None] = field(default=lambda _z: None)  # direction that bridges need here
    overhangs: tuple[Overhang, ...] = ()


def plate(
    x: float, y: float, w: float, d: float, height: float, *, corner: float = 3.0, holes: float = 0.0, turn: float = 0.0
) -> Solid:
    """A plate with rounded corners, with four bolt holes of radius `holes` where that is above 0."""
    outer = RoundedRect(x, y, w, d, corner, turn)
    inset = corner + holes + 1.5
    places = [(sx * (w / 2 - inset), sy * (d / 2 - inset)) for sx in (-1, 1) for sy in (-1, 1)] if holes > 0 else []
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    region = Region((outer,), tuple(Circle(x + c * u - s * v, y + s * u + c * v, holes) for u, v in places))
    return Solid("mounting plate", height, lambda _z: region, region.area_mm2 * height)


def tube(x: float, y: float, r_out: float, r_in: float, height: float) -> Solid:
    """A tube whose wall is filled by its perimeters alone."""
    region = Region((Circle(x, y, r_out),), (Circle(x, y, r_in, 90.0),))
    return Solid("hose sleeve", height, lambda _z: region, region.area_mm2 * height, walls_only=lambda _z: True)


def cone(x: float, y: float, r_bottom: float, r_top: float, height: float) -> Solid:
    """A truncated cone."""
    volume = math.pi * height / 3 * (r_bottom**2 + r_bottom * r_top + r_top**2)
    return Solid(
        "fender cone", height, lambda z: Region((Circle(x, y, r_bottom + (r_top - r_bottom) * z / height),)), volume
    )


def cap(
    x: float, y: float, *, diameter: float, wall: float, floor: float, height: float, square: bool = False
) -> Solid:
    """A bollard cap upside down, as it is printed: a floor with a wall standing on its edge."""
    r = diameter / 2
    if square:
        outer: Circle | RoundedRect = RoundedRect(x, y, diameter, diameter, diameter / 5)
        inner: Circle | RoundedRect | None = outer.inset(wall)
    else:
        outer, inner = Circle(x, y, r), Circle(x, y, r - wall, 180.0)
    if inner is None:
        raise ValueError(f"a wall of {wall} mm leaves nothing inside a cap {diameter} mm across")
    full, ring = Region((outer,)), Region((outer,), (inner,))
    return Solid(
        "bollard cap",
        height,
        lambda z: full if z < floor else ring,
        full.area_mm2 * floor + ring.area_mm2 * (height - floor),
        walls_only=lambda z: z >= floor,
    )


def hook(x: float, y: float, *, width: float, reach: float, underside: float, height: float, slope_deg: float) -> Solid:
    """A hose hook: an upright with an arm that leans out by `slope_deg` from the vertical; 90: flat, with support.

    `underside` is where the arm begins, mm.
    """
    upright = 8.0

    def arm(z: float) -> float:
        if slope_deg >= 90:
            return reach if z >= underside else 0.0
        return min(max(z - underside, 0.0) * math.tan(math.radians(slope_deg)), reach)

    def region(z: float) -> Region:
        return Region((rectangle(x + (upright + arm(z)) / 2, y, upright + arm(z), width),))

    overhangs: tuple[Overhang, ...] = ()
    if slope_deg >= 90:
        overhangs = (
            Overhang(Region((rectangle(x + upright + reach / 2 + 0.4, y, reach - 0.8, width - 0.8),)), underside),
        )
    return Solid("hose hook", height, region, overhangs=overhangs)


def posts_with_bridge(x: float, y: float, span: float, width: float, height: float, *, posts: int = 2) -> Solid:
    """A drawer pull as it is printed: posts in a row, a bar across their tops that bridges the gaps."""
    foot = 7.0
    bar = min(2.0, height / 3)
    pitch = span + foot
    row = Region(tuple(rectangle(x + i * pitch, y, foot, width) for i in range(posts)))
    top = Region((rectangle(x + (posts - 1) * pitch / 2, y, (posts - 1) * pitch + foot, width),))
    under = height - bar
    # The first layers of the bar run from post to post: a strand needs both ends held.
    return Solid(
        "drawer pull",
        height,
        lambda z: row if z < under else top,
        row.area_mm2 * under + top.area_mm2 * bar,
        hatch_deg=lambda z: 0.0 if under <= z < under + 0.5 else None,
    )


def lattice(x: float, y: float, *, cells_x: int, cells_y: int, pitch: float, bar: float, height: float) -> Solid:
    """A drain grate: a frame with square openings."""
    w, d = cells_x * pitch + bar, cells_y * pitch + bar
    openings = tuple(
        rectangle(
            x + (i - (cells_x - 1) / 2) * pitch, y + (j - (cells_y - 1) / 2) * pitch, pitch - bar, pitch - bar
        ).corners[::-1]
        for i in range(cells_x)
        for j in range(cells_y)
    )
    region = Region((rectangle(x, y, w, d),), tuple(Polygon(c[::-1]) for c in openings))
    return Solid("drain grate", height, lambda _z: region, region.area_mm2 * height, walls_only=lambda _z: True)


def bracket(x: float, y: float, length: float, depth: float, height: float) -> Solid:
    """A hose bracket: an L lying on its side, with a round bore in the long leg."""
    leg = 9.0
    corners = (
        (x, y),
        (x + length, y),
        (x + length, y + leg),
        (x + leg, y + leg),
        (x + leg, y + depth),
        (x, y + depth),
    )
    region = Region((Polygon(corners),), (Circle(x + length - 7.5, y + leg / 2, 2.0),))
    return Solid("hose bracket", height, lambda _z: region, region.area_mm2 * height)
