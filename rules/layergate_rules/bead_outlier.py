"""bead-outlier: single beads that carry far too much filament, or are drawn out far too thin."""

from bisect import bisect_right
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
from pydantic import Field

from layergate.preflight.rule import (
    Beads,
    Columns,
    Finding,
    Findings,
    JobFacts,
    LayerMap,
    Limits,
    Moves,
    NotApplicableError,
    Rule,
    Where,
)
from layergate.toolpath.moves import DEPOSIT, PRIME
from layergate_rules.chains import chain_of
from layergate_rules.rare_commands import codes_of, rows_of

_SIDE = 3  # layers on each side that a bead is compared with
_MOST_CANDIDATES = 50  # of a layer
_SHORT_MM = 0.05  # shorter beads have no cross-section: their filament is rounded
_FEW_STANDING = 8  # of a job: two lines exchanged make some, and more are how it primes
_LINES_KEPT = 20_000  # moves come some blocks later than their lines
_ALL_LAID = 0.9  # of what is pushed; else a part of the way is dry
_FLUSHES = codes_of(
    [f"T{n}" for n in range(16)] + ["M600", "M601", "M0", "M1", "M25", "M125", "M701", "M702", "M620", "M621"]
)
_AFTER_FLUSH_LINES = 60  # lines in which a nozzle is flushed after a change of tool or filament
_SAME_PLACE_MM = 3.0
_SAME_PLACE_LAYERS = 3  # as many lumps in one place are a purge tower or bucket
_NEAR = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)]
_FEW = 2  # more of the same in a layer are a pattern, not a fault
_MOST_FLUSHES = 100_000
_MOST_LENGTHS = 1000  # that are pushed on the spot: a job has a handful


class BeadOutlierLimits(Limits):
    area_ratio: float = Field(
        8.0,
        gt=1,
        description="bead area against the neighbouring layers'; three-fold infill with wide beads reaches 5 (measured)",
    )
    lone_area_ratio: float = Field(
        4.0,
        gt=1,
        description="the same for at most two beads of a layer, against the layers' thickest tenth (own choice)",
    )
    excess_mm3: float = Field(
        0.5, gt=0, description="mm3 beyond three times the usual area; a visible drop (good jobs: 0.00, measured)"
    )
    spot_mm3: float = Field(
        2.0,
        gt=0,
        description="the same on less than 0.05 mm, or behind a retraction; what is pushed extra there makes less (practice)",
    )
    absurd_area_mm2: float = Field(
        20.0,
        gt=0,
        description="mm2 in a first layer; purge lines push up to 6 mm of filament per mm of path, which is 14 mm2 (seen)",
    )
    absurd_volume_mm3: float = Field(
        100.0,
        gt=0,
        description="mm3 of one bead in a first layer, with the area; a lump of half a centimetre (own choice)",
    )
    longest_push_mm: float = Field(
        1000.0,
        gt=0,
        description="mm pushed at once; longer than the longest tube from drive to nozzle (common practice)",
    )
    thin_ratio: float = Field(
        0.35, gt=0, lt=1, description="bead area of a thin bead against the median around it (measured)"
    )
    thin_length_mm: float = Field(15.0, gt=0, description="mm that a thin bead has at least (measured)")
    thin_unsupported_share: float = Field(
        0.25,
        gt=0,
        lt=1,
        description="share of a thin bead's path in the air; ironing and thin walls have 0.00 (measured)",
    )


@dataclass(frozen=True, slots=True)
class _Candidate:
    """A bead to be compared when the layers around it are known."""

    line: int
    z_mm: float
    start: tuple[float, float]
    end: tuple[float, float]
    length_mm: float
    area_mm2: float
    unsupported: float = 0.0
    back: bool = False
    """Whether it goes out and the next bead comes straight back."""
    on_the_spot: bool = False
    """Whether its cross-section says nothing, only how much it is."""
    stands: bool = False
    """Whether its line names a place at which the nozzle is already."""
    paid_mm: float | None = None
    """What a line pushes that names no place at all: as retractions are paid back, where there was one."""
    amid: bool = False
    """Whether the beads before and after it, joined to it, are none."""

    def box(self) -> tuple[float, float, float, float]:
        (x0, y0), (x1, y1) = self.start, self.end
        return round(min(x0, x1), 3), round(min(y0, y1), 3), round(max(x0, x1), 3), round(max(y0, y1), 3)


class BeadOutlier(Rule):
    """What it looks for
        Beads with many times the filament of their neighbours, pushes of absurd length, and long thin beads in the air or
        out of the part and back.

    Why it matters
        A jump of E leaves a lump that the nozzle hits, or grinds the filament; a jumped coordinate draws a thread through
        the air. Both are what a wrong digit does.

    How it decides and when it does not apply
        A bead's cross-section is compared with what is usual in three layers on each side. Eight times that is a lump,
        four times where it is alone in its layer. Flushes after a change of tool or filament are no beads of the part,
        nor are lumps that come back at the same place in several layers (a purge tower). What is pushed on less than
        0.05 mm, behind a retraction, by a line that names where the nozzle is already, or within the part to pay back a
        retraction that was not made, has no cross-section: there its volume counts, where it happens seldom. In purges only what
        is absurd counts, and in first layers a lump amid usual beads that are joined to it. A long thin bead counts where it
        hangs in the air, or leaves the layers' outline and comes straight back. It does not apply to jobs that do not say how
        much filament they push.

    What to do
        Look at the line: a digit or a decimal point is wrong there, or lines are missing just before it. Copy or make the job
        again.

    Source: limits measured on 45 real jobs, where not said otherwise.
    """

    identifier = "bead-outlier"
    severity = "block"
    limits_model = BeadOutlierLimits

    def prepare(self) -> None:
        self._thick: list[_Candidate] = []
        self._thin: list[_Candidate] = []
        self._flushes: list[int] = []
        self._longest = (0.0, 0)
        self._paid_mm: Counter[float] = Counter()  # how often which length is pushed on the spot
        self._going: list[np.ndarray] = []  # lines of the last blocks that name a place in the plane
        self._usual = np.nan  # median bead area of the layer closed last

    def each_block(self, columns: Columns) -> None:
        self._going.append(columns.line[columns.has("X") | columns.has("Y")])
        if len(self._flushes) < _MOST_FLUSHES:
            self._flushes.extend(columns.line[rows_of(columns, _FLUSHES)].tolist())

    def each_moves(self, moves: Moves, job: JobFacts) -> None:
        most = int(np.argmax(moves.push_mm))
        if moves.push_mm[most] > self._longest[0]:
            self._longest = (float(moves.push_mm[most]), int(moves.line[most]))
        # Beads too short to have a cross-section, and such as pay a debt back first: only what lies there tells.
        odd = (moves.xy_mm < _SHORT_MM) | (moves.laid_mm < _ALL_LAID * moves.push_mm)
        rows = np.flatnonzero(odd & (moves.kind == DEPOSIT))
        # A line that names where it goes means to go there: where the nozzle is there already, a line before it is wrong.
        primes = np.flatnonzero(moves.kind == PRIME)
        if len(self._paid_mm) < _MOST_LENGTHS:
            self._paid_mm.update(np.round(moves.push_mm[primes], 2).tolist())
        primes = primes[moves.laid_mm[primes] > 0]
        stands = primes[np.isin(moves.line[primes], np.concatenate(self._going))] if self._going else primes[:0]
        self._going = [lines for lines in self._going if len(lines) and lines[-1] > moves.line[-1] - _LINES_KEPT]
        rows = np.union1d(rows, primes)
        if not len(rows):
            return
        volume = moves.laid_mm[rows] * job.filament_area_mm2
        usual = self._usual if np.isfinite(self._usual) else 0.0
        least = np.where(np.isin(rows, stands), self.limits.excess_mm3, self.limits.spot_mm3)
        large = volume - 3 * usual * moves.xy_mm[rows] > least
        for at, mm3 in zip(rows[large][:_MOST_CANDIDATES].tolist(), volume[large].tolist(), strict=False):
            length = max(float(moves.xy_mm[at]), _SHORT_MM)
            start, end = ((float(x[at]), float(y[at])) for x, y in ((moves.x0, moves.y0), (moves.x1, moves.y1)))
            z = float(moves.z1[at])
            spot = _Candidate(int(moves.line[at]), z, start, end, length, mm3 / length, on_the_spot=True)
            if moves.kind[at] == PRIME:
                there = bool(np.isin(at, stands))
                spot = replace(spot, stands=there, paid_mm=None if there else round(float(moves.push_mm[at]), 2))
            self._thick.append(spot)

    def each_layer(self, beads: Beads) -> None:
        """Keep what may be an outlier: a loose choice, since the layers above are not known yet."""
        known = np.flatnonzero(np.isfinite(beads.area_mm2))
        if not len(known):
            return
        limits = self.limits
        area, length = beads.area_mm2[known], beads.length_mm[known]
        # The layer's own median may be the outlier's; then the layer before has the smaller one.
        ordered = np.partition(area, (len(area) // 4, len(area) // 2))
        quarter, half = ordered[len(area) // 4], ordered[len(area) // 2]
        low = np.fmin(quarter, self._usual)
        thick = np.flatnonzero(area > limits.lone_area_ratio * low)
        if len(thick):
            self._keep_thick(beads, known[thick], float(low))
        high = np.fmax(half, self._usual)
        thin = known[(area < limits.thin_ratio * high) & (length > limits.thin_length_mm)]
        if len(thin):
            step = float(np.quantile(beads.samples.gap_mm, 0.25))
            # The thinnest: a purge before the layer makes all its beads look thin.
            thin = np.sort(thin[np.argsort(beads.area_mm2[thin], kind="stable")[:_MOST_CANDIDATES]])
            self._thin += [_candidate(beads, bead, step) for bead in thin.tolist()]
        self._usual = float(half)

    def _keep_thick(self, beads: Beads, thick: np.ndarray, low: float) -> None:
        # The chords of an arc are one bead of one line.
        first = np.concatenate(([True], np.diff(beads.line[thick]) != 0))
        owner = np.cumsum(first) - 1
        length = np.bincount(owner, beads.length_mm[thick])
        volume = np.bincount(owner, beads.area_mm2[thick] * beads.length_mm[thick])
        large = np.flatnonzero(volume - 3 * low * length > self.limits.excess_mm3)
        if len(large) > _MOST_CANDIDATES:
            large = np.sort(large[np.argsort(-volume[large])[:_MOST_CANDIDATES]])
        chain = chain_of(beads)
        for at in large.tolist():
            rows = thick[owner == at]
            one = _candidate(beads, int(rows[0]))
            area = float(volume[at] / length[at])
            amid = _is_amid(beads, chain, int(rows[0]), int(rows[-1]), self.limits.lone_area_ratio * low)
            self._thick.append(replace(one, length_mm=float(length[at]), area_mm2=area, amid=amid))

    def finish(self, layers: LayerMap) -> Findings:
        if not layers.flow_known:
            raise NotApplicableError("the job does not say how much filament its moves push")
        push, line = self._longest
        if push > self.limits.longest_push_mm:
            yield self.finding(
                f"Line {line} pushes {push / 1000:.1f} m of filament at once.",
                "A digit or a decimal point is wrong in that line: copy or make the job again.",
                where=Where(lines=(line, line)),
                evidence={"push_mm": push},
            )
        self._flushes.sort()
        judged = [(bead, *_around(layers, bead)) for bead in self._thick]
        lone: dict[int, int] = {}
        for bead, index, _, thickest in judged:
            if bead.area_mm2 > self.limits.lone_area_ratio * thickest:
                lone[index] = lone.get(index, 0) + 1
        places = _places(judged)
        standing = sum(bead.stands for bead in self._thick)
        usually_mm = self._usually_paid_mm()
        unpaid = sum(bead.paid_mm == usually_mm for bead in self._thick)
        for bead, index, usual, thickest in judged:
            pays = bead.paid_mm is not None
            if pays and not (unpaid <= _FEW and bead.paid_mm == usually_mm and _inside(layers, index, bead)):
                continue
            few = standing <= _FEW_STANDING if bead.stands else pays or lone.get(index, 0) <= _FEW
            is_lone = bead.area_mm2 > self.limits.lone_area_ratio * thickest and few
            if self._is_lump(bead, index, usual, layers, is_lone=is_lone) and not self._is_purge(bead, places):
                yield self._lump(bead, index, usual)
        thin = [(bead, *_around(layers, bead)[:2]) for bead in self._thin]
        thin = [one for one in thin if one[0].area_mm2 < self.limits.thin_ratio * one[2]]
        alike = Counter(index for _, index, _ in thin)
        for bead, index, usual in thin:
            leaves = bead.back and alike[index] <= _FEW and _outside(layers, index, bead)
            if leaves or (index > 0 and bead.unsupported > self.limits.thin_unsupported_share):
                yield self._thread(bead, index, usual, leaves=leaves)

    def _usually_paid_mm(self) -> float | None:
        """Give the length that retractions are paid back with, mm; None where few are."""
        often = [mm for mm, times in self._paid_mm.items() if times > _FEW]
        return max(often, key=lambda mm: self._paid_mm[mm], default=None)

    def _is_lump(self, bead: _Candidate, index: int, usual: float, layers: LayerMap, *, is_lone: bool) -> bool:
        limits = self.limits
        volume = bead.area_mm2 * bead.length_mm
        if index == 0 or layers.stack[index] != layers.stack[index - 1]:
            if bead.area_mm2 > limits.absurd_area_mm2 and volume > limits.absurd_volume_mm3:
                return True
            if not bead.amid:
                return False  # it may be a purge
            is_lone = False  # first layers are as thick as they like
        if not volume - 3 * usual * bead.length_mm > limits.excess_mm3:
            return False
        return is_lone or (not bead.on_the_spot and bead.area_mm2 > limits.area_ratio * usual)

    def _is_purge(self, bead: _Candidate, places: dict[tuple[int, int], set[int]]) -> bool:
        at = bisect_right(self._flushes, bead.line)
        if at and bead.line - self._flushes[at - 1] <= _AFTER_FLUSH_LINES:
            return True
        column, row = _cell(bead)
        around: set[int] = set()
        for step in _NEAR:
            around |= places.get((column + step[0], row + step[1]), set())
        return len(around) >= _SAME_PLACE_LAYERS

    def _lump(self, bead: _Candidate, index: int, usual: float) -> Finding:
        volume, usual_volume = bead.area_mm2 * bead.length_mm, usual * bead.length_mm
        evidence = {
            "bead_mm3": volume,
            "excess_mm3": volume - usual_volume,
            "bead_area_mm2": bead.area_mm2,
            "usual_bead_area_mm2": usual,
            "area_ratio": bead.area_mm2 / usual,
            "length_mm": bead.length_mm,
        }
        less, more = ("less than ", "more than ") if bead.length_mm <= _SHORT_MM else ("", "")
        return self.finding(
            f"Line {bead.line} lays {volume:,.1f} mm3 on {less}{bead.length_mm:.2f} mm, {more}{bead.area_mm2 / usual:,.0f} "
            f"times what the beads around it carry: a lump of {volume - usual_volume:,.1f} mm3 too much.",
            "A digit of E is wrong in that line, or lines are missing before it: copy or make the job again.",
            severity="block" if bead.paid_mm is None else "hold",
            where=self._where(bead, index),
            evidence={name: value for name, value in evidence.items() if np.isfinite(value)},
        )

    def _thread(self, bead: _Candidate, index: int, usual: float, *, leaves: bool) -> Finding:
        how = "leaves the part and comes straight back" if leaves else (
            f"hangs in the air over {100 * bead.unsupported:.0f} % of its length"
        )  # fmt: skip
        return self.finding(
            f"Line {bead.line} draws a thread of {bead.length_mm:.1f} mm with {100 * bead.area_mm2 / usual:.0f} % of the usual "
            f"bead area, which {how}.",
            "Look at the coordinates of that line: a digit is probably wrong. Copy or make the job again.",
            severity="block" if leaves else "hold",
            where=self._where(bead, index),
            evidence={
                "length_mm": bead.length_mm,
                "bead_area_mm2": bead.area_mm2,
                "usual_bead_area_mm2": usual,
                "area_ratio": bead.area_mm2 / usual,
                "share_in_air": bead.unsupported,
            },
        )

    def _where(self, bead: _Candidate, index: int) -> Where:
        return Where(
            layer=index + 1 if index >= 0 else None,
            z_mm=(bead.z_mm, bead.z_mm),
            lines=(bead.line, bead.line),
            box_mm=bead.box(),
        )


def _candidate(beads: Beads, bead: int, step_mm: float | None = None) -> _Candidate:
    """Take one bead out of its layer; with ``step_mm``, the usual gap, say also how it lies."""
    points = {name: float(getattr(beads, name)[bead]) for name in ("x0", "y0", "x1", "y1")}
    unsupported, back = 0.0, False
    if step_mm is not None:
        first, last = np.searchsorted(beads.samples.bead, (bead, bead + 1))
        gaps = beads.samples.gap_mm[first:last]
        # More than two and a half steps: neither the layer below nor, under sparse infill, the one below that.
        unsupported = float((gaps > 2.6 * step_mm).mean()) if len(gaps) else 0.0
        back = any(_comes_back(beads, out) for out in (bead, bead - 1, bead - 2) if out >= 0)
    return _Candidate(
        line=int(beads.line[bead]),
        z_mm=beads.z_mm,
        start=(points["x0"], points["y0"]),
        end=(points["x1"], points["y1"]),
        length_mm=float(beads.length_mm[bead]),
        area_mm2=float(beads.area_mm2[bead]),
        unsupported=unsupported,
        back=back,
    )


def _is_amid(beads: Beads, chain: np.ndarray, first: int, last: int, most_mm2: float) -> bool:
    """Say whether beads of no more than a cross-section lie before and after some, and are joined to them; no purge begins so."""
    before, after = first - 1, last + 1
    if before < 0 or after >= len(beads.line):
        return False
    return bool(chain[before] == chain[after] and (beads.area_mm2[[before, after]] < most_mm2).all())


def _comes_back(beads: Beads, bead: int) -> bool:
    """Say whether the bead after this one, at its end, leads back to where this one began.

    One bead may lie between them: where it names one axis only, the other stays where the wrong number put it.
    """
    for back in (bead + 1, bead + 2):
        if back >= len(beads.line):
            return False
        if not np.hypot(beads.x0[back] - beads.x1[back - 1], beads.y0[back] - beads.y1[back - 1]) < 0.01:
            return False
        apart = np.hypot(beads.x1[back] - beads.x0[bead], beads.y1[back] - beads.y0[bead])
        if apart < 0.5 * min(beads.length_mm[bead], beads.length_mm[back]):
            return True
    return False


def _index_of(layers: LayerMap, bead: _Candidate) -> int:
    """Give the index of a bead's layer, -1 where it can't be told; before a layer's first bead, it is of that layer."""
    found = np.flatnonzero((layers.first_line <= bead.line) & (layers.last_line >= bead.line))
    if not len(found):
        after = np.flatnonzero(layers.first_line > bead.line)
        return int(after[np.argmin(layers.first_line[after])]) if len(after) else -1
    return int(found[np.argmin(np.abs(layers.z_mm[found] - bead.z_mm))])


def _around(layers: LayerMap, bead: _Candidate) -> tuple[int, float, float]:
    """Give the index of a bead's layer, and of the layers around it the median and the thickest tenth of the bead area."""
    index = _index_of(layers, bead)
    if index < 0:
        return index, np.nan, np.inf
    near = np.arange(max(0, index - _SIDE), min(len(layers), index + _SIDE + 1))
    near = near[(near != index) & (layers.stack[near] == layers.stack[index])]
    near = near[np.isfinite(layers.area_mm2[near]).all(axis=1)]
    if not len(near):
        return index, np.nan, np.inf
    return index, float(np.median(layers.area_mm2[near, 2])), float(layers.area_mm2[near, 4].max())


def _outside(layers: LayerMap, index: int, bead: _Candidate) -> bool:
    """Say whether a bead leaves the outline of the other layers."""
    others = np.arange(len(layers)) != index
    if not others.any():
        return False
    low, high = layers.box_mm[others, :2].min(axis=0), layers.box_mm[others, 2:].max(axis=0)
    box = bead.box()
    margin = 1.0
    return bool(
        box[0] < low[0] - margin or box[1] < low[1] - margin or box[2] > high[0] + margin or box[3] > high[1] + margin
    )


def _inside(layers: LayerMap, index: int, bead: _Candidate) -> bool:
    """Say whether a bead ends within the outline of its layer: a purge is made beside the part."""
    if index < 0:
        return False
    x, y = bead.end
    low_x, low_y, high_x, high_y = layers.box_mm[index]
    return bool(low_x <= x <= high_x and low_y <= y <= high_y)


def _cell(bead: _Candidate) -> tuple[int, int]:
    return int(bead.end[0] // _SAME_PLACE_MM), int(bead.end[1] // _SAME_PLACE_MM)


def _places(judged: list[tuple[_Candidate, int, float, float]]) -> dict[tuple[int, int], set[int]]:
    """Give the layers that have a thick bead in each place."""
    places: dict[tuple[int, int], set[int]] = {}
    for bead, index, _, _ in judged:
        places.setdefault(_cell(bead), set()).add(index)
    return places
