"""Moves -> layers, as a stream: groups deposits by height, measures their support, closes layers that are done.

Layers come from where material is laid, never from comments. Memory does not grow with the job, apart from one finished
row a layer. Knows no rule; what a purge or a stack is, is decided here, once.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from layergate.layers.histogram import (
    AREA_BINS,
    GAP_BINS,
    GapStore,
    area_histogram,
    area_quantiles,
    gap_histogram,
    gap_quantiles,
)
from layergate.layers.layermap import DIRECTIONS, Rows, RowTable
from layergate.layers.support import Samples, SupportField, Tops
from layergate.layers.tolerances import TOLERANCES
from layergate.toolpath.moves import DEPOSIT, DRY, SMALLEST_MM, WAIT, Moves

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Bool = npt.NDArray[np.bool_]

_MOST_BEADS_KEPT = 300_000  # of one layer, for rules that look at its beads
_MOST_SAMPLES_KEPT = 1_500_000  # of all open layers, about 40 MB; beyond, layers are closed early
_MOST_CROSSINGS = 200
_LONGEST_RUN_MM = 100_000.0  # of beads measured at once: some 30 MB of samples
_FEWEST_RAMPS = 4  # consecutive rising beads that make a spiral; fewer are a way up to the next layer
_LONGEST_LEVEL_PIECE = 12  # beads of a level piece between two climbs that does not end a spiral
_MOST_RISES = 1.5  # of what is measured at once in a spiral; an edge of a square turn rises once, a steep bead more
_STEEP_SHARE = 0.05  # of a stretch's beads; single ones are where a turn of a spiral is lost, which rules look for
_SAME_PLACE_MM = 0.01
_HIGHEST_SEAM_MM = 0.8  # a seam climbs by a layer at most
_LONGEST_SEAM_MM = 120.0  # waited for: six times what is usual
_LONGEST_SEAM_BEADS = 4096  # and as many beads, chords of hundredths of a millimetre
_MOST_MOVES_BETWEEN = 64  # retraction, hop and travel are a handful
_SLOPE_FLOW = 0.8  # of the level part's: the slope of a seam has half of it (geometry)
_LEVEL_AFTER_SEAM = 0.9  # of a seam's path: a loop runs over all of it again
_ROUNDED_MM = 0.01  # heights as some jobs write them: a gentle slope begins level, until it has risen by so much
_MOST_PURGE_BEADS = 12
_LONGEST_PURGE_MM = 2500.0  # prime and purge lines before the first layer have at most this path (own choice)


@dataclass
class Beads:
    """The beads of one layer, or as many of them as fit into a bounded window, in print order.

    Arrays (n,) over beads; ``samples`` holds arrays over points along them.
    """

    layer: int
    """Identifier that the builder gave; its number in the layer map is known only at the end."""
    z_mm: float
    stack: int
    ramp: bool
    line: I64
    x0: F64
    y0: F64
    x1: F64
    y1: F64
    z1: F64
    length_mm: F64
    area_mm2: F64
    """Bead cross-section; NaN where the move also pays back retraction debt, or no flow is known."""
    samples: Samples
    complete: bool
    """False where the layer has more beads than are kept."""

    @cached_property
    def gap_levels_mm(self) -> tuple[float, float]:
        """The tenth percent and the median of the gaps at the samples: what several rules take for the layer's step."""
        gaps = self.samples.gap_mm
        tenth, low, middle = len(gaps) // 10, (len(gaps) - 1) // 2, len(gaps) // 2
        sorted_there = np.partition(gaps, (tenth, low, middle))
        return float(sorted_there[tenth]), (float(sorted_there[low]) + float(sorted_there[middle])) / 2


@dataclass(frozen=True, slots=True)
class Crossing:
    """A move that goes through what is already printed. Lengths in mm."""

    line: int
    depth_mm: float
    x_mm: float
    y_mm: float
    z_mm: float


@dataclass(slots=True)
class Unsure:
    """Beads whose layer or support can't be told as that of others."""

    reason: Literal["spiral", "not-planar", "far-away"]
    first_line: int
    last_line: int
    beads: int


@dataclass(slots=True)
class _Open:
    """A layer that may still grow."""

    identifier: int
    key: int
    stack: int
    ramp: bool
    z_mm: float
    purge: bool = False
    touched: int = 0
    first_line: int = 0
    last_line: int = 0
    beads: int = 0
    path_mm: float = 0.0
    laid_mm: float = 0.0
    dry_mm: float = 0.0
    box: list[float] = field(default_factory=lambda: [np.inf, np.inf, -np.inf, -np.inf])
    gaps: F64 = field(default_factory=lambda: np.zeros(GAP_BINS))
    areas: F64 = field(default_factory=lambda: np.zeros((2, AREA_BINS)))
    fills: F64 = field(default_factory=lambda: np.zeros((2, AREA_BINS)))
    directions: npt.NDArray[np.float32] = field(default_factory=lambda: np.zeros(DIRECTIONS, np.float32))
    hot_end_c: float = float("nan")
    kept: list[tuple[F64, ...]] = field(default_factory=list)
    samples: list[Samples] = field(default_factory=list)
    beads_kept: int = 0

    def row(self, gaps: GapStore) -> tuple[object, ...]:
        """Give the finished layer in the order of LAYER_ROW."""
        return (
            self.z_mm, self.stack, self.ramp, self.first_line, self.last_line, self.beads, self.path_mm, self.laid_mm,
            self.dry_mm, self.box, gap_quantiles(self.gaps), area_quantiles(self.areas), area_quantiles(self.fills),
            gaps.add(self.gaps), self.directions, self.hot_end_c,
        )  # fmt: skip


class LayerBuilder:
    """Builds layers from the moves of one job, which come in order.

    Args:
        filament_area_mm2: cross-section of the filament.
        on_layer: called with the beads of each layer when it is closed; None keeps no beads.
    """

    def __init__(self, filament_area_mm2: float, on_layer: Callable[[Beads], None] | None = None) -> None:
        self._area = filament_area_mm2
        self._on_layer = on_layer
        self._support = SupportField()
        self._open: dict[tuple[int, int], _Open] = {}
        self._table = RowTable()
        self._rows: dict[int, int] = {}  # by identifier, the place in the table
        self._purges: list[int] = []
        self._next = 1
        self._stack = 0
        self._stack_top = -np.inf
        self._stack_layers: list[_Open] = []
        self._touch = 0
        self._samples_kept = 0
        self._current = 0
        self._spiral_base: float | None = None
        self._spiral_step: float | None = None
        self._bed_set = False
        self._in_spiral = 0
        self._last_end = (np.nan, np.nan, np.nan)
        self._unsure: dict[str, Unsure] = {}
        self._older: Tops | None = None  # what stood when the present stack began
        self._older_top = -np.inf
        self.gaps = GapStore()
        self._last_end = (np.inf, np.inf, np.inf)
        self.crossings: list[Crossing] = []
        self.flow_known = False
        self.purge_filament_mm = 0.0

    @property
    def current(self) -> int:
        """Identifier of the layer being laid; 0 before the first."""
        return self._current

    def feed(self, moves: Moves) -> I64:
        """Take moves; give the identifier of the layer being laid at each of them, 0 before the first: (n,) int64."""
        identifiers = np.full(len(moves), self._current, np.int64)
        deposit = np.flatnonzero(moves.kind == DEPOSIT)
        if len(deposit):
            beads = _level_seams(moves.take(deposit), self._last_end)
            self._last_end = beads.x1[-1], beads.y1[-1], beads.z1[-1]
            if not self.flow_known and (beads.laid_mm > 0).any():
                self.flow_known = True
            low = self._low_moves(moves, deposit)
            starts, ends, ramps = self._runs(beads, np.searchsorted(deposit, low))
            layers = []
            seen = 0
            for start, end, ramp in zip(starts, ends, ramps, strict=True):
                older = self._older, self._older_top
                if len(low) and low[0] < deposit[start]:
                    before = int(np.searchsorted(low, deposit[start]))
                    self._cross(moves.take(low[:before]), self._support.tops())
                    low = low[before:]
                layers.append(self._lay_all(beads.take(slice(start, end)), ramp))
                if older[0] is not self._older:  # another stack began with this run
                    self._cross_older(moves.take(slice(seen, int(deposit[start]))), *older)
                    seen = int(deposit[start])
            self._cross_older(moves.take(slice(seen, len(moves))), self._older, self._older_top)
            if len(low):
                self._cross(moves.take(low), self._support.tops())
            per_bead = np.repeat(np.asarray(layers, np.int64), np.asarray(ends) - np.asarray(starts))
            spans = np.diff(deposit, append=len(moves))
            identifiers[deposit[0] :] = np.repeat(per_bead, spans)
        else:
            self._cross(moves.take(self._low_moves(moves, deposit)), self._support.tops())
            self._cross_older(moves, self._older, self._older_top)
        self._count_dry(moves, identifiers)
        return identifiers

    def unsure(self) -> list[Unsure]:
        """Give what of the beads so far can't be told; at most one entry for each reason."""
        return list(self._unsure.values())

    def _note_unsure(self, reason: Literal["spiral", "not-planar", "far-away"], lines: I64) -> None:
        if len(lines):
            note = self._unsure.setdefault(reason, Unsure(reason, int(lines[0]), 0, 0))
            note.last_line = int(lines[-1])
            note.beads += len(lines)

    def _low_moves(self, moves: Moves, deposit: I64) -> I64:
        """Give the moves that lay nothing and go well below the top of what the present stack has printed by then."""
        top = np.full(len(moves), self._stack_top)
        if len(deposit):
            heights = np.maximum.accumulate(np.concatenate(([self._stack_top], moves.z1[deposit])))
            top = np.repeat(heights, np.diff(np.concatenate(([0], deposit, [len(moves)]))))
        lowest = np.fmin(moves.z0, moves.z1)
        return np.flatnonzero((lowest < top - TOLERANCES.crossing_mm) & (moves.kind != DEPOSIT) & (moves.kind != WAIT))

    def _cross(self, moves: Moves, tops: Tops) -> None:
        """Note moves that go through what is printed."""
        known = np.isfinite(moves.x0 + moves.y0 + moves.z0 + moves.x1 + moves.y1 + moves.z1)
        moves = moves.take(known) if not known.all() else moves
        depth, x, y = tops.deepest(moves.x0, moves.y0, moves.z0, moves.x1, moves.y1, moves.z1)
        for row in np.flatnonzero(depth > TOLERANCES.crossing_mm).tolist():
            if len(self.crossings) < _MOST_CROSSINGS:
                z = min(float(moves.z0[row]), float(moves.z1[row]))
                place = (round(float(x[row]), 3), round(float(y[row]), 3), round(z, 3))
                self.crossings.append(Crossing(int(moves.line[row]), float(depth[row]), *place))

    def _cross_older(self, moves: Moves, tops: Tops | None, highest: float) -> None:
        """Note moves that go through what stood before the present stack began."""
        if tops is not None:
            lowest = np.fmin(moves.z0, moves.z1)
            low = (lowest < highest - TOLERANCES.crossing_mm) & (moves.kind != WAIT)
            self._cross(moves.take(low), tops)

    def _lay_all(self, beads: Moves, rise: float) -> int:
        """Lay beads of one run, in pieces that bound the memory for their samples."""
        total = float(beads.xy_mm.sum())
        pieces = int(total / _LONGEST_RUN_MM) + 1
        identifier = 0
        for part in np.array_split(np.arange(len(beads)), min(pieces, len(beads))):
            identifier = self._lay(beads.take(slice(int(part[0]), int(part[-1]) + 1)) if pieces > 1 else beads, rise)
        return identifier

    def _runs(self, beads: Moves, cuts: I64) -> tuple[list[int], list[int], list[float]]:
        """Cut beads into runs of one height; of a spiral, into runs of little rise; and at ``cuts``.

        Returns starts, ends, and for each run the rise that it may have (0 where it is level).
        """
        count = len(beads)
        height = np.rint(beads.z1 / TOLERANCES.height_mm).astype(np.int64)
        key = height * 2
        rise_of = np.zeros(count)
        rising = self._rising(beads)
        if rising.any():
            edges = np.concatenate(([0], np.flatnonzero(np.diff(rising)) + 1, [count])).tolist()
            for start, end in pairwise(edges):
                if not rising[start]:
                    continue
                rise = self._spiral_rise(height[:start][~rising[:start]])
                stretch = slice(start, end)
                steep = np.count_nonzero(np.abs(beads.z1[stretch] - beads.z0[stretch]) > _MOST_RISES * rise)
                if steep > max(_FEWEST_RAMPS, _STEEP_SHARE * (end - start)):
                    # Steep paths, such as arcs in an upright plane: each chain of beads is measured before it is laid,
                    # since it would else be held by itself.
                    key[stretch] = 2 * np.cumsum(_begins_chain(beads.take(stretch))) + 1
                    rise_of[stretch] = 2 * rise
                    self._note_unsure("not-planar", beads.line[stretch])
                    continue
                if self._spiral_base is None:
                    self._spiral_base = float(beads.z0[start])
                # Bands count from where the spiral begins, so that turns end at band edges however the job is cut.
                z = beads.z1[start:end] - self._spiral_base
                band = np.floor(z / rise - 1e-6).astype(np.int64)
                first_rise = rise
                while np.count_nonzero(np.diff(band)) > 64 + 1.5 * (z.max() - z.min()) / rise:
                    rise *= 4  # not a spiral: heights come and go, and are measured as coarsely as that takes
                    band = np.floor(z / rise - 1e-6).astype(np.int64)
                self._note_unsure("spiral" if rise == first_rise else "not-planar", beads.line[stretch])
                key[start:end] = band * 2 + 1
                rise_of[start:end] = rise
        changes = np.flatnonzero(np.diff(key)) + 1
        if len(cuts):
            changes = np.union1d(changes, cuts[(cuts > 0) & (cuts < count)])
        starts = np.concatenate(([0], changes))
        ends = np.concatenate((changes, [count]))
        return starts.tolist(), ends.tolist(), rise_of[starts].tolist()

    def _rising(self, beads: Moves) -> Bool:
        """Say which beads belong to a spiral: they rise along their length, or in small stairs without a travel between.

        An ordinary job has none; up to _FEWEST_RAMPS in a row are a way up to the next layer.
        """
        x, y, z = self._last_end
        before_x, before_y = np.concatenate(([x], beads.x1[:-1])), np.concatenate(([y], beads.y1[:-1]))
        before_z = np.concatenate(([z], beads.z1[:-1]))
        self._last_end = (float(beads.x1[-1]), float(beads.y1[-1]), float(beads.z1[-1]))
        climb = beads.z1 - before_z
        stair = (climb > TOLERANCES.ramp_mm) & (climb < TOLERANCES.highest_stair_mm)
        stair &= (np.abs(beads.x0 - before_x) < _SAME_PLACE_MM) & (np.abs(beads.y0 - before_y) < _SAME_PLACE_MM)
        climbs = (np.abs(beads.z1 - beads.z0) > TOLERANCES.ramp_mm) | stair
        if not climbs.any():
            self._in_spiral = 0
            return climbs
        # Level pieces between climbs belong to the spiral: jobs write one where a turn or a stair ends.
        edges = np.concatenate(([0], np.flatnonzero(np.diff(climbs)) + 1, [len(climbs)]))
        starts, ends = edges[:-1], edges[1:]
        up = climbs[starts]
        joins = up | (ends - starts <= _LONGEST_LEVEL_PIECE)
        joins[-1] = up[-1]
        joins[0] = up[0] or (self._in_spiral > 0 and bool(joins[0]))
        rising = np.zeros(len(climbs), np.bool_)
        group_edges = np.concatenate(([0], np.flatnonzero(np.diff(joins)) + 1, [len(joins)])).tolist()
        for first, last in pairwise(group_edges):
            if not joins[first]:
                continue
            count = int((ends - starts)[first:last][up[first:last]].sum())
            if count + (self._in_spiral if first == 0 else 0) >= _FEWEST_RAMPS:
                rising[starts[first] : ends[last - 1]] = True
        trailing = int((ends - starts)[-1]) if up[-1] else 0
        self._in_spiral = _FEWEST_RAMPS if rising[-1] else trailing
        return rising

    def _spiral_rise(self, heights_before: I64) -> float:
        """Give the rise that is measured at once: a quarter of a turn's, so that no turn meets itself."""
        if self._spiral_step is None:
            levels = [layer.z_mm for layer in self._stack_layers if not layer.ramp and not layer.purge]
            levels += (np.unique(heights_before) * TOLERANCES.height_mm).tolist()
            levels = sorted({round(level, 4) for level in levels})
            step = levels[-1] - levels[-2] if len(levels) > 1 else (levels[0] if levels else 0.0)
            self._spiral_step = step if 0.04 <= step <= 1.0 else 0.2
        return self._spiral_step / 4

    def _lay(self, beads: Moves, rise: float) -> int:
        z = float(beads.z1.max())
        if not self._bed_set:
            # A job may print at heights below zero by an offset of the printer: its bed is then lower, too.
            lowest = float(beads.z1.min())
            self._support.bed_mm = 0.0 if lowest >= 0 else lowest - 0.2
            self._bed_set = True
        layer = self._layer_at(z, rise)
        same_height = TOLERANCES.same_height_mm + 1.2 * rise
        # A spiral's piece and a way up to the next layer count as level.
        climb = z - float(beads.z0.min()) if rise else float(np.abs(beads.z1 - beads.z0).max())
        uneven = climb > (TOLERANCES.uneven_mm if rise else TOLERANCES.new_stack_mm)
        samples = self._support.lay(
            beads.x0, beads.y0, beads.x1, beads.y1, beads.z1, same_height, beads.z0 if uneven else None
        )
        if self._support.beyond:
            self._note_unsure("far-away", beads.line[self._support.outside(beads.x1, beads.y1)])
        layer.gaps += gap_histogram(samples.gap_mm, samples.weight_mm)
        length = np.maximum(beads.length_mm, SMALLEST_MM)
        partly_dry = beads.laid_mm < 0.9 * beads.push_mm
        area = self._area * beads.laid_mm / length
        measured = ~partly_dry & (length >= TOLERANCES.least_bead_mm) & (area > 0)
        if measured.any():
            layer.areas += area_histogram(area[measured], length[measured])
            # Gap of each bead: the mean over its samples, which carry equal path.
            first = np.searchsorted(samples.bead, np.arange(len(beads)))
            mean_gap = np.add.reduceat(samples.gap_mm, first) / np.diff(first, append=len(samples.bead))
            over = measured & (mean_gap > TOLERANCES.same_height_mm)
            layer.fills += area_histogram(area[over] / mean_gap[over], length[over])
        direction = np.mod(np.arctan2(beads.y1 - beads.y0, beads.x1 - beads.x0), np.pi) * (DIRECTIONS / np.pi)
        classes = np.minimum(np.rint(direction), DIRECTIONS).astype(np.int64) % DIRECTIONS
        layer.directions += np.bincount(classes, length, DIRECTIONS).astype(np.float32)
        if not layer.beads:
            layer.first_line = int(beads.line[0])
        layer.last_line = int(beads.line[-1])
        layer.beads += len(beads)
        layer.path_mm += float(length.sum())
        layer.laid_mm += float(beads.laid_mm.sum())
        layer.z_mm = max(layer.z_mm, z)
        box = layer.box
        box[0] = min(box[0], float(beads.x0.min()), float(beads.x1.min()))
        box[1] = min(box[1], float(beads.y0.min()), float(beads.y1.min()))
        box[2] = max(box[2], float(beads.x0.max()), float(beads.x1.max()))
        box[3] = max(box[3], float(beads.y0.max()), float(beads.y1.max()))
        stated = beads.hot_end_c[np.isfinite(beads.hot_end_c)]
        if len(stated):
            layer.hot_end_c = float(np.fmin(layer.hot_end_c, stated.min()))
        if self._on_layer is not None and layer.beads_kept < _MOST_BEADS_KEPT:
            known = np.where(measured, area, np.nan)
            layer.kept.append((beads.line, beads.x0, beads.y0, beads.x1, beads.y1, beads.z1, length, known))  # type: ignore[arg-type]
            layer.samples.append(
                Samples(
                    samples.bead + np.int32(layer.beads_kept),
                    samples.gap_mm,
                    samples.weight_mm,
                    samples.x_mm,
                    samples.y_mm,
                )
            )
            layer.beads_kept += len(beads)
            self._samples_kept += len(samples.bead)
            while self._samples_kept > _MOST_SAMPLES_KEPT and len(self._open) > 3:
                self._close(min(self._open.values(), key=lambda item: item.touched))
        return layer.identifier

    def _layer_at(self, z: float, rise: float) -> _Open:
        """Find or open the layer that beads at this height belong to."""
        if z < self._stack_top - TOLERANCES.new_stack_mm:
            higher = sum(layer.z_mm > z + TOLERANCES.height_mm for layer in self._stack_layers)
            if higher >= TOLERANCES.new_stack_layers:
                self._new_stack()
        if rise:
            if self._spiral_base is None:
                self._spiral_base = z - rise
            key = int(np.floor((z - self._spiral_base) / (self._spiral_step or 0.2) - 1e-6)) * 2 + 1
        else:
            height = round(z / TOLERANCES.height_mm)
            z, key = round(height * TOLERANCES.height_mm, 6), height * 2
        layer = self._open.get((self._stack, key))
        if layer is None or layer.purge:
            self._see_purge(z)
            layer = _Open(self._next, key, self._stack, bool(rise), z)
            self._next += 1
            self._open[self._stack, key] = layer
            self._stack_layers.append(layer)
            del self._stack_layers[: -TOLERANCES.open_layers]
        self._current = layer.identifier
        self._touch += 1
        layer.touched = self._touch
        self._stack_top = max(self._stack_top, z)
        if len(self._open) > TOLERANCES.open_layers:
            oldest = min(self._open.values(), key=lambda item: item.touched)
            self._close(oldest)
        return layer

    def _see_purge(self, z: float) -> None:
        """Material laid before the first layer, at a height of its own, is a purge: printing then goes down."""
        layers = self._stack_layers
        if self._stack > 0 or not layers or len(layers) > 2 or self._rows:
            return
        higher = [layer for layer in layers if layer.z_mm > z + TOLERANCES.height_mm and not layer.purge]
        if higher and sum(layer.path_mm for layer in higher) < _LONGEST_PURGE_MM and len(higher) == len(layers):
            for layer in higher:
                layer.purge = True
            self._stack_top = z

    def _new_stack(self) -> None:
        for layer in list(self._open.values()):
            self._close(layer)
        self._older, self._older_top = self._support.tops(copy=True), max(self._older_top, self._stack_top)
        self._stack += 1
        self._stack_top = -np.inf
        self._stack_layers = []
        self._spiral_base = self._spiral_step = None

    def _close(self, layer: _Open) -> None:
        del self._open[layer.stack, layer.key]
        self._samples_kept -= sum(len(part.bead) for part in layer.samples)
        if layer.purge:
            self._purges.append(layer.identifier)
            self.purge_filament_mm += layer.laid_mm
            return
        self._rows[layer.identifier] = self._table.add(layer.row(self.gaps))
        if self._on_layer is not None:
            self._on_layer(_beads(layer))

    def _count_dry(self, moves: Moves, identifiers: I64) -> None:
        dry = np.flatnonzero(moves.kind == DRY)
        if not len(dry):
            return
        by_identifier = {layer.identifier: layer for layer in self._open.values()}
        for identifier in np.unique(identifiers[dry]).tolist():
            if layer := by_identifier.get(identifier):
                layer.dry_mm += float(moves.xy_mm[dry[identifiers[dry] == identifier]].sum())

    def finish(self) -> tuple[Rows, dict[int, int]]:
        """Close every layer; give the rows in their final order and the layer number (from 1) of each identifier.

        Purges have number 0.
        """
        for layer in sorted(self._open.values(), key=lambda item: item.z_mm):
            self._close(layer)
        identifiers = list(self._rows)
        rows = self._table.take(list(self._rows.values()))
        order = np.lexsort((np.asarray(identifiers, np.int64), rows["z_mm"], rows["stack"]))
        if len(order) > 1 and _is_purge(rows[order[0]], rows[order[1]], self._support.bed_mm):
            # Lower than the first layer, so that printing did not go down after it: see _see_purge for the others.
            self._purges.append(identifiers[order[0]])
            self.purge_filament_mm += float(rows["laid_mm"][order[0]])
            order = order[1:]
        numbers = {identifiers[at]: number for number, at in enumerate(order.tolist(), start=1)}
        numbers.update(dict.fromkeys(self._purges, 0))
        return rows[order], numbers


def _begins_chain(beads: Moves) -> Bool:
    """Say which beads do not begin where the one before ended: (n,) bool."""
    apart = np.ones(len(beads), np.bool_)
    apart[1:] = np.abs(beads.x0[1:] - beads.x1[:-1]) > _SAME_PLACE_MM
    apart[1:] |= np.abs(beads.y0[1:] - beads.y1[:-1]) > _SAME_PLACE_MM
    apart[1:] |= np.abs(beads.z0[1:] - beads.z1[:-1]) > _SAME_PLACE_MM
    return apart


def laid_whole(moves: Moves) -> int:
    """Give how many of some moves can be laid now.

    What can't be told yet waits for the moves after it: a loop that may begin with a ramped seam, and a level piece behind a
    climb, which belongs to a spiral if that goes on.
    """
    deposit = np.flatnonzero(moves.kind == DEPOSIT)
    last = deposit[-_LONGEST_SEAM_BEADS:]
    # What goes far without laying anything ends every loop.
    if not _climbs(moves)[last].any() or len(moves) - int(last[-1]) > _MOST_MOVES_BETWEEN:
        return len(moves)
    tail = moves.take(last)
    level = len(tail) - 1 - int(np.flatnonzero(_climbs(tail))[-1])
    whole = int(deposit[-level]) if 0 < level <= _LONGEST_LEVEL_PIECE else len(moves)
    start = int(np.flatnonzero(_begins_chain(tail))[-1])
    chain = tail.take(slice(start, None))
    if len(chain) <= level:
        waits = len(chain) <= _LONGEST_LEVEL_PIECE  # a slope that is too gentle yet to tell
    elif _begins_climbing(chain):
        slope, path = float(chain.xy_mm[: len(chain) - level].sum()), float(chain.xy_mm.sum())
        if path >= (1 + _LEVEL_AFTER_SEAM) * slope:
            return len(moves)  # a whole ramped seam: without its level rest it would look like a way up
        waits = slope < 2 * _LONGEST_SEAM_MM / (1 + _LEVEL_AFTER_SEAM)
    else:
        waits = False
    return min(whole, int(deposit[len(deposit) - len(chain)])) if waits else whole


def _climbs(beads: Moves) -> Bool:
    found: Bool = beads.z1 - beads.z0 > TOLERANCES.ramp_mm
    return found


def _begins_climbing(chain: Moves) -> bool:
    """Say whether a chain of beads that climbs does so from its beginning, as far as rounded heights tell."""
    climbs = np.flatnonzero(_climbs(chain))
    if not len(climbs):
        return False
    first, last = int(climbs[0]), int(climbs[-1])
    level = float(chain.xy_mm[:first].sum())
    slope = float(chain.xy_mm[: last + 1].sum())
    rise = float(chain.z1[last] - chain.z0[0])
    return first <= 1 or level * rise <= _ROUNDED_MM * slope


def _level_seams(beads: Moves, last_end: tuple[float, float, float]) -> Moves:
    """Give the beads with ramped seams laid level, at the height to which they climb.

    A loop may begin with little flow up to a layer lower, climb to its height, and at its end run over that slope with
    what was left out: both together are one bead of the layer. A spiral goes on, and paths that are not planar go down again.
    What goes on from ``last_end``, where the beads before these ended, began before them, and is no seam: see laid_whole.
    """
    climbs = _climbs(beads)
    if not climbs.any():
        return beads
    starts = np.flatnonzero(_begins_chain(beads))
    ends = np.concatenate((starts[1:], [len(beads)]))
    if np.abs(np.array((beads.x0[0], beads.y0[0], beads.z0[0])) - last_end).max() <= _SAME_PLACE_MM:
        starts, ends = starts[1:], ends[1:]
    level = None
    # Loops that begin with a climb; the steady ones among them that then go on level.
    many = np.concatenate(([0], np.cumsum(climbs)))
    climb_there = many[ends] > many[starts]
    for start, end in zip(starts[climb_there].tolist(), ends[climb_there].tolist(), strict=True):
        z0, z1 = beads.z0[start:end], beads.z1[start:end]
        top = float(z1[-1])
        if top - float(z0[0]) > _HIGHEST_SEAM_MM or (z1 < z0 - TOLERANCES.ramp_mm).any():
            continue
        if not _begins_climbing(beads.take(slice(start, end))):
            continue
        slope, path = z0 < top - TOLERANCES.ramp_mm, beads.xy_mm[start:end]
        climb = float(path[slope].sum())
        if float(path.sum()) - climb < _LEVEL_AFTER_SEAM * climb:
            continue
        laid = beads.laid_mm[start:end]
        with np.errstate(invalid="ignore", divide="ignore"):
            thickest = float(np.fmax.reduce(laid[~slope] / path[~slope], initial=0.0))
        if float(laid[slope].sum()) > _SLOPE_FLOW * thickest * climb > 0:
            continue  # fed for a whole layer: the last turn of a spiral, before one that ends level
        if level is None:
            level = beads.z0.copy(), beads.z1.copy()
        level[0][start:end] = level[1][start:end] = top
    return beads if level is None else replace(beads, z0=level[0], z1=level[1])


def _is_purge(first: np.void, second: np.void, bed_mm: float) -> bool:
    """Say whether a job's first layer is a prime or purge: a few lines, and the layer after lies on the bed beside them."""
    if first["stack"] != second["stack"] or first["beads"] > _MOST_PURGE_BEADS:
        return False
    return bool(second["gap_mm"][0] > 0.9 * (second["z_mm"] - bed_mm))


def _beads(layer: _Open) -> Beads:
    line, x0, y0, x1, y1, z1, length, area = (np.concatenate(parts) for parts in zip(*layer.kept, strict=True))
    samples = Samples(
        *(
            np.concatenate([getattr(part, name) for part in layer.samples])
            for name in ("bead", "gap_mm", "weight_mm", "x_mm", "y_mm")
        )
    )
    return Beads(
        layer.identifier, layer.z_mm, layer.stack, layer.ramp, line.astype(np.int64), x0, y0, x1, y1, z1, length, area, samples,
        layer.beads_kept >= layer.beads,
    )  # fmt: skip
