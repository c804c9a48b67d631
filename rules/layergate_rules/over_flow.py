"""over-flow: more plastic a second than the hot end melts."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Findings, JobFacts, LayerMap, Limits, Moves, NotApplicableError, Rule, Where
from layergate.toolpath.moves import DEPOSIT


class OverFlowLimits(Limits):
    tolerance: float = Field(
        1.05,
        ge=1,
        description="times the stated flow; a filament 0.05 mm thicker than it should be carries that much more (geometry)",
    )
    least_seconds: float = Field(
        5.0, ge=0, description="s above it in the whole job; purge lines and single beads are shorter (own choice)"
    )


class OverFlow(Rule):
    """What it looks for
        Beads that ask for more than the highest volumetric flow of the description.

    Why it matters
        The hot end can't melt it: the drive slips, the beads get thin, and the part is weak wherever the printer is fast.

    How it decides and when it does not apply
        Bead volume against the time of its path at the commanded speed; acceleration, which makes it slower, is not counted.
        It does not apply where the description states no ``maximum_flow_mm3_s``, or the job does not say its flow.

    What to do
        Make the job slower, or with thinner beads; print hotter within the material's range.

    Source: flow is bead cross-section times speed.
    """

    identifier = "over-flow"
    severity = "hold"
    limits_model = OverFlowLimits

    def prepare(self) -> None:
        if self.printer.maximum_flow_mm3_s is None:
            raise NotApplicableError("maximum_flow_mm3_s of the printer is not stated")
        self._seconds = 0.0
        self._highest = 0.0
        self._lines: tuple[int, int] | None = None

    def each_moves(self, moves: Moves, job: JobFacts) -> None:
        rows = np.flatnonzero((moves.kind == DEPOSIT) & (moves.length_mm > 0.05))
        seconds = moves.length_mm[rows] / np.maximum(moves.feed_mm_s[rows], 1e-3)
        flow = moves.laid_mm[rows] * job.filament_area_mm2 / seconds
        over = np.flatnonzero(flow > self.limits.tolerance * self.printer.maximum_flow_mm3_s)
        if not len(over):
            return
        self._seconds += float(seconds[over].sum())
        self._highest = max(self._highest, float(flow[over].max()))
        first = self._lines[0] if self._lines else int(moves.line[rows[over[0]]])
        self._lines = (first, int(moves.line[rows[over[-1]]]))

    def finish(self, layers: LayerMap) -> Findings:
        if not layers.flow_known:
            raise NotApplicableError("the job does not say how much filament its moves push")
        limit = self.printer.maximum_flow_mm3_s
        assert limit is not None
        if self._lines and self._seconds > self.limits.least_seconds:
            yield self.finding(
                f"{self._seconds:.0f} s of beads ask for more than the {limit:g} mm3/s that this hot end melts, at most for "
                f"{self._highest:.1f} mm3/s.",
                "Make the job slower or with thinner beads.",
                where=Where(lines=self._lines),
                evidence={
                    "highest_flow_mm3_s": self._highest,
                    "stated_flow_mm3_s": limit,
                    "seconds_above": self._seconds,
                },
            )
