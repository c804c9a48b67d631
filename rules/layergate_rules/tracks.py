"""Tracks: what runs at the same place and the same way in several layers, as walls do. Shared by two rules; no rule of its own."""

from collections.abc import Sequence

import numpy as np

from layergate.preflight.rule import Beads, cell_keys, neighbour_offsets

_FINE_MM = 0.2
_LONGEST_TURN_MM = 3.0
_DIRECTIONS = 16  # over half a turn; neighbours count as the same way, so about 17 degrees either side
_SAME_WAY = np.array(
    [sum(1 << (way + turn) % _DIRECTIONS for turn in (-1, 0, 1)) for way in range(_DIRECTIONS)], np.uint16
)
_ROW_BITS = int(np.log2(np.max(neighbour_offsets()) - 1))  # from a cell's number to that of its row
_WRAP_BITS = 12
_WRAP = (
    1 << _WRAP_BITS
)  # cells; what lies 819 mm apart is taken for one place, which may hide a loss and raises no alarm

_NEXT_WIDTHS = (0.8, 1.5)  # from a line's middle to that of the next one, in bead widths

LEAST_WALLS_MM = 8.0
"""Less that runs on from layer to layer tells nothing (own choice; the same as the least lost wall)."""

WALLS_AGAIN = 0.7
"""Share of the walls over a gap that also run below it. What was lost stood between the same walls, nearly all of it;
what hangs over supports has walls where none were, apart from those that a line of the support follows: its outline may
run under two walls, which makes a half."""

GOES_ON = 0.5
"""Share of what stands under a gap that goes on above it: nearly all of a part, and of supports their outline at most."""

_REGION_MM = 0.8


def direction(beads: Beads) -> np.ndarray:
    """Give the direction of each bead, radians, modulo half a turn: (n,) float64."""
    angle: np.ndarray = np.mod(np.arctan2(beads.y1 - beads.y0, beads.x1 - beads.x0), np.pi)
    return angle


def tracks_of(layer: Beads) -> np.ndarray:
    """Give cell and direction of each sample as one number: (m,) int64; -1 where infill turns from line to line."""
    cells = cell_keys(layer.samples.x_mm, layer.samples.y_mm, _FINE_MM)
    angle = direction(layer)
    classes = np.rint(angle * (_DIRECTIONS / np.pi)).astype(np.int64) % _DIRECTIONS
    tracks: np.ndarray = cells * _DIRECTIONS + classes[layer.samples.bead]
    # Short beads across the ones before and after them: a row of them beside a wall would look like one.
    bend = np.abs(np.diff(angle)) % np.pi
    sharp = np.minimum(bend, np.pi - bend) > np.radians(60)
    turns = layer.length_mm < _LONGEST_TURN_MM
    turns &= np.concatenate(([True], sharp)) & np.concatenate((sharp, [True]))
    return np.where(turns[layer.samples.bead], -1, tracks)


def beside(tracks: np.ndarray, layer: Beads) -> np.ndarray:
    """Say which tracks have a bead of a layer within 0.2 to 0.4 mm that runs the same way: (n,) bool."""
    return near_tracks(tracks, tracks_of(layer))


def flanked(others: np.ndarray, x_mm: np.ndarray, y_mm: np.ndarray, angle: np.ndarray, width_mm: float) -> np.ndarray:
    """Say on which sides of some lines other tracks run next to them the same way: (2, n) bool, right and left."""
    classes = np.rint(angle * (_DIRECTIONS / np.pi)).astype(np.int64) % _DIRECTIONS
    far = np.arange(_NEXT_WIDTHS[0] * width_mm, _NEXT_WIDTHS[1] * width_mm, _FINE_MM)
    way = np.stack((far, -far))[:, :, None]
    cells = cell_keys((x_mm + way * np.sin(angle)).ravel(), (y_mm - way * np.cos(angle)).ravel(), _FINE_MM)
    tracks = cells.reshape(2, len(far), -1) * _DIRECTIONS + classes
    met = near_tracks(tracks.ravel(), others).reshape(tracks.shape)
    sides: np.ndarray = np.logical_or.reduce(met, axis=1)
    return sides


def absent(tracks: np.ndarray, layer: Beads) -> np.ndarray:
    """Say which tracks have no bead of a layer even within 0.4 to 0.6 mm that runs the same way: (n,) bool.

    Rings of infill in a taper drift from layer to layer: where one has moved on, its neighbour is not there yet.
    """
    return ~near_tracks(tracks, tracks_of(layer), reach=2)


def near_tracks(tracks: np.ndarray, others: np.ndarray, reach: int = 1) -> np.ndarray:
    """Say which tracks have one of some others, ``reach`` cells of 0.2 mm away at most, that runs the same way: (n,) bool."""
    # For each cell the directions that run through it, and their neighbours, as bits. Only what is touched takes memory.
    ways = np.zeros(_WRAP * _WRAP, np.uint16)
    row, column, classes = _split(others[others >= 0])
    np.bitwise_or.at(ways, row << _WRAP_BITS | column, _SAME_WAY.take(classes))
    row, column, classes = _split(tracks)
    steps = range(-reach, reach + 1)
    columns = [(column + step) & (_WRAP - 1) for step in steps]
    met = np.zeros(len(tracks), np.uint16)
    for step in steps:
        beside = ((row + step) & (_WRAP - 1)) << _WRAP_BITS
        for place in columns:
            met |= ways.take(beside | place, mode="clip")  # never outside; the other modes look first
    found: np.ndarray = ((met >> classes) & 1 == 1) & (tracks >= 0)
    return found


def _split(tracks: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give row and column of each track's cell, both modulo the wrap, and its direction: three (n,)."""
    cells = tracks >> 4  # 16 directions
    row, column = (cells >> _ROW_BITS) & (_WRAP - 1), cells & (_WRAP - 1)
    return row, column, (tracks & (_DIRECTIONS - 1)).astype(np.uint16)


def walls_again(layer: Beads, after: Beads, inside: np.ndarray, below: Sequence[Beads]) -> float:
    """Give how much of the walls over a gap also runs in every one of some layers below it, by length.

    Args:
        layer: the layer over the gap.
        after: the one after it; what runs in both is taken for walls.
        inside: indices of the layer's samples that lie over the gap.
        below: layers under the gap.

    Returns:
        A share; NaN where nothing over the gap runs on, so that walls can't tell.
    """
    walls = going_on(layer, after, inside)
    tracks = tracks_of(layer)[walls]
    weight = layer.samples.weight_mm[walls]
    total = float(weight.sum())
    if total < LEAST_WALLS_MM:
        return float("nan")
    again = np.ones(len(walls), np.bool_)
    share = 1.0
    for under in below:
        there = tracks_of(under)
        again &= near_tracks(tracks, there)
        # The other way about, too: one outline of a support lies beside two walls.
        share = min(share, float(under.samples.weight_mm[near_tracks(there, tracks)].sum()) / total)
    return min(share, float(weight[again].sum()) / total)


def going_on(layer: Beads, after: Beads, inside: np.ndarray) -> np.ndarray:
    """Leave of some of a layer's samples those of walls, which run in the layer after it, too: infill turns."""
    tracks = tracks_of(layer)[inside]
    walls: np.ndarray = inside[(tracks >= 0) & beside(tracks, after)]
    return walls


def goes_on(layer: Beads, after: Beads, inside: np.ndarray, below: Sequence[Beads]) -> float:
    """Give how much of what stands at one place in all layers below a gap goes on above it, by length.

    Walls do, and so does infill that is laid the same way in every layer; the lines of supports end there.

    Args: as of ``walls_again``. Returns a share; NaN where nothing below stands at one place.
    """
    first, *others = below
    x, y = layer.samples.x_mm[inside], layer.samples.y_mm[inside]
    over = np.unique(cell_keys(x, y, _REGION_MM))
    there = np.isin(cell_keys(first.samples.x_mm, first.samples.y_mm, _REGION_MM), over)
    tracks, weight = tracks_of(first)[there], first.samples.weight_mm[there]
    stands = tracks >= 0
    for other in others:
        stands &= beside(tracks, other)
    total = float(weight[stands].sum())
    if total < LEAST_WALLS_MM:
        return float("nan")
    on = stands & (beside(tracks, layer) | beside(tracks, after))
    return float(weight[on].sum()) / total


def parts_walls_again(layer: Beads, after: Beads, inside: np.ndarray, below: Sequence[Beads]) -> float:
    """Give ``walls_again``, but 0 where what stands below is supports: lines layer after layer that end under the gap."""
    share = walls_again(layer, after, inside, below)
    return 0.0 if share >= WALLS_AGAIN and goes_on(layer, after, inside, below) < GOES_ON else share
