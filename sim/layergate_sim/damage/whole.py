"""Damages of the whole job: moved, of another machine, twice, an object gone, modes or homing or the end missing."""

import re

from .case import Case, Outcome
from .rebuild import Edits, renumber
from .registry import damage
from .result import DamageNotPossibleError
from .scan import COMMENT

__all__: list[str] = []


def _moved(case: Case, dx: float, dy: float, what: str) -> Outcome:
    lines = case.scan.lines
    # From the first move that names X or Y: homing stays where it is.
    first = case.need(
        next((i for i, x in enumerate(lines) if x.moves and ("X" in x.words or "Y" in x.words)), None), "nothing moves"
    )
    place = {i: (lines[i].x + dx, lines[i].y + dy) for i in range(first, len(lines)) if lines[i].moves}
    made = case.rebuilt(Edits(place=place))
    box = case.box(i for x in case.layers for i in x.beads)
    where = None if box is None else (box[0] + dx, box[1] + dy, box[2] + dx, box[3] + dy)
    return Outcome(case.scan.text(made.raw), what, (), None, None, where, {"dx_mm": dx, "dy_mm": dy})


@damage("moved-off-bed", "whole", "The whole job lies beyond the edge of the bed (220 mm square).")
def moved_off_bed(case: Case) -> Outcome:
    """Moved along one axis until the part sticks out by 5 to 40 mm."""
    box = case.need(case.box(i for x in case.layers for i in x.beads), "nothing is laid")
    out = case.rng.uniform(5, 40)
    axis, sign = case.rng.choice((0, 1)), case.rng.choice((-1, 1))
    shift = round(220 - box[2 + axis] + out if sign > 0 else -box[axis] - out, 3)
    dx, dy = (shift, 0.0) if axis == 0 else (0.0, shift)
    return _moved(case, dx, dy, f"the part sticks out of the bed by {out:.1f} mm")


@damage("other-machine-origin", "whole", "The job of a machine whose origin is the middle of the bed.")
def other_origin(case: Case) -> Outcome:
    """Every place lies 110 mm to the left and to the front."""
    return _moved(case, -110.0, -110.0, "the job is written for an origin in the middle of the bed")


@damage(
    "other-machine-filament", "whole", "The job of a machine with filament of 2.85 mm (or, from there, of 1.75 mm)."
)
def other_filament(case: Case) -> Outcome:
    """Every length of filament times the ratio of the cross-sections."""
    if case.scan.no_e:
        raise DamageNotPossibleError("a job without E says nothing of filament")
    thick = case.truth is not None and case.truth.filament_diameter_mm > 2
    factor = (2.85 / 1.75) ** 2 if thick else (1.75 / 2.85) ** 2
    lines = case.scan.lines
    if any(line.code == "M200" for line in lines):
        raise DamageNotPossibleError("volumetric E does not depend on the filament")
    made = case.rebuilt(Edits(laid={i: x.laid * factor for i, x in enumerate(lines) if x.laid > 0}))
    return Outcome(
        case.scan.text(made.raw),
        f"every bead carries {factor:.3f} of its filament",
        (),
        None,
        None,
        None,
        {"factor": factor},
        everywhere=True,
    )


@damage("two-jobs", "whole", "The job stands twice in the file, one behind the other.")
def two_jobs(case: Case) -> Outcome:
    """The whole text once more."""
    again = case.text.removeprefix(b"\xef\xbb\xbf")
    lines = len(case.scan.raw) - (case.scan.raw[-1] == "")
    join = b"" if case.text.endswith(b"\n") else b"\n"
    return Outcome(
        case.text + join + again,
        f"a second job begins at line {lines + 1}",
        (),
        (lines, 2 * lines - 1),
        None,
        None,
        {"jobs": 2.0},
    )


@damage("object-missing", "whole", "One object of a job that prints them one after another is gone.")
def object_missing(case: Case) -> Outcome:
    """All layers of one object, labels and moves, cleanly: what is left is a good job of fewer objects."""
    if case.truth is None or "sequential" not in case.truth.flags:
        raise DamageNotPossibleError("the objects of this job are not printed one after another")
    names = [n for n in dict.fromkeys(x.object_name for x in case.truth.layers) if n]
    name = case.pick(names[1:], "there is one object only")
    gone = [x for x, t in zip(case.layers, case.truth.layers, strict=True) if t.object_name == name]
    lines = case.scan.lines
    drop = {i for i in range(gone[0].first, gone[-1].last + 1) if lines[i].moves or lines[i].code in ("G10", "G11")}
    made = case.rebuilt(Edits(drop=drop))
    return Outcome(
        case.scan.text(made.raw),
        f"{name} is gone",
        tuple(x.index for x in gone),
        case.new_lines(made, gone[0].first, gone[-1].last),
        (0.0, gone[-1].z),
        case.box(i for x in gone for i in x.beads),
        {"layers": float(len(gone))},
    )


def _without(
    case: Case, codes: tuple[str, ...], what: str, *, before_first_bead: bool = True, only_cold: bool = False
) -> Outcome:
    """The job without these commands; lines that share them with others are not split."""
    first = case.first_bead
    lines = case.scan.lines
    gone = [
        i
        for i, x in enumerate(lines)
        if x.code in codes and (i < first) == before_first_bead and (not only_cold or x.words.get("S", 1.0) == 0)
    ]
    if not gone:
        raise DamageNotPossibleError(f"the job has no {' or '.join(codes)} there")
    raw = [x for i, x in enumerate(case.scan.raw) if i not in set(gone)]
    return Outcome(
        case.scan.text(renumber(raw)), what, (), (max(gone[0] - 1, 0), gone[0]), None, None, {"lines": float(len(gone))}
    )


@damage("homing-missing", "whole", "No axis is homed.")
def homing_missing(case: Case) -> Outcome:
    """G28 gone."""
    return _without(case, ("G28",), "no G28 is left")


@damage("e-mode-missing", "whole", "The line that says how E is meant (M82 or M83) is gone.")
def e_mode_missing(case: Case) -> Outcome:
    """M83 gone makes every length of filament a place; M82 gone leaves the default."""
    relative = any(x.code == "M83" for x in case.scan.lines)
    out = _without(case, ("M82", "M83"), f"no {'M83' if relative else 'M82'} is left")
    out.size["was_relative"] = float(relative)
    return out


@damage("heat-missing", "heat", "Neither nozzle nor bed is heated: no temperature before the first bead.")
def heat_missing(case: Case) -> Outcome:
    """All heating lines of the start gone."""
    lines = case.scan.lines
    if any(x.code == "G10" and "S" in x.words for x in lines):
        return _without(case, ("G10", "M116", "M140", "M190"), "nothing is heated")
    return _without(case, ("M104", "M109", "M140", "M190"), "nothing is heated")


@damage("heat-wait-missing", "heat", "The nozzle is set hot and nobody waits for it.")
def heat_wait_missing(case: Case) -> Outcome:
    """M109 becomes M104 and M116 goes."""
    first = case.first_bead
    lines = case.scan.lines
    waits = [i for i, x in enumerate(lines[:first]) if x.code in ("M109", "M116")]
    if not waits:
        raise DamageNotPossibleError("the job does not wait for the nozzle")
    raw = list(case.scan.raw)
    for i in reversed(waits):
        if lines[i].code == "M116":
            del raw[i]
        else:
            value = lines[i].words.get("S", lines[i].words.get("R", 200.0))
            raw[i] = f"M104 S{value:g}"
    return Outcome(
        case.scan.text(renumber(raw)),
        "the nozzle is set and not waited for",
        (),
        (waits[0], waits[-1]),
        None,
        None,
        {"lines": float(len(waits))},
    )


@damage("heater-left-on", "heat", "The end of the job leaves a heater on.")
def heater_left_on(case: Case) -> Outcome:
    """M104 S0 of the end gone, or M140 S0, or both."""
    codes = case.rng.choice((("M104",), ("M140",), ("M104", "M140")))
    return _without(
        case, codes, f"{' and '.join(codes)} S0 of the end are gone", before_first_bead=False, only_cold=True
    )


@damage("claim-wrong", "whole", "A comment at the top claims another number of layers than the job has.")
def claim_wrong(case: Case) -> Outcome:
    """A third more layers are claimed, as by a job that lost its rest and was closed properly."""
    count = len(case.layers)
    for i in range(case.first_bead):
        for comment in COMMENT.finditer(case.scan.raw[i]):
            m = re.search(rf"layer[^\d\n]*?\b({count})\b", comment[0], re.IGNORECASE)
            if m is None:
                continue
            claimed = count + max(count // 3, 3)
            at = comment.start() + m.start(1)
            raw = list(case.scan.raw)
            raw[i] = raw[i][:at] + str(claimed) + raw[i][at + len(m[1]) :]
            return Outcome(
                case.scan.text(raw),
                f"{claimed} layers are claimed, {count} are there",
                lines=(i, i),
                size={"claimed": float(claimed), "layers": float(count)},
            )
    raise DamageNotPossibleError("no comment at the top claims the number of layers")
