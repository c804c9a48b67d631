"""partial-layer: a region of a layer is not in the file."""

from dataclasses import dataclass

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Beads, Findings, LayerMap, Limits, Rule, Where, cell_keys, connected_regions
from layergate_rules.islands import LayerSteps
from layergate_rules.layer_statistics import number_of


class PartialLayerLimits(Limits):
    least_share: float = Field(0.12, description="share of a layer's path over the gap, in one region (measured)")
    least_path_mm: float = Field(20.0, description="mm of path over the gap, in one region (own choice)")
    lowest_gap: float = Field(1.6, description="in layer steps; one lost layer makes 2 (geometry)")
    highest_gap: float = Field(2.5, description="in layer steps; above, it is air under a bridge or a roof")
    most_spread: float = Field(
        0.15, description="in layer steps, between the tenth and ninetieth percent of the region's gaps"
    )
    most_area_ratio: float = Field(
        1.4,
        description="bead area over the gap against the layer before; thick infill every other layer has 2 (conservation)",
    )
    least_parallel: float = Field(
        0.6,
        description="share of the region whose beads run parallel to those two layers below, as walls and infill do",
    )
    least_covered: float = Field(
        0.6, description="share of the region that has beads two layers below at the same place; supports are sparser"
    )


@dataclass(frozen=True, slots=True)
class _Region:
    z_mm: float
    stack: int
    path_mm: float
    share: float
    gap_mm: float
    step_mm: float
    parallel: float
    lines: tuple[int, int]
    box_mm: tuple[float, float, float, float]


class PartialLayer(Rule):
    """What it looks for
        A region of a layer that starts two layer steps above what lies under it, where one is usual.

    Why it matters
        Half a layer lost, or one part of several, splits as surely as a whole lost layer, and only there.

    How it decides and when it does not apply
        The beads over a gap of two steps must form one region of some size, with the same gap all over, fed for one layer
        only, and they must run parallel to the beads two layers down, as the walls and the infill of one part do: the bottom
        of a roof over supports does not, and what stands over air has another gap. Sparse infill repeats after two layers,
        too, but crosses itself, which cuts its region into pieces. First and second layers, spirals, and whole lost layers
        (missing-layer says those) are not judged.

    What to do
        Look at the place in the job, or make the job again from its model and compare.

    Source: separations measured on 45 real jobs: half of the half layers lost are found, no good job is held.
    """

    identifier = "partial-layer"
    severity = "hold"
    limits_model = PartialLayerLimits

    def prepare(self) -> None:
        self._steps = LayerSteps()
        self._before: list[Beads] = []
        self._found: list[_Region] = []

    def each_layer(self, beads: Beads) -> Findings:
        if self._steps.first_of_stack(beads):
            self._before.clear()
        step = self._steps.usual()
        if step and len(self._before) >= 2 and not beads.ramp:
            region = self._region(beads, step)
            if region:
                self._found.append(region)
        self._steps.add(beads)
        self._before.append(beads)
        del self._before[:-3]
        return ()

    def _region(self, beads: Beads, step: float) -> _Region | None:
        limits, samples = self.limits, beads.samples
        gap = samples.gap_mm / np.float32(step)
        over = (gap > limits.lowest_gap) & (gap < limits.highest_gap)
        weight = samples.weight_mm
        total = float(weight.sum())
        lost = float(weight[over].sum())
        if lost < max(limits.least_path_mm, limits.least_share * total) or lost > 0.95 * total:
            return None
        region = connected_regions(cell_keys(samples.x_mm[over], samples.y_mm[over], 0.8))
        sizes = np.bincount(region, weight[over])
        inside = np.flatnonzero(over)[region == int(np.argmax(sizes))]
        path = float(sizes.max())
        if path < max(limits.least_path_mm, limits.least_share * total):
            return None
        low, high = np.quantile(gap[inside], (0.1, 0.9))
        if high - low > limits.most_spread:
            return None
        area = (
            float(np.nanmedian(beads.area_mm2[samples.bead[inside]])) if np.isfinite(beads.area_mm2).any() else np.nan
        )
        before = self._before[-1].area_mm2
        usual = float(np.nanmedian(before)) if np.isfinite(before).any() else np.nan
        if np.isfinite(area) and np.isfinite(usual) and area > limits.most_area_ratio * usual:
            return None
        parallel = self._parallel(beads, inside, beads.z_mm - float(np.median(samples.gap_mm[inside])))
        if parallel < limits.least_parallel:
            return None
        members = np.unique(samples.bead[inside])
        x, y = samples.x_mm[inside], samples.y_mm[inside]
        return _Region(
            beads.z_mm,
            beads.stack,
            path,
            path / total,
            float(np.median(samples.gap_mm[inside])),
            step,
            parallel,
            (int(beads.line[members[0]]), int(beads.line[members[-1]])),
            (float(x.min()), float(y.min()), float(x.max()), float(y.max())),
        )

    def _parallel(self, beads: Beads, inside: np.ndarray, below_z: float) -> float:
        """Give the share of some samples whose beads run parallel, within 11 degrees, to the beads under them."""
        under = next((layer for layer in reversed(self._before) if abs(layer.z_mm - below_z) < 0.03), None)
        if under is None:
            return 0.0
        keys = cell_keys(under.samples.x_mm, under.samples.y_mm, 0.4)
        order = np.argsort(keys, kind="stable")
        keys = keys[order]
        direction = _direction(under)[under.samples.bead[order]]
        here = cell_keys(beads.samples.x_mm[inside], beads.samples.y_mm[inside], 0.4)
        at = np.minimum(np.searchsorted(keys, here), len(keys) - 1)
        met = keys[at] == here
        own = _direction(beads)[beads.samples.bead[inside]]
        turn = np.abs(own - direction[at]) % np.pi
        turn = np.minimum(turn, np.pi - turn)
        same = met & (turn < np.radians(11.25))
        covered = met.sum() >= self.limits.least_covered * len(here)
        return float(same.sum() / met.sum()) if covered else 0.0

    def finish(self, layers: LayerMap) -> Findings:
        for region in self._found:
            first, last = region.lines
            yield self.finding(
                f"A part of a layer is missing under Z {region.z_mm:.2f} mm: {region.path_mm:.0f} mm of beads "
                f"({100 * region.share:.0f} % of the layer) start {region.gap_mm:.2f} mm above what lies under them, where "
                f"{region.step_mm:.2f} mm is usual, and are fed for one layer only.",
                "Look at this place in the job, or make the job again from its model and compare.",
                where=Where(
                    layer=number_of(layers, region.stack, region.z_mm),
                    z_mm=(region.z_mm - region.gap_mm, region.z_mm),
                    lines=(first, last),
                    box_mm=region.box_mm,
                ),
                evidence={
                    "gap_mm": region.gap_mm,
                    "usual_gap_mm": region.step_mm,
                    "path_mm": region.path_mm,
                    "share_of_layer": region.share,
                    "share_parallel": region.parallel,
                },
            )


def _direction(beads: Beads) -> np.ndarray:
    """Give the direction of each bead, radians, modulo half a turn: (n,) float64."""
    angle: np.ndarray = np.mod(np.arctan2(beads.y1 - beads.y0, beads.x1 - beads.x0), np.pi)
    return angle
