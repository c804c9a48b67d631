"""through-printed-part: the nozzle is sent into what is already printed."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import (
    Crossing,
    Finding,
    Findings,
    JobFacts,
    LayerMap,
    Limits,
    NotApplicableError,
    Rule,
    Where,
)

_ROUNDING_MM = 0.02


class ThroughPrintedPartLimits(Limits):
    depth_mm: float = Field(
        0.5,
        ge=0.5,
        description="mm below the top of what is printed, or a layer's height if more; good jobs skim 0.3 at most (measured)",
    )


class ThroughPrintedPart(Rule):
    """What it looks for
        A move below the top of what stands at that place already.

    Why it matters
        The nozzle hits the part: it is torn off the bed, or the axis loses steps and everything above is shifted.

    How it decides and when it does not apply
        Every move that goes well below the highest bead so far is followed over a map of what was printed up to then, cell by
        cell. Objects printed one after another are checked against each other, for the nozzle only: whether the carriage
        clears them is the machine's geometry and not judged, nor is the way from home to the next height that the job states:
        home may be high up. It does not apply where nothing is laid.

    What to do
        Look at the line named: a digit or a sign of its height is wrong, or a lift before it is missing. Copy the job again.

    Source: separations measured on 45 real jobs.
    """

    identifier = "through-printed-part"
    severity = "block"
    limits_model = ThroughPrintedPartLimits

    def finish(self, layers: LayerMap, job: JobFacts) -> Findings:
        if not len(layers):
            raise NotApplicableError("nothing is laid")
        # A loop may begin on a slope: the nozzle goes down beside what is printed, to the top of the layer below.
        steps = layers.gap_mm[:, 0][layers.gap_mm[:, 0] > 0]
        least = max(self.limits.depth_mm, float(np.quantile(steps, 0.75)) + _ROUNDING_MM if len(steps) else 0.0)
        # What is laid after homing has a height like the layers', also in a job that only ever says by how much it moves.
        untold = []
        for homed, told in job.homed_heights:
            laid = layers.first_line[layers.first_line > homed]
            untold.append((homed, min(told, int(laid.min())) if len(laid) else told))
        deep = [
            crossing
            for crossing in job.crossings
            if crossing.depth_mm > least and not any(first <= crossing.line <= last for first, last in untold)
        ]
        groups: list[list[Crossing]] = []
        for crossing in deep:
            # One wrong height makes several moves: they are one finding.
            if groups and crossing.line - groups[-1][-1].line <= 50:
                groups[-1].append(crossing)
            else:
                groups.append([crossing])
        for group in groups:
            yield self._found(group)

    def _found(self, group: list[Crossing]) -> Finding:
        worst = max(group, key=lambda crossing: crossing.depth_mm)
        lines = (group[0].line, group[-1].line)
        return self.finding(
            f"The nozzle goes {worst.depth_mm:.2f} mm into what is printed, at X {worst.x_mm:.1f} Y {worst.y_mm:.1f}, down to "
            f"Z {worst.z_mm:.2f} mm, in line {worst.line}.",
            "Look at that line: a digit or a sign of its height is wrong, or a lift before it is missing. Copy the job again.",
            where=Where(
                z_mm=(worst.z_mm, worst.z_mm + worst.depth_mm),
                lines=lines,
                box_mm=(worst.x_mm, worst.y_mm, worst.x_mm, worst.y_mm),
            ),
            evidence={"depth_mm": worst.depth_mm, "moves": len(group)},
        )
