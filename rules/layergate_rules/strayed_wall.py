"""strayed-wall: a wall that leaves its way for a few strokes, where the layers below and above go straight on."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Beads, Findings, LayerMap, Limits, Rule, Where, cell_keys, neighbour_offsets
from layergate_rules.layer_statistics import number_of

_CELL_MM = 0.2  # a point within one cell of another is the same corner: reach 0.2 to 0.4 mm
_SAME_MM = 0.35
_JOINED_MM = 0.0015
_MOST_STRAYED = 3  # points in a row: one that is wrong takes along those that do not name the same axis
_MOST_STROKES = 8  # of the way that the other layers take
_SAME_WAY = np.radians(17)
_MOST_RUNS = 40  # of a layer: where so much is new, the layer is another
_FEW = 2  # of a layer, and four of a job: more of them are how the part is made
_FEW_OF_JOB = 4
_LEAST_FLOW = 0.02  # of the logarithm of bead area, between a stroke and the next
_WINDOW = 5  # layers: two below and two above, since infill repeats after two


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
        Corners of a layer are compared with those of the layers below and above, and for infill with those two layers away.
        Found is a run of one to three points that none of these layers has, between two points that two of them on either side
        have as well, where those two layers go from the one to the other by the same short way, and the run lies beside that
        way by more than a bead's width. Where the flow is known, the run must also have another than the strokes beside it. More
        than two such runs in a layer or four in a job are a feature. It does not apply to the two lowest and highest layers
        of infill, nor where layers differ all along.

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
        if len(self._window) == 4:
            self._judge(1)  # the second layer has none two below it
        if len(self._window) == _WINDOW:
            self._judge(2)
            del self._window[0]

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
                where=Where(
                    layer=number_of(layers, found.stack, found.z_mm),
                    z_mm=(found.z_mm, found.z_mm),
                    lines=found.lines,
                    box_mm=found.box_mm,
                ),
                evidence={
                    "stray_mm": found.stray_mm,
                    "path_mm": found.path_mm,
                    "usual_path_mm": found.usual_path_mm,
                },
            )

    def _close(self) -> None:
        """Judge what the end of a stack leaves: layers with fewer than two above them."""
        if len(self._window) == 3:
            self._judge(1)
        elif len(self._window) > 3:
            self._judge(len(self._window) - 2)
        self._window.clear()

    def _judge(self, at: int) -> None:
        layer = self._window[at]
        below, above = self._window[max(0, at - 2) : at][::-1], self._window[at + 1 : at + 3]
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
        under = [way for other in below for way in other.ways(points[0], points[-1], outer)]
        over = [way for other in above for way in other.ways(points[0], points[-1], outer)] if under else []
        for way in under:
            if not any(_apart(way, other) < _SAME_MM for other in over):
                continue
            stray = _apart(points, way)
            if stray < least:
                return None
            if layer.flow_known and not layer.fed_for(first, last, _length(way)):
                continue
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


class _Corners:
    """The points of a layer in print order, chain by chain."""

    def __init__(self, beads: Beads) -> None:
        self.beads = beads
        count = len(beads.line)
        apart = np.maximum(np.abs(beads.x0[1:] - beads.x1[:-1]), np.abs(beads.y0[1:] - beads.y1[:-1])) > _JOINED_MM
        begins = np.flatnonzero(np.concatenate(([True], apart)))
        chain = np.cumsum(np.concatenate(([0], apart.astype(np.int64))))
        # A chain has one point more than strokes: its start stands before the end of its first stroke.
        place = np.arange(count) + chain + 1
        starts = place[begins] - 1
        self.points = np.empty((count + len(begins), 2))
        self.points[place, 0], self.points[place, 1] = beads.x1, beads.y1
        self.points[starts, 0], self.points[starts, 1] = beads.x0[begins], beads.y0[begins]
        self.chain = np.empty(len(self.points), np.int64)
        self.chain[place], self.chain[starts] = chain, chain[begins]
        self.lines = np.empty(len(self.points), np.int64)
        self.lines[place], self.lines[starts] = beads.line, beads.line[begins]
        self.flow_known = bool(np.isfinite(beads.area_mm2).any())
        self._place = place
        self._cells: tuple[np.ndarray, np.ndarray] | None = None

    def _odd(self) -> np.ndarray:
        """Say which points end strokes of another flow than the strokes beside them: (n,) bool; all where no flow is known."""
        odd = np.ones(len(self.points), np.bool_)
        if self.flow_known:
            with np.errstate(invalid="ignore", divide="ignore"):
                steps = np.abs(np.diff(np.log(self.beads.area_mm2))) > _LEAST_FLOW
            steps &= np.diff(self._place) == 1
            stroke = np.concatenate((steps, [False])) | np.concatenate(([False], steps))
            odd[:] = False
            odd[self._place[stroke]] = True
            odd[:-1] |= odd[1:]
        return odd

    def fed_for(self, first: int, last: int, way_mm: float) -> bool:
        """Say whether the filament between two points of a chain was meant for another length, at the flow beside them."""
        chain = self.chain[first]
        inside = slice(first - chain, last - chain)  # strokes: as many fewer than points as there are chains before
        areas = self.beads.area_mm2
        beside = [
            float(areas[stroke])
            for stroke, point in ((inside.start - 1, first - 1), (inside.stop, last + 1))
            if 0 <= point < len(self.points) and self.chain[point] == chain and np.isfinite(areas[stroke])
        ]
        if not beside or abs(np.log(beside[0] / beside[-1])) > _LEAST_FLOW / 2:
            return False
        length = self.beads.length_mm[inside]
        meant = float((areas[inside] * length).sum()) / beside[0]
        path = float(length.sum())
        return abs(path - meant) > max(_LEAST_FLOW * path, 4 * abs(way_mm - meant))

    def new_runs(self, others: list["_Corners"]) -> Iterator[tuple[int, int]]:
        """Yield runs of two to four strokes, by their first and last point, that none of other layers has."""
        odd = self._odd()
        new = (odd[1:] & odd[:-1]) & (self.chain[1:] == self.chain[:-1])
        for other in others:
            rows = np.flatnonzero(new)
            if not len(rows):
                return
            new[rows] = ~other.has(self.points[rows], self.points[rows + 1])
        edges = np.flatnonzero(np.diff(new.astype(np.int8), prepend=0, append=0))
        firsts, lasts = edges[::2], edges[1::2]
        keep = (lasts - firsts > 1) & (lasts - firsts <= _MOST_STRAYED + 1)
        if keep.sum() <= _MOST_RUNS:
            yield from zip(firsts[keep].tolist(), lasts[keep].tolist(), strict=True)

    def has(self, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
        """Say which strokes this layer has, too: points and middles within 0.2 to 0.4 mm: (n,) bool."""
        if self._cells is None:
            same = self.chain[1:] == self.chain[:-1]
            middles = (self.points[1:][same] + self.points[:-1][same]) / 2
            self._cells = _sorted_cells(self.points), _sorted_cells(middles)
        points, middles = self._cells
        found: np.ndarray = _near(points, starts) & _near(points, ends) & _near(middles, (starts + ends) / 2)
        return found

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


def _alike(one: np.ndarray, other: np.ndarray) -> bool:
    """Say whether two ways from about the same point go the same way."""
    turn = np.arctan2(one[0] * other[1] - one[1] * other[0], one @ other)
    return bool(abs(turn) < _SAME_WAY)


def _sorted_cells(points: np.ndarray) -> np.ndarray:
    cells: np.ndarray = np.unique(cell_keys(points[:, 0], points[:, 1], _CELL_MM))
    return cells


def _near(cells: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Say which points lie in one of some cells or beside one: (n,) bool."""
    wanted = cell_keys(points[:, 0], points[:, 1], _CELL_MM)
    met = np.zeros(len(points), np.bool_)
    for offset in neighbour_offsets() if len(cells) else ():
        at = np.searchsorted(cells, wanted + offset)
        met |= cells[np.minimum(at, len(cells) - 1)] == wanted + offset
    return met


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
