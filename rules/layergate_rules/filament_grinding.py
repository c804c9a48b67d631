"""filament-grinding: the same piece of filament passes the drive again and again."""

import numpy as np
import numpy.typing as npt
from pydantic import Field

from layergate.preflight.rule import Findings, LayerMap, Limits, Moves, NotApplicableError, Rule, Where, counted
from layergate.toolpath.moves import RETRACT, WIPE


class FilamentGrindingLimits(Limits):
    most_retractions: int = Field(
        30,
        ge=1,
        description="number of retractions within 10 mm of filament; 10 to 30 are usual limits (common practice)",
    )


class FilamentGrinding(Rule):
    """What it looks for
        Many retractions while hardly any filament is used.

    Why it matters
        The gear of the drive runs over the same piece each time, until it is ground through and nothing is fed any more. It
        looks like a clog.

    How it decides and when it does not apply
        Retractions are counted in every 10 mm of filament that the job has used up. Wipes that retract while moving count
        once. Firmware retraction (G10) is not counted, and jobs without E are not judged.

    What to do
        Make the job with fewer retractions: only on longer travels, and with travels kept inside the part.

    Source: common practice: a piece of filament stands 10 to 30 passes of the gear.
    """

    identifier = "filament-grinding"
    severity = "note"
    limits_model = FilamentGrindingLimits

    def prepare(self) -> None:
        self._used_mm = 0.0
        self._pulling = False
        self._counts: npt.NDArray[np.int64] = np.zeros(256, np.int64)  # by 10 mm of filament used
        self._first: dict[int, int] = {}

    def each_moves(self, moves: Moves) -> None:
        # What has gone past the drive for good: the highest net feed so far.
        used = self._used_mm + np.cumsum(moves.laid_mm)
        self._used_mm = float(used[-1])
        pulls = ((moves.kind == RETRACT) | (moves.kind == WIPE)) & (moves.push_mm < 0)
        begins = np.flatnonzero(pulls & ~np.concatenate(([self._pulling], pulls[:-1])))
        self._pulling = bool(pulls[-1])
        if not len(begins):
            return
        piece = (used[begins] / 10).astype(np.int64)
        if piece[-1] > 10_000_000:  # a wild E, which is another rule's matter
            return
        if piece[-1] >= len(self._counts):
            self._counts = np.concatenate((self._counts, np.zeros(int(piece[-1]) + 1, np.int64)))
        found = np.bincount(piece - piece[0])
        self._counts[piece[0] : piece[0] + len(found)] += found
        for at in np.flatnonzero(
            self._counts[piece[0] : piece[0] + len(found)] > self.limits.most_retractions
        ).tolist():
            self._first.setdefault(int(piece[0]) + at, int(moves.line[begins[np.searchsorted(piece, piece[0] + at)]]))

    def finish(self, layers: LayerMap) -> Findings:
        if not layers.flow_known:
            raise NotApplicableError("the job does not say how much filament its moves push")
        if self._first:
            worst = int(np.argmax(self._counts))
            lines = sorted(self._first.values())
            yield self.finding(
                f"{self._counts[worst]} retractions fall on 10 mm of filament, at {worst * 10 / 1000:.2f} m of the job; "
                f"{counted(len(self._first), 'such place')}, the first from line {lines[0]}.",
                "Lower the number of retractions where the job is made.",
                where=Where(lines=(lines[0], lines[-1])),
                evidence={
                    "retractions_in_10_mm": int(self._counts[worst]),
                    "places": len(self._first),
                    "filament_mm": worst * 10,
                },
            )
