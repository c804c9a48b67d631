"""speed-over-limit: moves that ask for more speed than an axis has."""

import numpy as np

from layergate.preflight.rule import Findings, Moves, NotApplicableError, Rule, Where, counted
from layergate.toolpath.moves import PRIME, RETRACT, WAIT

_TOLERANCE = 1.01  # feeds are written in whole mm/min


class SpeedOverLimit(Rule):
    """What it looks for
        Commanded speeds above those that the description states, axis by axis.

    Why it matters
        Controllers slow such moves down to their limit: the print takes longer than planned. A controller without the limit
        loses steps.

    How it decides and when it does not apply
        The speed along the path times each axis' share of it; the extruder's from its filament. It does not apply where the
        description states no ``maximum_speed_mm_s``.

    What to do
        Nothing, if the controller has its limits set; otherwise make the job slower.

    Source: the limits are the description's.
    """

    identifier = "speed-over-limit"
    severity = "note"

    def prepare(self) -> None:
        stated = self.printer.maximum_speed_mm_s
        self._limits = {a: v for a in "xyze" if stated and (v := getattr(stated, a))}
        if not self._limits:
            raise NotApplicableError("maximum_speed_mm_s of the printer is not stated")
        self._seen: dict[str, list[float]] = {}  # axis -> moves, highest, its line, first line, last line

    def each_moves(self, moves: Moves) -> None:
        length = np.where(moves.length_mm > 0, moves.length_mm, np.inf)
        alone = (moves.kind == PRIME) | (moves.kind == RETRACT)
        with np.errstate(invalid="ignore"):
            for axis, limit in self._limits.items():
                if axis == "e":
                    speed = np.where(alone, moves.feed_mm_s, moves.feed_mm_s * np.abs(moves.push_mm) / length)
                else:
                    speed = moves.feed_mm_s * np.abs(getattr(moves, f"{axis}1") - getattr(moves, f"{axis}0")) / length
                over = np.flatnonzero((speed > limit * _TOLERANCE) & (moves.kind != WAIT))
                if len(over):
                    self._see(axis, moves, speed, over)

    def _see(self, axis: str, moves: Moves, speed: np.ndarray, over: np.ndarray) -> None:
        worst = int(over[np.argmax(speed[over])])
        known = self._seen.setdefault(axis, [0, 0.0, 0, float(moves.line[over[0]]), 0])
        known[0] += len(over)
        if speed[worst] > known[1]:
            known[1], known[2] = float(speed[worst]), float(moves.line[worst])
        known[4] = float(moves.line[over[-1]])

    def finish(self) -> Findings:
        for axis, (count, highest, line, first, last) in self._seen.items():
            yield self.finding(
                f"{counted(count, 'move')} of axis {axis.upper()} faster than the stated {self._limits[axis]:g} mm/s, "
                f"up to {highest:.0f} mm/s in line {line:.0f}.",
                "Nothing to do if the controller has its limits set; the print takes longer than planned.",
                where=Where(lines=(int(first), int(last))),
                evidence={"highest_mm_s": highest, "stated_mm_s": self._limits[axis], "moves": count},
            )
