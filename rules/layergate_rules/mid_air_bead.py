"""mid-air-bead: a stray bead or two, laid in the air."""

from pydantic import Field

from layergate.preflight.rule import Beads, Findings, LayerMap, Limits, Rule, counted
from layergate_rules.islands import IslandWatch, place_of


class MidAirBeadLimits(Limits):
    least_path_mm: float = Field(3.0, description="mm; shorter ones are dots: good jobs have up to 1.6 mm (measured)")
    most_beads: int = Field(6, description="beads of a stray; a larger group is an unsupported-island")


class MidAirBead(Rule):
    """What it looks for
        A bead, or a few, with nothing under any of them and nothing of their layer beside them.

    Why it matters
        The filament has nothing to hold on to: it curls, hangs on the nozzle and is dragged into the part.

    How it decides and when it does not apply
        The beads of a layer that touch form groups. A small group of which no part lies on anything is in the air: neither
        closer than 2.6 layer steps to what lies under it nor touched by the strand that its flow makes. Bridges are held at
        their ends and overhangs along their side, so they belong to a group that is supported. First layers are
        not judged; of a spiral, only what the nozzle has to travel to.

    What to do
        Look at the lines named. A lone bead is what a damaged number leaves behind: copy the job again and compare.

    Source: separations measured on 45 real jobs; strand diameter from conservation of volume.
    """

    identifier = "mid-air-bead"
    severity = "hold"
    limits_model = MidAirBeadLimits

    def prepare(self) -> None:
        self._watch = IslandWatch(self.limits.least_path_mm)

    def each_layer(self, beads: Beads) -> None:
        self._watch.see(beads)

    def finish(self, layers: LayerMap) -> Findings:
        for island in self._watch.found:
            if not island.beads <= self.limits.most_beads:
                continue
            first, last = island.lines
            yield self.finding(
                f"{counted(island.beads, 'bead')} of {island.path_mm:.1f} mm in the air at Z {island.z_mm:.2f} mm, "
                f"{island.air_mm:.2f} mm above anything, in {f'line {first}' if first == last else f'lines {first} to {last}'}.",
                "Look at these lines: a lone bead is what a damaged number leaves behind. Copy the job again and compare.",
                where=place_of(layers, island),
                evidence={"path_mm": island.path_mm, "air_mm": island.air_mm, "beads": island.beads},
            )
