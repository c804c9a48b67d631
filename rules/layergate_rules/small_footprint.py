"""small-footprint: a tall part on little ground."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Findings, LayerMap, Limits, NotApplicableError, Rule, Where


class SmallFootprintLimits(Limits):
    slenderness: float = Field(
        8.0, gt=0, description="height against the side of a square of the first layer's area, a ratio (own choice)"
    )


class SmallFootprint(Rule):
    """What it looks for
        Parts that are very tall for the area with which they stand on the bed.

    Why it matters
        The nozzle pushes sideways at the top; the hold at the bottom is small. The part comes off, hours in, and the rest is
        printed into the air.

    How it decides and when it does not apply
        The first layer's volume over its height is the area that holds; brims, rafts and supports count with it. Its square
        side is compared with the height, stack by stack. It does not apply to jobs that do not say their flow.

    What to do
        Add a brim, or print several parts side by side.

    Source: own choice; what holds depends on bed and material.
    """

    identifier = "small-footprint"
    severity = "note"
    limits_model = SmallFootprintLimits

    def finish(self, layers: LayerMap) -> Findings:
        if not len(layers) or not layers.flow_known:
            raise NotApplicableError("nothing is laid, or the job does not say how much filament its moves push")
        for stack in np.unique(layers.stack).tolist():
            rows = np.flatnonzero(layers.stack == stack)
            first = int(rows[0])
            step = float(layers.step_mm[first])
            area = float(layers.volume_mm3[first]) / step if step > 0 else 0.0
            height = float(layers.z_mm[rows].max())
            if area > 0 and height > self.limits.slenderness * area**0.5:
                yield self.finding(
                    f"The part is {height:.0f} mm tall and stands on {area:.0f} mm2.",
                    "Add a brim, or print several parts side by side, so that it does not come off.",
                    where=Where(
                        layer=first + 1,
                        z_mm=(0.0, height),
                        lines=(int(layers.first_line[first]), int(layers.last_line[first])),
                        box_mm=tuple(round(float(v), 3) for v in layers.box_mm[first]),
                    ),
                    evidence={"footprint_mm2": area, "height_mm": height, "slenderness": height / area**0.5},
                )
