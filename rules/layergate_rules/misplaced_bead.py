"""misplaced-bead: a bead whose filament was meant for another path."""

import math
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Beads, Columns, Findings, LayerMap, Limits, NotApplicableError, Rule
from layergate_rules.digits import digit_step, ends_of, other_by_a_digit
from layergate_rules.layer_statistics import place_of
from layergate_rules.rare_commands import codes_of
from layergate_rules.strokes import JOINED_MM, LEAST_ODD_MM, Strokes, UsualFlows, strokes_of

_MOST_ODD = 40  # more beads of a flow of their own are how this job is made
_ODD_SHARE = 0.2
_OUTSIDE_MM = 1.0
_KINK, _SMOOTH = np.radians(30), np.radians(8)  # half of the arc's first chord is within the smaller
_LEAST_CHECKS = 3
_MOST_SLOTS = 60
_MOST_KINKS = 1
_LONGEST_LOOP = 64  # strokes of an outline that is closed by its last one
_SAME_LENGTH_MM = 0.02
_TELLING_MM = 0.1  # a bead that changes less and fits then, too, is chance: gap fill has flows of its own
_MOST_BY_CHANCE = 0.05
"""Findings like one that the beads of a job would give if their flows were drawn by lot: few jobs have such beads at all."""

_ARCS = codes_of(["G2", "G3"])
_HALF_CIRCLE = np.radians(
    15
)  # between its first direction and its chord's, off a right angle: lengths differ by two fifths


class MisplacedBeadLimits(Limits):
    least_move_mm: float = Field(
        0.4, gt=0, description="mm between the commanded point and the one that the flow was meant for: a bead's width"
    )
    lone_move_mm: float = Field(
        0.95, gt=0, description="mm where one bead alone tells it: below, tenths are too dense to mean anything"
    )


@dataclass(frozen=True, slots=True)
class _Found:
    z_mm: float
    stack: int
    lines: tuple[int, int]
    box_mm: tuple[float, float, float, float]
    text: str
    evidence: dict[str, float]
    chance: float = 0.0
    """How likely a bead of any flow would tell the same."""


class MisplacedBead(Rule):
    """What it looks for
        Beads that would get just the right filament if one digit of a coordinate were another, if their arc ran the other
        way round, or if two lines changed places.

    Why it matters
        One damaged digit draws a bead across the part, too thin or too thick. Every number of the file is still a valid
        one, so nothing else shows it.

    How it decides and when it does not apply
        Whoever wrote the job worked out the filament of each bead from its length, and most beads of a layer get the same
        amount for each millimetre. Where a bead gets another amount, the length is worked out that its filament was meant
        for. It is found only where one small change makes everything fit, to the last decimals: one digit of one
        coordinate, an arc the other way round, or two lines in each other's place. Numbers written with few decimals fit
        much by chance: what beads of any amounts would give as well is left out.

        It does not apply to jobs that do not say how much filament they push, nor in layers where many beads get amounts
        of their own.

    What to do
        Look at the lines named. Copy the job again and compare, or make it again.

    Source: flow is path times cross-section (conservation of volume).
    """

    identifier = "misplaced-bead"
    severity = "hold"
    limits_model = MisplacedBeadLimits

    def prepare(self) -> None:
        self._found: list[_Found] = []
        self._kinks: list[_Found] = []
        self._by_radius = False  # whether the job has arcs by their radius
        self._flows = UsualFlows()
        self._tried = 0  # beads with a flow of their own

    def each_block(self, columns: Columns) -> None:
        if not self._by_radius:
            arcs = (columns.code == _ARCS[0]) | (columns.code == _ARCS[1])
            self._by_radius = bool((columns.has("R") & arcs).any())

    def each_layer(self, beads: Beads) -> None:
        if beads.ramp or not np.isfinite(beads.area_mm2).any():
            return
        strokes = strokes_of(beads)
        self._kinks += _turned_arcs(beads, strokes, by_radius=self._by_radius)
        own = self._flows.tell(strokes)
        # Walls of varying width repeat their flows from loop to loop, so that few of them are lone, but none is usual.
        if not len(own) or len(own) > min(_MOST_ODD, _ODD_SHARE * len(strokes.line)):
            return
        odd = self._flows.odd(strokes)
        self._tried += len(odd)
        self._found += _Layer(beads, strokes, odd, self.limits).found()

    def finish(self, layers: LayerMap) -> Findings:
        if not layers.flow_known:
            raise NotApplicableError("the job does not say how much filament its moves push")
        # Arcs that meet in cusps come in several: scallops are made so, on both sides of a part or in each of its walls.
        kinks = self._kinks if len(self._kinks) <= _MOST_KINKS else []
        # The more beads have a flow of their own, the more of them fit another path by chance.
        sure = [found for found in self._found if found.chance * self._tried < _MOST_BY_CHANCE]
        told = {found.lines for found in sure}
        for found in sure + [kink for kink in kinks if kink.lines not in told]:
            yield self.finding(
                found.text,
                "Look at the lines named: a digit or a letter is wrong there, or lines are exchanged. Copy the job again.",
                where=place_of(layers, found),
                evidence=found.evidence,
            )


def _turned_arcs(beads: Beads, strokes: Strokes, *, by_radius: bool) -> list[_Found]:
    """Find arcs that leave and meet their neighbours at a sharp angle, and would run smoothly the other way round.

    Only those whose other way round is as long, so that their flow can't tell: arcs by their radius, and half circles.
    """
    s = strokes
    arcs = np.flatnonzero(s.last - s.first >= 3)
    if not len(arcs):
        return []
    into = np.arctan2(beads.y1[s.last] - beads.y0[s.last], beads.x1[s.last] - beads.x0[s.last])
    out = np.arctan2(beads.y1[s.first] - beads.y0[s.first], beads.x1[s.first] - beads.x0[s.first])
    found: list[_Found] = []
    last_found = -2
    for at in arcs.tolist():
        before, after = _neighbour(s, at, -1), _neighbour(s, at, 1)
        # Of two halves of a circle either may be the one that is turned.
        if before is None or after is None or last_found in (before, after):
            continue
        leaves, meets = into[before], out[after]
        if min(_angle(out[at] - leaves), _angle(into[at] - meets)) < _KINK:
            continue
        chord = np.arctan2(*(s.end[at] - s.start[at])[::-1])
        # With the same centre the tangents are reversed; with the same radius they are mirrored on the chord.
        ways = [(out[at] + np.pi, into[at] + np.pi)] if abs(_angle(out[at] - chord) - np.pi / 2) < _HALF_CIRCLE else []
        ways += [(2 * chord - out[at], 2 * chord - into[at])] if by_radius else []
        for first, last in ways:
            if max(_angle(first - leaves), _angle(last - meets)) < _SMOOTH:
                kink = float(np.degrees(_angle(out[at] - leaves)))
                text = (
                    f"The arc of line {s.line[at]} turns off by {kink:.0f} degrees at both ends, and the other "
                    f"way round it would run on smoothly there. G2 and G3 are exchanged."
                )
                evidence = {"length_mm": float(s.length_mm[at]), "angle_deg": kink}
                low, high = (f(np.vstack((s.start[at], s.end[at])), axis=0) for f in (np.min, np.max))
                box = tuple(round(float(v), 3) for v in (*low, *high))
                line = int(s.line[at])
                found.append(_Found(beads.z_mm, beads.stack, (line, line), box, text, evidence))  # type: ignore[arg-type]
                last_found = at
                break
    return found


def _neighbour(strokes: Strokes, stroke: int, side: int) -> int | None:
    """Give the stroke before or after one on its outline, which may close at the other end of it."""
    ends, starts = (strokes.end, strokes.start) if side < 0 else (strokes.start, strokes.end)
    beside = stroke + side
    if 0 <= beside < len(strokes.line) and np.abs(ends[beside] - starts[stroke]).max() < JOINED_MM:
        return beside
    far = np.arange(stroke, np.clip(stroke - side * _LONGEST_LOOP, -1, len(strokes.line)), -side)[1:]
    closing = far[np.abs(ends[far] - starts[stroke]).max(axis=1) < JOINED_MM]
    return int(closing[0]) if len(closing) else None


def _angle(turn: float) -> float:
    """Give an angle's size, 0 to pi."""
    return abs((turn + np.pi) % (2 * np.pi) - np.pi)


class _Layer:
    """The search in one layer."""

    def __init__(self, beads: Beads, strokes: Strokes, odd: np.ndarray, limits: MisplacedBeadLimits) -> None:
        self.beads, self.strokes, self.limits = beads, strokes, limits
        self.odd = [int(at) for at in odd]

    def found(self) -> list[_Found]:
        out: list[_Found] = []
        told: set[int] = set()
        for stroke in self.odd:
            if stroke in told:
                continue
            found = self._arc(stroke) or self._point(stroke) or self._point(stroke - 1)
            if found:
                told.update((stroke, stroke + 1))
                out.append(found)
        return out or self._swapped(self.strokes.unusual().tolist())

    def _tolerance(self, area: float, length: Any) -> Any:
        return 3 * self.strokes.slack_mm3 / area + 2 * self.strokes.step_mm + 0.0005 * length

    def _arc(self, stroke: int) -> _Found | None:
        """Find an arc whose other way round has the length that its filament was meant for."""
        s = self.strokes
        if s.last[stroke] - s.first[stroke] < 2:
            return None
        middle = (s.first[stroke] + s.last[stroke]) // 2
        through = np.array((self.beads.x1[middle], self.beads.y1[middle]))
        radius = _radius(s.start[stroke], through, s.end[stroke])
        length = float(s.length_mm[stroke])
        if not np.isfinite(radius) or length > 2 * np.pi * radius:
            return None
        other = 2 * np.pi * radius - length
        for area in s.around(stroke):
            meant = float(s.volume_mm3[stroke]) / area
            # Chords are a little shorter than their arc.
            if abs(meant - other) < self._tolerance(area, other) + 0.01 * min(other, length):
                text = (
                    f"The arc of line {s.line[stroke]} is {length:.1f} mm long, and its filament was meant for {meant:.1f} mm: "
                    f"what it has the other way round. G2 and G3 are exchanged."
                )
                return self._make(stroke, stroke, text, {"length_mm": length, "length_meant_mm": meant})
        return None

    def _point(self, stroke: int) -> _Found | None:
        """Find a point at the end of a stroke that, with one digit other, gives the strokes at it their usual flow."""
        s = self.strokes
        if stroke < 0 or not s.straight(stroke):
            return None
        volume = float(s.volume_mm3[stroke])
        if not math.isfinite(volume):
            return None
        a, p = s.start[stroke].tolist(), s.end[stroke].tolist()
        for area in s.around(stroke):
            meant = volume / area
            for axis in (0, 1):
                for value in ends_of(a, p, meant, axis):
                    # The digits tell the value more exactly than the flow.
                    slope = max(abs(value - a[axis]) / max(meant, 1e-9), 0.05)
                    tolerance = self._tolerance(area, meant) / slope
                    if abs(value - p[axis]) + tolerance < self.limits.least_move_mm:
                        continue  # as most are: every value within the tolerance is too near to count
                    for true in other_by_a_digit(p[axis], value, tolerance):
                        moved = abs(true - p[axis])
                        q = s.end[stroke].copy()
                        q[axis] = true
                        if moved < self.limits.least_move_mm or not self._fits(stroke, s.start[stroke], q, (area,)):
                            continue
                        if self._fits_already(stroke, abs(meant - float(s.length_mm[stroke]))):
                            continue
                        chain = self._chain(stroke, q)
                        if chain is None:
                            continue
                        # Digits are so dense that some value near the one wanted is within the tolerance of any flow.
                        chance = min(1.0, 2 * tolerance / digit_step(moved)) * chain.chance
                        weak = not chain.beads or stroke in s.twins or stroke + 1 in s.twins
                        end = s.end[stroke]
                        if weak and (
                            moved < self.limits.lone_move_mm or not (self._crosses(stroke) or self._leaves(stroke, end))
                        ):
                            continue
                        if weak and self._leaves(stroke, q):
                            continue  # nobody meant a bead so far out: a purge line has a flow of its own
                        if chain.beads or stroke in self.odd:
                            return replace(self._point_found(stroke, axis, true, chain.beads), chance=chance)
        return None

    def _chain(self, stroke: int, end: np.ndarray, most: int = 8) -> "_Chain | None":
        """Follow what comes after a stroke if it ended elsewhere; None where a stroke does not get a usual flow then."""
        return self._follow(stroke + 1, self.strokes.end[stroke], end - self.strokes.end[stroke], most)

    def _follow(self, stroke: int, before: np.ndarray, off: np.ndarray, most: int) -> "_Chain | None":
        s = self.strokes
        if not most or stroke >= len(s.line):
            return _Chain()
        best = None
        # A coordinate that a line does not name stays as it was; the same value may have been named, too.
        for kept in _subsets(np.abs(s.start[stroke] - before) < JOINED_MM, joined=s.joined(stroke - 1)):
            moved = np.where(kept, off, 0.0)
            if not moved.any():
                best = _better(best, _Chain())
                continue
            start = s.start[stroke] + moved
            for held in _subsets(np.abs(s.end[stroke] - s.start[stroke]) < JOINED_MM, joined=False):
                ends = np.where(held, moved, 0.0)
                end = s.end[stroke] + ends
                here = _Chain()
                usual = (*s.around(stroke), *s.around(stroke - 1))
                length = float(s.length_mm[stroke])
                # A stroke across the move hardly changes its length: that it fits is no evidence.
                told = max((2 * self._tolerance(area, length) for area in usual), default=0.0)
                change = abs(float(np.hypot(*(end - start))) - length)
                if change > max(_SAME_LENGTH_MM, told):
                    known = s.straight(stroke) and np.isfinite(s.volume_mm3[stroke])
                    if not known or not self._fits(stroke, start, end, usual):
                        continue
                    if change > _TELLING_MM:
                        here = _Chain(1, told / change)
                more = self._follow(stroke + 1, s.end[stroke], ends, most - 1) if ends.any() else _Chain()
                if more:
                    best = _better(best, _Chain(here.beads + more.beads, here.chance * more.chance))
        return best

    def _fits(self, stroke: int, start: np.ndarray, end: np.ndarray, areas: tuple[float, ...]) -> bool:
        """Say whether a stroke between two points would have one of some usual areas."""
        length = float(np.hypot(*(end - start)))
        return any(
            abs(self.strokes.volume_mm3[stroke] / area - length) < self._tolerance(area, length) for area in areas
        )

    def _fits_already(self, stroke: int, change_mm: float) -> bool:
        """Say whether a stroke has a usual flow as it is written, so that another length would take it away."""
        s, area = self.strokes, float(self.strokes.usual[stroke])
        if not math.isfinite(area):
            return False
        length = float(s.length_mm[stroke])
        off = abs(float(s.volume_mm3[stroke]) / area - length)
        return bool(off < self._tolerance(area, length) and change_mm > 3 * self._tolerance(area, length))

    def _crosses(self, stroke: int) -> bool:
        """Say whether a stroke lies across others of its layer, or in the air."""
        b, s = self.beads, self.strokes
        first, last = np.searchsorted(b.samples.bead, (s.first[stroke], s.last[stroke] + 1))
        gaps = b.samples.gap_mm[first:last]
        usual = b.gap_levels_mm[1]
        if len(gaps) and (gaps > 2.6 * usual).mean() > 0.25:
            return True
        p, q = s.start[stroke], s.end[stroke]
        return bool(_sides(b, p, q).any())

    def _leaves(self, stroke: int, point: np.ndarray) -> bool:
        """Say whether a point at the end of a stroke lies outside what the other strokes of the layer reach."""
        s = self.strokes
        others = np.ones(len(s.line), np.bool_)
        others[[stroke, min(stroke + 1, len(s.line) - 1), min(stroke + 2, len(s.line) - 1)]] = False
        if not others.any():
            return False
        ends = np.vstack((s.start[others], s.end[others]))
        low, high = ends.min(axis=0) - _OUTSIDE_MM, ends.max(axis=0) + _OUTSIDE_MM
        return bool((point < low).any() or (point > high).any())

    def _point_found(self, stroke: int, axis: int, true: float, others: int) -> _Found:
        s = self.strokes
        letter, there = "XY"[axis], float(s.end[stroke][axis])
        which = f"the beads at that point ({others + 1})" if others else "the bead to it"
        text = (
            f"Line {s.line[stroke]} goes to {letter} {there:.3f} mm; the filament of {which} was meant for {letter} {true:.3f} mm, "
            f"{abs(true - there):.3f} mm from there. One digit differs."
        )
        evidence = {
            "coordinate_mm": there,
            "coordinate_meant_mm": true,
            "moved_mm": abs(true - there),
            "length_mm": float(s.length_mm[stroke]),
            "beads_that_fit": others + 1.0,
        }
        return self._make(stroke, min(stroke + others, len(s.line) - 1), text, evidence)

    def _swapped(self, odd: list[int]) -> list[_Found]:
        """Find two lines whose exchange gives the strokes at them their usual flow, and hardly by chance."""
        s = self.strokes
        best: list[_Found] = []
        for i in odd:
            if not s.straight(i):
                continue
            slots = self._slots_for(i)
            for j in slots:
                first, second = min(i, j), max(i, j)
                fits = self._exchange(first, second)
                # Of so many pairs any may have fitted.
                chance = min(1.0, fits.chance * len(slots))
                if fits.beads < _LEAST_CHECKS or (best and best[0].chance <= chance):
                    continue
                text = (
                    f"Lines {s.line[first]} and {s.line[second]} stand in each other's place: exchanged, they and the lines "
                    f"after them carry their usual flow."
                )
                found = self._make(first, second, text, {"beads_that_fit": float(fits.beads)})
                best = [replace(found, chance=chance)]
        return best

    def _slots_for(self, stroke: int) -> list[int]:
        """Give the places in the layer where a stroke's line would have the length that its filament was meant for."""
        s = self.strokes
        dx, dy = np.abs(s.start - s.end[stroke]).T
        fits = np.zeros(len(dx), np.bool_)
        kept_x, kept_y = np.abs(s.end[stroke] - s.start[stroke]) < JOINED_MM
        # A coordinate that the line does not name is that of the place where it stands.
        lengths = (np.hypot(dx, dy), *([dy] if kept_x else []), *([dx] if kept_y else []))
        for area in s.around(stroke):
            meant = float(s.volume_mm3[stroke]) / area
            for length in lengths:
                fits |= np.abs(length - meant) < self._tolerance(area, meant)
        return [j for j in np.flatnonzero(fits).tolist() if abs(j - stroke) > 1 and s.straight(j)][:_MOST_SLOTS]

    def _exchange(self, i: int, j: int) -> "_Chain":
        """Count the strokes that get a usual flow by the exchange of two lines; none where one does not."""
        s = self.strokes
        areas = tuple(dict.fromkeys((*s.around(i), *s.around(j))))
        both = _Chain()
        # The stroke in one slot carries the line of the other: its amount and its end belong there.
        for slot, other in ((i, j), (j, i)):
            best = None
            for kept in _subsets(np.abs(s.end[other] - s.start[other]) < JOINED_MM, joined=False):
                end = np.where(kept, s.start[slot], s.end[other])
                length = float(np.hypot(*(end - s.start[slot])))
                if length < LEAST_ODD_MM or not self._fits(other, s.start[slot], end, areas):
                    continue
                chain = self._chain(slot, end, most=min(8, j - i - 1) if slot == i else 8)
                # Where a bead moves by hardly more than its flow tells, any flow would have fitted.
                told = sum(2 * self._tolerance(area, length) for area in areas)
                fits = min(1.0, told / max(abs(length - float(s.length_mm[other])), told))
                here = chain or _Chain()
                best = _better(best, _Chain(1 + here.beads, fits * here.chance))
            if best is None:
                return _Chain()
            both = _Chain(both.beads + best.beads, both.chance * best.chance)
        return both

    def _make(self, first: int, last: int, text: str, evidence: dict[str, float]) -> _Found:
        s, b = self.strokes, self.beads
        points = np.vstack((s.start[first : last + 1], s.end[first : last + 1]))
        low, high = points.min(axis=0), points.max(axis=0)
        box = (round(float(low[0]), 3), round(float(low[1]), 3), round(float(high[0]), 3), round(float(high[1]), 3))
        return _Found(b.z_mm, b.stack, (int(s.line[first]), int(s.line[last])), box, text, evidence)


class _Chain(NamedTuple):
    """What comes after a point that would lie elsewhere."""

    beads: int = 0
    """Strokes of another length that so get one of the usual flows."""
    chance: float = 1.0
    """How likely a stroke of any flow would do the same."""


def _better(one: _Chain | None, other: _Chain) -> _Chain:
    return other if one is None or other.beads > one.beads else one


def _radius(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> float:
    """Give the radius of the circle through three points; infinite where they lie on a line."""
    ab, bc, ca = np.hypot(*(b - a)), np.hypot(*(c - b)), np.hypot(*(a - c))
    area = abs((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])) / 2
    return float(ab * bc * ca / (4 * area)) if area > 1e-9 else np.inf


def _subsets(equal: np.ndarray, *, joined: bool) -> list[np.ndarray]:
    """Give what may have stayed of two coordinates that are equal to those before: all, or where not joined, some."""
    if joined:
        return [equal]
    return [np.array((x, y)) for x in {bool(equal[0]), False} for y in {bool(equal[1]), False}]


def _sides(beads: Beads, p: np.ndarray, q: np.ndarray) -> np.ndarray:
    """Say which beads the line from p to q crosses: (n,) bool."""

    def side(ax: float, ay: float, bx: np.ndarray | float, by: np.ndarray | float, x: object, y: object) -> np.ndarray:
        made: np.ndarray = np.sign((bx - ax) * (y - ay) - (by - ay) * (x - ax))  # type: ignore[operator]
        return made

    one = side(p[0], p[1], q[0], q[1], beads.x0, beads.y0) * side(p[0], p[1], q[0], q[1], beads.x1, beads.y1)
    dx, dy = beads.x1 - beads.x0, beads.y1 - beads.y0
    first = np.sign(dx * (p[1] - beads.y0) - dy * (p[0] - beads.x0))
    second = np.sign(dx * (q[1] - beads.y0) - dy * (q[0] - beads.x0))
    crossed: np.ndarray = (one < 0) & (first * second < 0)
    return crossed
