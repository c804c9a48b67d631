"""shifted-layers: from one layer on, the part stands beside itself."""

from dataclasses import dataclass
from itertools import product

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Beads, Finding, Findings, LayerMap, Limits, NotApplicableError, Rule, Where
from layergate_rules.chains import outlines
from layergate_rules.layer_statistics import compared_layers, number_of

_SAME_SIZE_MM = 0.7  # of the same part, from layer to layer in a taper of 45 degrees
_ALIKE_MM = 0.15  # rounding of outlines
_FARTHEST_SHARE = 0.5  # of a part's size
_MOST_PAIRS = 40_000  # of walls in two layers: no plate has more parts


_SAME_AGAIN, _TAKES_BACK = 0.1, 0.3
"""Of a shift: the ridge of a thread goes around once in some layers, and where these are few the outline jumps with it."""


class ShiftedLayersLimits(Limits):
    least_shift_mm: float = Field(0.4, description="mm; less is a bead's width, and holds (physics)")
    block_shift_mm: float = Field(
        0.8, description="mm; from here on the edge of the shifted part hangs in the air (physics)"
    )
    edge_tolerance_mm: float = Field(
        0.15, description="mm by which opposite edges may move differently: rounding of outlines"
    )
    same_size_mm: float = Field(
        0.05, description="mm by which the size may change below block_shift_mm: rounding of coordinates"
    )
    still: float = Field(
        0.3,
        description="of the shift, by which the layers before and after may move, or differ from their mean, at most",
    )


_Move = tuple[np.ndarray, np.ndarray]
"""How a box moved, x and y in mm, and by how much each half of it grew."""


class ShiftedLayers(Rule):
    """What it looks for
        A layer whose opposite edges have all moved the same way by the same distance, and all above it stay there.

    Why it matters
        The file itself commands the step in the part that otherwise lost motor steps make. Belts and drivers are innocent.

    How it decides and when it does not apply
        Left and right edge of a layer move by the same distance against the layer below, front and back edge likewise,
        apart from what they move in a taper or a lean that goes on: the layers before and after stand still, or go on alike.
        A roof or a new feature moves one edge. The shift may begin within a layer, which then reaches no farther than both.
        Where parts end at that height, the closed walls of all that go on tell. Below 0.8 mm it
        is held, and only where the size stays the same. What moves by the same distance more than once, and not just there
        and back, is a thread or steps. A part that is meant so (discs of a cam on one shaft) can be released. Shifts below a
        bead's width can't be told, nor can one where the shape changes in the same layer, or at the first or last layer.

    What to do
        Look at the lines before the one named: a damaged number in an offset, or a piece of another job. Make the job again
        and compare.

    Source: rigid motion moves every edge alike (geometry).
    """

    identifier = "shifted-layers"
    severity = "block"
    limits_model = ShiftedLayersLimits

    def prepare(self) -> None:
        self._last: list[_Outlined] = []
        self._shifts: list[tuple[int, float, tuple[float, float]]] = []
        self._largest: dict[tuple[int, float], np.ndarray] = {}  # size of a layer's largest closed wall, x and y in mm

    def each_layer(self, beads: Beads) -> None:
        """Remember where all the walls of a layer have moved alike: where parts end, the layer's edges do not tell."""
        if beads.ramp or (self._last and self._last[-1].stack != beads.stack):
            self._last.clear()
        if not beads.ramp:
            boxes = outlines(beads)
            self._last.append(_Outlined(beads.stack, beads.z_mm, boxes))
            del self._last[:-4]
            if len(boxes):
                sizes = boxes[:, 2:] - boxes[:, :2]
                self._largest[beads.stack, beads.z_mm] = sizes[np.argmax(sizes.sum(axis=1))]
        if len(self._last) == 4:
            move = self._common_move(*(layer.boxes for layer in self._last))
            if move is not None:
                self._shifts.append((beads.stack, self._last[2].z_mm, (float(move[0]), float(move[1]))))

    def _common_move(
        self, before: np.ndarray, below: np.ndarray, above: np.ndarray, after: np.ndarray
    ) -> np.ndarray | None:
        """Give how all walls of a layer lie beside those of the one below, mm, where these stood still and those do; else None."""
        if not (len(before) and len(below) and len(above) and len(after)) or len(below) * len(above) > _MOST_PAIRS:
            return None
        largest = int(np.argmax((above[:, 2:] - above[:, :2]).sum(axis=1)))
        for one in np.flatnonzero(_same_size(above[largest : largest + 1], below)[0]).tolist():
            move: np.ndarray = _middle(above)[largest] - _middle(below)[one]
            size = float(np.hypot(*move))
            still = self.limits.still * size
            # What lies farther off stands on nothing, which others say, or is another part.
            most = _FARTHEST_SHARE * float((above[largest, 2:] - above[largest, :2]).max())
            if (
                self.limits.block_shift_mm <= size <= most
                and _are_there(above, below, move, _ALIKE_MM).all()
                and not _are_there(above, below, np.zeros(2), still).any()
                and _are_there(below, before, np.zeros(2), still).all()
                and _are_there(above, after, np.zeros(2), still).any()
            ):
                return move
        return None

    def finish(self, layers: LayerMap) -> Findings:
        chosen = compared_layers(layers)
        if len(chosen) < 4:
            raise NotApplicableError("a shift shows between two layers before and two after it, and there are fewer")
        edges, stacks = layers.box_mm[chosen], layers.stack[chosen]
        named: list[int] = []
        told: list[int] = []
        found: list[tuple[int, np.ndarray]] = []
        # First between two layers, then within one: one that leans lies between those around it, too.
        for apart, at in product((1, 2), range(1, len(chosen) - 2)):
            if at + apart + 1 >= len(chosen) or not (stacks[at - 1 : at + apart + 2] == stacks[at]).all():
                continue
            if any(abs(at - other) < 2 for other in named):
                continue
            if apart == 2 and not self._between(edges[at], edges[at + 1], edges[at + 2]):
                continue
            move = _moved(edges[at], edges[at + apart])
            before, after = (_moved(edges[side], edges[side + 1], apart) for side in (at - 1, at + apart))
            # The first layer has skirts and primes beside the part: its edges tell nothing. Nor do those of a layer with
            # which something began: it stands where it began.
            began = float(np.abs(before[1]).max()) > apart * float(np.hypot(*move[0]))
            off = self._shift(move, [before, after] if chosen[at - 1] > 0 and not began else [after], began)
            if off is not None and self._same_walls(layers, int(chosen[at]), int(chosen[at + apart])):
                named.append(at)
                told.append(int(chosen[at + 1]))
                found.append((told[-1], off))
        for stack, z, (x, y) in self._shifts:
            index = (number_of(layers, stack, z) or 1) - 1
            if all(abs(index - other) > 1 for other in told):
                found.append((index, np.array((x, y))))
        for index, off in found:
            others = [other for at, other in found if at != index and layers.stack[at] == layers.stack[index]]
            if not any(_same_again(off, other) for other in others):
                yield self._found(layers, index, float(off[0]), float(off[1]))

    def _same_walls(self, layers: LayerMap, below: int, above: int) -> bool:
        """Say whether the largest closed wall of two layers is one, as far as they have any.

        Where supports end and a part begins, its edges may lie as far apart as theirs.
        """
        one, other = (self._largest.get((int(layers.stack[k]), float(layers.z_mm[k]))) for k in (below, above))
        return one is None or other is None or bool(np.abs(one - other).max() < _SAME_SIZE_MM)

    def _shift(self, move: _Move, around: list[_Move], began: bool) -> np.ndarray | None:
        """Give how a layer lies beside where the one below goes on to, x and y in mm; None where that is no shift.

        Where something began in the layer before, as much may end on one side as begins on the other.

        Args:
            around: how as many layers before and after would move; or those after, where nothing before tells.
        """
        limits = self.limits
        # A wall that leans goes on leaning, as much after as before. Since outlines of curved walls waver, this tells only where
        # the edge would hang; less shows only between layers that stand still.
        if float(np.hypot(*move[0])) < limits.least_shift_mm:
            return None  # it stands on the layer below, whatever the layers around do
        both = len(around) > 1
        goes_on = np.mean([other[0] for other in around], axis=0), limits.block_shift_mm
        for lean, least_mm in (*([goes_on] if both else []), (np.zeros(2), limits.least_shift_mm)):
            off: np.ndarray = move[0] - lean
            size = float(np.hypot(*off))
            if size < least_mm or max(float(np.abs(other[0] - lean).max()) for other in around) > limits.still * size:
                continue
            # A taper goes on: opposite edges move against each other as in one of the layers around.
            grown = min(float(np.abs(move[1] - other[1]).max()) for other in around)
            exact = began or size < limits.block_shift_mm
            if grown <= (limits.same_size_mm if exact else limits.edge_tolerance_mm):
                return off
        return None

    def _between(self, below: np.ndarray, mixed: np.ndarray, above: np.ndarray) -> bool:
        """Say whether a layer reaches as far as the layers below and above it, or less: the shift is within it.

        Of a spiral's turn a point may be left where the one below stands.
        """
        edges = np.array((below, above))
        off = np.maximum(edges.min(axis=0) - mixed, mixed - edges.max(axis=0))
        whole = np.abs(mixed - edges).max(axis=1)  # a layer that is as one of them is not both
        return bool(off.max() <= self.limits.edge_tolerance_mm < whole.min())

    def _found(self, layers: LayerMap, index: int, x: float, y: float) -> Finding:
        size = float(np.hypot(x, y))
        z, line = float(layers.z_mm[index]), int(layers.first_line[index])
        before = int(layers.last_line[index - 1])
        return self.finding(
            f"From Z {z:.2f} mm on, the part stands {size:.2f} mm beside itself (X {x:+.2f}, Y {y:+.2f} mm): the file commands "
            f"it, from line {line}.",
            "Look at the lines before that one: a damaged number, or a piece of another job. Make the job again and compare.",
            severity="block" if size >= self.limits.block_shift_mm else "hold",
            where=Where(layer=index + 1, z_mm=(z, z), lines=(min(before, line), max(before, line))),
            evidence={"shift_mm": size, "shift_x_mm": x, "shift_y_mm": y},
        )


@dataclass(frozen=True, slots=True)
class _Outlined:
    stack: int
    z_mm: float
    boxes: np.ndarray
    """(k, 4), of its walls."""


def _same_again(off: np.ndarray, other: np.ndarray) -> bool:
    """Say whether a shift is as large as another and does not take it back."""
    size = float(np.hypot(*off))
    back = float(np.hypot(*(off + other)))
    return bool(abs(float(np.hypot(*other)) - size) < _SAME_AGAIN * size and back > _TAKES_BACK * size)


def _middle(boxes: np.ndarray) -> np.ndarray:
    middle: np.ndarray = (boxes[:, :2] + boxes[:, 2:]) / 2
    return middle


def _same_size(boxes: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Say which boxes are as large as which others: (n, m) bool."""
    sizes, other_sizes = (one[:, 2:] - one[:, :2] for one in (boxes, others))
    same: np.ndarray = (np.abs(sizes[:, None] - other_sizes) < _SAME_SIZE_MM).all(axis=2)
    return same


def _are_there(boxes: np.ndarray, others: np.ndarray, move: np.ndarray, slack_mm: float) -> np.ndarray:
    """Say which boxes are some others of their size, moved by so much: (n,) bool."""
    apart = np.abs(_middle(boxes)[:, None] - _middle(others) - move).max(axis=2)
    found: np.ndarray = (_same_size(boxes, others) & (apart < slack_mm)).any(axis=1)
    return found


def _moved(below: np.ndarray, above: np.ndarray, times: int = 1) -> _Move:
    """Give how the box of a layer lies against the one below; or would, after so many such steps."""
    off = times * (above - below)
    return (off[:2] + off[2:]) / 2, (off[2:] - off[:2]) / 2
