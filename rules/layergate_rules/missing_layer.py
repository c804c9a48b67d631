"""missing-layer: a layer, or more, is not in the file."""

from collections.abc import Sequence

import numpy as np
from pydantic import Field

from layergate.preflight.rule import (
    Beads,
    Finding,
    Findings,
    LayerMap,
    Limits,
    NotApplicableError,
    Rule,
    Severity,
    Where,
    cell_keys,
    connected_regions,
    neighbour_offsets,
)
from layergate_rules.chains import extent, has_outline
from layergate_rules.islands import CELL_MM
from layergate_rules.layer_statistics import (
    compared_layers,
    largest,
    number_of,
    of_parallel_lines,
    seen_below,
    side_medians,
)
from layergate_rules.pieces import bead_area_mm2, parted_by_air
from layergate_rules.spirals import Fault, SpiralWatch
from layergate_rules.tracks import WALLS_AGAIN, going_on, parts_walls_again

_RAFT_LAYERS, _RAFT_MM = 14, 6.0
"""A raft has a few layers, and the part begins on it within millimetres (common practice)."""

_DENSE_FROM_THE_BED = 0.8
"""Of the top, what the first layer fills: a plate is a solid floor from the first layer on. A raft begins with lines far apart."""

_HIGHER = 1.2
"""A layer starts high where its gap is this much larger than that of the layer before."""

_ALL_AROUND = 0.8
"""Share of a ring around a region, a bead or two further out, under which a raft lies: all but what reaches its edge."""

_SAME_HEIGHT_MM = 0.02

_ALONE_AMONG = 4
"""Layers on each side: thick infill comes back within so many."""


def _parted(inside: np.ndarray, under: Beads, between: Beads, layer: Beads, after: Beads) -> bool:
    """Say whether air is left on purpose under some samples of a layer, by their walls: sparse infill has a gap of its own."""
    walls = going_on(layer, after, inside)
    return parted_by_air(layer.samples.x_mm[walls], layer.samples.y_mm[walls], under, between, layer)


def _two_below(layers: Sequence[Beads]) -> list[Beads]:
    """Give the last of some layers and the one two of its steps below it, or one: infill repeats after two.

    Supports on heights of their own lie between them.
    """
    last = layers[-1]
    for steps in (2, 1):
        z = last.z_mm - steps * last.gap_levels_mm[0]
        if found := [one for one in layers[:-1] if abs(one.z_mm - z) < _SAME_HEIGHT_MM]:
            return [last, found[-1]]
    return [last, *layers[-3:-2]]


class MissingLayerLimits(Limits):
    gap_ratio: float = Field(
        1.5,
        gt=1,
        description="gap of the layer's lowest tenth against its neighbours'; one lost layer makes 2 (geometry)",
    )
    fill_ratio: float = Field(
        0.714,
        gt=0,
        lt=1,
        description="bead area over gap, lowest quarter of the path, against the neighbours'; half-way, in logarithm, from 1 "
        "(thicker layer, fed for its height) to 1/2 (one lost layer)",
    )
    median_fill_ratio: float = Field(
        0.9,
        gt=0,
        lt=1,
        description="the same for the median: bridging beads as thick as a 0.4 mm nozzle is wide make 0.8 over two steps of "
        "0.2 mm (conservation), and flows vary by a few percent",
    )
    most_on_step: float = Field(0.4, description="share of the path that may still lie one step above what is under it")
    second_way_at_two_steps: float = Field(
        0.6, description="share of the path two steps above, where remnants lie at the lost height"
    )
    second_way_on_step: float = Field(0.3, description="share of the path one step above, for the second way")
    most_remnants: float = Field(
        0.75, description="path at the lost height against the layers below and above it, where remnants are left"
    )
    same_gap: float = Field(
        1.1,
        gt=1,
        description="gaps of layers that take turns, the larger over the smaller; heights rounded to 0.01 mm (own choice)",
    )
    alike: float = Field(
        1.3, gt=1, description="path of the layers on both sides of a lost one, the longer over the shorter"
    )
    no_thicker: float = Field(
        1.15,
        gt=1,
        description="bead area against the larger of the neighbours'; a layer of twice the height has 2 (conservation)",
    )
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
        For every bead the gap down to what lies under that very bead is measured. In a good layer it is the layer height.
        After a lost layer it is twice that nearly everywhere, and the beads are fed for one layer only. Three layers
        below and three above are compared each for themselves, so a change of layer height is no gap; nor is a layer that
        is fed for its gap. Among supports and objects of other heights a layer is compared with the one that it lies on and
        the one that lies on it, and held.

        Bridges, overhangs and roofs leave a part of the layer on its step. Where remnants stand at the lost height the
        job is held, since they may be a support. The air left over supports and rafts is known and passed over. Of second
        layers it is asked whether their beads touch the first at all. A spiral is followed along its path: half a turn or
        more that starts two steps high. Of a lost first layer first-layer-height tells; a lost last one can't be told.

    What to do
        Make the job again from its model and check it once more. If the gap stays, the model or the settings cause it.

    Source: limits from geometry and physics as said at each; separations measured on 45 real jobs.
    """

    identifier = "missing-layer"
    severity = "block"
    limits_model = MissingLayerLimits

    def prepare(self) -> None:
        self._spirals = SpiralWatch()
        self._recent: list[Beads] = []
        self._first: Beads | None = None  # of the stack
        self._walls_again: dict[tuple[int, float], float] = {}
        self._reached_out: set[tuple[int, float]] = set()
        self._step_under: dict[tuple[int, float], float] = {}
        # Layers that start high against those of their own: gap, usual gap, and height of what lies under, mm.
        self._high_alone: dict[tuple[int, float], tuple[float, float, float]] = {}
        self._layers = 0

    def each_layer(self, beads: Beads) -> None:
        """Remember, of a layer after one with much less path, whether its walls stood below that one, too."""
        self._spirals.see(beads)
        if self._recent and self._recent[-1].stack != beads.stack:
            self._recent.clear()
        if not self._recent:
            self._first, self._layers = beads, 0  # objects printed one after another have each a raft of their own
        self._recent.append(beads)
        del self._recent[:-6]
        self._layers += 1
        self._look_under(beads)
        if len(self._recent) < 4 or any(layer.ramp for layer in self._recent):
            return
        self._look_between_own(beads)
        *below, between, layer, after = self._recent
        path = [float(one.length_mm.sum()) for one in (below[-1], between, layer)]
        if path[1] < self.limits.most_remnants * min(path[0], path[2]):
            # A support's own layer between two of the part may be thicker than theirs.
            step = self._step_under.get((layer.stack, layer.z_mm), between.gap_levels_mm[1])
            inside = np.flatnonzero(layer.samples.gap_mm > self.limits.gap_ratio * step)
            share = parts_walls_again(layer, after, inside, _two_below(below))
            if share >= WALLS_AGAIN and _parted(inside, below[-1], between, layer, after):
                share = 0.0
            self._walls_again[layer.stack, layer.z_mm] = share

    def _look_between_own(self, after: Beads) -> None:
        """Remember a layer that starts high against what it lies on, and against what lies on it.

        Parts and supports, or objects of other layer heights, take turns, so that its neighbours tell little of it.
        """
        layer = self._under(after)
        # Of what starts high, the half: supports at heights of their own may lie under the lowest tenth.
        under = self._under(layer, 1) if layer else None
        if layer is None or under is None:
            return
        amid = [one for one in self._recent if under.z_mm + _SAME_HEIGHT_MM < one.z_mm < layer.z_mm - _SAME_HEIGHT_MM]
        gap, step = layer.gap_levels_mm[1], after.gap_levels_mm[0]
        area = [bead_area_mm2(one) for one in (under, layer, after)]
        below = [under]
        if abs(under.gap_levels_mm[0] - under.z_mm) > _SAME_HEIGHT_MM:  # on the bed it is as thick as it likes
            fed_mm = np.fmin(under.gap_levels_mm[0], area[0] / area[2] * step)
            step = max(step, fed_mm)
            # What lies under the air of a raft is another thing.
            if under.gap_levels_mm[0] < self.limits.gap_ratio * fed_mm and (lower := self._under(under)):
                below.append(lower)
        if (
            gap < self.limits.gap_ratio * step
            or area[1] * after.gap_levels_mm[0] >= self.limits.fill_ratio * area[2] * gap
        ):
            return
        samples = layer.samples
        high = samples.gap_mm > self.limits.gap_ratio * step
        if 1 - samples.weight_mm[high].sum() / samples.weight_mm.sum() >= self.limits.most_on_step:
            return
        inside = np.flatnonzero(high)
        if not parts_walls_again(layer, after, inside, below) >= WALLS_AGAIN:
            return
        if not amid or not _parted(inside, under, amid[-1], layer, after):
            self._high_alone[layer.stack, layer.z_mm] = (gap, step, under.z_mm)

    def _under(self, layer: Beads, level: int = 0) -> Beads | None:
        """Give the layer on which the lowest tenth of one lies, or its half (level 1), if it is still known."""
        z = layer.z_mm - layer.gap_levels_mm[level]
        at = next(at for at, one in enumerate(self._recent) if one is layer)
        return next((one for one in self._recent[:at][::-1] if abs(one.z_mm - z) < _SAME_HEIGHT_MM), None)

    def finish(self, layers: LayerMap) -> Findings:
        for fault in self._spirals.lost:
            yield self._lost_turns(layers, fault)
        chosen = compared_layers(layers)
        if len(chosen) < 2:
            raise NotApplicableError("a gap shows only between layers, and there are fewer than two")
        gap, stacks = layers.gap_mm[chosen, 0], layers.stack[chosen]
        # The nearest layers, too: adaptive heights change quickly.
        sides = zip(side_medians(gap, stacks), side_medians(gap, stacks, 1), strict=True)
        step = largest(*(np.fmin(*side) for side in sides))
        # Where objects have layers of their own heights, those of others are no measure: what lies under the beads is.
        places = zip(stacks.tolist(), layers.z_mm[chosen].tolist(), strict=True)
        step = np.fmax(step, [self._step_under.get(place, 0.0) for place in places])
        usual = largest(*side_medians(layers.gap_mm[chosen, 2], stacks))
        starved = self._fed_too_little(layers, chosen) | self._alone(layers, chosen, gap, step)
        with np.errstate(invalid="ignore", divide="ignore"):
            # By their beads, too: a thick first layer is fed for its height.
            kinds = np.log(np.column_stack((layers.gap_mm[chosen][:, :3], layers.area_mm2[chosen][:, 2])))
        starved &= ~seen_below(kinds, stacks, np.log(self.limits.same_gap))
        for at in range(1, len(chosen)):
            index, under = int(chosen[at]), int(chosen[at - 1])
            first_in_stack = layers.stack[under] != layers.stack[index]
            if first_in_stack or layers.ramp[index] or not starved[at] or not 0 < step[at] < np.inf:
                continue
            second = at == 1 or layers.stack[chosen[at - 2]] != layers.stack[index]
            between = layers.z_mm[index] - layers.z_mm[under] < self.limits.gap_ratio * step[at]
            if between and (second or not self._only_remnants(layers, int(chosen[at - 2]), under, index)):
                continue
            height = self._gap(layers, index, float(gap[at]), float(step[at]), second, float(usual[at]))
            if height and not self._over_raft(layers, index):
                # Where something stands at that height, it may be a support whose lines run right under the walls.
                severity: Severity = "hold" if between else "block"
                self._high_alone.pop((int(stacks[at]), float(layers.z_mm[index])), None)
                yield self._found(layers, index, under, height, float(step[at]), severity)
        for (stack, z), (height, usual_mm, under_z) in self._high_alone.items():
            index, under = ((number_of(layers, stack, mm) or 1) - 1 for mm in (z, under_z))
            if not self._over_raft(layers, index):
                yield self._found(layers, index, under, height, usual_mm, "hold")

    def _gap(self, layers: LayerMap, index: int, gap: float, step: float, second: bool, usual: float) -> float | None:
        """Give how high above what lies under it a layer starts, mm, where that is more than a step; else None.

        Args:
            gap, step: of the layer's lowest tenth, and its neighbours'.
            usual: the neighbours' median gap: where seams are ramped, the lowest tenth is anything.
        """
        limits = self.limits
        on_step = layers.gap_share(index, -1.0, 1.5 * step)
        if gap >= limits.gap_ratio * step:
            if on_step >= limits.most_on_step or (second and not self._hangs(layers, index, gap / step)):
                return None
            return gap
        # A lost layer of which remnants lie at the lost height: most of the layer above still starts two steps high.
        median = float(layers.gap_mm[index, 2])
        if second or median < 1.6 * max(step, usual) or on_step >= limits.second_way_on_step:
            return None
        at_two = layers.gap_share(index, 1.6 * step, 2.5 * step)
        return median if at_two > limits.second_way_at_two_steps else None

    def _only_remnants(self, layers: LayerMap, before: int, between: int, above: int) -> bool:
        """Say whether a layer that stands at the height of the gap lacks most of what lies above and below it.

        Where it does not, or where those two are not alike, the gap is the air that is left on purpose over supports: a
        roof of the part starts above it, and other things stood below. A dense top of a support is alike by chance: its
        lines are not where the walls above it are.
        """
        share = self._walls_again.get((int(layers.stack[above]), float(layers.z_mm[above])), 0.0)
        if not share >= WALLS_AGAIN:  # nor where no walls go on above the gap, so that nothing tells
            return False
        path = layers.path_mm
        less, more = sorted((float(path[before]), float(path[above])))
        return bool(path[between] < self.limits.most_remnants * less and more < self.limits.alike * less)

    def _fed_too_little(self, layers: LayerMap, chosen: np.ndarray) -> np.ndarray:
        """Say which layers' beads are too thin for the gap they have to fill: (m,) bool; True where flow is unknown."""
        fill = layers.fill_mm[chosen][:, [1, 2, 4]]
        below, above = side_medians(fill, layers.stack[chosen])
        ratio = fill / np.fmin(below, above)
        fed: np.ndarray = (ratio[:, :2] >= (self.limits.fill_ratio, self.limits.median_fill_ratio)).any(axis=1)
        # Most of an ironed layer's path lays next to nothing: its thickest beads tell, unless they are a lump.
        fed |= (ratio[:, 2] >= self.limits.median_fill_ratio) & (ratio[:, 2] < 1 / self.limits.fill_ratio)
        return ~fed

    def _alone(self, layers: LayerMap, chosen: np.ndarray, gap: np.ndarray, step: np.ndarray) -> np.ndarray:
        """Say which layers alone among those around start high, with beads no thicker than theirs, or than one's alike: (m,) bool.

        Where a floor ends, the layers on one side are of thin walls, beside which the floor's beads seem to be fed for
        more. Thick infill every few layers is thicker, and does not stand alone.
        """
        area, stacks = layers.area_mm2[chosen], layers.stack[chosen]
        below, above = side_medians(area, stacks)
        known = np.isfinite(below).all(axis=1) & np.isfinite(above).all(axis=1)
        thicker: np.ndarray = (area / np.fmax(below, above)).max(axis=1)
        alone = np.zeros(len(gap), np.bool_)
        for at in np.flatnonzero(known & (gap >= self.limits.gap_ratio * step)).tolist():
            around = np.r_[max(0, at - _ALONE_AMONG) : at, at + 1 : min(len(gap), at + 1 + _ALONE_AMONG)]
            # The first layer of a stack lies on the bed, as thick as it likes.
            around = around[(stacks[around] == stacks[at]) & (around > np.searchsorted(stacks, stacks[at]))]
            # Where walls grow or shrink from layer to layer, their shares change, and one layer tells more than several.
            alike = np.abs(np.log(area[at] / area[around])).max(axis=1) < np.log(self.limits.no_thicker)
            alone[at] = (gap[around] < self.limits.gap_ratio * step[at]).all() and (
                thicker[at] < self.limits.no_thicker or alike.any()
            )
        return alone

    def _hangs(self, layers: LayerMap, index: int, ratio: float) -> bool:
        """Say whether the beads of a second layer are too thin to touch the first, as free strands of their flow."""
        area = float(layers.area_mm2[index, 2])
        if not np.isfinite(area) or area <= 0:
            return False
        strand = np.sqrt(4 * area / np.pi)
        return bool(layers.gap_mm[index, 0] / strand > self.limits.strand_gap and ratio >= 1.8)

    def _over_raft(self, layers: LayerMap, index: int) -> bool:
        """Say whether what lies under the gap is a raft: low, reaching out all around the part, of parallel lines."""
        z = float(layers.z_mm[index])
        if (int(layers.stack[index]), z) not in self._reached_out:
            return False
        under_z = z - float(layers.gap_mm[index, 2])
        candidates = np.flatnonzero(
            (np.abs(layers.z_mm - under_z) < _SAME_HEIGHT_MM) & (np.arange(len(layers)) < index)
        )
        return bool(of_parallel_lines(layers, candidates[-1:]).any())

    def _look_under(self, layer: Beads) -> None:
        """Remember, of a layer that starts high, the step of what lies under it, and whether that is a raft's top."""
        if len(self._recent) < 2 or layer.gap_levels_mm[0] < _HIGHER * self._recent[-2].gap_levels_mm[0]:
            return
        under = self._under(layer)
        if under is None:
            return
        samples = layer.samples
        keys = cell_keys(samples.x_mm, samples.y_mm, CELL_MM)
        under_keys = cell_keys(under.samples.x_mm, under.samples.y_mm, CELL_MM)
        lowest = keys[samples.gap_mm < _HIGHER * layer.gap_levels_mm[0]]
        met = under.samples.gap_mm[np.isin(under_keys, lowest)]
        if len(met) and (layer.stack, under.z_mm) not in self._reached_out:  # a raft's air is no step
            # Of those that lie lowest over what is under them: others are thick infill, or bridge air.
            self._step_under[layer.stack, layer.z_mm] = float(np.quantile(met, 0.1))
        if (
            self._layers <= _RAFT_LAYERS
            and layer.z_mm <= _RAFT_MM
            and self._reaches_out(keys, samples.weight_mm, under_keys)
            and not (has_outline(under) and self._dense_from_the_bed(under))
        ):
            self._reached_out.add((layer.stack, layer.z_mm))

    def _reaches_out(self, keys: np.ndarray, weight_mm: np.ndarray, under_keys: np.ndarray) -> bool:
        """Say whether the larger part of a layer has what lies under it all around, a bead or two further out."""
        region = connected_regions(keys)
        path = np.bincount(region, weight_mm)
        reach = np.asarray(neighbour_offsets())
        there = np.unique(under_keys[:, None] + reach)
        around = 0.0
        for number in np.flatnonzero(path > 0.02 * path.sum()).tolist():
            near = np.unique(np.unique(keys[region == number])[:, None] + reach)
            ring = np.setdiff1d(np.unique(near[:, None] + reach), near)
            around += float(path[number]) if np.isin(ring, there).mean() > _ALL_AROUND else 0.0
        return around > 0.5 * float(path.sum())

    def _dense_from_the_bed(self, top: Beads) -> bool:
        """Say whether the first layer of the stack fills about as much as one over it, where that one lies."""
        low, high = extent(top)
        laid_mm3 = []
        first = self._first or top
        for layer in (first, top):
            at = np.column_stack((layer.x0 + layer.x1, layer.y0 + layer.y1)) / 2
            inside = ((at >= low) & (at <= high)).all(axis=1)  # a skirt is around it
            laid_mm3.append(float(np.nansum(layer.length_mm[inside] * layer.area_mm2[inside])))
        step_mm, first_mm = top.gap_levels_mm[1], first.gap_levels_mm[1]
        return laid_mm3[0] * step_mm >= _DENSE_FROM_THE_BED * laid_mm3[1] * first_mm > 0

    def _lost_turns(self, layers: LayerMap, fault: Fault) -> Finding:
        lost = fault.ratio - 1
        what = "A turn" if lost < 1.5 else f"{lost:.0f} turns"
        return self.finding(
            f"{what} of a spiral {'is' if lost < 1.5 else 'are'} missing under Z {fault.z_mm[0]:.2f} mm: {fault.path_mm:.0f} mm of "
            f"the next turn start {fault.gap_mm:.2f} mm above what lies under them, where {fault.usual_gap_mm:.2f} mm is usual, "
            "and are fed for one turn only.",
            "Make the job again from its model and check it once more: the wall would split at this height.",
            where=Where(
                layer=number_of(layers, fault.stack, fault.z_mm[0]),
                z_mm=(fault.z_mm[0] - fault.gap_mm, fault.z_mm[1]),
                lines=fault.lines,
            ),
            evidence={
                "gap_mm": fault.gap_mm,
                "usual_gap_mm": fault.usual_gap_mm,
                "gap_ratio": fault.ratio,
                "path_over_gap_mm": fault.path_mm,
                "bead_area_mm2": fault.area_mm2,
                "usual_bead_area_mm2": fault.usual_area_mm2,
            },
        )

    def _found(self, layers: LayerMap, index: int, under: int, gap: float, step: float, severity: Severity) -> Finding:
        lost = max(1, round(gap / step) - 1)
        z, z_under = float(layers.z_mm[index]), float(layers.z_mm[under])
        lines = (int(layers.last_line[under]), int(layers.first_line[index]))
        what = "A layer is missing" if lost == 1 else f"{lost} layers are missing"
        evidence = {
            "gap_mm": gap,
            "usual_gap_mm": step,
            "gap_ratio": gap / step,
            "share_still_supported": layers.gap_share(index, -1.0, 1.5 * step),
            "layers_missing": lost,
            "path_over_gap_mm": float(layers.path_mm[index]),
        }
        fed = ""
        if layers.flow_known:
            evidence["bead_area_mm2"] = float(layers.area_mm2[index, 2])
            evidence["usual_bead_area_mm2"] = float(layers.area_mm2[under, 2])
            fed = ", though its beads are fed for one layer only"
        return self.finding(
            f"{what} between Z {z_under:.2f} and Z {z:.2f} mm: layer {index + 1} is laid {gap:.2f} mm above what lies under it, "
            f"where {step:.2f} mm is usual{fed}. Nothing is laid there between lines {lines[0]} and {lines[1]}.",
            "Make the job again from its model and check it once more: the part would split at this height, and nothing on the "
            "printer can change that.",
            severity=severity,
            where=Where(
                layer=index + 1,
                z_mm=(z_under, z),
                lines=lines,
                box_mm=tuple(round(float(v), 3) for v in layers.box_mm[index]),
            ),
            evidence=evidence,
        )
