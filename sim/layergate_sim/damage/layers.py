"""Damages of whole layers and of parts of them: gone, starved, dry, shifted, at the wrong height."""

import math
from random import Random
from statistics import median

from layergate_sim.specimens.truth import Truth

from .case import SMALLEST_SHARE, Case, Layer, Outcome
from .rebuild import Edits
from .registry import damage
from .result import DamageNotPossibleError
from .scan import scan_job
from .unseen import carries

__all__ = ["lose", "remove_layer", "shift_from", "starve"]


def _moves(case: Case, layer: Layer) -> set[int]:
    """Everything of a layer behind the move to its height: moves, and firmware retractions between them."""
    lines = case.scan.lines
    return {i for i in range(layer.z_line + 1, layer.last + 1) if lines[i].moves or lines[i].code in ("G10", "G11")}


def lose(case: Case, gone: list[Layer], what: str = "layers lay nothing") -> Outcome:
    """Neighbouring layers lay nothing, and their filament is not in the counter."""
    drop: set[int] = set()
    for layer in gone:
        drop |= _moves(case, layer)
    made = case.rebuilt(Edits(drop=drop))
    filament = sum(case.scan.lines[i].laid for layer in gone for i in layer.beads)
    return Outcome(
        case.scan.text(made.raw),
        what,
        tuple(layer.index for layer in gone),
        case.new_lines(made, gone[0].z_line, gone[-1].last),
        (gone[0].z, gone[-1].z),
        case.box(i for layer in gone for i in layer.beads),
        {
            "layers": float(len(gone)),
            "path_mm": case.path(i for g in gone for i in g.beads),
            "filament_units": filament,
        },
    )


@damage(
    "layer-lost", "layer", "One layer lays nothing, its filament is not in the counter: the generator never made it."
)
def layer_lost(case: Case) -> Outcome:
    """One layer gone, cleanly."""
    layer = case.pick(case.middle_layers(), "no layer has two others below and above it")
    return lose(case, [layer], f"layer at {layer.z:.3f} mm lays nothing")


@damage("first-layer-lost", "layer", "The first layer lays nothing: the second one is laid above the bare bed.")
def first_layer_lost(case: Case) -> Outcome:
    """The layer that should hold the part."""
    # In a job of unknown origin purge lines look like layers.
    least = SMALLEST_SHARE * median(case.path(layer.beads) for layer in case.layers) if case.layers else 0.0
    low = (layer for layer in case.layers[:-3] if layer.beads and case.path(layer.beads) >= least)
    found = next((layer for layer in low if case.truth is not None or carries(case, layer)), None)
    layer = case.need(found, "there are few layers")
    return lose(case, [layer], f"the first layer, at {layer.z:.3f} mm, lays nothing")


@damage("two-layers-lost", "layer", "Two layers in a row lay nothing.")
def two_layers_lost(case: Case) -> Outcome:
    """Two neighbours gone."""
    layer = case.pick(case.middle_layers(3), "no layer has three others below and above it")
    pair = [layer, case.layers[layer.index + 1]]
    return lose(case, pair, f"layers at {pair[0].z:.3f} and {pair[1].z:.3f} mm lay nothing")


def cut_layer(case: Case, layer: Layer) -> Outcome:
    """The lines of one layer behind the move to its height cut out of the text; nothing else is put right."""
    first, last = layer.z_line + 1, layer.last
    raw = case.scan.raw[:first] + case.scan.raw[last + 1 :]
    filament = sum(case.scan.lines[i].laid for i in layer.beads)
    return Outcome(
        case.scan.text(raw),
        f"{last - first + 1} lines of the layer at {layer.z:.3f} mm are gone, the counter stays",
        (layer.index,),
        (layer.z_line, first),
        (layer.z, layer.z),
        case.box(layer.beads),
        {"lines": float(last - first + 1), "path_mm": case.path(layer.beads), "filament_units": filament},
    )


@damage("layer-lines-lost", "layer", "The lines of one layer are gone and its filament stays in the counter.")
def layer_lines_lost(case: Case) -> Outcome:
    """One layer cut out of the text."""
    return cut_layer(case, case.pick(case.middle_layers(), "no layer has two others below and above it"))


def _part_gone(case: Case, layer: Layer, gone: list[int], what: str) -> Outcome:
    whole, part = case.path(layer.beads), case.path(gone)
    made = case.rebuilt(Edits(drop=set(gone)))
    return Outcome(
        case.scan.text(made.raw),
        f"{what} of the layer at {layer.z:.3f} mm is gone: {part:.1f} of {whole:.1f} mm",
        (layer.index,),
        case.new_lines(made, gone[0], gone[-1]),
        (layer.z, layer.z),
        case.box(gone),
        {"path_mm": part, "share": part / whole},
    )


@damage(
    "half-layer-lost", "layer", "The first or the second half of one layer's beads, in the order of printing, is gone."
)
def half_layer_lost(case: Case) -> Outcome:
    """Half of the beads in a row."""
    layer = case.pick(
        (x for x in case.middle_layers() if len(x.beads) >= 4),
        "no layer has four beads and two neighbours on each side",
    )
    way, half = 0.0, case.path(layer.beads) / 2
    first: list[int] = []
    for i in layer.beads:
        if way >= half:
            break
        first.append(i)
        way += case.scan.lines[i].length
    second = [i for i in layer.beads if i not in set(first)]
    gone, name = (first, "the first half") if case.rng.random() < 0.5 or not second else (second, "the second half")
    return _part_gone(case, layer, gone, name)


@damage("region-lost", "layer", "Every bead that ends in one region of a layer is gone.")
def region_lost(case: Case) -> Outcome:
    """A disc round a bead of the layer: a fifth to a half of the layer."""
    layer = case.pick((x for x in case.middle_layers() if len(x.beads) >= 8), "no layer has eight beads")
    lines = case.scan.lines
    centre = lines[case.rng.choice(layer.beads)]
    share = case.rng.uniform(0.2, 0.5)
    gone: set[int] = set()
    way, whole = 0.0, case.path(layer.beads)
    for i in sorted(layer.beads, key=lambda n: math.hypot(lines[n].x - centre.x, lines[n].y - centre.y)):
        if way >= share * whole:
            break
        gone.add(i)
        way += lines[i].length
    return _part_gone(case, layer, sorted(gone), f"a region round X {centre.x:.1f} Y {centre.y:.1f}")


def starve(case: Case, starved: list[Layer], factor: float) -> Outcome:
    """These layers carry a share of their filament."""
    if case.scan.no_e:
        raise DamageNotPossibleError("a job without E has no flow to lower")
    lines = case.scan.lines
    edits = Edits(laid={i: lines[i].laid * factor for layer in starved for i in layer.beads})
    made = case.rebuilt(edits)
    return Outcome(
        case.scan.text(made.raw),
        f"layers from {starved[0].z:.3f} mm carry {factor:.1f} of their filament ({len(starved)} of them)",
        tuple(layer.index for layer in starved),
        case.new_lines(made, starved[0].beads[0], starved[-1].beads[-1]),
        (starved[0].z, starved[-1].z),
        case.box(i for layer in starved for i in layer.beads),
        {"factor": factor, "layers": float(len(starved))},
    )


def _one_starved(factor: float) -> None:
    name = f"layer-starved-{factor * 10:.0f}0"

    @damage(name, "layer", f"One layer carries {factor:.1f} of its filament.")
    def one(case: Case) -> Outcome:
        return starve(case, [case.pick(case.middle_layers(), "no layer has neighbours")], factor)


for _factor in (0.8, 0.6, 0.3):
    _one_starved(_factor)


@damage("layers-starved-30", "layer", "Two to four layers in a row carry 0.3 of their filament.")
def layersstarve(case: Case) -> Outcome:
    """A short run of starved layers."""
    n = case.rng.randint(2, 4)
    layer = case.pick(
        (x for x in case.middle_layers() if x.index + n < len(case.layers) - 1), "no run of layers has neighbours"
    )
    run = case.layers[layer.index : layer.index + n]
    if not all(x.beads and b > a for x, a, b in zip(run[1:], (x.z for x in run), (x.z for x in run[1:]), strict=False)):
        raise DamageNotPossibleError("the run meets the end of an object")
    return starve(case, run, 0.3)


@damage("layer-dry", "layer", "One layer is moved along without any filament.")
def layer_dry(case: Case) -> Outcome:
    """All moves stay, no bead lays anything."""
    return starve(case, [case.pick(case.middle_layers(), "no layer has neighbours")], 0.0)


def shift_from(case: Case, layer: Layer, dx: float, dy: float) -> Outcome:
    """Everything from a layer up lies aside, mm."""
    lines = case.scan.lines
    last = case.layers[-1].last
    edits = Edits(
        place={i: (lines[i].x + dx, lines[i].y + dy) for i in range(layer.z_line, last + 1) if lines[i].moves}
    )
    made = case.rebuilt(edits)
    return Outcome(
        case.scan.text(made.raw),
        f"everything from {layer.z:.3f} mm up lies {math.hypot(dx, dy):.2f} mm aside",
        (layer.index,),
        case.new_lines(made, layer.z_line, layer.last),
        (layer.z, case.layers[-1].z),
        case.box(layer.beads),
        {"shift_mm": math.hypot(dx, dy), "dx_mm": dx, "dy_mm": dy},
    )


@damage("layers-shifted", "layer", "Every layer from one height up lies 0.5 to 10 mm aside.")
def layers_shifted(case: Case) -> Outcome:
    """What a lost step or a wrong origin does, as in the file itself."""
    layer = case.pick(case.middle_layers(), "no layer has neighbours")
    distance = round(case.rng.choice((0.5, 1.0, 2.0, 3.0, 5.0, 10.0)) * case.rng.uniform(1.0, 1.2), 2)
    angle = case.rng.uniform(0, math.tau)
    dx, dy = round(distance * math.cos(angle), 3), round(distance * math.sin(angle), 3)
    return shift_from(case, layer, dx, dy)


@damage(
    "z-move-lost", "layer", "The move to one layer's height is gone: the layer is laid at the height of the one below."
)
def z_move_lost(case: Case) -> Outcome:
    """A lost line with a Z word."""
    lines = case.scan.lines
    layer = case.pick(
        (
            x
            for x in case.middle_layers()
            if "Z" in lines[x.z_line].words and not any("Z" in lines[i].words for i in range(x.z_line + 1, x.last + 1))
        ),
        "no layer is reached by one move of Z",
    )
    raw = list(case.scan.raw)
    del raw[layer.z_line]
    return Outcome(
        case.scan.text(raw),
        f"the move to {layer.z:.3f} mm is gone",
        (layer.index,),
        (layer.z_line, layer.z_line),
        (case.layers[layer.index - 1].z, layer.z),
        case.box(layer.beads),
        {"height_lost_mm": layer.z - case.layers[layer.index - 1].z},
    )


def remove_layer(text: bytes, truth: Truth, layer: int, *, consistent: bool = True) -> bytes:
    """The job without what it lays in `layer` (index in `truth.layers`): nothing stands between two moves of Z.

    With `consistent` the job reads as though its generator had never made the layer: later words of an absolute E are
    lowered, relative steps lead on from the right place, retractions stay paired. Without it the lines are simply gone,
    as from a damaged store. Raises IndexError where there is no such layer.
    """
    if not 0 <= layer < len(truth.layers):
        raise IndexError(f"the job has layers 0 to {len(truth.layers) - 1}, not {layer}")
    case = Case(text, scan_job(text), truth, Random(0))
    chosen = case.layers[layer]
    return (lose(case, [chosen], "") if consistent else cut_layer(case, chosen)).text
