"""uneven-layer-step: single layers of another height than those on both sides."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Findings, LayerMap, Limits, NotApplicableError, Rule, Where
from layergate_rules.layer_statistics import compared_layers, seen_below, side_medians

_MOST_NAMED = 4


class UnevenLayerStepLimits(Limits):
    least_share: float = Field(
        0.15, gt=0, description="of the step around, by which a layer's differs; adaptive heights go on (own choice)"
    )
    least_mm: float = Field(0.015, gt=0, description="mm: heights are rounded to 0.01 mm (own choice)")
    same_share: float = Field(0.05, gt=0, description="by which the steps below and above may differ (own choice)")
    lost_ratio: float = Field(
        1.5, gt=1, description="of the step around: from there on missing-layer judges (geometry)"
    )


class UnevenLayerStep(Rule):
    """What it looks for
        Single layers that are higher or lower than those below and above, which agree.

    Why it matters
        It shows as a line around the part. One number of the file may be damaged, or heights were rounded on the way.

    How it decides and when it does not apply
        By the step from what lies under the beads of a layer up to them, against three layers below and three above.
        Heights that change gradually have no two sides that agree; kinds of layers that take turns are no single ones.
        Steps of one and a half and more are left to missing-layer, thin filament to starved-layer. The first layer of a
        stack and spirals are not judged.

    What to do
        Look at the heights named, if the line would matter.

    Source: geometry; limits are own choices.
    """

    identifier = "uneven-layer-step"
    severity = "note"
    limits_model = UnevenLayerStepLimits

    def finish(self, layers: LayerMap) -> Findings:
        chosen = compared_layers(layers)
        step, stacks = layers.gap_mm[chosen][:, 2], layers.stack[chosen]
        if len(chosen) < 3:
            raise NotApplicableError(
                "a step is compared with those below and above, and there are fewer than three layers"
            )
        below, above = side_medians(step, stacks)
        limits = self.limits
        with np.errstate(invalid="ignore", divide="ignore"):
            # A part of the layer on another step is a roof, a bridge, or the top of a support.
            whole = step - layers.gap_mm[chosen][:, 0] < limits.least_mm
            agree = np.abs(above - below) < limits.same_share * below
            off = np.abs(step - below) > np.fmax(limits.least_mm, limits.least_share * below)
            odd = whole & agree & off & (step < limits.lost_ratio * below) & ~layers.ramp[chosen]
            kinds, alike = np.log(step)[:, None], float(np.log1p(limits.same_share))
        odd &= ~(seen_below(kinds, stacks, alike) | seen_below(kinds[::-1], stacks[::-1], alike)[::-1])
        rows = np.flatnonzero(odd)
        if not len(rows):
            return
        at = chosen[rows]
        named = ", ".join(
            f"{int(index) + 1} (Z {layers.z_mm[index]:.2f} mm: {step[row]:.3f} mm, around it {below[row]:.3f} mm)"
            for index, row in zip(at[:_MOST_NAMED].tolist(), rows[:_MOST_NAMED].tolist(), strict=True)
        )
        more = f" and {len(at) - _MOST_NAMED} more" if len(at) > _MOST_NAMED else ""
        first = int(at[0])
        yield self.finding(
            f"Of another height than the layers below and above: {'layer' if len(at) == 1 else 'layers'} {named}{more}.",
            "It may show as a line around the part. Look at the heights there, if that matters.",
            where=Where(
                layer=first + 1,
                z_mm=(float(layers.z_mm[first]), float(layers.z_mm[at[-1]])),
                lines=(int(layers.first_line[first]), int(layers.last_line[at[-1]])),
            ),
            evidence={
                "layers": len(at),
                "step_mm": float(step[rows[0]]),
                "usual_step_mm": float(below[rows[0]]),
            },
        )
