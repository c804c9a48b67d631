"""mid-air-bead: a stray bead or two, laid in the air."""

from pydantic import Field

from layergate.preflight.rule import Beads, Findings, LayerMap, Limits, Rule, counted
from layergate_rules.free_ends import FreeEnd, free_ends
from layergate_rules.islands import IslandWatch, LayerSteps
from layergate_rules.layer_statistics import place_of

_FEW = 2  # of a layer, and four of a job: more of them are hairs or threads on purpose
_FEW_OF_JOB = 4


class MidAirBeadLimits(Limits):
    least_path_mm: float = Field(3.0, description="mm; shorter ones are dots: good jobs have up to 1.6 mm (measured)")
    least_free_mm: float = Field(
        8.0,
        gt=0,
        description="mm that a bead held at one end only reaches out into the air (own choice; strands droop)",
    )
    most_beads: int = Field(6, description="beads of a stray; a larger group is an unsupported-island")


class MidAirBead(Rule):
    """What it looks for
        A bead, or a few, with nothing under any of them and nothing of their layer beside them; a bead that leaves the part
        and ends in the air.

    Why it matters
        The filament has nothing to hold on to: it curls, hangs on the nozzle and is dragged into the part.

    How it decides and when it does not apply
        The beads of a layer that touch form groups. A small group of which no part lies on anything is in the air: neither
        closer than 2.6 layer steps to what lies under it nor touched by the strand that its flow makes. Bridges are held at
        their ends and overhangs along their side, so they belong to a group that is supported. First layers are
        not judged; of a spiral, only what the nozzle has to travel to. A bead, or two, held at one end only counts where the
        other end lies 8 mm or more beyond what is under it, nothing of its layer is beside and nothing of the next layer on it.
        More than two such in a layer, or four in a job, are meant so.

    What to do
        Look at the lines named. A lone bead is what a damaged number leaves behind: copy the job again and compare.

    Source: separations measured on 45 real jobs; strand diameter from conservation of volume.
    """

    identifier = "mid-air-bead"
    severity = "hold"
    limits_model = MidAirBeadLimits

    def prepare(self) -> None:
        self._watch = IslandWatch(self.limits.least_path_mm)
        self._steps = LayerSteps()
        self._open: list[FreeEnd] = []  # of the last layer: the next one may lie on them
        self._free: list[FreeEnd] = []

    def each_layer(self, beads: Beads) -> None:
        self._watch.see(beads)
        self._free += [end for end in self._open if end.stack != beads.stack or not end.carries(beads)]
        self._open = []
        step = self._steps.usual()
        if step and not self._steps.first_of_stack(beads) and not beads.ramp:
            found = free_ends(beads, step, self.limits.least_free_mm)
            self._open = found if len(found) <= _FEW else []
        self._steps.add(beads)

    def finish(self, layers: LayerMap) -> Findings:
        free = self._free + self._open
        for end in free if len(free) <= _FEW_OF_JOB else []:
            first, last = end.lines
            yield self.finding(
                f"A bead leaves the part at Z {end.z_mm:.2f} mm and ends {end.path_mm:.1f} mm out in the air, "
                f"{end.air_mm:.2f} mm above anything, in {f'line {first}' if first == last else f'lines {first} to {last}'}.",
                "Look at these lines: a lone bead is what a damaged number leaves behind. Copy the job again and compare.",
                where=place_of(layers, end),
                evidence={"path_mm": end.path_mm, "air_mm": end.air_mm},
            )
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
