"""Arcs among moves become chords, so that all that follows sees straight pieces only."""

from dataclasses import fields

import numpy as np

from layergate.toolpath.arcs import Arcs
from layergate.toolpath.moves import I64, Moves


def with_chords(moves: Moves, arcs: I64, shape: Arcs) -> Moves:
    """Replace arcs among moves by their chords; path length and filament are the arc's, in equal shares.

    Args:
        arcs: (k,) rows of the moves that are arcs, rising.
        shape: their geometry; an arc that is not judged stays as one straight row.
    """
    pieces = np.ones(len(moves), np.int64)
    pieces[arcs] = np.where(shape.judged, shape.chords(), 1)
    index = np.repeat(np.arange(len(moves)), pieces)
    first = np.concatenate(([0], np.cumsum(pieces)[:-1]))
    step = np.arange(len(index)) - first[index]
    result = {column.name: getattr(moves, column.name)[index] for column in fields(Moves)}
    arc_of_row = np.full(len(moves), -1)
    arc_of_row[arcs[shape.judged]] = np.flatnonzero(shape.judged)
    arc = arc_of_row[index]
    bent = np.flatnonzero(arc >= 0)
    of = arc[bent]
    count = pieces[index[bent]].astype(np.float64)
    begin, end = step[bent] / count, (step[bent] + 1) / count
    result["x0"][bent], result["y0"][bent] = shape.points(begin, of)
    result["x1"][bent], result["y1"][bent] = shape.points(end, of)
    z0, z1 = moves.z0[index[bent]], moves.z1[index[bent]]
    result["z0"][bent], result["z1"][bent] = z0 + begin * (z1 - z0), z0 + end * (z1 - z0)
    xy = shape.length()[of] / count
    result["xy_mm"][bent] = xy
    result["radius_mm"][bent] = (shape.start_radius + shape.end_radius)[of] / 2
    result["length_mm"][bent] = np.hypot(xy, (z1 - z0) / count)
    for name in ("push_mm", "laid_mm"):
        result[name][bent] /= count
    return Moves(**result)
