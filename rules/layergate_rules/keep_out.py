"""keep-out: the nozzle's path enters a box where something stands."""

import numpy as np
import numpy.typing as npt

from layergate.preflight.rule import Findings, Moves, NotApplicableError, Rule, Where, counted
from layergate.toolpath.moves import WAIT

F64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]


class KeepOut(Rule):
    """What it looks for
        Moves through the keep-out boxes of the description: clips, a purge bucket's rim, a camera.

    Why it matters
        The nozzle hits what stands there, loses its position and may break it, or itself.

    How it decides and when it does not apply
        Every straight piece of the path is cut with every box, not only its ends. Give the boxes the width of the nozzle and
        its shroud: the path is that of the nozzle's tip. It does not apply where the description has no ``keep_out_mm``. Homing
        and macros take ways of their own.

    What to do
        Move the part on the bed, or take away what stands there and its box from the description.

    Source: geometry; the boxes are the description's.
    """

    identifier = "keep-out"
    severity = "block"
    releasable = False

    def prepare(self) -> None:
        self._boxes = self.printer.keep_out_mm
        if not self._boxes:
            raise NotApplicableError("keep_out_mm of the printer is not stated")
        self._hits: dict[
            int, list[float]
        ] = {}  # box -> first line, last line, moves, path in the box, lowest z, highest z

    def each_moves(self, moves: Moves) -> None:
        for index, box in enumerate(self._boxes):
            enters, leaves = np.zeros(len(moves)), np.ones(len(moves))
            for start, end, (low, high) in (
                (moves.x0, moves.x1, box.x),
                (moves.y0, moves.y1, box.y),
                (moves.z0, moves.z1, box.z),
            ):
                first, last = _inside(start, end, low, high)
                enters, leaves = np.maximum(enters, first), np.minimum(leaves, last)
            hit = np.flatnonzero((enters <= leaves) & (moves.kind != WAIT))
            if not len(hit):
                continue
            path = float(((leaves - enters) * moves.length_mm)[hit].sum())
            low_z, high_z = (
                float(np.minimum(moves.z0, moves.z1)[hit].min()),
                float(np.maximum(moves.z0, moves.z1)[hit].max()),
            )
            lines = float(moves.line[hit[0]]), float(moves.line[hit[-1]])
            if index not in self._hits:
                self._hits[index] = [lines[0], lines[1], len(hit), path, low_z, high_z]
                continue
            known = self._hits[index]
            self._hits[index] = [
                known[0],
                lines[1],
                known[2] + len(hit),
                known[3] + path,
                min(known[4], low_z),
                max(known[5], high_z),
            ]

    def finish(self) -> Findings:
        for index, (first, last, count, path, low_z, high_z) in self._hits.items():
            box = self._boxes[index]
            yield self.finding(
                f"{counted(count, 'move')} through {box.name!r}, first in line {first:.0f}, over {path:.1f} mm of path.",
                "Move the part on the bed, or clear the place and take its box out of the description.",
                where=Where(
                    lines=(int(first), int(last)), z_mm=(low_z, high_z), box_mm=(box.x[0], box.y[0], box.x[1], box.y[1])
                ),
                evidence={"moves": count, "path_in_box_mm": path},
            )


def _inside(start: F64, end: F64, low: float, high: float) -> tuple[F64, F64]:
    """Give the shares of a straight move between which one coordinate lies in [low, high]: (n,) each; first > last if never."""
    delta = end - start
    still = np.abs(delta) < 1e-9
    safe = np.where(still, 1.0, delta)
    one, other = (low - start) / safe, (high - start) / safe
    first, last = np.minimum(one, other), np.maximum(one, other)
    within = (start >= low) & (start <= high)
    # Unknown positions (NaN) compare false and count as outside.
    first = np.where(still, np.where(within, 0.0, 2.0), np.nan_to_num(first, nan=2.0))
    last = np.where(still, np.where(within, 1.0, -1.0), np.nan_to_num(last, nan=-1.0))
    return first, last
