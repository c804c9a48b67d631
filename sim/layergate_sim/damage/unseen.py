"""Why a part that differs can't be told from one that somebody meant: worked out from the two jobs, whatever any checker says."""

import math
import re
from collections.abc import Sequence
from itertools import pairwise, product

import numpy as np
from numpy.typing import NDArray

from .case import Case, Layer, Outcome
from .result import NOMINAL_WIDTH_MM, BeadTable, bead_width_mm, moved_mm, only_in, way_along
from .scan import Line, Scan

__all__ = ["carries", "why_unseen"]

_Bead = tuple[Line, Line]
"""The line before a bead, and its own."""

_COMMENT = re.compile(rb"[;(][^\n]*")
_NUMBER = re.compile(rb"\d+(?:\.\d+)?")
_DIAMETER = re.compile(rb"[;(][^\n]*(?:filament|nozzle)[ _]?diameter", re.I)
_USUAL_NOZZLE_MM = 0.4  # a first layer may be as high (common practice)
_USUAL_WIDTHS_MM = (0.24, 0.7)  # of beads that a nozzle of 0.4 mm, the usual one, lays (common practice)
_MAY_BE_MEANT = 0.75  # of the flow: with less no one lays a layer (common practice)
_FIRST_TURN = 0.5  # of the flow of the others (geometry)
_POINT_MM = 0.25
_WAYS = 16  # classes of direction over half a turn
_LEAST_MM = 6.0  # about a bead (BEAD_MM3): less of a wall is not missed
_EDGE_SHARE = 0.1  # what is built beside it may reach over its edge
_ACROSS = math.sin(math.radians(40))
_LONGEST_TURN_MM = 2.0
_BESIDE_MM = 1.0  # between two lines of infill of half the density: two beads' width


def why_unseen(case: Case, done: Outcome, bad: Scan, tables: tuple[BeadTable, BeadTable]) -> str:
    """Say why no one could tell; empty where one could.

    Args:
        case: the good job.
        done: what the damage did.
        bad: the damaged job.
        tables: what the good and the damaged job lay.
    """
    if done.everywhere:
        return _as_another_width(case, bad)
    if "was_relative" in done.size and _all_in_g91(bad):
        return "all beads are laid in G91, which covers E in many controllers, the described one too: the part is right"
    touched = done.layers
    if not touched:
        return ""
    if done.size.get("factor", 0.0) >= _MAY_BE_MEANT and _is_of_a_raft(case, touched):
        return "a raft's layers, and the first over its air, are each of a kind of their own, with a flow that its maker chose"
    if _tops_supports(case, touched, bad):
        return "the top layer of a raft or of supports is lost: its maker chose how high they are, and how much air is over them"
    if done.size.get("factor", 0.0) >= _FIRST_TURN and _begins_a_spiral(case, touched, under=False):
        return "a spiral's first turn, which rises from nothing, may be fed for half its height"
    if touched == (0,) and case.scan.no_e and done.size.get("path_mm") and case.layers[1].z <= _USUAL_NOZZLE_MM:
        return "the first layer is lost in a job without E: nothing says for which height the next one is fed"
    if done.size.get("path_mm") and _begins_a_spiral(case, touched):
        return "a layer is lost where a spiral begins: one whose first turn rises from one step to two is a good one"
    if _is_an_object(case, touched, bad) and not _states_more(case.text, bad):
        return "a whole object is gone: what is left is a good job of fewer objects, and no comment states a number that it lacks"
    layer = case.layers[touched[0]]
    step = layer.z - max((x.z for x in case.layers if x.z < layer.z - 1e-6), default=0.0)
    width = bead_width_mm(case.scan, layer.beads, step)
    if moved_mm(case.scan, bad) < width:
        return "no bead lies as much as its width from its place"
    laid, laid_now = tables
    lost = [] if only_in(laid_now, laid) else only_in(laid, laid_now)
    # A cut or torn file shows that it is one, whatever is missing of the part.
    if "share" not in done.size or not lost or not all(abs(bead.z - layer.z) < 1e-3 for _, bead in lost):
        return ""
    if _parallel(_no_turns(lost), _next_to(case, layer, -1), width / 2) >= _LEAST_MM:
        return ""  # a wall that breaks off
    path = sum(bead.length for _, bead in lost)
    if _built_on(lost, _next_to(case, layer, 1), width / 2) < max(_LEAST_MM, _EDGE_SHARE * path):
        return "no wall is lost, and nothing is built on what is: a floor that ends a layer lower there is a good one"
    left = [(case.scan.lines[i - 1], case.scan.lines[i]) for i in layer.beads]
    gone = {id(bead) for _, bead in lost}
    left = [(before, bead) for before, bead in left if id(bead) not in gone]
    if path - _parallel(lost, left, _BESIDE_MM) < _LEAST_MM:
        return "what is lost is no wall, and a line of infill is left beside each: infill of half the density"
    return ""


def _is_an_object(case: Case, touched: tuple[int, ...], bad: Scan) -> bool:
    """Whether one of several objects, printed one after another, lays nothing any more, and everything else stays."""
    if case.truth is None:
        return False
    names = {case.truth.layers[i].object_name for i in touched}
    own = {x.index for x in case.truth.layers if x.object_name in names}
    if len(names) > 1 or own != set(touched) or len(own) == len(case.layers):
        return False
    lost = sum(len(case.layers[i].beads) for i in own)
    laid = [sum(line.moves and line.laid > 0 for line in scan.lines) for scan in (case.scan, bad)]
    return laid[0] - laid[1] == lost


def _is_of_a_raft(case: Case, touched: tuple[int, ...]) -> bool:
    """Whether a damage touches one layer, which is of a raft or lies on one."""
    if case.truth is None or len(touched) > 1:
        return False
    near = case.truth.layers[max(0, touched[0] - 1) : touched[0] + 1]
    return any("raft" in layer.roles for layer in near)


def _tops_supports(case: Case, touched: tuple[int, ...], bad: Scan) -> bool:
    """Whether a damage touches one layer, the last of a raft or of all supports, of which nothing is laid any more."""
    if case.truth is None or len(touched) > 1:
        return False
    own, *higher = (layer.roles for layer in case.truth.layers[touched[0] :])
    laid = [sum(line.bead for line in scan.lines) for scan in (case.scan, bad)]
    if not own or laid[0] - laid[1] != len(case.layers[touched[0]].beads):
        return False
    return any(own.keys() == {role} and not any(role in roles for roles in higher) for role in ("raft", "support"))


def _begins_a_spiral(case: Case, touched: tuple[int, ...], *, under: bool = True) -> bool:
    """Whether a damage touches one layer, the lowest whose beads rise along their way, or the one under it, too."""
    if case.truth is None or len(touched) > 1:
        return False
    rising = (layer.index for layer in case.truth.layers if layer.z_low_mm < layer.z_mm - 1e-6)
    return next(rising, -1) - touched[0] in ((0, 1) if under else (0,))


def _states_more(text: bytes, bad: Scan) -> bool:
    """Whether comments state any number but the height of what is left: layers, filament, whatever may tell."""
    tall = max((line.z for line in bad.lines if line.bead), default=0.0)
    stated = [float(n) for comment in _COMMENT.findall(text) for n in _NUMBER.findall(comment)]
    return any(abs(number - tall) > 0.02 for number in stated)


def _as_another_width(case: Case, bad: Scan) -> str:
    """Beads that are all thinner, or thicker, alike are those of another width: where a nozzle lays it, only claims can tell."""
    if _DIAMETER.search(case.text):
        return ""
    heights = sorted({x.z for x in case.layers})
    step = float(np.median([high - low for low, high in pairwise(heights)] or [0.0]))
    width = float(np.median([bead_width_mm(bad, x.beads, step) for x in case.layers if x.beads] or [0.0]))
    width += step * (1 - math.pi / 4)  # its sides are round (stadium model, facts 3.1)
    if not _USUAL_WIDTHS_MM[0] <= width <= _USUAL_WIDTHS_MM[1]:
        return ""
    return "every bead has another width that a usual nozzle lays, too, and no comment states diameters"


def carries(case: Case, layer: Layer) -> bool:
    """Whether anything of the next higher layer lies on one, in the order of printing: a purge line or a skirt carries nothing."""
    above = next((x for x in case.layers[layer.index + 1 :] if x.beads and x.z > layer.z + 1e-6), None)
    if above is None:
        return False
    under, over = ([(case.scan.lines[i - 1], case.scan.lines[i]) for i in x.beads] for x in (layer, above))
    return _built_on(under, over, NOMINAL_WIDTH_MM / 2) > 0


def _all_in_g91(bad: Scan) -> bool:
    """Whether a job says M82 nowhere, and lays everything in relative coordinates."""
    relative, laid = False, False
    for line in bad.lines:
        if line.code == "M82":
            return False
        if line.code in ("G90", "G91"):
            relative = line.code == "G91"
        if line.moves and "E" in line.words and (line.words.get("X") or line.words.get("Y")):
            if not relative:
                return False
            laid = True
    return laid


def _no_turns(beads: Sequence[_Bead]) -> list[_Bead]:
    """Some beads without the short ones across which infill turns from line to line, beside walls."""
    ways = [math.atan2(bead.y - before.y, bead.x - before.x) for before, bead in beads]
    sharp = [True, *(abs(math.sin(b - a)) > _ACROSS for a, b in pairwise(ways)), True]
    return [
        pair
        for pair, before, after in zip(beads, sharp, sharp[1:], strict=False)
        if not (before and after and pair[1].length < _LONGEST_TURN_MM)
    ]


def _next_to(case: Case, layer: Layer, side: int) -> list[_Bead]:
    """The beads of the next layer over (1) or under (-1) one, of whatever height, and of what lies less than half a step beyond."""
    apart = {x.index: side * (x.z - layer.z) for x in case.layers}
    nearest = min((d for d in apart.values() if d > 1e-6), default=0.0)
    lines = case.scan.lines
    return [(lines[i - 1], lines[i]) for x in case.layers if 1e-6 < apart[x.index] < 1.5 * nearest for i in x.beads]


def _points(beads: Sequence[_Bead]) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
    """Points along beads: places (n, 2), mm; class of direction, and which bead each is of: two (n,)."""
    places, ways, owners = [np.empty((0, 2))], [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for index, (before, bead) in enumerate(beads):
        n = max(int(bead.length / _POINT_MM), 1)
        x, y = way_along(before, bead, np.arange(n + 1) / n)
        places.append(np.column_stack(((x[1:] + x[:-1]) / 2, (y[1:] + y[:-1]) / 2)))
        ways.append(np.rint(np.arctan2(np.diff(y), np.diff(x)) * (_WAYS / math.pi)).astype(np.int64) % _WAYS)
        owners.append(np.full(n, index))
    return np.concatenate(places), np.concatenate(ways), np.concatenate(owners)


def _met(places: NDArray[np.float64], others: NDArray[np.float64], reach_mm: float) -> NDArray[np.bool_]:
    """Which places have one of some others within a reach, to a third of it."""

    def cells(points: NDArray[np.float64]) -> NDArray[np.int64]:
        column, row = (np.floor(points / reach_mm * 3).astype(np.int64) + 2**20).T
        keys: NDArray[np.int64] = (row << 22) + column
        return keys

    there, own = np.unique(cells(others)), cells(places)
    found = np.zeros(len(own), np.bool_)
    for row, column in product(range(-3, 4), repeat=2):
        if math.hypot(row, column) <= 3:
            found |= np.isin(own + (row << 22) + column, there)
    return found


def _parallel(lost: Sequence[_Bead], others: Sequence[_Bead], reach_mm: float) -> float:
    """Path of lost beads along most of which one of others runs within a reach, the same way to within 20 degrees, mm."""
    places, ways, owners = _points(lost)
    there, their_ways, _ = _points(others)
    found = np.zeros(len(places), np.bool_)
    for way in np.unique(ways).tolist():
        turn = (their_ways - way) % _WAYS
        found[ways == way] = _met(places[ways == way], there[(turn <= 1) | (turn == _WAYS - 1)], reach_mm)
    return _most_of(lost, found, owners)


def _built_on(lost: Sequence[_Bead], above: Sequence[_Bead], reach_mm: float) -> float:
    """Path of lost beads along most of which others lie within a reach or cross, mm."""
    places, _, owners = _points(lost)
    return _most_of(lost, _met(places, _points(above)[0], reach_mm), owners)


def _most_of(lost: Sequence[_Bead], marks: NDArray[np.bool_], owners: NDArray[np.int64]) -> float:
    """Path of the beads most of whose points are marked, mm."""
    share = np.bincount(owners, marks) / np.bincount(owners)
    return float(sum(bead.length for (_, bead), part in zip(lost, share.tolist(), strict=True) if part > 0.5))
