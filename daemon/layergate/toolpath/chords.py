"""Arcs among moves become chords, so that all that follows sees straight pieces only."""

from dataclasses import fields

import numpy as np

from layergate.toolpath.arcs import AXES_OF_PLANE, Arcs
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
    points = shape.points(begin, of), shape.points(end, of)
    in_plane = shape.length()[of] / count
    rise = np.empty(len(bent))
    for plane, (*axes, normal) in enumerate(AXES_OF_PLANE, start=17):
        here = np.flatnonzero(shape.plane[of] == plane)
        rows = bent[here]
        for which, axis in enumerate(axes):
            result["xyz"[axis] + "0"][rows], result["xyz"[axis] + "1"][rows] = (
                points[0][which][here],
                points[1][which][here],
            )
        name = "xyz"[normal]
        low, high = (getattr(moves, name + at)[index[rows]] for at in "01")
        result[name + "0"][rows] = low + begin[here] * (high - low)
        result[name + "1"][rows] = low + end[here] * (high - low)
        rise[here] = (high - low) / count[here]
    length = np.hypot(in_plane, rise)
    result["length_mm"][bent] = length
    dx, dy, dz = (result[axis + "1"][bent] - result[axis + "0"][bent] for axis in "xyz")
    # In XY the arc itself; else that share of the path that the chord has in XY.
    flat = np.hypot(dx, dy)
    chord = np.maximum(np.hypot(flat, dz), 1e-12)
    result["xy_mm"][bent] = np.where(shape.plane[of] == 17, in_plane, length * flat / chord)
    result["radius_mm"][bent] = (shape.start_radius + shape.end_radius)[of] / 2
    for name in ("push_mm", "laid_mm"):
        result[name][bent] /= count
    return Moves(**result)
