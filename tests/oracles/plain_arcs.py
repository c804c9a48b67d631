"""An arc in space as points, by turning a vector about an axis: the oracle of layergate.toolpath.arcs and chords.

From the definition (RS-274/NGC, NISTIR 6556, 3.5.3; facts.md 2.3): G17 arcs turn about Z, G18 about Y, G19 about X; G2 is
clockwise seen from the positive end of that axis; offsets I J K point from the start to the centre, along X Y Z; an end
elsewhere along the axis makes a helix. Turned by the general formula of rotation about a unit axis, without planes,
arc tangents or arrays.
"""

import math
from itertools import pairwise

Vector = tuple[float, float, float]
AXIS_OF_PLANE: dict[str, Vector] = {"G17": (0.0, 0.0, 1.0), "G18": (0.0, 1.0, 0.0), "G19": (1.0, 0.0, 0.0)}


def dot(a: Vector, b: Vector) -> float:
    return sum(p * q for p, q in zip(a, b, strict=True))


def cross(a: Vector, b: Vector) -> Vector:
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])


def minus(a: Vector, b: Vector) -> Vector:
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


def turned(v: Vector, axis: Vector, angle: float) -> Vector:
    """Turn a vector counter-clockwise about a unit axis, seen from the axis' positive end."""
    c, s, across, along = math.cos(angle), math.sin(angle), cross(axis, v), dot(axis, v) * (1 - math.cos(angle))
    x, y, z = (p * c + q * s + n * along for p, q, n in zip(v, across, axis, strict=True))
    return (x, y, z)


def arc_points(plane: str, command: str, start: Vector, end: Vector, offset: Vector, count: int) -> list[Vector]:
    """``count`` + 1 points of an arc in centre format, equally far apart, from start to end."""
    axis = AXIS_OF_PLANE[plane]
    x, y, z = (o * (1 - n) for o, n in zip(offset, axis, strict=True))  # an offset along the axis says nothing
    centre = (start[0] + x, start[1] + y, start[2] + z)
    spoke, last = minus(start, centre), minus(end, centre)
    rise = dot(last, axis)
    last = minus(last, (rise * axis[0], rise * axis[1], rise * axis[2]))
    sine, cosine = dot(cross(spoke, last), axis), dot(spoke, last)
    sweep = math.acos(max(-1.0, min(1.0, cosine / math.sqrt(dot(spoke, spoke) * dot(last, last)))))
    if sine < 0:
        sweep = math.tau - sweep
    if command == "G2":
        sweep -= math.tau
    if math.dist(spoke, last) < 1e-6:
        sweep = math.tau if command == "G3" else -math.tau
    points = []
    for step in range(count + 1):
        turn = turned(spoke, axis, sweep * step / count)
        up = rise * step / count
        points.append(
            (centre[0] + turn[0] + up * axis[0], centre[1] + turn[1] + up * axis[1], centre[2] + turn[2] + up * axis[2])
        )
    return points


def path_length(points: list[Vector]) -> float:
    return sum(math.dist(a, b) for a, b in pairwise(points))
