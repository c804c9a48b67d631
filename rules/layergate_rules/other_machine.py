"""other-machine: the job was made for another nozzle, filament or material than this printer has."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Finding, Findings, JobFacts, LayerMap, Limits, NotApplicableError, Rule, Where
from layergate_rules.stated_materials import claimed, named

# Diameters differ by more than this, or they are the same: nozzles come in steps of 0.05 mm and more, filaments measure
# up to 0.1 mm off their nominal 1.75 or 2.85 mm (facts.md 3.1).
_NOZZLE_MM = 0.04
_FILAMENT_MM = 0.3


class OtherMachineLimits(Limits):
    narrowest_bead: float = Field(
        0.6,
        gt=0,
        description="median bead width in nozzle diameters; 1.0 to 1.5 is usual, less than this is starved (practice)",
    )
    widest_bead: float = Field(
        2.6,
        gt=1,
        description="median bead width in nozzle diameters; the flat of a nozzle ends at about twice its bore (practice)",
    )


class OtherMachine(Rule):
    """What it looks for
        Comments that claim another nozzle, another filament diameter or another material than the description states, and
        beads that are much too thin or too wide for the stated nozzle throughout the job.

    Why it matters
        With another nozzle the beads do not fit; with 1.75 instead of 2.85 mm filament every bead has the wrong amount by a
        factor of 2.7; another material needs other temperatures.

    How it decides and when it does not apply
        Nozzle, filament diameter and material, as far as the description states them and the job's comments claim them.
        Where both diameters are stated, the width of the job's beads, worked out from their filament and height, must be
        one that the stated nozzle can lay. It does not apply where one of the two sides says nothing.

    What to do
        Make the job for this printer, load what it was made for, or correct the description.

    Source: what is stated, on both sides.
    """

    identifier = "other-machine"
    severity = "hold"
    limits_model = OtherMachineLimits

    def prepare(self) -> None:
        printer = self.printer
        if not (printer.nozzle_diameter_mm or printer.filament_diameter_mm or printer.material):
            raise NotApplicableError(
                "nozzle_diameter_mm, filament_diameter_mm and material of the printer are not stated"
            )

    def finish(self, layers: LayerMap, job: JobFacts) -> Findings:
        printer, claims = self.printer, job.claims
        compared = 0
        if printer.nozzle_diameter_mm and printer.filament_diameter_mm and np.isfinite(layers.width_mm).any():
            compared += 1
            yield from self._widths(layers, printer.nozzle_diameter_mm)
        for what, stated, keys, most in (
            (
                "nozzle",
                printer.nozzle_diameter_mm,
                ("nozzle_diameter", "nozzle diameter", "nozzle", "extruderdiameter"),
                _NOZZLE_MM,
            ),
            (
                "filament",
                printer.filament_diameter_mm,
                ("filament_diameter", "filament diameter", "filamentdiameter"),
                _FILAMENT_MM,
            ),
        ):
            claim = claims.number(*keys)
            if stated is None or claim is None or not 0.05 < claim < 5:
                continue
            compared += 1
            if abs(claim - stated) > most:
                yield self._differs(what, claim, stated)
        material, stated_material = claimed(claims), named(printer.material or "")
        if material and stated_material:
            compared += 1
            if material is not stated_material:
                yield self.finding(
                    f"The job was made for {material.name}, by its comments; the printer is loaded with {stated_material.name}.",
                    "Load what the job was made for, make it again, or correct material in the description.",
                    where=Where(lines=(1, job.lines)),
                )
        if not compared:
            raise NotApplicableError("the job's comments claim none of what the description states")

    def _widths(self, layers: LayerMap, nozzle_mm: float) -> Findings:
        width = float(np.nanmedian(layers.width_mm))
        low, high = self.limits.narrowest_bead * nozzle_mm, self.limits.widest_bead * nozzle_mm
        if low <= width <= high:
            return
        yield self.finding(
            f"The beads of this job are {width:.2f} mm wide in the middle of all layers, where a nozzle of {nozzle_mm:g} mm lays "
            f"{low:.2f} to {high:.2f} mm: it pushes too {'little' if width < low else 'much'} filament throughout.",
            "Was it made for another filament diameter or nozzle? Make it for this printer, or correct the description.",
            evidence={
                "bead_width_mm": width,
                "nozzle_mm": nozzle_mm,
                "bead_area_mm2": float(np.nanmedian(layers.area_mm2[:, 2])),
            },
        )

    def _differs(self, what: str, claim: float, stated: float) -> Finding:
        return self.finding(
            f"The job was made for a {what} of {claim:g} mm, by its comments; this printer has {stated:g} mm.",
            "Make the job for this printer, or correct the description if it is wrong.",
            evidence={f"claimed_{what}_mm": claim, f"stated_{what}_mm": stated, "area_ratio": (stated / claim) ** 2},
        )
