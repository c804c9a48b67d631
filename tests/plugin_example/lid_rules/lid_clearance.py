"""lid-clearance: a part that the cabinet's lid can't be closed over."""

from pydantic import Field

from layergate.preflight.rule import Findings, LayerMap, Limits, NotApplicableError, Rule, Where


class LidLimits(Limits):
    lid_mm: float = Field(180.0, gt=0, description="mm from the bed to the closed lid (measured at our cabinets)")


class LidClearance(Rule):
    """What it looks for
        Parts that are higher than the room under the closed lid.

    Why it matters
        The lid stays open for the last hours of the print, and the part cools too fast and lifts.

    How it decides and when it does not apply
        The top of the highest layer against ``lid_mm``. It does not apply where nothing is laid.

    What to do
        Lay the part down, or print it on the machine without a cabinet.

    Source: own cabinets.
    """

    identifier = "lid-clearance"
    severity = "hold"
    since = "1.0"
    limits_model = LidLimits

    def finish(self, layers: LayerMap) -> Findings:
        if not len(layers):
            raise NotApplicableError("nothing is laid")
        top = float(layers.z_mm.max())
        if top > self.limits.lid_mm:
            yield self.finding(
                f"The part is {top:.1f} mm high, and the lid closes over {self.limits.lid_mm:g} mm.",
                "Lay the part down, or print it on the machine without a cabinet.",
                where=Where(layer=int(layers.z_mm.argmax()) + 1, z_mm=(self.limits.lid_mm, top)),
                evidence={"height_mm": top, "lid_mm": self.limits.lid_mm},
            )
