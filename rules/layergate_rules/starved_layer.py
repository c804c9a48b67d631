"""starved-layer: a layer, or a few, get clearly less material than their neighbours."""

from collections.abc import Iterator

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Beads, Finding, Findings, LayerMap, Limits, NotApplicableError, Rule, Where
from layergate_rules.layer_statistics import (
    SIDE,
    compared_layers,
    number_of,
    of_parallel_lines,
    seen_below,
    side_medians,
)
from layergate_rules.spirals import Fault, SpiralWatch

_Stretch = tuple[int, int, np.ndarray]
"""First layer, the one after the last, and the logarithms of the usual flow, (5,)."""

_FARTHEST = 4
"""Layers up and down to two that are like each other: infill comes back after a few layers."""

_MIDDLE, _MOST = 2, 3
"""Of the quantiles: half of the path fills less, and three quarters."""

_RAFT_LAYERS = 8
"""Layers of a raft, at most (common practice: three to five)."""


_SAME_SHAPE = 0.02
"""In logarithm: references that fit a starved layer this much alike fit it equally well."""

_THIN_LAYER_MM = 0.07
"""Thicker layers are not made a sixth thinner by the rounding of their heights."""

_ROUNDING_MM = 0.0105
"""Two heights, each rounded to 0.01 mm."""


_AIR_RATIO = 1.1
"""A first layer over a raft lies at least this much higher than others; less air parts nothing (own choice)."""

_RAFT_WIDTH = 0.5
"""Of the width of the part's beads: a nozzle lays none of less than half its own."""

_IRONED = 0.5
"""Of the flow of a bead, which a pass that irons carries less than (common practice: 10 to 30 %)."""

_AS_FULL = 0.9
"""Of the area that the fullest layer near fills: layers of the same outline differ by less, starved ones by more."""


class StarvedLayerLimits(Limits):
    flow_ratio: float = Field(
        0.84,
        gt=0,
        lt=1,
        description="bead area over layer step against the layers' on both sides; good jobs keep 0.88 (measured)",
    )
    block_ratio: float = Field(
        0.75,
        gt=0,
        lt=1,
        description="from here on nobody can have meant it; half-way, in logarithm, between 0.84 and two thirds",
    )
    most_layers: int = Field(
        60, ge=1, description="layers that a starved stretch may have; a longer one is a section of its own"
    )
    alike: float = Field(
        1.05,
        gt=1,
        description="two layers are like each other where their thin, usual and thick beads agree within this ratio (own choice)",
    )
    same_kind: float = Field(
        1.1,
        gt=1,
        description="the same of layers that take turns, and of their gaps; heights rounded to 0.01 mm (own choice)",
    )
    gap_ratio: float = Field(
        1.3,
        gt=1,
        description="gap against the larger of the neighbours'; beyond, the layer lies too high: missing-layer",
    )


class StarvedLayer(Rule):
    """What it looks for
        Layers whose beads are all thinner than those below and above, for the height that they have to fill.

    Why it matters
        Thin beads bond badly: the part breaks there, or leaks. It looks like a clog, and is none.

    How it decides and when it does not apply
        For each bead, its cross-section is divided by the height that it has to fill: about its width. Thin, usual and
        thick beads of a layer are compared for themselves with those of three layers below. A layer is starved where
        all of them fall together and all recover together some layers later. Thin features, bridges and ironing change
        only some of them, or not by one share. Where layers take turns (infill every other layer), a layer is compared
        with two that are like each other, one under and one over it, or with all near, where those fill alike whatever
        they carry. A spiral is compared with the turns below it, its second turn and the layer that it begins on with the
        layers under it.
        Below 75 % the job is blocked, from there to 84 % it is held.

        Flow that is wrong all through the job has nothing to be compared with and is not seen; nor are the first and the
        last layer judged, nor jobs that do not say how much filament they push.

    What to do
        Make the job again from its model. If the flow stays low there, look for a setting that changes at this height.

    Source: separations measured on 45 real jobs; below 0.88 of the flow no real job was ordinary.
    """

    identifier = "starved-layer"
    severity = "block"
    limits_model = StarvedLayerLimits

    def prepare(self) -> None:
        self._spirals = SpiralWatch(self.limits.flow_ratio)

    def each_layer(self, beads: Beads) -> None:
        self._spirals.see(beads)

    def finish(self, layers: LayerMap) -> Findings:
        if not layers.flow_known:
            raise NotApplicableError("the job does not say how much filament its moves push")
        for fault in self._spirals.starved:
            yield self._starved_turns(layers, fault)
        if not layers.ramp.all():
            yield from self._level_layers(layers)
        if layers.ramp.any():
            yield from self._into_a_spiral(layers)

    def _level_layers(self, layers: LayerMap) -> Findings:
        chosen = compared_layers(layers)
        gap = layers.gap_mm[:, 0]
        chosen = chosen[np.isfinite(layers.area_mm2[chosen]).all(axis=1) & ~layers.ramp[chosen] & (gap[chosen] > 0)]
        if len(chosen) < 3:
            if layers.ramp.any():
                return  # a spiral's base
            raise NotApplicableError("flow is compared between layers, and there are fewer than three")
        gaps = _even_steps(gap[chosen], layers.stack[chosen])
        # The lowest tenth of the gaps is the layer's own step: beads over air do not count as starved.
        logs = np.log(layers.area_mm2[chosen] / gaps[:, None])
        stacks = layers.stack[chosen]
        # Compared by their beads and median gaps: in layers that take turns, some beads lie beside higher ones.
        kinds = np.log(np.column_stack((layers.area_mm2[chosen], layers.gap_mm[chosen, 2])))
        seen = seen_below(kinds, stacks, np.log(self.limits.same_kind))
        lines = of_parallel_lines(layers, chosen) & (np.arange(len(chosen)) <= _RAFT_LAYERS)
        found = self._stretches(logs, gaps, stacks, seen, lines)
        inside = {k for first, end, _ in found for k in range(first, end)}
        found += [
            (first, end, usual)
            for first, end, usual in self._between_like(logs, gaps, stacks)
            if inside.isdisjoint(range(first, end))
            and not self._raft(logs, gaps, first, end)
            and not (end - first == 1 and seen[first])
        ]
        inside |= {k for first, end, _ in found for k in range(first, end)}
        fills_mm2 = layers.volume_mm3[chosen] / gaps
        found = [one for one in found if not _as_full(fills_mm2, stacks, *one[:2])]
        boxes = layers.box_mm[chosen]
        found = [one for one in found if self._among_its_own(logs, stacks, boxes, *one[:2])]
        for first, end, usual in sorted(found, key=lambda stretch: stretch[0]):
            nearest = _nearest_usual(logs, stacks, slice(first, end), usual)
            # Where objects take turns, a layer may have all that others of its own kind have, though those around have more.
            if _ratio(logs[first:end], nearest) < self.limits.flow_ratio:
                yield self._found(layers, chosen[first:end], nearest, logs[first:end])
        with np.errstate(divide="ignore"):
            fills = np.log(layers.fill_mm[chosen])
        for row, usual in self._less_than_any(fills, np.log(layers.area_mm2[chosen, 0]), gaps, stacks):
            if row not in inside and not _as_full(fills_mm2, stacks, row, row + 1):
                yield self._found(layers, chosen[row : row + 1], usual, fills[row : row + 1])

    def _into_a_spiral(self, layers: LayerMap) -> Findings:
        """Find the last layer under a spiral starved, or a stretch of turns that begins with the second.

        Where the spiral comes back to the beads of the layers under it, these tell what is usual.
        """
        chosen = compared_layers(layers)
        chosen = chosen[np.isfinite(layers.area_mm2[chosen]).all(axis=1)]
        ramp, stacks, gaps = layers.ramp[chosen], layers.stack[chosen], layers.gap_mm[chosen, 0]
        logs = np.log(layers.area_mm2[chosen])
        fall, alike = np.log(self.limits.flow_ratio), 2 * np.log(self.limits.alike)
        for last in np.flatnonzero(~ramp[:-1] & ramp[1:] & (stacks[:-1] == stacks[1:])).tolist():
            before = [k for k in range(max(1, last - SIDE), last) if stacks[k] == stacks[last] and not ramp[k]]
            if not before or gaps[last] > self.limits.gap_ratio * gaps[before].max():
                continue
            usual = np.median(logs[before], axis=0)
            like = np.abs(logs - usual).max(axis=1) < alike
            low = (logs - usual).max(axis=1) < fall
            on = (stacks == stacks[last]) & (ramp | (np.arange(len(ramp)) == last))
            # A first turn may be fed for its own height, which begins with none.
            for first in [last, last + 2] if like[last + 1] else [last]:
                end = first + int(np.argmin(np.append(low[first:] & on[first:], False)))
                if first < end < len(ramp) and on[end] and like[end]:
                    yield self._found(layers, chosen[first:end], usual, logs[first:end])

    def _stretches(
        self, logs: np.ndarray, gaps: np.ndarray, stacks: np.ndarray, seen: np.ndarray, lines: np.ndarray
    ) -> list[_Stretch]:
        """Find stretches of layers that lie below the three before them, and after which the flow comes back.

        Args:
            lines: which layers may be the top of a raft: (m,) bool.
        """
        found: list[_Stretch] = []
        fall = np.log(self.limits.flow_ratio)
        mixed = _mixed(logs, -np.log(_IRONED))
        at = 1
        while at < len(logs) - 1:
            before = [k for k in range(max(0, at - SIDE), at) if stacks[k] == stacks[at]]
            if not before:
                at += 1
                continue
            usual, highest = np.median(logs[before], axis=0), self.limits.gap_ratio * float(np.max(gaps[before]))
            end = at
            while (
                end < len(logs)
                and stacks[end] == stacks[at]
                and end - at < self.limits.most_layers
                and (logs[end] - usual).max() < fall
                and gaps[end] <= highest
                and not mixed[end]
            ):
                end += 1
            if end == at:
                at += 1
                continue
            after = [k for k in range(end, min(len(logs), end + SIDE)) if stacks[k] == stacks[at] and not mixed[k]]
            # All quantiles must rise again, over every layer of the stretch, by as much as they had to fall: the first layers of
            # a part over its raft have less than the raft, and keep it.
            recovers = after and (np.median(logs[after], axis=0) - logs[at:end].max(axis=0)).min() > -fall
            if recovers and not (
                self._lies_high(logs, gaps, slice(at, end), after, bool(lines[at - 1]))
                or self._raft(logs, gaps, at, end)
                or (end - at == 1 and seen[at])
            ):
                found.append((at, end, usual))
                at = end
            else:
                at += 1  # a section of its own begins here, and within it a layer may be starved all the same
        return found

    def _lies_high(self, logs: np.ndarray, gaps: np.ndarray, stretch: slice, after: list[int], on_raft: bool) -> bool:
        """Say whether a stretch has the beads of the layers after it and only lies higher, as over the air gap of a raft."""
        area = np.median(logs[stretch] + np.log(gaps[stretch, None]))
        usual = np.median(logs[after] + np.log(gaps[after, None]))
        ratio = _AIR_RATIO if on_raft else self.limits.gap_ratio
        high = gaps[stretch].min() > ratio * np.median(gaps[after])
        return bool(high and area - usual > np.log(self.limits.flow_ratio))

    def _raft(self, logs: np.ndarray, gaps: np.ndarray, first: int, end: int) -> bool:
        """Say whether an air gap follows on low layers: they are a raft's, whose beads are of a width of their own."""
        return bool(
            first <= _RAFT_LAYERS
            and end < len(gaps)
            and gaps[end] > self.limits.gap_ratio * float(gaps[first:end].max())
            and np.median(logs[first:end] - np.median(logs[end + 1 : end + 1 + SIDE], axis=0)) > np.log(_RAFT_WIDTH)
        )

    def _between_like(self, logs: np.ndarray, gaps: np.ndarray, stacks: np.ndarray) -> list[_Stretch]:
        """Find layers that lie below two others, as far under them as over them, which are like each other.

        Layers take turns where infill is laid every second one, or change where a floor ends, so that the three before one
        say little of it; two that agree in every quantile say much.
        """
        fall, alike = np.log(self.limits.flow_ratio), np.log(self.limits.alike)
        usual = np.full(logs.shape, np.nan)
        for apart in range(1, min(_FARTHEST, (len(logs) - 1) // 2) + 1):
            here, below, above = slice(apart, -apart), slice(None, -2 * apart), slice(2 * apart, None)
            lower = np.fmin(logs[below], logs[above])
            low = (logs[here] - lower).max(axis=1) < fall
            low &= np.abs(logs[below] - logs[above]).max(axis=1) < alike
            low &= np.ptp(np.log([gaps[here], gaps[below], gaps[above]]), axis=0) < alike  # of one height, all three
            low &= (stacks[here] == stacks[below]) & (stacks[here] == stacks[above])
            # What is starved is the same layer with less: every quantile has fallen by one factor.
            low &= np.ptp(logs[here] - lower, axis=1) < 2 * alike
            low &= np.isnan(usual[here]).all(axis=1)
            usual[here] = np.where(low[:, None], lower, usual[here])
        rows = np.flatnonzero(np.isfinite(usual).all(axis=1))
        runs = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1) if len(rows) else []
        found = [(int(run[0]), int(run[-1]) + 1, usual[run[0]]) for run in runs]
        return [(first, end, usual) for first, end, usual in found if not _goes_on(logs, stacks, first, end, alike)]

    def _less_than_any(
        self, fills: np.ndarray, areas: np.ndarray, gaps: np.ndarray, stacks: np.ndarray
    ) -> Iterator[tuple[int, np.ndarray]]:
        """Find layers hardly a bead of which fills as much as the usual ones of every layer near, though these fill alike.

        Layers of every kind do, whether they carry infill for two or three layers or none, so that nothing needs to be like it.

        Args:
            fills, areas: logarithms: (m, 5) of bead area over the bead's own gap, (m,) of the thinnest tenth's area.

        Yields: the row, and the logarithms of the usual fill, (5,).
        """
        fall, alike = np.log(self.limits.flow_ratio), 2 * np.log(self.limits.alike)
        for row in range(1, len(fills) - 1):
            near = [k for k in range(row - _FARTHEST, row + _FARTHEST + 1) if 0 <= k < len(fills) and k != row]
            # Over the air of a raft nothing is filled, and what lies under it is another thing.
            high = [k for k in near if k < row and gaps[k] > self.limits.gap_ratio * gaps[k + 1]]
            near = [k for k in near if stacks[k] == stacks[row] and k > max(high, default=-1)]
            if not near or not near[0] < row < near[-1] or not np.isfinite(fills[near]).all():
                continue
            # Over air beads fill nothing, beside higher ones too much.
            usual = min((fills[near, at] for at in (_MIDDLE, _MOST)), key=np.ptp)
            if (
                np.ptp(usual) < alike
                and fills[row, _MOST] - usual.min() < fall
                and areas[row] - areas[near].min() < fall
                and gaps[row] < self.limits.gap_ratio * gaps[near].max()
            ):
                shares = fills[row] - fills[near]
                nearest = int(np.argmin(np.ptp(shares, axis=1)))
                if np.ptp(shares[nearest]) < alike:
                    yield row, fills[near[nearest]]

    def _among_its_own(self, logs: np.ndarray, stacks: np.ndarray, boxes: np.ndarray, first: int, end: int) -> bool:
        """Say whether a stretch lies below layers that lie over one another with it, where those next to it are of other objects.

        Objects whose heights lie a little apart take turns, each with beads of its own.
        """
        low, high = boxes[first:end, :2].min(axis=0), boxes[first:end, 2:].max(axis=0)
        over = (boxes[:, :2] < high).all(axis=1) & (boxes[:, 2:] > low).all(axis=1)
        same = stacks == stacks[first]
        own = over & same
        if (over | ~same)[max(0, first - SIDE) : end + SIDE].all():
            return True
        rows = np.flatnonzero(own)
        sides = rows[rows < first][-SIDE:], rows[rows >= end][:SIDE]
        fall = np.log(self.limits.flow_ratio)
        return all(len(side) and (logs[first:end] - np.median(logs[side], axis=0)).max() < fall for side in sides)

    def _starved_turns(self, layers: LayerMap, fault: Fault) -> Finding:
        severity = "block" if fault.ratio < self.limits.block_ratio else "hold"
        return self.finding(
            f"{fault.path_mm:.0f} mm of a spiral, from Z {fault.z_mm[0]:.2f} to {fault.z_mm[1]:.2f} mm, get "
            f"{100 * fault.ratio:.0f} % of the material of the turns before, for the height that they fill.",
            "Make the job again from its model and check it once more; the wall would be weak or leak at this height.",
            severity=severity,  # type: ignore[arg-type]
            where=Where(layer=number_of(layers, fault.stack, fault.z_mm[0]), z_mm=fault.z_mm, lines=fault.lines),
            evidence={
                "flow_ratio": fault.ratio,
                "bead_area_mm2": fault.area_mm2,
                "usual_bead_area_mm2": fault.usual_area_mm2,
                "path_mm": fault.path_mm,
            },
        )

    def _found(self, layers: LayerMap, rows: np.ndarray, usual: np.ndarray, logs: np.ndarray) -> Finding:
        first, last = int(rows[0]), int(rows[-1])
        ratio = _ratio(logs, usual)
        z = (float(layers.z_mm[first]), float(layers.z_mm[last]))
        lines = (int(layers.first_line[first]), int(layers.last_line[last]))
        place = f"Layer {first + 1} (Z {z[0]:.2f} mm) gets" if first == last else (
            f"Layers {first + 1} to {last + 1} (Z {z[0]:.2f} to {z[1]:.2f} mm) get"
        )  # fmt: skip
        severity = "block" if ratio < self.limits.block_ratio else "hold"
        return self.finding(
            f"{place} {100 * ratio:.0f} % of the material of the layers below and above, for the height that they fill.",
            "Make the job again from its model and check it once more; the part would be weak at this height.",
            severity=severity,  # type: ignore[arg-type]
            where=Where(
                layer=first + 1, z_mm=z, lines=lines, box_mm=tuple(round(float(v), 3) for v in layers.box_mm[first])
            ),
            evidence={
                "flow_ratio": ratio,
                "bead_area_mm2": float(np.median(layers.area_mm2[rows, 2])),
                "bead_width_mm": float(np.median(layers.width_mm[rows])),
                "layers": len(rows),
            },
        )


def _ratio(logs: np.ndarray, usual: np.ndarray) -> float:
    """Give what share of the usual flow some layers have, by logarithms: (m, 5) and (5,)."""
    return float(np.exp(np.median(np.median(logs, axis=0) - usual)))


def _as_full(fills_mm2: np.ndarray, stacks: np.ndarray, first: int, end: int) -> bool:
    """Say whether layers fill as much as those on both sides, in thinner beads and more of them: two for one wide wall."""
    sides = [
        fills_mm2[k]
        for rows in (range(max(0, first - SIDE), first), range(end, min(len(fills_mm2), end + SIDE)))
        for k in rows
        if stacks[k] == stacks[first] and k > 0 and stacks[k - 1] == stacks[k]  # the first layer has a brim, a skirt
    ]
    return bool(np.median(fills_mm2[first:end]) >= _AS_FULL * max(sides, default=np.inf))


def _nearest_usual(logs: np.ndarray, stacks: np.ndarray, stretch: slice, usual: np.ndarray) -> np.ndarray:
    """Give what the layers of a stretch would have had: a starved layer has the beads of a good one, all thinner alike.

    Where layers take turns, those just before are of another kind than it. So of them and of every layer close by that one
    counts from which all quantiles differ by one factor.
    """
    before = range(max(0, stretch.start - _FARTHEST), stretch.start)
    after = range(stretch.stop, min(len(logs), stretch.stop + _FARTHEST))
    near = [k for k in (*before, *after) if stacks[k] == stacks[stretch.start]]
    references = np.vstack((usual, logs[near]))
    uneven = np.ptp(np.median(logs[stretch], axis=0) - references, axis=1)
    if uneven[0] <= uneven.min() + _SAME_SHAPE:
        return usual
    best: np.ndarray = np.median(references[uneven <= uneven.min() + _SAME_SHAPE], axis=0)
    return best


def _even_steps(gaps: np.ndarray, stacks: np.ndarray) -> np.ndarray:
    """Give the gaps of layers; of thin ones the middle of theirs and their neighbours' where rounding to 0.01 mm explains it.

    Layers of 0.053 mm are then written as 0.05 and 0.06 mm, with the same beads.
    """
    below, above = side_medians(gaps, stacks)
    usual = np.fmin(np.fmax(np.fmin(below, above), gaps), np.fmax(below, above))
    wavers = (gaps < _THIN_LAYER_MM) & (np.abs(usual - gaps) < _ROUNDING_MM)
    even: np.ndarray = np.where(wavers, usual, gaps)
    return even


def _mixed(logs: np.ndarray, slack: float) -> np.ndarray:
    """Say in which layers flows spread further than in any around: what is starved has one factor less of all. (m,) bool.

    An ironed layer has beads of next to no flow beside beads of the usual.
    """
    spread = np.ptp(logs, axis=1)
    usual = np.zeros(len(spread))
    for apart in range(1, min(SIDE, len(spread) - 1) + 1):
        usual[apart:] = np.fmax(usual[apart:], spread[:-apart])
        usual[:-apart] = np.fmax(usual[:-apart], spread[apart:])
    further: np.ndarray = spread > usual + slack
    return further


def _goes_on(logs: np.ndarray, stacks: np.ndarray, first: int, end: int, alike: float) -> bool:
    """Say whether a layer beside a stretch has most of its flows, too: a floor of narrower lines, say, with one wall more."""
    pairs = [(first - 1, first), (end, end - 1)]
    inside = [(k, at) for k, at in pairs if 0 <= k < len(logs) and stacks[k] == stacks[at]]
    return any(np.count_nonzero(np.abs(logs[k] - logs[at]) < alike) > logs.shape[1] / 2 for k, at in inside)
