"""missing-layer: a layer, or more, is not in the file."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Finding, Findings, LayerMap, Limits, NotApplicableError, Rule, Where
from layergate_rules.layer_statistics import compared_layers, largest, side_medians


class MissingLayerLimits(Limits):
    gap_ratio: float = Field(
        1.5,
        gt=1,
        description="gap of the layer's lowest tenth against its neighbours'; one lost layer makes 2 (geometry)",
    )
    gap_over_flow_ratio: float = Field(
        1.4,
        gt=1,
        description="gap ratio against the ratio of bead areas; half-way, in logarithm, from 1 (thick layer) to 2 (lost layer)",
    )
    most_on_step: float = Field(0.4, description="share of the path that may still lie one step above what is under it")
    second_way_at_two_steps: float = Field(
        0.6, description="share of the path two steps above, where remnants lie at the lost height"
    )
    second_way_on_step: float = Field(0.3, description="share of the path one step above, for the second way")
    strand_gap: float = Field(
        1.15,
        description="gap in diameters of the free strand from which a bead no longer touches what is under it; for second layers",
    )


class MissingLayer(Rule):
    """What it looks for
        A layer that starts higher above what lies under it than its neighbours do, though it is fed for one layer only.

    Why it matters
        The beads above the gap are laid into the air: the part splits there. The printer does exactly what the file says,
        so no repair of the machine helps.

    How it decides and when it does not apply
        For every bead the gap to what lies under that very bead is measured. The layer's lowest tenth of gaps is compared
        with the medians of three layers below and of three above, each side for itself: a change from thick to thin layers
        is no gap. The flow must not explain it: the smallest ratio of bead areas over five quantiles. Bridges, overhangs
        and roofs leave a part of the layer on its step; a lost layer leaves next to nothing. The step over a raft is
        deliberate: it is known by the layer under it, which is larger on all sides and made of parallel lines. Second layers
        are judged by whether their beads touch the first at all. The first layer, and a lost last layer, can't be judged.

    What to do
        Make the job again from its model and check it once more. If the gap stays, the model or the settings cause it.

    Source: limits from geometry and physics as said at each; separations measured on 45 real jobs.
    """

    identifier = "missing-layer"
    severity = "block"
    limits_model = MissingLayerLimits

    def finish(self, layers: LayerMap) -> Findings:
        chosen = compared_layers(layers)
        if len(chosen) < 2:
            raise NotApplicableError("a gap shows only between layers, and there are fewer than two")
        gap = layers.gap_mm[chosen, 0]
        below, above = side_medians(gap, layers.stack[chosen])
        step = largest(below, above)
        ratio = gap / step
        flow = self._flow_ratio(layers, chosen)
        limits = self.limits
        for at in np.flatnonzero(ratio >= limits.gap_ratio).tolist():
            index = int(chosen[at])
            if at == 0 or layers.stack[chosen[at - 1]] != layers.stack[index]:
                continue
            on_step = layers.gap_share(index, -1.0, 1.5 * step[at])
            if layers.ramp[index] or self._over_raft(layers, index):
                continue
            first_after = at == 1 or layers.stack[chosen[at - 2]] != layers.stack[index]
            explained = ratio[at] / flow[at] < limits.gap_over_flow_ratio if np.isfinite(flow[at]) else False
            if (
                on_step < limits.most_on_step
                and not explained
                and (not first_after or self._hangs(layers, index, ratio[at]))
            ):
                yield self._found(
                    layers, index, int(chosen[at - 1]), float(gap[at]), float(step[at]), on_step, float(flow[at])
                )
        yield from self._second_way(layers, chosen, gap, step, flow, ratio)

    def _second_way(
        self,
        layers: LayerMap,
        chosen: np.ndarray,
        gap: np.ndarray,
        step: np.ndarray,
        flow: np.ndarray,
        ratio: np.ndarray,
    ) -> Findings:
        """A lost layer of which remnants lie at the lost height: most of the layer above starts two steps high."""
        limits = self.limits
        for at in range(2, len(chosen)):
            index = int(chosen[at])
            if ratio[at] >= limits.gap_ratio or not np.isfinite(step[at]) or layers.ramp[index]:
                continue
            if layers.stack[chosen[at - 2]] != layers.stack[index]:
                continue
            if layers.gap_mm[index, 2] < 1.6 * step[at] or (
                np.isfinite(flow[at]) and flow[at] >= limits.gap_over_flow_ratio
            ):
                continue
            at_two = layers.gap_share(index, 1.6 * step[at], 2.5 * step[at])
            on_step = layers.gap_share(index, -1.0, 1.5 * step[at])
            if (
                at_two > limits.second_way_at_two_steps
                and on_step < limits.second_way_on_step
                and not self._over_raft(layers, index)
            ):
                median = float(layers.gap_mm[index, 2])
                yield self._found(layers, index, int(chosen[at - 1]), median, float(step[at]), on_step, float(flow[at]))

    def _flow_ratio(self, layers: LayerMap, chosen: np.ndarray) -> np.ndarray:
        """Give the smallest ratio, over the quantiles, of bead area to the neighbours': (m,); NaN where flow is unknown."""
        area = layers.area_mm2[chosen]
        below, above = side_medians(area, layers.stack[chosen])
        ratio = area / largest(below, above)
        known = np.isfinite(ratio).all(axis=1)
        return np.where(known, np.min(np.where(known[:, None], ratio, np.inf), axis=1), np.nan)

    def _hangs(self, layers: LayerMap, index: int, ratio: float) -> bool:
        """Say whether the beads of a second layer are too thin to touch the first, as free strands of their flow."""
        area = float(layers.area_mm2[index, 2])
        if not np.isfinite(area) or area <= 0:
            return False
        strand = np.sqrt(4 * area / np.pi)
        return bool(layers.gap_mm[index, 0] / strand > self.limits.strand_gap and ratio >= 1.8)

    def _over_raft(self, layers: LayerMap, index: int) -> bool:
        """Say whether what lies under the gap is a raft: low, larger on all sides, of parallel lines."""
        z = float(layers.z_mm[index])
        if index > 14 or z - float(layers.z_mm[0]) > 6.0:
            return False
        under_z = z - float(layers.gap_mm[index, 2])
        candidates = np.flatnonzero((np.abs(layers.z_mm - under_z) < 0.02) & (np.arange(len(layers)) < index))
        if not len(candidates):
            return False
        under = int(candidates[-1])
        low, high = layers.box_mm[under], layers.box_mm[index]
        larger = low[0] < high[0] - 0.8 and low[1] < high[1] - 0.8 and low[2] > high[2] + 0.8 and low[3] > high[3] + 0.8
        shares = layers.directions[under]
        parallel = float((shares + np.roll(shares, 1) + np.roll(shares, -1)).max())
        return bool(larger and parallel > 0.6)

    def _found(
        self, layers: LayerMap, index: int, under: int, gap: float, step: float, on_step: float, flow: float
    ) -> Finding:
        lost = max(1, round(gap / step) - 1)
        z, z_under = float(layers.z_mm[index]), float(layers.z_mm[under])
        lines = (int(layers.last_line[under]), int(layers.first_line[index]))
        what = "A layer is missing" if lost == 1 else f"{lost} layers are missing"
        evidence = {
            "gap_mm": gap,
            "usual_gap_mm": step,
            "gap_ratio": gap / step,
            "share_still_supported": on_step,
            "layers_missing": lost,
            "path_over_gap_mm": float(layers.path_mm[index]),
        }
        fed = ""
        if np.isfinite(flow):
            evidence["flow_ratio"] = flow
            fed = ", with flow for one layer only"
        return self.finding(
            f"{what} between Z {z_under:.2f} and Z {z:.2f} mm: layer {index + 1} is laid {gap:.2f} mm above what lies under it, "
            f"where {step:.2f} mm is usual{fed}. Nothing is laid between lines {lines[0]} and {lines[1]}.",
            "Make the job again from its model and check it once more: the part would split at this height, and nothing on the "
            "printer can change that.",
            where=Where(
                layer=index + 1,
                z_mm=(z_under, z),
                lines=lines,
                box_mm=tuple(round(float(v), 3) for v in layers.box_mm[index]),
            ),
            evidence=evidence,
        )
