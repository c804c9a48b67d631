"""Likenesses: what looks like walls or places that a layer has lost, and is none. Used by partial-layer; no rule of its own."""

from itertools import product

import numpy as np

from layergate.preflight.rule import Beads, cell_keys, neighbour_offsets
from layergate_rules.chains import are_closed, chain_of, chains, closed_walls
from layergate_rules.islands import CELL_MM
from layergate_rules.pieces import bead_width_mm
from layergate_rules.squares import Stack, shrunk
from layergate_rules.tracks import absent, beside, direction, flanked, near_tracks, tracks_of

_RIM_CELLS = 2  # about as deep as walls: what is left of the infill reaches into their place
_LEAST_MIDDLE_CELLS = 12
_EMPTY_SHARE = 0.05  # of the cells in the middle; infill of 5 % meets more
_ACROSS_CELL_MM = 0.2
_ACROSS_SAMPLES = 3  # 0.9 mm to each side
_OVER_MM = 0.1  # beyond the middle of a line; infill that runs into a wall ends a quarter of a bead and more before it
_BEYOND_MM, _FAR_MM = 0.4, 1.5
_BESIDE_SHARE = 0.8  # of lost lines; all of those inside a wall
_ON_MM = 0.1  # from the middle of a line to where another ends on it: rounding, and chords of curves
_CROSSING = np.radians(30)
_FROM_ITS_ENDS = 4  # samples, 1.2 mm
_CROSSES_EVERY_MM = 40.0  # along a ring of a floor: lines of 5 % are 9 to 18 mm apart, as they run
_ENDS_EVERY_MM = 15.0  # along such a line: lines of 5 % are 9 mm apart, and some are joined
_INSIDE_MM = 2.0  # from the outermost line of a floor; from the outermost wall one is out of the part
_OPEN_SHARE = 0.3  # of a line's path, from its end to its beginning: those of a loop meet, but for a seam
_COMMON_WIDTH_MM = 0.45
_ALL_AROUND = 0.6  # of a closed wall; two sides of four may lie over lines of infill
_TURNS = 0.5  # of the walls at lost lines
_FEW_CELLS = 4
_DEEP_CELLS = 4  # 3 mm: more than walls are together
_LONE_SHARE = 0.025  # lines of 5 % meet one cell in twelve, and half of that in what is as narrow as they are apart
_SPARSE_SHARE = 0.6  # infill of 50 % meets about as many
_CLEAR_MM = 4.0  # about twice the spacing of infill of 20 %


def runs_through(beads: Beads, x: np.ndarray, y: np.ndarray) -> bool:
    """Say whether beads of a layer run through the middle of where others are lost.

    A lost piece is empty. Between two floors whose lines are rings, one above the other, a sparse layer goes all through them.
    """
    reach = np.asarray(neighbour_offsets())
    # Grown by a cell first: lines of fill may be a wide bead apart.
    inside = np.unique(cell_keys(x, y, CELL_MM)[:, None] + reach)
    for _ in range(_RIM_CELLS + 1):
        inside = inside[np.isin(inside[:, None] + reach, inside).all(axis=1)]
    if len(inside) < _LEAST_MIDDLE_CELLS:
        return False  # walls side by side have no middle
    there = np.isin(inside, cell_keys(beads.samples.x_mm, beads.samples.y_mm, CELL_MM))
    return bool(there.mean() > _EMPTY_SHARE)


def sparse_around(stack: Stack, lacks: np.ndarray, lost: np.ndarray, layers: tuple[Beads, ...]) -> bool:
    """Say whether lost walls are the outermost lines of solid layers, and what is there between the walls instead is sparse infill.

    Lines then run all through the wide place around them, and walls that stand in all the layers are next to them.

    Args:
        lost: samples of the lowest layer.
        layers: two below the one that lacks them, itself, and one above.
    """
    two_below, below, beads, above = layers
    width = bead_width_mm(below, _COMMON_WIDTH_MM)
    dense = stack.near_mm[[0, 1, 3, 4]].min(axis=0) * width > _SPARSE_SHARE * 9
    x, y, angle = _places(two_below, lost)
    place = stack.region(lacks & dense, x, y)
    middle = shrunk(place, _RIM_CELLS)
    if np.count_nonzero(middle) < _LEAST_MIDDLE_CELLS:
        return False
    across = _INSIDE_MM * np.sin(angle), _INSIDE_MM * np.cos(angle)
    inside = [stack.at(place, x + way * across[0], y - way * across[1]) for way in (-1, 1)]  # left, right
    if (flanked(tracks_of(beads), x, y, angle, width) & inside).any(axis=0).mean() < _BESIDE_SHARE:
        return False
    rows = np.flatnonzero(stack.at(middle, beads.samples.x_mm, beads.samples.y_mm))
    tracks = tracks_of(beads)[rows]
    rows = rows[~(beside(tracks, below) & beside(tracks, above))]
    there = stack.marks(beads.samples.x_mm[rows], beads.samples.y_mm[rows])
    return bool(there[middle].mean() > _EMPTY_SHARE)


def fills_a_gap(lower: Beads, lost: np.ndarray, beads: Beads) -> bool:
    """Say whether lost lines are gap fill: open ones between two walls that stay. It comes and goes as the gap is wide enough."""
    x, y, angle = _places(lower, lost)
    if (
        flanked(tracks_of(beads), x, y, angle, bead_width_mm(lower, _COMMON_WIDTH_MM)).all(axis=0).mean()
        < _BESIDE_SHARE
    ):
        return False
    first, last = chains(lower)
    path = np.add.reduceat(lower.length_mm, first)
    open_ = np.hypot(lower.x1[last] - lower.x0[first], lower.y1[last] - lower.y0[first]) > _OPEN_SHARE * path
    return bool(open_[chain_of(lower)[lower.samples.bead[lost]]].mean() > _BESIDE_SHARE)


def in_order(rows: np.ndarray) -> np.ndarray:
    """Number the pieces in which some samples follow one another in the order of printing."""
    pieces: np.ndarray = np.cumsum(np.diff(rows, prepend=rows[0]) > 2)
    return pieces


def _places(beads: Beads, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    samples = beads.samples
    return samples.x_mm[rows], samples.y_mm[rows], direction(beads)[samples.bead[rows]]


def not_a_floors(beads: Beads, lower: Beads, lost: np.ndarray) -> np.ndarray:
    """Leave of some samples of a lower layer's walls those of pieces that are no lines of a floor over which infill is sparse.

    Those have lines of the layer across them or ending on them, or lie between such a piece and a wall that stays, where these
    lines end.
    """
    piece = in_order(lost)
    path = np.bincount(piece, lower.samples.weight_mm[lost])
    crossed = np.isin(lost, _run_across(beads, lower, lost))
    crossings = np.count_nonzero(crossed[1:] & ~(crossed[:-1] & (np.diff(lost) == 1)))
    across = np.isin(piece, piece[crossed])
    if crossings * _CROSSES_EVERY_MM < float(path.sum()):
        across[:] = False  # a bead or two lead across from where a piece is lost to what is laid next
    across |= (np.bincount(piece, _ends_on(beads, lower, lost)) * _ENDS_EVERY_MM > path)[piece]
    if across.any() and not across.all():
        width = bead_width_mm(lower, _COMMON_WIDTH_MM)
        places = _places(lower, lost)
        wall = flanked(tracks_of(beads), *places, width)
        line = flanked(tracks_of(lower)[lost[across]], *places, width)
        between = (wall & line[::-1]).any(axis=0)
        sizes = np.bincount(piece)
        across |= (np.bincount(piece, between) >= _BESIDE_SHARE * sizes)[piece]
    return lost[~across]


def _ends_on(beads: Beads, lower: Beads, lost: np.ndarray) -> np.ndarray:
    """Give how many lines of a layer end on each of some samples of a lower layer's lines, from the side: (n,).

    Where infill turns from solid to sparse it keeps its room, so that sparse lines end where the outermost solid one ran.
    Those that run into a wall end a quarter of a bead and more before its middle.
    """
    first, last = chains(beads)
    open_ = ~are_closed(beads, first, last)
    first, last = first[open_], last[open_]
    x = np.concatenate((beads.x0[first], beads.x1[last]))
    y = np.concatenate((beads.y0[first], beads.y1[last]))
    end, at = _next_to(x, y, lower, lost)
    line_x, line_y, angle = _places(lower, lost[at])
    dx, dy = x[end] - line_x, y[end] - line_y
    turn = np.abs(direction(beads)[np.concatenate((first, last))[end]] - angle)
    met = np.abs(dy * np.cos(angle) - dx * np.sin(angle)) < _ON_MM
    met &= np.abs(dx * np.cos(angle) + dy * np.sin(angle)) < _ACROSS_CELL_MM
    met &= np.minimum(turn, np.pi - turn) > _CROSSING
    # Around the corner of a wall that breaks off, the next side ends on what is lost.
    piece = np.concatenate((np.full(_FROM_ITS_ENDS, -1), in_order(lost), np.full(_FROM_ITS_ENDS, -1)))
    met &= piece[at] == piece[at + 2 * _FROM_ITS_ENDS]
    # Of the samples that an end is next to, the first counts.
    _, one = np.unique(end[met], return_index=True)
    return np.bincount(at[met][one], minlength=len(lost))


def _run_across(beads: Beads, lower: Beads, lost: np.ndarray) -> np.ndarray:
    """Give those of some samples of a lower layer's walls across which lines of a layer run on: it is sparse infill there.

    Rings of a solid layer look like walls that are lost, where the layer between two such is sparse. No line of infill leads
    through a wall.
    """
    samples = beads.samples
    inside = slice(_ACROSS_SAMPLES, len(samples.x_mm) - _ACROSS_SAMPLES)
    rows, at = _next_to(samples.x_mm[inside], samples.y_mm[inside], lower, lost)
    rows, wall = rows + _ACROSS_SAMPLES, lost[at]
    angle = direction(lower)[lower.samples.bead[wall]]

    def aside(there: np.ndarray) -> np.ndarray:
        dx = samples.x_mm[there] - lower.samples.x_mm[wall]
        dy = samples.y_mm[there] - lower.samples.y_mm[wall]
        far: np.ndarray = np.hypot(dx, dy) > _FAR_MM
        return np.where(far, np.nan, dy * np.cos(angle) - dx * np.sin(angle))

    across = np.zeros(len(rows), np.bool_)
    steps = range(1, _ACROSS_SAMPLES + 1)
    sides = [[aside(rows + way * step) for step in steps] for way in (-1, 1)]
    for before, after in product(*sides):
        with np.errstate(invalid="ignore"):
            reach = np.sort(np.abs((before, after)), axis=0)
            across |= (before * after < 0) & (reach[0] > _OVER_MM) & (reach[1] > _BEYOND_MM)
    found: np.ndarray = wall[across]
    return found


def _next_to(x_mm: np.ndarray, y_mm: np.ndarray, lower: Beads, lost: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pair points with the samples of a lower layer in the same cell of 0.2 mm or beside: indices of both, two (n,)."""
    cells, first = np.unique(
        cell_keys(lower.samples.x_mm[lost], lower.samples.y_mm[lost], _ACROSS_CELL_MM), return_index=True
    )
    own = cell_keys(x_mm, y_mm, _ACROSS_CELL_MM)
    pairs = []
    for offset in neighbour_offsets():
        at = np.minimum(np.searchsorted(cells, own + offset), len(cells) - 1)
        met = np.flatnonzero(cells[at] == own + offset)
        pairs.append((met, first[at[met]]))
    points, samples = (np.concatenate(part) for part in zip(*pairs, strict=True))
    return points, samples


def come_back(
    two_below: Beads, below: Beads, beads: Beads, above: Beads, lost: tuple[np.ndarray, np.ndarray]
) -> tuple[float, float]:
    """Give the path of the walls that end where some are lost, and of those of them that come back above, mm.

    Where a part ends and supports stand on it, some of their lines run by chance where walls were, a layer of air above them.
    Walls beside others that stay don't count as ended.
    """
    tracks = tracks_of(below)
    samples = below.samples
    near = np.isin(cell_keys(samples.x_mm, samples.y_mm, _CLEAR_MM), cell_keys(*lost, _CLEAR_MM))
    rows = np.flatnonzero(near & (tracks >= 0))
    rows = rows[beside(tracks[rows], two_below)]
    rows = rows[absent(tracks[rows], beads)]
    weight = samples.weight_mm[rows]
    return float(weight.sum()), float(weight[beside(tracks[rows], above)].sum())


def takes_turns(lower: Beads, lost: np.ndarray, next_to: Beads, beyond: Beads) -> bool:
    """Say whether the walls at lost lines are closed ones that come and go: most of their way the layer beyond has none.

    A wall that stands does so all around. Where a part has one wall more in every second layer, a line of infill may run by
    chance where one side of that would be.

    Args:
        lower, lost: the layer of the lost lines, and their samples.
        next_to: the layer next to the one that lacks them, below or above.
        beyond: the one after that.
    """
    begins, ends = closed_walls(next_to)
    if len(begins) <= len(closed_walls(beyond)[0]):
        return False  # as many all the same: those that lean are not over one another
    walls = near_tracks(tracks_of(next_to), tracks_of(lower)[lost])
    there = near_tracks(tracks_of(next_to), tracks_of(beyond))
    gone = [
        np.count_nonzero(walls[begin:end])
        for begin, end in zip(begins, ends, strict=True)
        if np.count_nonzero(there[begin:end]) < _ALL_AROUND * (end - begin)
    ]
    return bool(sum(gone) > _TURNS * np.count_nonzero(walls))


def sparse_beside(layer: Beads, inside: np.ndarray, between: Beads, below: Beads) -> bool:
    """Say whether a floor ended under the layer that lacks a region, and what is laid there instead is sparse.

    Such a layer leaves places empty between its lines. Where a piece of a floor is lost, the rest of it is there; where all
    the infill is, nothing.
    """
    reach = np.asarray(neighbour_offsets())

    def cells(beads: Beads, rows: np.ndarray) -> np.ndarray:
        keys: np.ndarray = np.unique(cell_keys(beads.samples.x_mm[rows], beads.samples.y_mm[rows], CELL_MM))
        return keys

    tracks = tracks_of(between)
    walls = beside(tracks, below)
    near_walls = np.unique(cells(between, walls)[:, None] + reach)
    region = np.unique(cells(layer, inside)[:, None] + reach)
    floor = cells(below, np.arange(len(below.samples.x_mm)))
    # Infill may be rings, too, right over those of the floor: far from its edge, nothing else is a wall.
    deep = floor
    for _ in range(_DEEP_CELLS):
        deep = deep[np.isin(deep[:, None] + reach, deep).all(axis=1)]
    lines = np.union1d(cells(between, ~walls), np.intersect1d(cells(between, walls), deep))
    lines = np.intersect1d(lines, floor)
    beside_it = np.setdiff1d(np.setdiff1d(floor, region), np.setdiff1d(near_walls, deep))
    if len(beside_it) < _LEAST_MIDDLE_CELLS:
        return len(lines) >= _FEW_CELLS
    return _LONE_SHARE < float(np.isin(beside_it, lines).mean()) < _SPARSE_SHARE
