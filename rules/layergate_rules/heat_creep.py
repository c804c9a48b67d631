"""heat-creep: long stretches of little flow and many retractions in a material that softens early."""

from array import array

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Findings, JobFacts, LayerMap, Limits, Moves, NotApplicableError, Rule, Where
from layergate.toolpath.moves import RETRACT, WIPE
from layergate_rules.stated_materials import material_of


class HeatCreepLimits(Limits):
    least_minutes: float = Field(
        30.0, gt=0, description="number of minutes in a row; shorter stretches do not warm the cold side (own choice)"
    )
    most_flow_mm3_s: float = Field(
        1.0, gt=0, description="mm3/s on average; about a tenth of what a hot end melts (own choice)"
    )
    retractions_per_minute: float = Field(10.0, gt=0, description="number per minute on average (own choice)")
    softens_below_c: float = Field(
        70.0,
        gt=0,
        description="deg C; what softens above it stands a warm cold side (softening points of open material tables)",
    )


class HeatCreep(Rule):
    """What it looks for
        Half an hour and more of little flow with many retractions, in PLA and other materials that soften at low heat.

    Why it matters
        Heat wanders up while little cold filament comes down. The filament softens above the hot end and swells; each
        retraction pulls soft filament further up, until it jams. It starts fine and stops hours in.

    How it decides and when it does not apply
        Flow and retractions per planned time, over stretches of layers. It does not apply where no material is known, or
        where it softens later.

    What to do
        Shorten retractions, keep the cold side cool, open a warm enclosure.

    Source: common practice; the limits are own choices.
    """

    identifier = "heat-creep"
    severity = "note"
    limits_model = HeatCreepLimits

    def prepare(self) -> None:
        # One growing column: small arrays that stay would lie between the large ones that come and go.
        self._lines = array("q")

    def each_moves(self, moves: Moves) -> None:
        pulls = ((moves.kind == RETRACT) | (moves.kind == WIPE)) & (moves.push_mm < 0)
        begins = pulls & ~np.concatenate(([False], pulls[:-1]))
        self._lines.frombytes(moves.line[begins].tobytes())

    def finish(self, layers: LayerMap, job: JobFacts) -> Findings:
        found = material_of(self.printer, job.claims)
        if found is None:
            raise NotApplicableError("no material is known: state material in the printer description")
        material, _ = found
        limits = self.limits
        if material.softens_c > limits.softens_below_c:
            raise NotApplicableError(f"{material.name} softens only at {material.softens_c:.0f} deg C")
        if not layers.flow_known or not len(layers):
            raise NotApplicableError("the job does not say how much filament its moves push")
        order = np.argsort(layers.first_line)
        lines = np.frombuffer(self._lines, np.int64)
        pulls = np.diff(np.searchsorted(lines, np.append(layers.first_line[order], job.lines + 1)))
        seconds, volume = np.maximum(layers.planned_s[order], 1e-3), layers.volume_mm3[order]
        slow = (volume / seconds < limits.most_flow_mm3_s) & (pulls * 60 / seconds > limits.retractions_per_minute)
        edges = np.flatnonzero(np.diff(np.concatenate(([False], slow, [False])).astype(np.int8))).reshape(-1, 2)
        for first, end in edges.tolist():
            total = float(seconds[first:end].sum())
            if total >= 60 * limits.least_minutes:
                rows = order[first:end]
                flow, rate = float(volume[first:end].sum()) / total, float(pulls[first:end].sum()) * 60 / total
                yield self.finding(
                    f"For {total / 60:.0f} min only {flow:.2f} mm3/s flow, with {rate:.0f} retractions a minute, in "
                    f"{material.name}: heat may creep up and jam the filament.",
                    "Keep the cold side cool, open a warm enclosure, and shorten retractions.",
                    where=Where(
                        layer=int(rows[0]) + 1,
                        z_mm=(float(layers.z_mm[rows].min()), float(layers.z_mm[rows].max())),
                        lines=(int(layers.first_line[rows].min()), int(layers.last_line[rows].max())),
                    ),
                    evidence={"minutes": total / 60, "flow_mm3_s": flow, "retractions_per_minute": rate},
                )
