"""Moves: what the machine would do, one row for each straight piece, in the machine's frame. Data only.

What makes them of commands is layergate.toolpath.reader.
"""

from dataclasses import dataclass, fields
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
U8 = npt.NDArray[np.uint8]
Bool = npt.NDArray[np.bool_]

# Kinds of moves.
TRAVEL, DEPOSIT, DRY, WIPE, RETRACT, PRIME, LIFT, WAIT = range(8)
KIND_NAMES = ("travel", "deposit", "dry", "wipe", "retract", "prime", "lift", "wait")
"""dry: pushes filament while moving, but only pays back retraction debt. wipe: pulls back while moving.
prime: pushes standing still. wait: time passes or the queue drains (dwell, homing, heating)."""

SMALLEST_MM = 1e-6
"""Shorter paths are no paths: rounding of coordinates."""


@dataclass(frozen=True, slots=True)
class Moves:
    """Moves in order of the job; every array has one entry per row (n,).

    An arc stands as several rows of the same line. Coordinates are mm in the machine frame.
    """

    line: I64
    """Line of the job, from 1."""
    kind: U8
    """TRAVEL .. WAIT."""
    x0: F64
    y0: F64
    z0: F64
    x1: F64
    y1: F64
    z1: F64
    xy_mm: F64
    """Path length in the plane; of an arc, its share of the arc and not of the chord."""
    length_mm: F64
    """Path length in space."""
    push_mm: F64
    """Filament pushed (negative: pulled back), after the flow factor."""
    laid_mm: F64
    """Filament pushed beyond the retraction debt: what leaves the nozzle, less what only refills it."""
    feed_mm_s: F64
    """Commanded speed, after the speed factor; along the path, or of the filament where nothing else moves."""
    acceleration_mm_s2: F64
    """Commanded by the job; NaN where it never said."""
    radius_mm: F64
    """Radius of the arc that the row is a chord of; inf for straight moves."""
    dwell_s: F64
    """Seconds of a WAIT that the job itself states."""
    hot_end_c: F64
    """Target of the active hot end; NaN where never stated."""
    bed_c: F64
    """Target of the bed; NaN where never stated, or where a macro may have set it."""
    fan_share: F64
    """Part fan, 0 to 1; NaN where never stated, or where a macro may have set it."""
    tool: U8

    def __len__(self) -> int:
        return len(self.line)

    def take(self, rows: Any) -> "Moves":
        """Give chosen rows (an index array, a mask or a slice)."""
        return Moves(*(getattr(self, column.name)[rows] for column in fields(self)))


def concatenate(parts: list[Moves]) -> Moves:
    """Join moves of consecutive blocks."""
    if len(parts) == 1:
        return parts[0]
    return Moves(*(np.concatenate([getattr(part, column.name) for part in parts]) for column in fields(Moves)))


@dataclass(frozen=True, slots=True)
class LimitChange:
    """A line by which the job changes a limit of the machine: mm/s, mm/s2 or mm."""

    line: int
    what: Literal["speed", "acceleration", "junction"]
    axis: int
    """0 to 3 for X Y Z E; 0 for the junction deviation."""
    value: float


@dataclass(slots=True)
class Unrebuilt:
    """Lines that were kept but not rebuilt, by reason: how many, and the first few."""

    counts: dict[str, int]
    lines: dict[str, list[int]]

    def note(self, reason: str, lines: I64) -> None:
        if len(lines):
            self.counts[reason] = self.counts.get(reason, 0) + len(lines)
            kept = self.lines.setdefault(reason, [])
            kept.extend(lines[: max(0, 8 - len(kept))].tolist())


def kinds_of(xy_mm: F64, dz_mm: F64, push_mm: F64, lays: Bool, waits: Bool, unknown: Bool) -> U8:
    """Give TRAVEL .. WAIT for each row: (n,) uint8."""
    # Bytes throughout, and what few rows have only where some have it.
    travel, retract, prime = np.uint8(TRAVEL), np.uint8(RETRACT), np.uint8(PRIME)
    pushes, pulls = push_mm > 0, push_mm < 0
    moving = np.where(lays, np.uint8(DEPOSIT), np.where(pushes, np.uint8(DRY), np.where(pulls, np.uint8(WIPE), travel)))
    moves_in_plane = xy_mm > SMALLEST_MM
    kind = moving
    if not moves_in_plane.all():
        lifts = np.abs(dz_mm) > SMALLEST_MM
        standing = np.where(pushes, prime, np.where(pulls, retract, np.where(lifts, np.uint8(LIFT), travel)))
        kind = np.where(moves_in_plane, moving, standing)
    if unknown.any():
        # Where the start is unknown, the path is; what is pushed on it can't be a bead of known place.
        kind = np.where(unknown, np.where(pushes, prime, travel), kind)
    return np.where(waits, np.uint8(WAIT), kind)


def no_moves() -> Moves:
    types = {"line": np.int64, "kind": np.uint8, "tool": np.uint8}
    empty: dict[str, Any] = {c.name: np.empty(0, types.get(c.name, np.float64)) for c in fields(Moves)}
    return Moves(**empty)
