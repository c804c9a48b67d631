"""outside-build-volume: the part or the nozzle leaves the machine's stated space."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import (
    Finding,
    Findings,
    JobFacts,
    Limits,
    Moves,
    NotApplicableError,
    Rule,
    Where,
    counted,
)
from layergate.toolpath.moves import DEPOSIT

_MOVES_OF_A_POINT = 4
"""At most so many moves go to or from one point: two, and two more where an arc is drawn in pieces."""


class OutsideBuildVolumeLimits(Limits):
    tolerance_mm: float = Field(
        0.05, ge=0, description="mm beyond the stated volume that rounding may explain (own choice)"
    )


class OutsideBuildVolume(Rule):
    """What it looks for
        Material laid outside the build volume, and moves outside the reach of the nozzle.

    Why it matters
        The axis runs into its end, loses its position and prints the rest somewhere else, or the part hangs over the bed.

    How it decides and when it does not apply
        Beads of the part must lie inside ``build_volume_mm`` (inside the ellipse on an elliptic bed); every move, primes and
        parking included, inside ``reach_mm``, or inside the build volume where no reach is stated and the move lays
        material. It does not apply where the description states neither. Arcs are followed, not only their ends.

    What to do
        Check that the job was made for this printer and that the part stands on the bed; compare the stated volume.
    """

    identifier = "outside-build-volume"
    severity = "block"
    releasable = False
    limits_model = OutsideBuildVolumeLimits

    def prepare(self) -> None:
        if self.printer.build_volume_mm is None and self.printer.reach_mm is None:
            raise NotApplicableError("neither build_volume_mm nor reach_mm of the printer is stated")
        self._worst: dict[str, tuple[float, int, int, np.ndarray, int]] = {}

    def each_moves(self, moves: Moves) -> Findings:
        deposits = moves.kind == DEPOSIT
        if self.printer.build_volume_mm:
            self._see("part", moves, deposits, self.printer.build_volume_mm)
        if self.printer.reach_mm:
            self._see("reach", moves, np.ones(len(moves), np.bool_), self.printer.reach_mm)
        return ()

    def _see(self, what: str, moves: Moves, rows: np.ndarray, volume: object) -> None:
        # How far each move's start and end lie outside.
        ends = ((moves.x0, moves.y0, moves.z0), (moves.x1, moves.y1, moves.z1))
        beyond = np.zeros((2, len(moves)))
        for over, (x, y, z) in zip(beyond, ends, strict=True):
            for axis, place in (("x", x), ("y", y), ("z", z)):
                low, high = getattr(volume, axis)
                np.fmax(over, place - high, out=over)
                if axis != "z" or what == "reach":  # beneath the bed is another rule's matter
                    np.fmax(over, low - place, out=over)
            if what == "part" and self.printer.bed_shape == "ellipse":
                (left, right), (front, back) = (getattr(volume, axis) for axis in ("x", "y"))
                radius = np.hypot((2 * x - left - right) / (right - left), (2 * y - front - back) / (back - front))
                np.fmax(over, (radius - 1) * min(right - left, back - front) / 2, out=over)
        most = beyond.max(axis=0)
        out = np.flatnonzero(rows & (most > self.limits.tolerance_mm))
        if not len(out):
            return
        worst = out[np.argmax(most[out])]
        x, y, z = ends[int(beyond[1, worst] >= beyond[0, worst])]
        spot = np.array([x[worst], y[worst], z[worst]])
        lines = (int(moves.line[out[0]]), int(moves.line[out[-1]]))
        before = self._worst.get(what)
        if before:
            lines = (before[1], lines[1])
            if before[0] >= most[worst]:
                self._worst[what] = (before[0], *lines, before[3], before[4] + len(out))
                return
        count = len(out) + (before[4] if before else 0)
        self._worst[what] = (float(most[worst]), *lines, spot, count)

    def finish(self, job: JobFacts) -> Findings:
        for what, (over, first, last, spot, count) in self._worst.items():
            yield self._finding(what, over, (first, last), spot, count)

    def _finding(self, what: str, over: float, lines: tuple[int, int], spot: np.ndarray, count: int) -> Finding:
        x, y, z = (float(value) for value in spot)
        subject = "The part leaves the build volume" if what == "part" else "The nozzle leaves its reach"
        # A digit or point that is lost takes one point away, which two or three moves have in common.
        stray = what == "part" and count <= _MOVES_OF_A_POINT
        return self.finding(
            f"{subject} by {over:.2f} mm: {counted(count, 'move')}, first in line {lines[0]}, farthest "
            f"at X {x:.2f} Y {y:.2f} Z {z:.2f} mm.",
            "Look at these lines: so few moves so far out are what a damaged number leaves behind. Copy the job again and compare."
            if stray
            else "Check that the job was made for this printer and that the part stands on the bed.",
            where=Where(lines=lines, z_mm=(z, z), box_mm=(x, y, x, y)),
            evidence={"beyond_mm": over, "x_mm": x, "y_mm": y, "z_mm": z, "moves": count},
        )
