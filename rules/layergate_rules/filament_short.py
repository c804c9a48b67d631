"""filament-short: less filament is left than the job lays."""

from pydantic import Field

from layergate.preflight.rule import Findings, JobFacts, LayerMap, Limits, NotApplicableError, Rule, density_g_cm3


class FilamentShortLimits(Limits):
    reserve_g: float = Field(
        2.0, ge=0, description="g kept back; the length from spool to nozzle can't be used up (own choice)"
    )


class FilamentShort(Rule):
    """What it looks for
        A job that needs more grams than the description says are left.

    Why it matters
        The spool runs out in the middle: without a sensor, the printer goes on and lays nothing.

    How it decides and when it does not apply
        Volume laid, purges included, times the density of the material, against ``material_left_g`` less a reserve. It does
        not apply where the grams left are not stated, or no density is known from material or comments.

    What to do
        Load a spool that is long enough, or correct ``material_left_g``.

    Source: densities from open material tables and data sheets of filament makers, some from memory.
    """

    identifier = "filament-short"
    severity = "hold"
    limits_model = FilamentShortLimits

    def prepare(self) -> None:
        if self.printer.material_left_g is None:
            raise NotApplicableError("material_left_g of the printer is not stated")

    def finish(self, layers: LayerMap, job: JobFacts) -> Findings:
        left = self.printer.material_left_g
        assert left is not None
        density = density_g_cm3(self.printer.material, job.claims)
        if density is None:
            raise NotApplicableError("no density is known: state material in the printer description")
        laid = float(layers.laid_mm.sum())
        if not layers.flow_known or laid <= 0:
            raise NotApplicableError("the job does not say how much filament it lays")
        filament_mm2 = float(layers.volume_mm3.sum()) / laid
        need = job.laid_mm * filament_mm2 * density / 1000
        if need > left - self.limits.reserve_g:
            yield self.finding(
                f"The job lays {need:.1f} g ({job.laid_mm / 1000:.2f} m) of filament; {left:.1f} g are left.",
                "Load a spool that is long enough, or correct material_left_g in the description.",
                evidence={"needed_g": need, "left_g": left, "needed_mm": job.laid_mm},
            )
