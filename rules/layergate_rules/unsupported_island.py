"""unsupported-island: a part of a layer starts in the air."""

from pydantic import Field

from layergate.preflight.rule import Beads, Findings, LayerMap, Limits, Rule
from layergate_rules.islands import IslandWatch, place_of


class UnsupportedIslandLimits(Limits):
    least_path_mm: float = Field(10.0, description="mm of beads that make an island (own choice)")
    least_beads: int = Field(7, description="beads of an island; a smaller group is a mid-air-bead")


class UnsupportedIsland(Rule):
    """What it looks for
        A region of a layer that stands on nothing: neither on the part, nor on supports, nor on the bed.

    Why it matters
        Everything above it is printed into loose filament. It is how a part without its supports fails, hours in.

    How it decides and when it does not apply
        The beads of a layer that touch form groups. A group of which nothing is supported (closer than 2.6 layer steps to
        what lies under it, or touched by the strand that its flow makes) stands in the air. Bridges and overhangs belong to
        groups that are held somewhere. First layers and spirals are not judged. One finding is given for each place, not for
        every layer above it.

    What to do
        Was the part turned the wrong way, or were supports left out? Make the job again with supports at this place.

    Source: separations measured on 45 real jobs; strand diameter from conservation of volume.
    """

    identifier = "unsupported-island"
    severity = "hold"
    limits_model = UnsupportedIslandLimits

    def prepare(self) -> None:
        self._watch = IslandWatch(self.limits.least_path_mm)

    def each_layer(self, beads: Beads) -> None:
        self._watch.see(beads)

    def finish(self, layers: LayerMap) -> Findings:
        for island in self._watch.found:
            if not island.beads >= self.limits.least_beads:
                continue
            first, last = island.lines
            yield self.finding(
                f"{island.path_mm:.0f} mm of beads start in the air at Z {island.z_mm:.2f} mm, {island.air_mm:.2f} mm above "
                f"anything: X {island.box_mm[0]:.1f} to {island.box_mm[2]:.1f}, Y {island.box_mm[1]:.1f} to "
                f"{island.box_mm[3]:.1f} mm, lines {first} to {last}.",
                "Was the part turned the wrong way, or were supports left out? Make the job again with supports there.",
                where=place_of(layers, island),
                evidence={"path_mm": island.path_mm, "air_mm": island.air_mm, "beads": island.beads},
            )
