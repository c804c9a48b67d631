"""unsupported-island: a part of a layer starts in the air."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Beads, Findings, LayerMap, Limits, Rule
from layergate_rules.islands import IslandWatch, OverBed, over_bed
from layergate_rules.layer_statistics import place_of


class UnsupportedIslandLimits(Limits):
    least_path_mm: float = Field(10.0, description="mm of beads that make an island (own choice)")
    least_beads: int = Field(7, description="beads of an island; a smaller group is a mid-air-bead")
    most_purge_beads: int = Field(12, description="beads of a prime or purge before the first layer (own choice)")
    bed_share: float = Field(
        0.12,
        gt=0,
        lt=1,
        description="share of a second layer over the bare bed, in one region (good jobs: 0.02, measured)",
    )
    bed_path_mm: float = Field(20.0, gt=0, description="mm of path there (own choice)")
    bed_reach_mm: float = Field(
        5.0,
        gt=0,
        description="mm that the region reaches out from what holds it; rounded bottom edges reach 1 to 2 mm (geometry)",
    )


class UnsupportedIsland(Rule):
    """What it looks for
        A region of a layer that stands on nothing: neither on the part, nor on supports, nor on the bed.

    Why it matters
        Everything above it is printed into loose filament. It is how a part without its supports fails, hours in.

    How it decides and when it does not apply
        The beads of a layer that touch form groups. A group of which nothing is supported (closer than 2.6 layer steps to
        what lies under it, or touched by the strand that its flow makes) stands in the air. Bridges and overhangs belong to
        groups that are held somewhere. First layers are not judged; of a spiral, only what the nozzle has to travel to. One
        finding is given for each place, not for every layer above it. Of the second layer of an object, a part over the bare
        bed that is no bridge, reaches far out and is fed too little to touch the bed counts as well, though it hangs on the
        rest: the first layer lacks what should carry it.

    What to do
        Was the part turned the wrong way, or were supports left out? Make the job again with supports at this place.

    Source: separations measured on 45 real jobs; strand diameter from conservation of volume.
    """

    identifier = "unsupported-island"
    severity = "hold"
    limits_model = UnsupportedIslandLimits

    def prepare(self) -> None:
        self._watch = IslandWatch(self.limits.least_path_mm)
        self._over_bed: list[OverBed] = []
        self._stack, self._layers, self._first_beads = -1, 0, 0

    def each_layer(self, beads: Beads) -> None:
        self._watch.see(beads)
        self._layers = self._layers + 1 if beads.stack == self._stack else 1
        self._stack = beads.stack
        if (
            self._layers == 2
            and self._first_beads <= self.limits.most_purge_beads
            and np.quantile(beads.samples.gap_mm, 0.1) > 0.9 * beads.z_mm
        ):
            self._layers = 1  # it lies beside what came before, which was a purge at a height of its own
        if self._layers == 1:
            self._first_beads = len(beads.line)
        if self._layers == 2 and not beads.ramp:
            found, limits = over_bed(beads), self.limits
            enough = found and found.share > limits.bed_share and found.island.path_mm > limits.bed_path_mm
            if found and enough and found.reach_mm > limits.bed_reach_mm:
                self._over_bed.append(found)

    def finish(self, layers: LayerMap) -> Findings:
        for found in self._over_bed:
            island = found.island
            yield self.finding(
                f"{100 * found.share:.0f} % of the second layer ({island.path_mm:.0f} mm of beads) lie over the bare bed at "
                f"Z {island.z_mm:.2f} mm, where the first layer lays nothing: they hang {island.air_mm:.2f} mm in the air.",
                "Is the part turned the wrong way, or does it stand askew? Look at the first two layers, and lay the part flat.",
                where=place_of(layers, island),
                evidence={"path_mm": island.path_mm, "share_of_layer": found.share, "air_mm": island.air_mm},
            )
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
