"""Planned time: trapezoidal speed profiles with look-ahead and junction deviation, vectorised and streaming.

With squared speeds q the limits are linear. The backward pass q[i] = min(cap[i], q[i+1] + 2 a d) is a running minimum of
cap + S with S the running sum of 2 a d, the forward pass a running minimum of cap - S; both are exact. Knows no layer,
no heater and no limit that nobody stated.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from layergate.toolpath.moves import PRIME, RETRACT, WAIT, LimitChange, Moves

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Bool = npt.NDArray[np.bool_]

DEFAULT_ACCELERATION_MM_S2 = 1000.0
DEFAULT_JUNCTION_DEVIATION_MM = 0.05
"""Where neither the job nor the description states them: values between those of small printers (common practice)."""

_MOST_UNSETTLED = 8192
_LEAST_SPEED_MM_S = 0.05


PerAxis = tuple[float | None, float | None, float | None, float | None]


def _with(values: PerAxis, change: LimitChange) -> PerAxis:
    x, y, z, e = (change.value if axis == change.axis else value for axis, value in enumerate(values))
    return x, y, z, e


@dataclass(frozen=True, slots=True)
class MotionLimits:
    """What bounds the planned speeds; None where not stated. Speeds in mm/s, accelerations in mm/s2, per axis X Y Z E."""

    acceleration_mm_s2: float = DEFAULT_ACCELERATION_MM_S2
    junction_deviation_mm: float = DEFAULT_JUNCTION_DEVIATION_MM
    maximum_speed_mm_s: PerAxis = (None, None, None, None)
    maximum_acceleration_mm_s2: PerAxis = (None, None, None, None)

    def changed(self, change: LimitChange) -> "MotionLimits":
        """Give the limits after a line of the job changed one."""
        if change.what == "junction":
            return replace(self, junction_deviation_mm=change.value)
        if change.what == "speed":
            return replace(self, maximum_speed_mm_s=_with(self.maximum_speed_mm_s, change))
        return replace(self, maximum_acceleration_mm_s2=_with(self.maximum_acceleration_mm_s2, change))


def junction_speed(cosine: F64, acceleration_mm_s2: F64, deviation_mm: F64 | float) -> F64:
    """Give the speed at which a corner may be passed, mm/s: (n,) float64, inf where the path goes straight on.

    A circle tangent to both legs, whose nearest point is ``deviation_mm`` from the corner, is passed with the given
    acceleration: r = d s / (1 - s), s = sin(theta / 2), theta the inner angle of the corner.

    Args:
        cosine: cosine of the angle between the directions before and after, 1 for straight on, -1 for a reversal.
    """
    s = np.sqrt(np.clip((1 + cosine) / 2, 0.0, 1.0))
    with np.errstate(divide="ignore"):
        radius = deviation_mm * s / (1 - s)
    speed: F64 = np.sqrt(acceleration_mm_s2 * radius)
    return speed


def backward(cap: F64, gain: F64) -> F64:
    """Give q[i] = min(cap[i], q[i + 1] + gain[i]) for nodes i: (n + 1,) from caps (n + 1,) and gains (n,)."""
    total = np.concatenate(([0.0], np.cumsum(gain)))
    lowest = np.minimum.accumulate((cap + total)[::-1])[::-1]
    squares: F64 = np.maximum(lowest - total, 0.0)
    return squares


def forward(cap: F64, gain: F64) -> F64:
    """Give q[i + 1] = min(cap[i + 1], q[i] + gain[i]) for nodes i: (n + 1,) from caps (n + 1,) and gains (n,)."""
    total = np.concatenate(([0.0], np.cumsum(gain)))
    squares: F64 = np.maximum(np.minimum.accumulate(cap - total) + total, 0.0)
    return squares


def trapezoid_seconds(length: F64, entry: F64, leave: F64, cruise: F64, acceleration: F64) -> F64:
    """Give the time of each piece, s: (n,) float64; speeds in mm/s, lengths in mm; entry and leave reachable."""
    peak = np.sqrt(np.minimum(cruise**2, (2 * acceleration * length + entry**2 + leave**2) / 2))
    peak = np.maximum(peak, np.maximum(entry, leave))
    changing = (2 * peak**2 - entry**2 - leave**2) / (2 * acceleration)
    steady = np.maximum(0.0, length - changing) / np.maximum(peak, _LEAST_SPEED_MM_S)
    return (2 * peak - entry - leave) / acceleration + steady


@dataclass(slots=True)
class _Pieces:
    """Pieces not settled yet; arrays (n,)."""

    line: I64
    length: F64
    cruise: F64
    acceleration: F64
    ux: F64
    uy: F64
    uz: F64
    stops: Bool
    dwell: F64
    deviation: F64

    def part(self, rows: slice) -> "_Pieces":
        return _Pieces(*(getattr(self, name)[rows] for name in self.__slots__))

    def joined(self, other: "_Pieces") -> "_Pieces":
        return _Pieces(*(np.concatenate((getattr(self, n), getattr(other, n))) for n in self.__slots__))


@dataclass(frozen=True, slots=True)
class Planned:
    """Settled times of consecutive moves, of which none is left out; arrays (n,)."""

    line: I64
    start_s: F64
    """Seconds from the start of the job to the start of the move; heating and homing not counted."""
    seconds: F64


class Planner:
    """Plans the moves of one job as they come; results lag behind by what later moves may still change."""

    def __init__(self, limits: MotionLimits) -> None:
        self._limits = limits
        self._tail: _Pieces | None = None
        self._entry = 0.0
        self._clock_s = 0.0
        self.dwell_s = 0.0

    @property
    def clock_s(self) -> float:
        """Planned seconds of motion and dwell, of all that is settled."""
        return self._clock_s

    def feed(self, moves: Moves, changes: Sequence[LimitChange] = ()) -> Planned:
        """Take moves; give what is settled by now.

        Args:
            changes: what the job changes of the limits at lines among these moves, in order.
        """
        pieces: _Pieces | None = None
        begin = 0
        for change in changes:
            end = int(np.searchsorted(moves.line, change.line))
            if end > begin:
                part = self._pieces(moves.take(slice(begin, end)))
                pieces = part if pieces is None else pieces.joined(part)
                begin = end
            self._limits = self._limits.changed(change)
        part = self._pieces(moves.take(slice(begin, None)) if begin else moves)
        pieces = part if pieces is None else pieces.joined(part)
        if self._tail is not None:
            pieces = self._tail.joined(pieces)
        return self._settle(pieces, last=False)

    def finish(self) -> Planned:
        """Plan to a stop at the end; give what is left."""
        pieces = self._tail
        if pieces is None:
            return Planned(np.empty(0, np.int64), np.empty(0), np.empty(0))
        return self._settle(pieces, last=True)

    def _pieces(self, moves: Moves) -> _Pieces:
        alone = (moves.kind == RETRACT) | (moves.kind == PRIME)
        length = np.where(alone, np.abs(moves.push_mm), moves.length_mm)
        path = np.where(moves.length_mm > 0, moves.length_mm, 1.0)
        ux, uy, uz = ((end - start) / path for start, end in (
            (moves.x0, moves.x1), (moves.y0, moves.y1), (moves.z0, moves.z1)))  # fmt: skip
        unknown = ~np.isfinite(ux + uy + uz)
        if unknown.any():
            ux, uy, uz = (np.where(unknown, 0.0, u) for u in (ux, uy, uz))
        acceleration = np.where(
            np.isfinite(moves.acceleration_mm_s2), moves.acceleration_mm_s2, self._limits.acceleration_mm_s2
        )
        cruise = np.maximum(moves.feed_mm_s, _LEAST_SPEED_MM_S)
        with np.errstate(divide="ignore"):
            ue = np.where(alone, 1.0, np.abs(moves.push_mm) / path)
            for u, speed, most in zip(
                (ux, uy, uz, ue),
                self._limits.maximum_speed_mm_s,
                self._limits.maximum_acceleration_mm_s2,
                strict=True,
            ):
                if speed is not None:
                    cruise = np.minimum(cruise, speed / np.abs(u))
                if most is not None:
                    acceleration = np.minimum(acceleration, most / np.abs(u))
        stops = alone | (moves.kind == WAIT)
        length = np.where(moves.kind == WAIT, 0.0, length)
        self.dwell_s += float(moves.dwell_s.sum())
        # An arc is passed with the acceleration that its radius takes, whatever its chords' corners would allow.
        cruise = np.minimum(cruise, np.sqrt(acceleration * moves.radius_mm))
        deviation = np.full(len(moves), self._limits.junction_deviation_mm)
        return _Pieces(moves.line, length, cruise, acceleration, ux, uy, uz, stops, moves.dwell_s, deviation)

    def _settle(self, pieces: _Pieces, *, last: bool) -> Planned:
        count = len(pieces.line)
        if not count:
            self._tail = None if last else pieces
            return Planned(pieces.line, np.empty(0), np.empty(0))
        cap = np.empty(count + 1)
        cosine = pieces.ux[:-1] * pieces.ux[1:] + pieces.uy[:-1] * pieces.uy[1:] + pieces.uz[:-1] * pieces.uz[1:]
        acceleration = np.minimum(pieces.acceleration[:-1], pieces.acceleration[1:])
        corner = junction_speed(cosine, acceleration, pieces.deviation[1:])
        corner = np.minimum(corner, np.minimum(pieces.cruise[:-1], pieces.cruise[1:]))
        cap[1:-1] = np.where(pieces.stops[:-1] | pieces.stops[1:], 0.0, corner**2)
        cap[0] = self._entry
        cap[-1] = 0.0
        gain = 2 * pieces.acceleration * pieces.length
        planned = backward(cap, gain)
        done = count
        if not last:
            # What the moves to come may change: plan once with a stop at the end and once without.
            cap[-1] = pieces.cruise[-1] ** 2
            hopeful = backward(cap, gain)
            same = np.flatnonzero(hopeful[:-1] <= planned[:-1] * (1 + 1e-9))
            done = int(same[-1]) if len(same) else 0
            if count - done > _MOST_UNSETTLED:
                done = count - _MOST_UNSETTLED // 2
        planned[0] = min(planned[0], self._entry)
        reached = forward(planned, gain)
        speed = np.sqrt(reached[: done + 1])
        settled = pieces.part(slice(0, done))
        seconds = trapezoid_seconds(settled.length, speed[:-1], speed[1:], settled.cruise, settled.acceleration)
        seconds = seconds + settled.dwell
        total = np.cumsum(seconds)
        start = self._clock_s + total - seconds
        self._clock_s += float(total[-1]) if done else 0.0
        self._entry = float(reached[done]) if done < count else 0.0
        self._tail = pieces.part(slice(done, count)) if done < count else None
        return Planned(settled.line, start, seconds)
