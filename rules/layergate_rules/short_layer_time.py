"""short-layer-time: layers that follow each other before they can set."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Findings, LayerMap, Limits, NotApplicableError, Rule, Where


class ShortLayerTimeLimits(Limits):
    least_s: float = Field(5.0, gt=0, description="s for a layer; 5 to 15 s are usual for PLA (common practice)")
    layers_in_a_row: int = Field(
        5, ge=1, description="layers in a row; single small ones set all the same (own choice)"
    )


class ShortLayerTime(Rule):
    """What it looks for
        Several layers in a row that take only a few seconds each.

    Why it matters
        The layer below is still soft: the part gets blurred, leans, or sticks to the nozzle.

    How it decides and when it does not apply
        By planned time per layer, travels included. Spirals, whose layers have no end, are not judged.

    What to do
        Let the job slow down for small layers, cool more, or print two parts at once.

    Source: common practice: 5 to 15 s for a layer of PLA.
    """

    identifier = "short-layer-time"
    severity = "note"
    limits_model = ShortLayerTimeLimits

    def finish(self, layers: LayerMap) -> Findings:
        if not len(layers):
            raise NotApplicableError("nothing is laid")
        short = (layers.planned_s < self.limits.least_s) & ~layers.ramp
        edges = np.flatnonzero(np.diff(np.concatenate(([False], short, [False])).astype(np.int8)))
        runs = [(int(a), int(b)) for a, b in edges.reshape(-1, 2) if b - a >= self.limits.layers_in_a_row]
        if runs:
            first, last = max(runs, key=lambda run: run[1] - run[0])
            count = sum(b - a for a, b in runs)
            quickest = float(layers.planned_s[first:last].min())
            yield self.finding(
                f"{count} layers take less than {self.limits.least_s:g} s each, the longest run from layer {first + 1} to {last}; "
                f"the quickest of it takes {quickest:.1f} s.",
                "Let the job slow down for small layers, cool more, or print two parts at once.",
                where=Where(
                    layer=first + 1,
                    z_mm=(float(layers.z_mm[first]), float(layers.z_mm[last - 1])),
                    lines=(int(layers.first_line[first]), int(layers.last_line[last - 1])),
                ),
                evidence={"layers": count, "quickest_s": quickest},
            )
