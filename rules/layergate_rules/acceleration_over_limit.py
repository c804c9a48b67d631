"""acceleration-over-limit: the job sets more acceleration than an axis has."""

import numpy as np

from layergate.preflight.rule import Findings, Moves, NotApplicableError, Rule, Where, counted

_TOLERANCE = 1.01


class AccelerationOverLimit(Rule):
    """What it looks for
        Accelerations that the job sets (M204) above those that the description states for the axes it moves.

    Why it matters
        Controllers lower it to their limit, and the print takes longer than planned. Where they do not, motors lose steps and
        the layers above are shifted.

    How it decides and when it does not apply
        The acceleration along the path times each axis' share of it, for X, Y and Z. It does not apply where the description
        states no ``maximum_acceleration_mm_s2``.

    What to do
        Nothing, if the controller has its limits set; otherwise lower the acceleration where the job is made.

    Source: the limits are the description's.
    """

    identifier = "acceleration-over-limit"
    severity = "note"

    def prepare(self) -> None:
        stated = self.printer.maximum_acceleration_mm_s2
        self._limits = {a: v for a in "xyz" if stated and (v := getattr(stated, a))}
        if not self._limits:
            raise NotApplicableError("maximum_acceleration_mm_s2 of the printer is not stated")
        self._seen: dict[str, list[float]] = {}  # axis -> moves, highest, first line, last line

    def each_moves(self, moves: Moves) -> None:
        stated = np.flatnonzero(np.isfinite(moves.acceleration_mm_s2) & (moves.length_mm > 0))
        if not len(stated):
            return
        along, length = moves.acceleration_mm_s2[stated], moves.length_mm[stated]
        for axis, limit in self._limits.items():
            way = np.abs(getattr(moves, f"{axis}1")[stated] - getattr(moves, f"{axis}0")[stated])
            acceleration = along * way / length
            over = np.flatnonzero(acceleration > limit * _TOLERANCE)
            if len(over):
                known = self._seen.setdefault(axis, [0, 0.0, float(moves.line[stated[over[0]]]), 0])
                known[0] += len(over)
                known[1] = max(known[1], float(acceleration[over].max()))
                known[3] = float(moves.line[stated[over[-1]]])

    def finish(self) -> Findings:
        for axis, (count, highest, first, last) in self._seen.items():
            yield self.finding(
                f"{counted(count, 'move')} of axis {axis.upper()} at more than the stated {self._limits[axis]:g} mm/s2, "
                f"up to {highest:.0f} mm/s2.",
                "Nothing to do if the controller has its limits set; the print takes longer than planned.",
                where=Where(lines=(int(first), int(last))),
                evidence={"highest_mm_s2": highest, "stated_mm_s2": self._limits[axis], "moves": count},
            )
