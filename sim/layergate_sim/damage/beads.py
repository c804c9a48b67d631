"""Damages of single beads and moves: stray beads, blobs, plunges, retractions unpaid, lines swapped, arcs turned."""

import math
import re

from .case import Case, Layer, Outcome
from .rebuild import Edits, renumber
from .registry import damage
from .result import DamageNotPossibleError
from .scan import COMMENT, Line

__all__ = ["add_lump", "dive", "lay_astray"]

AREA_PER_E = 0.0338  # mm of 1.75 mm filament for each mm of an ordinary bead (0.45 x 0.2), facts 3.1


def _words(
    case: Case, here: Line, target: dict[str, float], de: float = 0.0, speed_mm_s: float = 40.0
) -> tuple[str, dict[str, float]]:
    """A move from `here` to a target in mm, as the job at this place would write it; and where it ends."""
    decimals = 5 if here.unit != 1.0 else 3
    at = {"X": here.x, "Y": here.y, "Z": here.z}
    parts = ["G1"]
    for axis, value in target.items():
        shown = (value - (at[axis] if here.xyz_relative else 0.0)) / here.unit
        parts.append(f"{axis}{shown:.{decimals}f}")
    if de and not case.scan.no_e:
        parts.append(f"{case.scan.e_letter}{de if here.e_relative else here.e + de:.5f}")
    parts.append(f"F{speed_mm_s * 60 / here.unit:.0f}")
    return " ".join(parts), at | target


def _at(here: Line, at: dict[str, float], e: float) -> Line:
    """The state after an added move."""
    return Line("", {}, at["X"], at["Y"], at["Z"], e, 0.0, 0.0, here.xyz_relative, here.e_relative, here.unit)


def _flow(case: Case, layer: Layer) -> float:
    """Filament for each mm of path in a layer, units of the job."""
    lines = case.scan.lines
    return sum(lines[i].laid for i in layer.beads) / max(case.path(layer.beads), 1e-9)


def lay_astray(case: Case, layer: Layer, after: int, length: float) -> Outcome:
    """Behind line `after`: out beside the part, a bead of so many mm, and back, at the height of the layer."""
    here = case.scan.lines[after]
    box = case.need(case.box(i for x in case.layers for i in x.beads), "nothing is laid")
    x, y = box[2] + 8.0, box[1] + 2.0
    flow = max(_flow(case, layer), 0.5 * AREA_PER_E / here.unit)
    new: list[str] = []
    states = here
    steps: list[tuple[dict[str, float], float, float]] = [
        ({"X": x, "Y": y}, 0.0, 120.0),
        ({"X": x, "Y": y + length}, flow * length, 40.0),
        ({"X": here.x, "Y": here.y}, 0.0, 120.0),
    ]
    for target, de, speed in steps:
        text, at = _words(case, states, target, de, speed)
        new += ["M101", text, "M103"] if case.scan.no_e and de else [text]
        states = _at(here, at, states.e + de)
    if case.scan.no_e:
        new = ["M103", *new, "M101"]
    made = case.rebuilt(Edits(after={after: new}, pushed={after: 0.0 if case.scan.no_e else flow * length}))
    return Outcome(
        case.scan.text(made.raw),
        f"a bead of {length} mm lies in the air at {layer.z:.3f} mm",
        (layer.index,),
        (after + 1, after + len(new)),
        (layer.z, layer.z),
        (x, y, x, y + length),
        {"length_mm": length},
    )


@damage("stray-bead", "bead", "A bead of 15 to 40 mm is laid in the air beside the part.")
def stray_bead(case: Case) -> Outcome:
    """At the height of a layer well above the bed."""
    layer = case.pick(
        (x for x in case.middle_layers() if x.z > 1.0 and len(x.beads) > 3), "no layer stands 1 mm above the bed"
    )
    after = case.rng.choice(layer.beads[1:-1])
    return lay_astray(case, layer, after, round(case.rng.uniform(15, 40), 1))


def add_lump(case: Case, layer: Layer, i: int, mm3: float) -> Outcome:
    """The bead of line `i` carries so much more than its path explains."""
    lines = case.scan.lines
    per_unit = lines[i].mm3 / lines[i].laid
    made = case.rebuilt(Edits(laid={i: lines[i].laid + mm3 / per_unit}))
    return Outcome(
        case.scan.text(made.raw),
        f"a bead of {lines[i].length:.2f} mm carries {mm3:.1f} mm3 too much",
        (layer.index,),
        case.new_lines(made, i, i),
        (layer.z, layer.z),
        case.box([i]),
        {"excess_mm3": mm3, "length_mm": lines[i].length},
    )


@damage("blob", "bead", "One bead carries far too much filament: a lump of 2 to 60 mm3.")
def blob(case: Case) -> Outcome:
    """A jump of E on one bead, at least ten times what its path explains."""
    if case.scan.no_e:
        raise DamageNotPossibleError("a job without E has no flow to raise")
    layer = case.pick((x for x in case.middle_layers() if x.beads), "no layer has neighbours")
    i = case.rng.choice(layer.beads)
    return add_lump(case, layer, i, max(case.rng.uniform(2, 60), 10 * case.scan.lines[i].mm3))


def dive(case: Case, layer: Layer, after: int, depth: float) -> Outcome:
    """Behind the bead of line `after`: down by so many mm, 4 mm back along it, up again."""
    here, start = case.scan.lines[after], case.scan.lines[after - 1]
    d = math.hypot(start.x - here.x, start.y - here.y) or 1.0
    f = min(4.0 / d, 1.0)
    back = {"X": here.x + f * (start.x - here.x), "Y": here.y + f * (start.y - here.y)}
    new, state = [], here
    for target in ({"Z": here.z - depth}, back, {"X": here.x, "Y": here.y}, {"Z": here.z}):
        text, at = _words(case, state, target, 0.0, 60.0)
        new.append(text)
        state = _at(here, at, here.e)
    if case.scan.no_e:
        new = ["M103", *new, "M101"]
    return Outcome(
        case.scan.text(case.rebuilt(Edits(after={after: new})).raw),
        f"the nozzle goes {depth} mm deep into the part below {layer.z:.3f} mm",
        (layer.index,),
        (after + 1, after + len(new)),
        (here.z - depth, here.z),
        case.box([after]),
        {"depth_mm": depth},
    )


@damage("plunge", "bead", "The nozzle goes down into the part, along in it, and back up.")
def plunge(case: Case) -> Outcome:
    """At the end of a bead, by 0.6 to 3 mm."""
    lines = case.scan.lines
    layer = case.pick(
        (x for x in case.middle_layers() if x.z > 1.5 and len(x.beads) > 3), "no layer stands 1.5 mm high"
    )
    long = [i for i in layer.beads[1:-1] if lines[i].length > 1.0 and lines[i].code == "G1"] or list(layer.beads[1:-1])
    after = case.rng.choice(long)
    return dive(case, layer, after, round(case.rng.uniform(0.6, min(3.0, layer.z - 0.4)), 2))


@damage("retraction-unpaid", "bead", "One retraction is never paid back: the next beads lay less or nothing.")
def retraction_unpaid(case: Case) -> Outcome:
    """One prime loses its filament; the job goes on with the debt."""
    lines, scan = case.scan.lines, case.scan
    in_layers = [(x, i) for x in case.middle_layers() for i in range(x.first, x.last + 1)]
    primes = [
        (x, i)
        for x, i in in_layers
        if lines[i].moves and lines[i].de > 0 and i and lines[i].debt < lines[i - 1].debt and not lines[i].length
    ]
    if not primes:
        layer, i = case.pick(
            ((x, i) for x, i in in_layers if lines[i].code == "G11" and not lines[i].words),
            "no retraction is paid back",
        )
        raw = [*scan.raw[:i], *scan.raw[i + 1 :]]
        return Outcome(
            scan.text(renumber(raw)),
            f"G11 of line {i + 1} is gone",
            (layer.index,),
            (i, i),
            (layer.z, layer.z),
            case.box(layer.beads),
            {},
        )
    layer, i = case.pick(primes, "no retraction is paid back")
    owed = lines[i - 1].debt - lines[i].debt
    made = case.rebuilt(Edits(unpaid={i}))
    return Outcome(
        scan.text(made.raw),
        f"{owed:.2f} of filament pulled back before line {i + 1} never comes back",
        (layer.index,),
        case.new_lines(made, i, i),
        (layer.z, layer.z),
        case.box(layer.beads),
        {"debt_units": owed},
    )


@damage("lines-swapped", "bead", "Two lines of the part stand in each other's place.")
def lines_swapped(case: Case) -> Outcome:
    """Two moves of one layer, at least two lines apart, that do not end in the same place."""
    lines, scan = case.scan.lines, case.scan
    layer = case.pick((x for x in case.middle_layers() if len(x.beads) > 8), "no layer has eight beads")
    i = case.rng.choice(layer.beads[:-4])
    j = case.pick(
        (n for n in layer.beads if n > i + 2 and math.hypot(lines[n].x - lines[i].x, lines[n].y - lines[i].y) > 3.0),
        "no two beads of the layer end apart",
    )
    raw = list(scan.raw)
    raw[i], raw[j] = raw[j], raw[i]
    return Outcome(
        scan.text(renumber(raw)),
        f"lines {i + 1} and {j + 1} are swapped",
        (layer.index,),
        (i, j),
        (layer.z, layer.z),
        case.box(range(i, j + 1)),
        {"apart_lines": float(j - i)},
    )


@damage("arc-turned", "bead", "One arc runs the other way round.")
def arc_turned(case: Case) -> Outcome:
    """G3 written as G2, or the other way."""
    lines, scan = case.scan.lines, case.scan
    # A full circle laid the other way round is the same circle.
    arcs = [
        (x, i)
        for x in case.middle_layers(1)
        for i in x.beads
        if lines[i].code in ("G2", "G3") and math.hypot(lines[i].x - lines[i - 1].x, lines[i].y - lines[i - 1].y) > 0.5
    ]
    layer, i = case.pick(arcs, "no arcs but full circles")
    bare = COMMENT.sub(lambda m: " " * len(m[0]), scan.raw[i])
    m = case.need(re.search(r"[Gg]0?([23])(?![\d.])", bare), "no G2 or G3 found")
    raw = list(scan.raw)
    raw[i] = raw[i][: m.start(1)] + ("2" if m[1] == "3" else "3") + raw[i][m.end(1) :]
    return Outcome(
        scan.text(renumber(raw)),
        f"the arc of line {i + 1} runs the other way",
        (layer.index,),
        (i, i),
        (layer.z, layer.z),
        case.box([i - 1, i]),
        {"length_mm": lines[i].length},
    )
