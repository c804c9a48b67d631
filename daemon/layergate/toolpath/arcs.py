"""Geometry of circular arcs in a plane: centre, radius, sweep, length, chords. RS-274/NGC 3.5.3 (NISTIR 6556).

Works on arrays of arcs in the plane's own two axes; knows nothing of extrusion, feed or the third axis. Departs from the
standard in one point, as printers do: an end that is off the radius is no error, see arcs_from_words.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Bool = npt.NDArray[np.bool_]

RADIUS_TOLERANCE_MM = 0.002
"""How far an arc in radius format may fall short of its end (the standard's tolerance of radii, 3.5.3.2, millimetres)."""

AXES_OF_PLANE = ((0, 1, 2), (2, 0, 1), (1, 2, 0))
"""Of G17, G18 and G19: the plane's first and second axis and its normal, as indices into X Y Z. Right-handed, so that an
arc from the first axis towards the second is counter-clockwise seen from the normal's positive end (3.5.3)."""

LARGEST_RADIUS_CHANGE_MM = 0.2
"""What rounding of words, two decimals at worst, and arcs fitted to chords never reach: half a bead's width (own choice)."""

CHORD_ERROR_MM = 0.005
"""Largest distance between an arc and its chords: a hundredth of a bead's width (own choice)."""

_SAME_POINT_MM = 1e-6


@dataclass(frozen=True, slots=True)
class Arcs:
    """Arcs in a plane; all arrays (n,) float64, mm and radians, unless said."""

    centre_x: F64
    centre_y: F64
    start_radius: F64
    end_radius: F64
    start_angle: F64
    sweep: F64
    """Signed, positive counter-clockwise; beyond 2 pi for whole turns."""
    judged: Bool
    """(n,) bool: False where the words give no arc (no centre, end out of the radius' reach)."""
    plane: I64
    """(n,) int64: 17, 18 or 19, for G17 (XY), G18 (ZX) or G19 (YZ); x and y above are the plane's first and second axis."""

    def length(self) -> F64:
        """Give the path lengths in the plane; where the radii differ, of the mean radius."""
        return np.abs(self.sweep) * (self.start_radius + self.end_radius) / 2

    def ends_beside(self) -> Bool:
        """Say which arcs end further from their circle than rounding explains: (n,) bool."""
        beside: Bool = self.judged & (np.abs(self.end_radius - self.start_radius) > LARGEST_RADIUS_CHANGE_MM)
        return beside

    def points(self, share: F64, index: I64) -> tuple[F64, F64]:
        """Give points on the arcs: ``share`` (m,) in 0..1 along the arc ``index`` (m,)."""
        angle = self.start_angle[index] + share * self.sweep[index]
        radius = self.start_radius[index] + share * (self.end_radius - self.start_radius)[index]
        return self.centre_x[index] + radius * np.cos(angle), self.centre_y[index] + radius * np.sin(angle)

    def chords(self) -> I64:
        """Give how many chords keep within CHORD_ERROR_MM of each arc: (n,) int64, at least 1."""
        radius = np.maximum(np.maximum(self.start_radius, self.end_radius), CHORD_ERROR_MM)
        step = 2 * np.arccos(np.maximum(-1.0, 1 - CHORD_ERROR_MM / radius))
        pieces: I64 = np.clip(np.ceil(np.abs(self.sweep) / step), 1, 4096).astype(np.int64)
        return pieces

    def bounds(self) -> tuple[F64, F64, F64, F64]:
        """Give lowest x, lowest y, highest x, highest y of each arc (radii taken as equal)."""
        ends_x, ends_y = self.points(np.ones(len(self.sweep)), np.arange(len(self.sweep)))
        starts_x, starts_y = self.points(np.zeros(len(self.sweep)), np.arange(len(self.sweep)))
        low, high = np.minimum(self.start_angle, self.start_angle + self.sweep), np.abs(self.sweep)
        edges = []
        for quarter, ends, starts, centre in (
            (np.pi, ends_x, starts_x, self.centre_x),
            (1.5 * np.pi, ends_y, starts_y, self.centre_y),
            (0.0, ends_x, starts_x, self.centre_x),
            (0.5 * np.pi, ends_y, starts_y, self.centre_y),
        ):
            lowest = quarter in (np.pi, 1.5 * np.pi)
            passed = np.mod(quarter - low, 2 * np.pi) <= high
            reach = centre + (-1 if lowest else 1) * self.start_radius
            pick = np.minimum if lowest else np.maximum
            edges.append(np.where(passed, reach, pick(ends, starts)))
        return edges[0], edges[1], edges[2], edges[3]


def arcs_from_words(
    start: tuple[F64, F64],
    end: tuple[F64, F64],
    offset: tuple[F64, F64],
    radius: F64,
    clockwise: Bool,
    turns: F64,
    plane: I64,
) -> Arcs:
    """Build arcs from the words of G2/G3 blocks.

    In centre format the standard refuses an arc whose start and end radius differ by more than 0.002 mm (3.5.3.2).
    Controllers of printers don't, and the rounding of real jobs goes beyond it, so such an arc is taken: its radius grows
    evenly from that of the start to that of the end, so that it ends where the job says.

    Args:
        start, end: points in the plane, mm, (n,) each.
        offset: the centre from the start (I and J in XY), NaN where not given.
        radius: R, NaN where not given; negative for the longer arc.
        clockwise: (n,) bool, True for G2.
        turns: P, whole turns (RS-274/NGC later editions); NaN or 1 for an ordinary arc.
        plane: (n,) int64, 17 to 19.
    """
    x0, y0 = start
    x1, y1 = end
    centred = np.isfinite(offset[0]) | np.isfinite(offset[1])
    centre_x = x0 + np.nan_to_num(offset[0])
    centre_y = y0 + np.nan_to_num(offset[1])

    dx, dy = x1 - x0, y1 - y0
    chord = np.hypot(dx, dy)
    with np.errstate(invalid="ignore", divide="ignore"):
        # The centre lies beside the chord's middle: to the left for G3 with R > 0 and for G2 with R < 0.
        square = radius**2 - chord**2 / 4
        reaches = square >= -RADIUS_TOLERANCE_MM * np.abs(radius)
        beside = np.sqrt(np.maximum(square, 0)) * np.where((radius > 0) != clockwise, 1.0, -1.0)
        centre_x = np.where(centred, centre_x, (x0 + x1) / 2 - beside * dy / chord)
        centre_y = np.where(centred, centre_y, (y0 + y1) / 2 + beside * dx / chord)
    start_radius = np.hypot(x0 - centre_x, y0 - centre_y)
    end_radius = np.hypot(x1 - centre_x, y1 - centre_y)
    start_angle = np.arctan2(y0 - centre_y, x0 - centre_x)
    end_angle = np.arctan2(y1 - centre_y, x1 - centre_x)

    closed = chord <= _SAME_POINT_MM
    around = np.mod(np.where(clockwise, start_angle - end_angle, end_angle - start_angle), 2 * np.pi)
    around = np.where(closed, 2 * np.pi, around)
    whole = np.nan_to_num(turns, nan=1.0)
    around = around + 2 * np.pi * np.clip(np.rint(whole) - 1, 0, 1000)
    # A full circle is an error in radius format: it fixes no centre.
    judged = np.where(centred, start_radius > _SAME_POINT_MM, np.isfinite(radius) & reaches & ~closed)
    judged &= np.isfinite(x0) & np.isfinite(y0) & np.isfinite(x1) & np.isfinite(y1)
    sweep = np.where(judged, np.where(clockwise, -around, around), 0.0)
    centre_x, centre_y, start_radius, end_radius, start_angle = (
        np.where(judged, value, 0.0) for value in (centre_x, centre_y, start_radius, end_radius, start_angle)
    )
    return Arcs(centre_x, centre_y, start_radius, end_radius, start_angle, sweep, judged, plane)
