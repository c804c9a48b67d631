"""partial-layer: a region of a layer is not in the file.

Longer than others: its four ways to see a loss share the layers that they keep, and name one loss once.
"""

from dataclasses import dataclass

import numpy as np
from pydantic import Field

from layergate.preflight.rule import (
    Beads,
    Finding,
    Findings,
    LayerMap,
    Limits,
    Rule,
    Where,
    cell_keys,
    connected_regions,
    neighbour_offsets,
)
from layergate_rules.chains import closed_rows, to_and_fro
from layergate_rules.islands import CELL_MM, LayerSteps
from layergate_rules.layer_statistics import number_of, place_of
from layergate_rules.likenesses import (
    come_back,
    fills_a_gap,
    in_order,
    not_a_floors,
    runs_through,
    sparse_around,
    sparse_beside,
    takes_turns,
)
from layergate_rules.open_walls import hanging_walls, hangs_deeper, open_walls
from layergate_rules.pieces import bead_area_mm2, parted_by_air
from layergate_rules.squares import Squares, Stack, grown, lacking, shrunk, squares_of, stacked
from layergate_rules.standing import standing
from layergate_rules.tracks import (
    LEAST_WALLS_MM,
    WALLS_AGAIN,
    beside,
    direction,
    going_on,
    parts_walls_again,
    tracks_of,
    walls_again,
)
from layergate_rules.voids import REACHES, goes_across, is_an_island, sparse, voids

_OWN_STEP = (0.6, 1.5)  # of the usual step: beyond, the tenth on the least gap is no longer on its step
_IN_STROKES = 0.5  # of a region's path: of four samples of 0.3 mm in a row over the gap, two have such on both sides
_SAME_GAP = 0.1  # rounding of heights to 0.01 mm
_EDGE = 2 * max(REACHES) + 2
_LEAST_LACK_MM = 1.0  # in a window of 3 mm: a third of a line through it
_SAME_HEIGHT_MM = 0.02
_SAME_LAYER = 0.5  # of a step: closer in height, what lies beside is of the same layer
_NODES = 9  # layers among which the one under another is looked for
_ENDED = 0.5  # of lost walls, those with none left beside them: where fewer do, they tell nothing
_COME_BACK = 0.5  # of the walls that end; all of a lost piece do
_DEEPER = 1.2  # of a step: what lies higher over what is under it hangs
_CLEAR_MM = 4.0  # about twice the spacing of infill of 20 %


class PartialLayerLimits(Limits):
    least_lost_path_mm: float = Field(
        8.0,
        description="mm of wall above and below and not there, in one piece; seams leave 1 to 2 mm (own choice)",
    )
    least_share: float = Field(0.12, description="share of a layer's path over the gap, in one region (measured)")
    least_path_mm: float = Field(20.0, description="mm of path over the gap, in one region (own choice)")
    even_steps: float = Field(
        0.7, description="smallest over largest of the four steps around a layer that is compared"
    )
    least_repeated: float = Field(
        0.6,
        description="share of the walls over the gap that stand under it, too: all over a lost piece; under a roof's air gap only "
        "those that a line of its supports happens to meet (geometry)",
    )
    lowest_gap: float = Field(1.6, description="in layer steps; one lost layer makes 2 (geometry)")
    highest_gap: float = Field(2.5, description="in layer steps; above, it is air under a bridge or a roof")
    most_spread: float = Field(
        0.15, description="in layer steps, between the tenth and ninetieth percent of the region's gaps"
    )
    most_area_ratio: float = Field(
        1.4,
        description="bead area over the gap against the layer before; thick infill every other layer has 2 (conservation)",
    )
    fed_ratio: float = Field(
        0.714,
        description="bead area over the gap that it has to fill, against the layer after; half-way, in logarithm, from 1 to "
        "the 1/2 of beads over a lost layer (conservation)",
    )
    least_parallel: float = Field(
        0.6,
        description="share of the region whose beads run parallel to those two layers below, as walls and infill do",
    )
    least_clear: float = Field(
        0.5,
        description="share of the path over the gap, in the median square of 4 mm: sparse infill leaves less (geometry)",
    )
    least_covered: float = Field(
        0.6, description="share of the region that has beads two layers below at the same place; supports are sparser"
    )
    least_enclosed: float = Field(
        0.85,
        description="share of the region's border at which the layer that lacks it has beads: walls go all around lost infill, "
        "the legs under a table top do not",
    )


@dataclass(frozen=True, slots=True)
class _Lost:
    """Walls of the layers around that a layer lacks."""

    z_mm: float
    stack: int
    path_mm: float
    usual_path_mm: float
    lines: tuple[int, int]
    box_mm: tuple[float, float, float, float]
    void_mm2: int | None = None
    """Of a place that is empty altogether, its area."""
    from_above: bool = False
    """Only the layers above tell: below is another thing, or nothing."""


@dataclass(slots=True)
class _Node:
    """A layer and the one that lies under it."""

    beads: Beads
    squares: Squares | None
    under: "_Node | None"


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
        A region of a layer that is not laid: walls that stand in the layers around it are absent, or the layer above starts
        two layer steps above what lies under it.

    Why it matters
        Half a layer lost, or one part of several, splits as surely as a whole lost layer, and only there.

    How it decides and when it does not apply
        In four ways. First: where each of the two layers below and above has upright walls at one place, to a tenth of a
        millimetre, or beads all over a region, and this one has none. The layers are those that lie under one another,
        whatever supports stand between. Second: a wall that is closed in the layers below and above breaks off in this one at
        both ends of a piece of 3 mm or more; it may lean. Third: where other things lie below, a raft, supports or the bed, the
        outermost walls of the two layers above hang by what this layer lacks, and its own walls break off there, or it has
        none. Fourth: a region of the layer above starts two steps above what lies under it, though it is fed for one; it is one
        piece, parallel to what lies two layers down, and walls stand there below, or the layer that lacks the region goes all
        around it.

        Roofs over supports and over sparse infill look alike and are let through, and so are gap fill between walls that stay and
        the lines of floors where the infill between two of them is sparse. Part of the lines of infill can't be told
        from infill that is sparser. Spirals, the last two layers of an object, and whole lost layers
        (missing-layer says those) are not judged.

    What to do
        Look at the place in the job, or make the job again from its model and compare.

    Source: separations of the gap measured on 45 real jobs; repetition of walls and infill from geometry.
    """

    identifier = "partial-layer"
    severity = "hold"
    limits_model = PartialLayerLimits

    def prepare(self) -> None:
        self._steps = LayerSteps()
        self._before: list[Beads] = []
        self._nodes: list[_Node] = []
        self._over_gap: tuple[_Region, np.ndarray] | None = None
        self._found: list[_Region] = []
        self._lost: list[_Lost] = []

    def each_layer(self, beads: Beads) -> Findings:
        if self._steps.first_of_stack(beads):
            self._before.clear()
            self._nodes.clear()
            self._over_gap = None
        if self._over_gap:
            self._confirm(*self._over_gap, beads)
            self._over_gap = None
        step = self._steps.usual()
        if step and len(self._before) >= 2 and not beads.ramp:
            self._over_gap = self._region(beads, step)
        self._steps.add(beads)
        self._before.append(beads)
        chain = self._chain(beads)
        if not any(node.beads.ramp for node in chain) and (lost := self._gone(chain)):
            self._lost.append(lost)
        del self._before[:-5]
        return ()

    def _confirm(self, region: _Region, inside: np.ndarray, after: Beads) -> None:
        """Take a region over a gap for a loss if the walls that stand in it, or around it, stood before."""
        *below, between, layer = self._before
        if parted_by_air(layer.samples.x_mm[inside], layer.samples.y_mm[inside], below[-1], between, layer):
            return
        share = parts_walls_again(layer, after, inside, below[-1:-4:-2])
        if share >= WALLS_AGAIN or (
            self._enclosed(layer, inside, between) and not sparse_beside(layer, inside, between, below[-1])
        ):
            # Lone lines of sparse infill, wider apart than the region is judged by, leave such a gap between solid layers.
            five = below[-2:][0], below[-1], between, layer, after
            squares = [one for beads in five if (one := squares_of(beads))]
            if len(squares) < len(five) or not sparse(stacked(squares, _EDGE), five[1:4]):
                self._found.append(region)

    def _enclosed(self, layer: Beads, inside: np.ndarray, between: Beads) -> bool:
        """Say whether the layer that should fill a region goes all around it."""
        x, y = layer.samples.x_mm[inside], layer.samples.y_mm[inside]
        cells = np.unique(cell_keys(x, y, CELL_MM))
        reach = np.asarray(neighbour_offsets())
        keys = cell_keys(between.samples.x_mm, between.samples.y_mm, CELL_MM)
        ring = np.setdiff1d((cells[:, None] + reach).ravel(), cells)
        met = np.isin((ring[:, None] + reach).ravel(), keys).reshape(len(ring), -1).any(axis=1)
        return bool(met.mean() >= self.limits.least_enclosed)

    def _chain(self, beads: Beads) -> list[_Node]:
        """Give a layer and the four that lie under one another below it, lowest first; fewer near the bed.

        Supports on heights of their own stand between the layers of a part.
        """
        node = _Node(beads, squares_of(beads), None)
        under_mm = beads.z_mm - beads.gap_levels_mm[0]
        if self._nodes:
            # The nearest, and of those the last: objects of their own heights may lie some hundredths apart.
            low = min(self._nodes[::-1], key=lambda one: round(abs(one.beads.z_mm - under_mm), 3))
            node.under = low if abs(low.beads.z_mm - under_mm) < _SAME_HEIGHT_MM else self._nodes[-1]
        self._nodes.append(node)
        del self._nodes[:-_NODES]
        chain = [node]
        while chain[-1].under is not None and len(chain) < 5:
            chain.append(chain[-1].under)
        chain[-1].under = None  # what lies lower is asked no more
        return chain[::-1]

    def _gone(self, chain: list[_Node]) -> _Lost | None:
        """Find what the third layer from the top of a chain lacks."""
        if len(chain) < 3:
            return None
        *lower, own, above, two_above = chain
        # What objects of other heights lay about there fills it, too.
        near_mm = _SAME_LAYER * (above.beads.z_mm - own.beads.z_mm)
        beside_it = [
            one.beads for one in self._nodes if one not in chain and abs(one.beads.z_mm - own.beads.z_mm) < near_mm
        ]
        lost = None
        if lower and self._lacks(own, *lower, above, two_above):
            lost = self._between_four(beside_it, *chain) if len(chain) == 5 else None
            lost = lost or self._broken_off(lower, own, above, beside_it)
        return lost or self._hanging(lower[-1].beads if lower else None, own, above, two_above, beside_it)

    def _lacks(self, own: _Node, *around: _Node) -> bool:
        """Say whether a layer lacks enough of what all others have for a closer look; most layers need none."""
        squares = [node.squares for node in around if node.squares]
        if own.squares is None or len(squares) < len(around):
            return False
        # A line lies in three windows each way.
        return bool(lacking(own.squares, squares) >= 9 * self.limits.least_lost_path_mm)

    def _between_four(
        self, beside_it: list[Beads], two_below: _Node, below: _Node, own: _Node, above: _Node, two_above: _Node
    ) -> _Lost | None:
        """Find what stands in all of four layers around, at its place to a tenth of a millimetre, or as a whole region."""
        nodes = two_below, below, own, above, two_above
        heights = np.diff([node.beads.z_mm for node in nodes])
        if heights.min() < self.limits.even_steps * heights.max():
            return None
        layers = [node.beads for node in nodes]
        stack = stacked([node.squares for node in nodes if node.squares], _EDGE)
        lacks = stack.near_mm[[0, 1, 3, 4]].min(axis=0) - stack.near_mm[2]
        for other in beside_it:
            stack.path_mm[2][stack.marks(other.samples.x_mm, other.samples.y_mm)] += 1
        return self._upright(stack, lacks >= _LEAST_LACK_MM, beside_it, *layers) or self._void(stack, *layers)

    def _broken_off(self, lower: list[_Node], own: _Node, above: _Node, beside_it: list[Beads]) -> _Lost | None:
        """Find walls that have broken off, however they lean."""
        below, beads = lower[-1].beads, own.beads
        walls, samples = closed_rows(below), below.samples
        stack = stacked([node.squares for node in (own, *lower, above) if node.squares], 0)
        lacks = stack.near_mm[1:].min(axis=0) - stack.near_mm[0] >= _LEAST_LACK_MM
        there = walls[stack.at(lacks, samples.x_mm[walls], samples.y_mm[walls])]
        if float(samples.weight_mm[there].sum()) < self.limits.least_lost_path_mm:
            return None
        rows = open_walls(below, [beads, *beside_it], above.beads)
        if len(rows):
            rows = not_a_floors(beads, below, rows)
        if float(samples.weight_mm[rows].sum()) < self.limits.least_lost_path_mm:
            return None
        return _lost_walls(below, beads, rows)

    def _hanging(
        self, below: Beads | None, own: _Node, above: _Node, two_above: _Node, beside_it: list[Beads]
    ) -> _Lost | None:
        """Find walls of which only the layers above tell, since none are below, or nothing is left of them."""
        hangs = hangs_deeper(own.beads, above.beads)
        if not hangs.any() or not self._lacks(own, above, two_above):
            return None
        rows = hanging_walls(hangs, below, [own.beads, *beside_it], above.beads, two_above.beads)
        if float(above.beads.samples.weight_mm[rows].sum()) < self.limits.least_lost_path_mm:
            return None
        # What is fed for the gap fills this layer, too: thick infill, and walls of an object of other heights.
        gaps_mm = above.beads.samples.gap_mm[rows]
        high = gaps_mm >= min(_DEEPER * (above.beads.z_mm - own.beads.z_mm), float(gaps_mm.max()))
        usual_mm2, usual_gap_mm = bead_area_mm2(two_above.beads), two_above.beads.gap_levels_mm[0]
        fed_mm3 = _area(above.beads, rows[high]) * usual_gap_mm
        if fed_mm3 > self.limits.fed_ratio * usual_mm2 * float(np.median(gaps_mm[high])):
            return None
        return _lost_walls(above.beads, own.beads, rows, from_above=True)

    def _upright(
        self,
        stack: Stack,
        lacks: np.ndarray,
        beside_it: list[Beads],
        two_below: Beads,
        below: Beads,
        beads: Beads,
        above: Beads,
        two_above: Beads,
    ) -> _Lost | None:
        """Find upright walls of all of the four layers around that the middle one lacks, though a wall beside may be there."""
        samples = two_below.samples
        walls = (tracks_of(two_below) >= 0) & ~to_and_fro(two_below)[samples.bead]
        chosen = np.flatnonzero(stack.at(lacks, samples.x_mm, samples.y_mm) & walls)
        for other in beside_it:
            chosen = chosen[~beside(tracks_of(two_below)[chosen], other)]
        if float(samples.weight_mm[chosen].sum()) < self.limits.least_lost_path_mm:
            return None
        places = samples.x_mm[chosen], samples.y_mm[chosen], direction(two_below)[samples.bead[chosen]]
        best = np.empty(0, np.int64)
        higher = below, beads, above, two_above
        for stands in standing(places, higher, [layer.z_mm - two_below.z_mm for layer in higher]):
            gone = chosen[stands]
            if not len(gone):
                continue
            # Only long pieces in the order of printing: short ones are where infill turns beside a wall.
            piece = in_order(gone)
            sizes = np.bincount(piece, samples.weight_mm[gone])
            best = np.union1d(best, gone[sizes[piece] >= self.limits.least_lost_path_mm])
        if len(best):
            best = not_a_floors(beads, two_below, best)
        if not len(best):
            return None
        x, y = samples.x_mm[best], samples.y_mm[best]
        lost = float(samples.weight_mm[best].sum())
        if (
            runs_through(beads, x, y)
            or sparse_around(stack, lacks, best, (two_below, below, beads, above))
            or fills_a_gap(two_below, best, beads)
            or takes_turns(two_below, best, below, two_below)
            or takes_turns(two_below, best, above, two_above)
            or parted_by_air(x, y, below, beads, above)
        ):
            return None
        ended, back = come_back(two_below, below, beads, above, (x, y))
        if ended >= _ENDED * lost and back < _COME_BACK * ended:
            return None  # a part ends there
        step = above.z_mm - beads.z_mm
        repeated = self._repeated((two_below, below), (above, two_above), step, (x, y), lost)
        if repeated is not None and repeated < self.limits.least_repeated:
            return None
        return _lost_walls(two_below, beads, best)

    def _void(
        self, stack: Stack, two_below: Beads, below: Beads, beads: Beads, above: Beads, two_above: Beads
    ) -> _Lost | None:
        """Find the largest place in which the middle layer has nothing and the four around it have beads everywhere."""
        found = voids(stack, (below, beads, above), self.limits.least_path_mm)
        for void in sorted(found, key=lambda void: -void.path_mm):
            inside = np.flatnonzero(stack.at(void.squares, above.samples.x_mm, above.samples.y_mm))
            before = np.flatnonzero(stack.at(void.squares, below.samples.x_mm, below.samples.y_mm))
            if _area(above, inside) > self.limits.most_area_ratio * _area(below, before):
                continue  # thick infill that fills this layer, too
            share = walls_again(above, two_above, inside, (below, two_below))
            if (
                share >= WALLS_AGAIN
                or self._walled(stack, void.squares, below, beads, above)
                or goes_across(stack, void, below, above)
                or is_an_island(stack, void, (two_below, below, above, two_above))
            ):
                if self._air(stack, void.squares, inside, (below, beads, above, two_above)):
                    continue
                rows, columns = np.nonzero(void.squares)
                x, y = columns + float(stack.column), rows + float(stack.row)
                return _Lost(
                    beads.z_mm, beads.stack, void.path_mm, float(below.length_mm.sum()),
                    (int(beads.line[0]), int(beads.line[-1])),
                    (float(x.min()), float(y.min()), float(x.max()) + 1, float(y.max()) + 1), len(x),
                )  # fmt: skip
        return None

    def _air(self, stack: Stack, squares: np.ndarray, inside: np.ndarray, layers: tuple[Beads, ...]) -> bool:
        """Say whether a void is air that is left on purpose, under the walls over it, or where there are none, under its middle.

        Args:
            inside: samples of the layer above it.
            layers: below, the one with the void, and two above.
        """
        below, beads, above, two_above = layers
        samples = above.samples
        high = inside[samples.gap_mm[inside] > self.limits.lowest_gap * (above.z_mm - beads.z_mm)]
        over = going_on(above, two_above, high)
        if float(samples.weight_mm[over].sum()) < LEAST_WALLS_MM:
            # Its rim reaches what stands beside it.
            over = inside[stack.at(shrunk(squares, 1), samples.x_mm[inside], samples.y_mm[inside])]
        return parted_by_air(samples.x_mm[over], samples.y_mm[over], below, beads, above)

    def _walled(self, stack: Stack, squares: np.ndarray, below: Beads, beads: Beads, above: Beads) -> bool:
        """Say whether a layer goes all around a void in it, with walls that go on above: those of a pocket end at its roof."""
        ring = grown(squares, 1) & ~squares
        if np.count_nonzero(stack.path_mm[2][ring]) < self.limits.least_enclosed * np.count_nonzero(ring):
            return False
        samples = beads.samples
        tracks = tracks_of(beads)[stack.at(ring, samples.x_mm, samples.y_mm)]
        walls = tracks[tracks >= 0]
        walls = walls[beside(walls, below)]
        return not len(walls) or bool(beside(walls, above).mean() >= WALLS_AGAIN)

    def _repeated(
        self,
        under: tuple[Beads, Beads],
        over: tuple[Beads, Beads],
        step: float,
        lost: tuple[np.ndarray, np.ndarray],
        lost_mm: float,
    ) -> float | None:
        """Give the share of the walls over the gap at lost walls that stand under the gap as well; None without such walls.

        One outline of a support lies beside two walls
        over it, so that what is lost must be as long as what stands over it.
        """
        above, two_above = over
        gap = above.samples.gap_mm / np.float32(step)
        high = np.flatnonzero((gap > self.limits.lowest_gap) & (gap < self.limits.highest_gap))
        x = np.concatenate((above.samples.x_mm[high], lost[0]))
        y = np.concatenate((above.samples.y_mm[high], lost[1]))
        region = connected_regions(cell_keys(x, y, 0.8))
        chosen = high[np.isin(region[: len(high)], region[len(high) :])]
        tracks = tracks_of(above)[chosen]
        chosen, tracks = chosen[tracks >= 0], tracks[tracks >= 0]
        # Walls are what the layer above repeats; infill changes its direction.
        walls = beside(tracks, two_above)
        chosen, tracks = chosen[walls], tracks[walls]
        weight = above.samples.weight_mm[chosen]
        if float(weight.sum()) < LEAST_WALLS_MM:
            return None
        stands = beside(tracks, under[0]) & beside(tracks, under[1])
        return min(lost_mm, float(weight[stands].sum())) / float(weight.sum())

    def _region(self, beads: Beads, step: float) -> tuple[_Region, np.ndarray] | None:
        """Find the largest region over a gap of two steps; give the indices of its samples, too."""
        limits, samples = self.limits, beads.samples
        # Of layers that change their height, the part that still lies on its step tells it.
        own, _ = beads.gap_levels_mm
        step = own if _OWN_STEP[0] * step < own < _OWN_STEP[1] * step else step
        gap = samples.gap_mm / np.float32(step)
        over = (gap > limits.lowest_gap) & (gap < limits.highest_gap)
        weight = samples.weight_mm
        total = float(weight.sum())
        lost = float(weight[over].sum())
        least = max(limits.least_path_mm, limits.least_share * total)
        if lost < least or lost > 0.95 * total:
            return None
        # Beads cross a region in strokes, and the lines of sparse infill in dots: most layers need no closer look.
        strokes = over[1:-1] & over[:-2] & over[2:]
        if float(weight[1:-1][strokes].sum()) < _IN_STROKES * least:
            return None
        region = connected_regions(cell_keys(samples.x_mm[over], samples.y_mm[over], 0.8))
        sizes = np.bincount(region, weight[over])
        inside = np.flatnonzero(over)[region == int(np.argmax(sizes))]
        path = float(sizes.max())
        if path < least:
            return None
        low, high = np.quantile(gap[inside], (0.1, 0.9))
        if high - low > limits.most_spread:
            return None
        own_area = beads.area_mm2[samples.bead[inside]]
        area = float(np.nanmedian(own_area)) if np.isfinite(own_area).any() else np.nan
        before = self._before[-1].area_mm2
        usual = float(np.nanmedian(before)) if np.isfinite(before).any() else np.nan
        if np.isfinite(area) and np.isfinite(usual) and area > limits.most_area_ratio * usual:
            return None
        parallel = self._parallel(beads, inside, beads.z_mm - float(np.median(samples.gap_mm[inside])))
        if parallel < limits.least_parallel:
            return None
        if self._clear_share(beads, inside) < limits.least_clear or self._takes_turns(
            float(np.median(samples.gap_mm[inside]))
        ):
            return None
        members = np.unique(samples.bead[inside])
        x, y = samples.x_mm[inside], samples.y_mm[inside]
        found = _Region(
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
        return found, inside

    def _takes_turns(self, gap_mm: float) -> bool:
        """Say whether the layer two below has such a gap, too: walls half a layer up and infill every second layer have."""
        samples = self._before[-2].samples
        same = np.abs(samples.gap_mm - gap_mm) < _SAME_GAP * gap_mm
        return bool(float(samples.weight_mm[same].sum()) > self.limits.least_share * float(samples.weight_mm.sum()))

    def _clear_share(self, beads: Beads, inside: np.ndarray) -> float:
        """Give how much of the path is over the gap where the region is: the median over squares of 4 mm.

        Between two solid layers a sparse one leaves the same gap, with its lines through every such square.
        """
        samples = beads.samples
        keys = cell_keys(samples.x_mm, samples.y_mm, _CLEAR_MM)
        squares, at = np.unique(keys[inside], return_inverse=True)
        lost = np.bincount(at, samples.weight_mm[inside])
        place = np.minimum(np.searchsorted(squares, keys), len(squares) - 1)
        there = squares[place] == keys
        total = np.bincount(place[there], samples.weight_mm[there], len(squares))
        order = np.argsort(lost / total)
        half = np.searchsorted(np.cumsum(lost[order]), lost.sum() / 2)
        return float((lost / total)[order[half]])

    def _parallel(self, beads: Beads, inside: np.ndarray, below_z: float) -> float:
        """Give the share of some samples whose beads run parallel, within 11 degrees, to the beads under them."""
        under = next((layer for layer in reversed(self._before) if abs(layer.z_mm - below_z) < 0.03), None)
        if under is None:
            return 0.0
        keys = cell_keys(under.samples.x_mm, under.samples.y_mm, 0.4)
        order = np.argsort(keys, kind="stable")
        keys = keys[order]
        angle = direction(under)[under.samples.bead[order]]
        here = cell_keys(beads.samples.x_mm[inside], beads.samples.y_mm[inside], 0.4)
        at = np.minimum(np.searchsorted(keys, here), len(keys) - 1)
        met = keys[at] == here
        own = direction(beads)[beads.samples.bead[inside]]
        turn = np.abs(own - angle[at]) % np.pi
        turn = np.minimum(turn, np.pi - turn)
        same = met & (turn < np.radians(11.25))
        covered = met.sum() >= self.limits.least_covered * len(here)
        return float(same.sum() / met.sum()) if covered else 0.0

    def finish(self, layers: LayerMap) -> Findings:
        for lost in self._lost:
            yield self._lost_finding(layers, lost)
        named = [lost.z_mm for lost in self._lost]
        for region in self._found:
            if any(abs(region.z_mm - region.step_mm - z) < 0.6 * region.step_mm for z in named):
                continue  # the gap above lost walls, which are said already
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

    def _lost_finding(self, layers: LayerMap, lost: _Lost) -> Finding:
        place = f"X {lost.box_mm[0]:.1f} to {lost.box_mm[2]:.1f}, Y {lost.box_mm[1]:.1f} to {lost.box_mm[3]:.1f} mm"
        what = f"{lost.path_mm:.0f} mm of walls that stand in the layers below and above are not in it ({place})."
        if lost.from_above:
            what = (
                f"{lost.path_mm:.0f} mm of walls that stand in the two layers above are not in it ({place}), so that they would "
                "hang in the air."
            )
        other = "above" if lost.from_above else "below"
        evidence = {"lost_path_mm": lost.path_mm, f"path_of_layer_{other}_mm": lost.usual_path_mm}
        if lost.void_mm2 is not None:
            what = (
                f"it is empty over {lost.void_mm2} mm2 ({place}), where each of the two layers below and above has at least "
                f"{lost.path_mm:.0f} mm of beads."
            )
            evidence["void_mm2"] = lost.void_mm2
        return self.finding(
            f"A part of the layer at Z {lost.z_mm:.2f} mm is missing: {what}",
            "Look at this layer in the job, or make the job again from its model and compare. Release it if the model has a "
            "groove there, one layer high.",
            where=place_of(layers, lost),
            evidence=evidence,
        )


def _lost_walls(other: Beads, beads: Beads, rows: np.ndarray, from_above: bool = False) -> _Lost:
    """Say what a layer has lost of the walls of another layer, by the rows of that one's samples."""
    samples = other.samples
    x_mm, y_mm = samples.x_mm[rows], samples.y_mm[rows]
    return _Lost(
        beads.z_mm, beads.stack, float(samples.weight_mm[rows].sum()), float(other.length_mm.sum()),
        (int(beads.line[0]), int(beads.line[-1])),
        (float(x_mm.min()), float(y_mm.min()), float(x_mm.max()), float(y_mm.max())), None, from_above,
    )  # fmt: skip


def _area(beads: Beads, chosen: np.ndarray) -> float:
    """Give the median cross-section of the beads at some samples, mm2; NaN where no flow is known."""
    area = beads.area_mm2[beads.samples.bead[chosen]]
    known = area[np.isfinite(area)]
    return float(np.median(known)) if len(known) else float("nan")
