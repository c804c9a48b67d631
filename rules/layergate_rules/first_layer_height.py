"""first-layer-height: the first layer is laid too high for its beads to reach the bed."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import (
    Finding,
    Findings,
    LayerMap,
    Limits,
    Moves,
    NotApplicableError,
    Rule,
    Severity,
    Where,
)
from layergate.toolpath.moves import DEPOSIT
from layergate_rules.layer_statistics import compared_layers


class FirstLayerHeightLimits(Limits):
    strand_ratio: float = Field(
        1.05,
        gt=1,
        description="height over the diameter of the free strand that a bead's filament makes; above 1 nothing presses the bead "
        "onto the bed (physics), and 0.05 is for rounding",
    )
    nozzle_ratio: float = Field(
        1.0, gt=0, description="height over the nozzle's diameter, where that is stated (common practice: at most 0.65)"
    )
    step_ratio: float = Field(
        1.5, gt=1, description="height over the step of the next layers; one lost layer makes 2 (geometry)"
    )
    fed_ratio: float = Field(
        1.3,
        gt=1,
        description="bead area against the next layers'; a first layer of twice the height, or one that is pressed on, gets more "
        "(conservation)",
    )
    alike: float = Field(
        1.1,
        gt=1,
        description="bead area against one of the next layers', where a wide bead reaches down over two steps",
    )
    purge_lower: float = Field(
        0.5,
        gt=0,
        description="in strands of the first layer: where a purge is laid so much lower, no offset lifts the bed, or the nozzle "
        "would have purged into it (geometry)",
    )


_TWO_STEPS = 1.8
"""One lost layer makes 2, but for the rounding of thin layers' heights."""

_NEXT = 3
"""Layers above the first that tell the usual step and bead."""


class FirstLayerHeight(Rule):
    """What it looks for
        A first layer whose beads do not reach the bed.

    Why it matters
        What does not touch the bed does not stick to it: the strand is dragged along, and the print ends as a heap of threads.
        So it is where the true first layer is missing from the file, or where the height was shifted.

    How it decides and when it does not apply
        Pushed out freely, the filament of a bead makes a round strand. Where the nozzle is higher above the bare bed than that
        strand is thick, the bead hangs. It is held where the first layer lies two layer heights up and is fed as the next ones
        are: one below it is missing. In thin layers wide beads reach that far; there it is held where all the beads are those
        of a layer next to it. Otherwise, and where it is higher than the stated nozzle is wide, it is a note, since many
        jobs count on an offset of their printer. Objects printed one after another are judged each for themselves, purge lines
        not at all. It does not apply to jobs that do not say how much filament they push, nor where the first beads rise along
        their way, nor where the next layers would hang as well: the filament is thicker then than the job lets one assume.

    What to do
        Make the job again from its model and compare the height of its first layer. If you lower the nozzle by an offset in the
        printer, or print on something that lies on the bed, release it.

    Source: strand diameter from conservation of volume; a first layer of more than the nozzle's diameter is an error by common
    practice.
    """

    identifier = "first-layer-height"
    severity = "hold"
    limits_model = FirstLayerHeightLimits

    def prepare(self) -> None:
        self._lower: list[tuple[int, float]] = []  # where something is laid lower than all before it: line, mm

    def each_moves(self, moves: Moves) -> None:
        laid = np.flatnonzero(moves.kind == DEPOSIT)
        z = moves.z1[laid]
        before = np.concatenate(([self._lower[-1][1] if self._lower else np.inf], z[:-1]))
        new = z < np.minimum.accumulate(before)
        self._lower += zip(moves.line[laid[new]].tolist(), z[new].tolist(), strict=True)

    def finish(self, layers: LayerMap) -> Findings:
        if not layers.flow_known:
            raise NotApplicableError("the job does not say how much filament its moves push")
        chosen = compared_layers(layers)
        if not len(chosen):
            raise NotApplicableError("nothing is laid")
        _, firsts = np.unique(layers.stack[chosen], return_index=True)
        for index in chosen[firsts].tolist():
            height, gap = float(layers.z_mm[index]), float(layers.gap_mm[index, 2])
            on_bed = abs(gap - height) < 0.02  # what stands on something else has that under it
            area = float(layers.area_mm2[index, 2])
            if not on_bed or layers.ramp[index] or not area > 0:
                continue
            strand = float(np.sqrt(4 * area / np.pi))
            nozzle = self.printer.nozzle_diameter_mm
            hangs = height > self.limits.strand_ratio * strand and not self._all_hang(layers, chosen, index)
            high = nozzle is not None and height > self.limits.nozzle_ratio * nozzle
            two_up = self._lies_two_up(layers, chosen, index, hangs)
            if hangs or high or two_up:
                purge_mm = min((z for line, z in self._lower if line < layers.first_line[index]), default=np.inf)
                lost = two_up or (hangs and height - purge_mm > self.limits.purge_lower * strand)
                why = (
                    f"its filament makes a strand {strand:.2f} mm thick: it does not reach the bed"
                    if hangs
                    else "its beads are those of the next layers, which fill half as much height"
                    if two_up
                    else f"the nozzle is {nozzle:.2f} mm wide: it can't press the beads onto the bed"
                )
                evidence = {"height_mm": height, "strand_mm": strand, "height_over_strand": height / strand}
                if nozzle is not None and high and not hangs:
                    evidence["nozzle_mm"] = nozzle
                yield self._found(layers, index, why, evidence, "hold" if lost else "note")

    def _all_hang(self, layers: LayerMap, chosen: np.ndarray, index: int) -> bool:
        """Say whether the strands of the next layers are thinner than their steps, too: the filament is thicker than assumed."""
        after = _next_layers(layers, chosen, index)
        strands = np.sqrt(4 * layers.area_mm2[after, 2] / np.pi)
        return bool(len(after)) and bool(np.median(layers.step_mm[after] / strands) > self.limits.strand_ratio)

    def _lies_two_up(self, layers: LayerMap, chosen: np.ndarray, index: int, hangs: bool) -> bool:
        """Say whether a first layer has the beads of the next ones and twice their step."""
        after = _next_layers(layers, chosen, index)
        if not len(after):
            return False
        height, own, others = float(layers.z_mm[index]), layers.area_mm2[index], layers.area_mm2[after]
        if hangs:
            high = height > self.limits.step_ratio * float(np.median(layers.step_mm[after]))
            return high and bool(own[2] < self.limits.fed_ratio * np.median(others[:, 2]))
        # One layer alone does not tell what is usual, and none may be as high: walls may stand half a layer up beside others.
        high = len(after) > 1 and height > _TWO_STEPS * float(np.max(layers.gap_mm[after, 2]))
        with np.errstate(divide="ignore", invalid="ignore"):
            unlike = np.abs(np.log(others / own)).max(axis=1)
        return high and bool((unlike < np.log(self.limits.alike)).any())

    def _found(self, layers: LayerMap, index: int, why: str, evidence: dict[str, float], severity: Severity) -> Finding:
        height = float(layers.z_mm[index])
        return self.finding(
            f"The first layer is laid {height:.2f} mm above the bed, and {why}.",
            "Is a layer missing below it? Make the job again and compare; release it if an offset of the printer, or a plate on "
            "its bed, makes up for the height.",
            severity=severity,
            where=Where(
                layer=index + 1,
                z_mm=(height, height),
                lines=(int(layers.first_line[index]), int(layers.last_line[index])),
                box_mm=tuple(round(float(v), 3) for v in layers.box_mm[index]),
            ),
            evidence=evidence,
        )


def _next_layers(layers: LayerMap, chosen: np.ndarray, index: int) -> np.ndarray:
    """Give the indices of the layers that follow on one in its stack, a few."""
    after: np.ndarray = chosen[(chosen > index) & (layers.stack[chosen] == layers.stack[index])][:_NEXT]
    return after
