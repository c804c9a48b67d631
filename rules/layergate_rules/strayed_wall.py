"""strayed-wall: a wall that leaves its way for a few strokes, where the layers below and above go straight on."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Beads, Findings, LayerMap, Limits, Rule, cell_keys, touching
from layergate_rules.layer_statistics import place_of

_CELL_MM = 0.2  # a point within one cell of another is the same corner: reach 0.2 to 0.4 mm
_SAME_MM = 0.35
_JOINED_MM = 0.0015
_MOST_STRAYED = 3  # points in a row: one that is wrong takes along those that do not name the same axis
_MOST_STROKES = 8  # of the way that the other layers take
_SAME_WAY = np.radians(17)
_OTHER_WAY = np.sin(np.radians(30))
_MOST_RUNS = 40  # of a layer: where so much is new, the layer is another
_FEW = 2  # of a layer, and four of a job: more of them are how the part is made
_FEW_OF_JOB = 4
_LEAST_FLOW = 0.02  # of the logarithm of bead area, between a stroke and the next
_BESIDE = 2  # layers below and above that tell: infill repeats after two


class StrayedWallLimits(Limits):
    least_stray_mm: float = Field(
        0.45, gt=0, description="mm beside the way of both other layers, where the flow changes too: a bead's width"
    )
    least_stray_without_flow_mm: float = Field(
        0.8, gt=0, description="mm where no flow is known: two beads' width, the wall lies beside itself (geometry)"
    )


@dataclass(frozen=True, slots=True)
class _Found:
    z_mm: float
    stack: int
    lines: tuple[int, int]
    box_mm: tuple[float, float, float, float]
    stray_mm: float
    path_mm: float
    usual_path_mm: float


class StrayedWall(Rule):
    """What it looks for
        A wall, or a line of infill, that leaves its way for one to three points, where the layers on both sides go on.

    Why it matters
        One damaged coordinate, or two lines in each other's place, draw a spike or a dent. In a job that does not say how much
        filament it pushes, nothing but the shape tells it.

    How it decides and when it does not apply
        Corners of a layer are compared with those of the two layers below and the two above: infill repeats after two. Found is
        a run of one to three points that none of these layers has, between two points from which to which two of them go the
        same short way, one on either side, and the run lies beside that way by more than a bead's width. Where the flow is
        known, the filament of the run must be that of this way, and any two layers will do. More than two such runs in a layer
        or four in a job are a feature. Without flow it does not apply to the lowest and highest layer.

    What to do
        Look at the lines named: a digit is wrong there, or two lines are exchanged. Copy the job again.

    Source: walls repeat from layer to layer (geometry).
    """

    identifier = "strayed-wall"
    severity = "hold"
    limits_model = StrayedWallLimits

    def prepare(self) -> None:
        self._window: list[_Corners] = []
        self._found: list[_Found] = []

    def each_layer(self, beads: Beads) -> None:
        if beads.ramp:
            return
        if self._window and beads.stack != self._window[-1].beads.stack:
            self._close()
        self._window.append(_Corners(beads))
        if len(self._window) >= _BESIDE + 1:
            self._judge(len(self._window) - 1 - _BESIDE)
            del self._window[: -2 * _BESIDE]

    def finish(self, layers: LayerMap) -> Findings:
        self._close()
        if len(self._found) > _FEW_OF_JOB:
            return
        for found in self._found:
            yield self.finding(
                f"Lines {found.lines[0]} to {found.lines[1]} leave the way of the layers below and above by up to "
                f"{found.stray_mm:.2f} mm and come back to it: {found.path_mm:.1f} mm where those layers lay "
                f"{found.usual_path_mm:.1f} mm.",
                "Look at the lines named: a digit is wrong there, or two lines are exchanged. Copy the job again.",
                where=place_of(layers, found),
                evidence={
                    "stray_mm": found.stray_mm,
                    "path_mm": found.path_mm,
                    "usual_path_mm": found.usual_path_mm,
                },
            )

    def _close(self) -> None:
        """Judge what the end of a stack leaves: layers with fewer than two above them."""
        if len(self._window) > _BESIDE:
            for at in range(len(self._window) - _BESIDE, len(self._window)):
                self._judge(at)
        self._window.clear()

    def _judge(self, at: int) -> None:
        layer = self._window[at]
        below, above = self._window[max(0, at - _BESIDE) : at][::-1], self._window[at + 1 : at + 1 + _BESIDE]
        if not layer.flow_known and not (below and above):
            return
        found = [one for run in layer.new_runs(below + above) if (one := self._strays(layer, run, below, above))]
        if len(found) <= _FEW:
            self._found += found

    def _strays(
        self, layer: "_Corners", run: tuple[int, int], below: list["_Corners"], above: list["_Corners"]
    ) -> _Found | None:
        """Judge strokes between two points that the other layers do not have."""
        first, last = run
        limits = self.limits
        least = limits.least_stray_mm if layer.flow_known else limits.least_stray_without_flow_mm
        points, outer = layer.points[first : last + 1], layer.outer(first, last)
        # Of each layer, below ones first: its ways.
        ways = [[*other.ways(points[0], points[-1], outer)] for other in below + above]
        for number, way in ((number, way) for number, found in enumerate(ways) for way in found):
            agree = [n for n, found in enumerate(ways) if any(_apart(way, other) < _SAME_MM for other in found)]
            # Without flow, layers on both sides must say so: a feature may begin or end here.
            if len(agree) < 2 or not (layer.flow_known or agree[0] < len(below) <= agree[-1]) or number != agree[0]:
                continue
            stray = _apart(points, way)
            if stray < least or layer.comes_back(first, last):
                return None
            if layer.flow_known and not layer.fed_for(first, last, _length(way)):
                continue
            if layer.goes_on_so(first, last) and _across(points[1] - points[0], way[1] - way[0]) > _OTHER_WAY:
                continue  # two lines of infill between the same points of a wall, which the other layers have on its other side
            low, high = points.min(axis=0), points.max(axis=0)
            return _Found(
                layer.beads.z_mm,
                layer.beads.stack,
                (int(layer.lines[first + 1]), int(layer.lines[last])),
                (round(float(low[0]), 3), round(float(low[1]), 3), round(float(high[0]), 3), round(float(high[1]), 3)),
                stray,
                _length(points),
                _length(way),
            )
        return None


class _Kept(NamedTuple):
    """What is kept of the beads of five layers: their samples would be most of it."""

    z_mm: float
    stack: int
    line: np.ndarray
    x0: np.ndarray
    y0: np.ndarray
    x1: np.ndarray
    y1: np.ndarray
    length_mm: np.ndarray
    area_mm2: np.ndarray


class _Corners:
    """The points of a layer in print order, chain by chain; worked out when they are asked for, as they seldom are."""

    def __init__(self, beads: Beads) -> None:
        self.beads = _Kept(*(getattr(beads, name) for name in _Kept._fields))
        self.flow_known = bool(np.isfinite(beads.area_mm2).any())
        self._cells: tuple[np.ndarray, np.ndarray] | None = None

    @cached_property
    def _apart(self) -> np.ndarray:
        """Whether a stroke does not begin where the one before ended: (n - 1,) bool."""
        b = self.beads
        found: np.ndarray = (np.abs(b.x0[1:] - b.x1[:-1]) > _JOINED_MM) | (np.abs(b.y0[1:] - b.y1[:-1]) > _JOINED_MM)
        return found

    @cached_property
    def _place(self) -> np.ndarray:
        """Where the end of each stroke stands among the points: a chain has one point more than strokes, its start."""
        place: np.ndarray = np.arange(1, len(self.beads.line) + 1)
        place[1:] += np.cumsum(self._apart)
        return place

    @cached_property
    def _begins(self) -> np.ndarray:
        return np.concatenate(([0], np.flatnonzero(self._apart) + 1))

    def _of_points(self, of_ends: np.ndarray, of_starts: np.ndarray) -> np.ndarray:
        begins, place = self._begins, self._place
        values = np.empty(len(place) + len(begins), of_ends.dtype)
        values[place] = of_ends
        values[place[begins] - 1] = of_starts[begins]
        return values

    @cached_property
    def points(self) -> np.ndarray:
        """(m, 2) float64."""
        b = self.beads
        return np.column_stack((self._of_points(b.x1, b.x0), self._of_points(b.y1, b.y0)))

    @cached_property
    def chain(self) -> np.ndarray:
        """The chain of each point, from 0: (m,) int64."""
        chain = np.concatenate(([0], np.cumsum(self._apart)))
        return self._of_points(chain, chain)

    @cached_property
    def lines(self) -> np.ndarray:
        return self._of_points(self.beads.line, self.beads.line)

    def _odd(self) -> np.ndarray:
        """Give the strokes, by their first point, with another flow than those beside them, and what lies between two such.

        All where no flow is known.
        """
        if not self.flow_known:
            odd = np.ones(len(self.beads.line), np.bool_)
        else:
            with np.errstate(invalid="ignore", divide="ignore"):
                steps = np.abs(np.diff(np.log(self.beads.area_mm2))) > _LEAST_FLOW
            steps &= ~self._apart
            if not steps.any():
                return np.zeros(0, np.int64)
            odd = np.concatenate((steps, [False])) | np.concatenate(([False], steps))
            odd[:-1] |= odd[1:]
            odd[1:] |= odd[:-1]
        return self._place[odd] - 1

    def fed_for(self, first: int, last: int, way_mm: float) -> bool:
        """Say whether the filament between two points of a chain was meant for another length, at the flow beside them."""
        chain = self.chain[first]
        inside = slice(first - chain, last - chain)  # strokes: as many fewer than points as there are chains before
        areas = self.beads.area_mm2
        # Two strokes on each side: where seams are ramped, each stroke has less than the one before, and tells nothing.
        sides = ((inside.start - k, first - k) for k in (1, 2)), ((inside.stop + k, last + k + 1) for k in (0, 1))
        beside = [
            float(areas[stroke])
            for side in sides
            for stroke, point in side
            if 0 <= point < len(self.points) and self.chain[point] == chain and np.isfinite(areas[stroke])
        ]
        if not beside or np.ptp(np.log(beside)) > _LEAST_FLOW / 2:
            return False
        length = self.beads.length_mm[inside]
        meant = float((areas[inside] * length).sum()) / beside[0]
        path = float(length.sum())
        return abs(path - meant) > max(_LEAST_FLOW * path, 4 * abs(way_mm - meant))

    def goes_on_so(self, first: int, last: int) -> bool:
        """Say whether the strokes two before and two after some run as the first of these: lines of infill do, there and back."""
        own = self.points[first + 1] - self.points[first]
        beside = [(at, at + 1) for at in (first - 2, last + 1) if at >= 0 and at + 1 < len(self.points)]
        lines = [
            self.points[b] - self.points[a] for a, b in beside if self.chain[a] == self.chain[b] == self.chain[first]
        ]
        return bool(lines) and all(_across(line, own) * np.hypot(*own) < _SAME_MM for line in lines)

    def comes_back(self, first: int, last: int) -> bool:
        """Say whether the points between two others lie on the layer's way a second time: seams run over a loop's beginning."""
        rows = np.arange(len(self.points))
        elsewhere = (rows < first) | (rows > last)
        return all(
            bool((np.abs(self.points[elsewhere] - point).max(axis=1) < _JOINED_MM).any())
            for point in self.points[first + 1 : last]
        )

    def new_runs(self, others: list["_Corners"]) -> Iterator[tuple[int, int]]:
        """Yield runs of two to four strokes, by their first and last point, that none of other layers has."""
        rows = self._odd()
        if len(rows) > 1 and any(self.repeats(other) for other in others):
            return
        for other in others:
            if len(rows) < 2:
                return
            rows = rows[~other.has(self.points, rows)]
        new = np.zeros(len(self.points), np.bool_)
        new[rows] = True
        edges = np.flatnonzero(np.diff(new.astype(np.int8), prepend=0, append=0))
        firsts, lasts = edges[::2], edges[1::2]
        keep = (lasts - firsts > 1) & (lasts - firsts <= _MOST_STRAYED + 1)
        if keep.sum() <= _MOST_RUNS:
            yield from zip(firsts[keep].tolist(), lasts[keep].tolist(), strict=True)

    def repeats(self, other: "_Corners") -> bool:
        """Say whether another layer goes from point to point as this one does."""
        alike = self.points.shape == other.points.shape
        return alike and bool(np.abs(self.points - other.points).max() < _CELL_MM)

    def has(self, points: np.ndarray, rows: np.ndarray) -> np.ndarray:
        """Say which strokes from a point to the next this layer has, too: ends and middle within 0.2 to 0.4 mm: (n,) bool."""
        if self._cells is None:
            middles = (self.points[1:] + self.points[:-1])[self.chain[1:] == self.chain[:-1]] / 2
            self._cells = _sorted_cells(self.points), _sorted_cells(middles)
        corners, middles = self._cells
        both = np.zeros(len(rows), np.bool_)
        likely = np.flatnonzero(_near(middles, (points[rows] + points[rows + 1]) / 2))
        if len(likely):
            asked = np.zeros(len(points), np.bool_)
            asked[rows[likely]] = asked[rows[likely] + 1] = True
            asked[asked] = _near(corners, points[asked])
            both[likely] = asked[rows[likely]] & asked[rows[likely] + 1]
        return both

    def outer(self, first: int, last: int) -> tuple[np.ndarray | None, np.ndarray | None]:
        """Give the strokes before and after some strokes, away from where they meet them; None at a chain's end."""
        found: list[np.ndarray | None] = []
        for inner, beside in ((first, first - 1), (last, last + 1)):
            off = None
            if 0 <= beside < len(self.points) and self.chain[beside] == self.chain[inner]:
                off = self.points[beside] - self.points[inner]
            found.append(off)
        return found[0], found[1]

    def ways(
        self, start: np.ndarray, end: np.ndarray, outer: tuple[np.ndarray | None, np.ndarray | None]
    ) -> Iterator[np.ndarray]:
        """Yield the short ways of this layer from one point to another that go on as the strokes beside: points (m, 2)."""
        near_start = np.flatnonzero(np.abs(self.points - start).max(axis=1) < _SAME_MM)
        if not len(near_start):
            return
        near_end = np.flatnonzero(np.abs(self.points - end).max(axis=1) < _SAME_MM)
        for one in near_start.tolist():
            for two in near_end.tolist():
                low, high = min(one, two), max(one, two)
                if not 0 < high - low <= _MOST_STROKES or self.chain[low] != self.chain[high]:
                    continue
                before, after = self.outer(low, high)
                if low != one:
                    before, after = after, before
                met = [
                    _alike(a, b) for a, b in zip(outer, (before, after), strict=True) if a is not None and b is not None
                ]
                if met and all(met):
                    yield self.points[low : high + 1] if low == one else self.points[low : high + 1][::-1]


def _across(one: np.ndarray, other: np.ndarray) -> float:
    """Give the sine of the angle between two strokes, whichever way they are drawn."""
    return float(abs(one[0] * other[1] - one[1] * other[0]) / (np.hypot(*one) * np.hypot(*other)))


def _alike(one: np.ndarray, other: np.ndarray) -> bool:
    """Say whether two ways from about the same point go the same way."""
    turn = np.arctan2(one[0] * other[1] - one[1] * other[0], one @ other)
    return bool(abs(turn) < _SAME_WAY)


def _sorted_cells(points: np.ndarray) -> np.ndarray:
    cells: np.ndarray = np.unique(cell_keys(points[:, 0], points[:, 1], _CELL_MM))
    return cells


def _near(cells: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Say which points lie in one of some cells or beside one: (n,) bool."""
    return touching(cell_keys(points[:, 0], points[:, 1], _CELL_MM), cells)


def _off(points: np.ndarray, way: np.ndarray) -> np.ndarray:
    """Give how far points lie from a way of straight strokes, mm: (n,)."""
    a, along = way[:-1], np.diff(way, axis=0)
    to = points[:, None, :] - a
    share = np.clip((to * along).sum(axis=2) / np.maximum((along**2).sum(axis=1), 1e-12), 0.0, 1.0)
    off: np.ndarray = np.hypot(*np.moveaxis(to - share[..., None] * along, 2, 0)).min(axis=1)
    return off


def _apart(one: np.ndarray, other: np.ndarray) -> float:
    """Give how far two ways lie apart at most, at their points, mm."""
    return float(max(_off(one, other).max(), _off(other, one).max()))


def _length(way: np.ndarray) -> float:
    return float(np.hypot(*np.diff(way, axis=0).T).sum())
