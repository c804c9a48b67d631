"""other-machine: the job was made for another nozzle, filament or material than this printer has."""

from layergate.preflight.rule import Finding, Findings, JobFacts, NotApplicableError, Rule, Where
from layergate_rules.stated_materials import claimed, named

# Diameters differ by more than this, or they are the same: nozzles come in steps of 0.05 mm and more, filaments measure
# up to 0.1 mm off their nominal 1.75 or 2.85 mm (facts 3.1).
_NOZZLE_MM = 0.04
_FILAMENT_MM = 0.3
_KEYS = {
    "nozzle": ("nozzle_diameter", "nozzle diameter", "nozzle", "extruderdiameter"),
    "filament": ("filament_diameter", "filament diameter", "filamentdiameter"),
}


class OtherMachine(Rule):
    """What it looks for
        Comments that claim another nozzle, another filament diameter or another material than the description states.

    Why it matters
        With another nozzle the beads do not fit; with 1.75 instead of 2.85 mm filament every bead has the wrong amount by a
        factor of 2.7; another material needs other temperatures.

    How it decides and when it does not apply
        Nozzle and filament diameters and the material, as far as the description states them and the job's comments claim
        them. It does not apply where there is nothing on one of the two sides.

    What to do
        Make the job for this printer, load what it was made for, or correct the description.

    Source: what is stated, on both sides.
    """

    identifier = "other-machine"
    severity = "hold"

    def prepare(self) -> None:
        printer = self.printer
        if not (printer.nozzle_diameter_mm or printer.filament_diameter_mm or printer.material):
            raise NotApplicableError(
                "nozzle_diameter_mm, filament_diameter_mm and material of the printer are not stated"
            )

    def finish(self, job: JobFacts) -> Findings:
        printer, claims = self.printer, job.claims
        compared = 0
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

    def _differs(self, what: str, claim: float, stated: float) -> Finding:
        return self.finding(
            f"The job was made for a {what} of {claim:g} mm, by its comments; this printer has {stated:g} mm.",
            "Make the job for this printer, or correct the description if it is wrong.",
            evidence={f"claimed_{what}_mm": claim, f"stated_{what}_mm": stated, "area_ratio": (stated / claim) ** 2},
        )
