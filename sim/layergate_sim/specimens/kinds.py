"""Every kind of specimen: which solid, which choices, drawn by seed; knows nothing of how beads or words are made.

Sizes stay small (some 10 to 35 mm, 8 to 40 layers), so that thousands can be made in a trial; habits, not sizes, are
what differs.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from random import Random

from .bead import MATERIALS, fill_spacing_mm
from .build import job, plan_job
from .plan import Retraction, Step
from .recipe import Modes, Recipe, Start
from .solids import Solid, bracket, cap, cone, hook, lattice, plate, posts_with_bridge, tube
from .styles import STYLES, WritingStyle
from .truth import Specimen

__all__ = ["SPECIMEN_KINDS", "Draft", "draft_specimen", "make_specimen", "write_specimen"]

Made = tuple[list[Solid], Recipe]
Maker = Callable[[Random, Recipe], Made]
_MAKERS: dict[str, Maker] = {}
SPECIMEN_KINDS: dict[str, str] = {}  # kind: what is special about it


def _kind(name: str, what: str) -> Callable[[Maker], Maker]:
    def add(maker: Maker) -> Maker:
        _MAKERS[name] = maker
        SPECIMEN_KINDS[name] = what
        return maker

    return add


def _ordinary(rng: Random) -> Recipe:
    """Choices that an ordinary job draws: none of them makes a job special."""
    material = MATERIALS[rng.choice(sorted(MATERIALS))]
    direct = rng.random() < 0.7
    layer = rng.choice((0.15, 0.2, 0.2, 0.25))
    return Recipe(
        material=material,
        layer=layer,
        first_layer=rng.choice((layer, 0.2, 0.24)),
        perimeters=rng.choice((2, 2, 3)),
        walls_first=rng.random() < 0.6,
        bottoms=rng.choice((3, 4)),
        tops=rng.choice((3, 4)),
        angle_deg=rng.choice((45.0, 45.0, 0.0, 30.0)),
        skirt=rng.choice((0, 1, 2)),
        retraction=Retraction(
            length=rng.choice((0.5, 0.8, 1.2)) if direct else rng.choice((4.0, 5.5)),
            speed=rng.choice((30.0, 40.0, 50.0)),
        ),
        modes=Modes(reset_e=rng.random() < 0.3, e_relative=rng.random() < 0.3),
        start=Start(purge=rng.random() < 0.7),
        travel_speed=rng.choice((120.0, 150.0, 200.0)),
        fan=rng.choice((255, 180, 127)),
    )


def _tall(r: Recipe, layers: int) -> float:
    """Height of a part of so many whole layers, mm."""
    return round(r.first_layer + (layers - 1) * r.layer, 3)


def _place(rng: Random) -> tuple[float, float]:
    return round(rng.uniform(90, 130), 1), round(rng.uniform(90, 130), 1)


def _plate(rng: Random, r: Recipe, *, layers: int = 12, holes: bool = False) -> Solid:
    x, y = _place(rng)
    w, d = round(rng.uniform(18, 32), 1), round(rng.uniform(14, 26), 1)
    return plate(x, y, w, d, _tall(r, layers), corner=rng.choice((1.0, 3.0)), holes=1.6 if holes else 0.0)


def _wall(recipe: Recipe, perimeters: int) -> float:
    """Thickness of a wall that `perimeters` beads from each side fill."""
    return 2 * perimeters * fill_spacing_mm(recipe.width, recipe.layer)


def _tube(rng: Random, recipe: Recipe, layers: int = 18) -> Solid:
    x, y = _place(rng)
    r = round(rng.uniform(7, 13), 2)
    return tube(x, y, r, r - _wall(recipe, recipe.perimeters), _tall(recipe, layers))


@_kind("plate-solid", "a plate filled solid")
def _plate_solid(rng: Random, r: Recipe) -> Made:
    return [_plate(rng, r, layers=10)], r


@_kind("plate-holes", "a plate with bolt holes, sparse inside")
def _plate_holes(rng: Random, r: Recipe) -> Made:
    return [_plate(rng, r, holes=True)], replace(r, density=0.25)


@_kind("plate-sparse", "sparse infill that alternates its direction")
def _plate_sparse(rng: Random, r: Recipe) -> Made:
    return [_plate(rng, r, layers=18)], replace(r, density=rng.choice((0.12, 0.2, 0.35)))


@_kind("plate-grid", "sparse infill that crosses itself in each layer")
def _plate_grid(rng: Random, r: Recipe) -> Made:
    return [_plate(rng, r, layers=16)], replace(r, density=rng.choice((0.15, 0.25)), grid=True)


@_kind("plate-two-sparse-layers", "a thin plate: solid, one or two sparse layers, solid")
def _plate_thin(rng: Random, r: Recipe) -> Made:
    r = replace(r, density=0.2, bottoms=3, tops=3, first_layer=r.layer)
    return [_plate(rng, r, layers=6 + rng.choice((1, 2)))], r


@_kind("infill-every-second", "infill in every second layer, with two-fold beads")
def _infill_2(rng: Random, r: Recipe) -> Made:
    r = replace(r, layer=0.15, density=0.25, infill_every=2)
    return [_plate(rng, r, layers=18)], r


@_kind("infill-every-third", "infill in every third layer, with three-fold beads")
def _infill_3(rng: Random, r: Recipe) -> Made:
    r = replace(r, layer=0.1, density=0.25, infill_every=3)
    return [_plate(rng, r, layers=24)], r


@_kind("fine-walls", "walls in two thin layers for each thick layer of infill")
def _fine_walls(rng: Random, r: Recipe) -> Made:
    r = replace(r, layer=0.24, first_layer=0.24, density=rng.choice((0.3, 1.0)), fine_walls=True)
    return [_plate(rng, r, layers=10)], r


@_kind("tube", "a tube of walls alone")
def _tube_plain(rng: Random, r: Recipe) -> Made:
    return [_tube(rng, r)], r


@_kind("tube-arcs", "arcs by centre (G2 and G3 with I and J), half a circle each")
def _tube_arcs(rng: Random, r: Recipe) -> Made:
    return [_tube(rng, r)], replace(r, arcs="halves")


@_kind("tube-full-circles", "full circles in one command, lifts along a helix without X or Y")
def _tube_full(rng: Random, r: Recipe) -> Made:
    lift = replace(r.retraction, hop=0.4, hop_as_helix=True)
    return [_tube(rng, r)], replace(r, arcs="full", retraction=lift)


@_kind("tube-arcs-by-radius", "arcs by radius (R), a third of a circle each")
def _tube_radius(rng: Random, r: Recipe) -> Made:
    return [_tube(rng, r)], replace(r, arcs="thirds", modes=replace(r.modes, r_form=True))


@_kind("cap-arcs", "a bollard cap with rounded corners as arcs")
def _cap_arcs(rng: Random, r: Recipe) -> Made:
    x, y = _place(rng)
    solid = cap(x, y, diameter=24, wall=_wall(r, r.perimeters), floor=_tall(r, 6), height=_tall(r, 18), square=True)
    return [solid], replace(r, arcs="halves")


@_kind("bollard-cap", "a bollard cap: a floor with a wall on its edge")
def _cap(rng: Random, r: Recipe) -> Made:
    x, y = _place(rng)
    solid = cap(
        x,
        y,
        diameter=round(rng.uniform(18, 30), 1),
        wall=_wall(r, r.perimeters),
        floor=_tall(r, 5),
        height=_tall(r, 20),
        square=rng.random() < 0.4,
    )
    return [solid], r


@_kind("cone", "walls that lean inward, solid skins where layers step back, sparse inside")
def _cone(rng: Random, r: Recipe) -> Made:
    x, y = _place(rng)
    height = _tall(r, 24)
    return [cone(x, y, 11, round(11 - height * rng.uniform(0.5, 1.2), 2), height)], replace(r, density=0.25)


@_kind("cone-solid", "a cone filled solid")
def _cone_solid(rng: Random, r: Recipe) -> Made:
    x, y = _place(rng)
    height = _tall(r, 20)
    return [cone(x, y, 9, round(9 - height * rng.uniform(0.4, 0.9), 2), height)], r


@_kind("cone-overhang", "walls that lean outward by up to 45 degrees")
def _cone_out(rng: Random, r: Recipe) -> Made:
    x, y = _place(rng)
    height = _tall(r, 22)
    return [cone(x, y, 7, round(7 + height * rng.uniform(0.5, 1.0), 2), height)], replace(r, density=0.3)


@_kind("adaptive-heights", "layer heights that drift between thin and thick")
def _adaptive(rng: Random, r: Recipe) -> Made:
    x, y = _place(rng)
    return [cone(x, y, 11, 8, 5.0)], replace(
        r, adaptive=rng.choice(((0.1, 0.28), (0.12, 0.24))), density=rng.choice((0.25, 1.0))
    )


@_kind("thick-first-layer", "a first layer much thicker than the others")
def _thick_first(rng: Random, r: Recipe) -> Made:
    r = replace(r, layer=0.1, first_layer=rng.choice((0.26, 0.3)), density=0.3)
    return [_plate(rng, r, layers=20)], r


@_kind("wide-nozzle", "a 0.6 mm nozzle with wide, thick beads")
def _wide(rng: Random, r: Recipe) -> Made:
    r = replace(r, nozzle=0.6, width=0.65, layer=0.3, first_layer=0.3, density=rng.choice((0.3, 1.0)))
    return [_plate(rng, r, layers=12)], r


@_kind("thick-filament", "filament of 2.85 mm")
def _thick_filament(rng: Random, r: Recipe) -> Made:
    return [_plate(rng, r)], replace(r, filament_d=2.85, density=0.3)


@_kind("hook-overhang", "an arm that leans out by 30 to 45 degrees")
def _hook(rng: Random, r: Recipe) -> Made:
    x, y = _place(rng)
    solid = hook(x, y, width=9, reach=6, underside=_tall(r, 14), height=_tall(r, 36), slope_deg=rng.uniform(30, 45))
    return [solid], replace(r, density=rng.choice((0.3, 1.0)))


@_kind("hook-support", "a flat underside on supports with their own heights and an air gap")
def _hook_support(rng: Random, r: Recipe) -> Made:
    x, y = _place(rng)
    solid = hook(x, y, width=11, reach=9, underside=_tall(r, 11), height=_tall(r, 24), slope_deg=90)
    r = replace(r, density=0.3, support_step=rng.choice((0.3, 0.28)), support_gap=rng.choice((0.15, 0.2, 0.25)))
    return [solid], r


@_kind("tree-support", "a flat underside on branches that lean out from one trunk, with a dense top and an air gap")
def _tree_support(rng: Random, r: Recipe) -> Made:
    x, y = _place(rng)
    solid = hook(x, y, width=11, reach=9, underside=_tall(r, 22), height=_tall(r, 34), slope_deg=90)
    return [solid], replace(r, density=0.3, support_step=r.layer, support_gap=rng.choice((0.15, 0.2, 0.25)), trees=True)


@_kind("swelling-walls", "inner walls whose width changes along them, to fill what is left between the outer ones")
def _swelling(rng: Random, r: Recipe) -> Made:
    r = replace(r, perimeters=rng.choice((2, 3)), swelling=rng.uniform(0.15, 0.45))
    return [_tube(rng, r, 16)], r


@_kind("bridge", "a bar that bridges the gap between posts")
def _bridge(rng: Random, r: Recipe) -> Made:
    x, y = _place(rng)
    solid = posts_with_bridge(x, y, span=rng.uniform(8, 16), width=9, height=_tall(r, 28), posts=rng.choice((2, 3)))
    return [solid], replace(r, density=rng.choice((0.3, 1.0)))


@_kind("lattice", "a grate of thin bars")
def _lattice(rng: Random, r: Recipe) -> Made:
    x, y = _place(rng)
    r = replace(r, perimeters=rng.choice((1, 2)))
    bar = _wall(r, r.perimeters)
    solid = lattice(x, y, cells_x=rng.choice((2, 3)), cells_y=2, pitch=rng.uniform(6, 9), bar=bar, height=_tall(r, 14))
    return [solid], r


@_kind("hose-bracket-brim", "an L-shaped bracket with a brim")
def _bracket(rng: Random, r: Recipe) -> Made:
    x, y = _place(rng)
    return [bracket(x, y, 28, 22, _tall(r, 14))], replace(r, density=0.3, brim=rng.choice((3, 5)), skirt=0)


def _row(rng: Random, r: Recipe, n: int) -> list[Solid]:
    """Small parts in a row, heights differing."""
    x, y = _place(rng)
    solids: list[Solid] = []
    for i in range(n):
        at = round(x - 35 + 32 * i, 1)
        height = _tall(r, rng.choice((10, 14, 18)))
        match rng.choice(("plate", "cone", "tube")):
            case "plate":
                solids.append(plate(at, y, 14, 12, height))
            case "cone":
                solids.append(cone(at, y, 7, 5, height))
            case _:
                solids.append(tube(at, y, 7, 7 - _wall(r, r.perimeters), height))
    return solids


@_kind("several-parts", "several parts at once, each layer visiting all, objects labelled")
def _several(rng: Random, r: Recipe) -> Made:
    return _row(rng, r, 3), replace(r, labels=rng.random() < 0.7, density=0.4)


@_kind("sequential", "objects printed one after another: the height goes back down, somewhere else")
def _sequential(rng: Random, r: Recipe) -> Made:
    return _row(rng, r, rng.choice((2, 3))), replace(r, sequential=True, labels=rng.random() < 0.6, density=0.4)


@_kind("spiral", "solid bottom layers, then a wall whose height rises all along one bead")
def _spiral(rng: Random, r: Recipe) -> Made:
    x, y = _place(rng)
    r = replace(r, spiral=True, perimeters=2, first_layer=r.layer)
    return [cone(x, y, 10, round(rng.uniform(8, 12), 2), _tall(r, 24))], r


@_kind("raft", "a raft of thick parallel lines, an interface, and an air gap below the part")
def _raft(rng: Random, r: Recipe) -> Made:
    return [_plate(rng, r, layers=14)], replace(r, raft=True, skirt=0, density=rng.choice((0.3, 1.0)))


@_kind("raft-and-support", "a raft below, and supports on it")
def _raft_support(rng: Random, r: Recipe) -> Made:
    x, y = _place(rng)
    solid = hook(x, y, width=11, reach=9, underside=_tall(r, 9), height=_tall(r, 20), slope_deg=90)
    return [solid], replace(r, raft=True, skirt=0, density=0.3)


@_kind("ironed", "a last pass at the same height that smooths the top with little flow")
def _ironed(rng: Random, r: Recipe) -> Made:
    return [_plate(rng, r, layers=9)], replace(r, ironing=True)


@_kind("two-tools", "two filaments with a purge tower")
def _two_tools(rng: Random, r: Recipe) -> Made:
    r = replace(r, tools=2, density=0.4, start=replace(r.start, heat="T"), arcs=rng.choice(("none", "halves")))
    x, y = _place(rng)
    height = _tall(r, 12)
    return [plate(x - 12, y, 16, 12, height), plate(x + 12, y, 16, 12, height)], r


def _varied(rng: Random, r: Recipe) -> Made:
    """A part for kinds whose point lies elsewhere."""
    match rng.choice(("plate", "tube", "cap")):
        case "plate":
            return [_plate(rng, r, layers=12)], replace(r, density=0.3)
        case "tube":
            return [_tube(rng, r)], r
        case _:
            return _cap(rng, r)


def _with_modes(**changes: bool | str) -> Maker:
    def make(rng: Random, r: Recipe) -> Made:
        return _varied(rng, replace(r, modes=replace(r.modes, **changes)))  # type: ignore[arg-type]

    return make


def _with_start(**changes: bool | str) -> Maker:
    def make(rng: Random, r: Recipe) -> Made:
        return _varied(rng, replace(r, start=replace(r.start, **changes)))  # type: ignore[arg-type]

    return make


def _with_retraction(**changes: bool | str | float) -> Maker:
    def make(rng: Random, r: Recipe) -> Made:
        return _varied(rng, replace(r, retraction=replace(r.retraction, **changes)))  # type: ignore[arg-type]

    return make


_SILENT = _with_modes(xyz_stated=False, units_stated=False, e_stated=False, e_relative=False)

for _name, _what, _maker in (
    ("e-absolute", "absolute E that grows through the whole job", _with_modes(e_relative=False, reset_e=False)),
    ("e-relative", "relative E (M83)", _with_modes(e_relative=True, reset_e=False)),
    ("e-reset-each-layer", "absolute E, set back by G92 E0 in each layer", _with_modes(e_relative=False, reset_e=True)),
    (
        "e-relative-reset",
        "relative E with a G92 E0 in each layer all the same",
        _with_modes(e_relative=True, reset_e=True),
    ),
    ("e-mode-unset", "absolute E, never said", _with_modes(e_relative=False, e_stated=False)),
    ("xyz-relative", "every coordinate relative (G91), E absolute", _with_modes(xyz_relative=True, e_relative=False)),
    ("all-relative", "every coordinate and E relative", _with_modes(xyz_relative=True, e_relative=True)),
    (
        "modes-unstated",
        "no G90, no G21, no M82",
        _SILENT,
    ),
    ("inches", "inches (G20)", _with_modes(inches=True)),
    ("volumetric", "E in cubic millimetres (M200)", _with_modes(volumetric=True)),
    ("axis-a", "the extruder is axis A", _with_modes(e_letter="A")),
    ("no-e", "no E at all: the extruder is switched by M101 and M103", _with_modes(no_e=True)),
    ("heat-r", "waits with R words", _with_start(heat="R")),
    ("heat-t", "heats with T words", _with_start(heat="T")),
    ("heat-joined", "waits at once, the tool named behind the temperature", _with_start(heat="joined")),
    ("heat-g10", "temperatures by G10 P S R, then M116", _with_start(heat="G10")),
    ("heat-unsaid", "no temperature at all: someone heats by hand", _with_start(heat="none")),
    ("macro-start", "heating and homing inside a macro of the printer", _with_start(heat="macro", home="macro")),
    ("home-by-axes", "homes X and Y, then Z, and probes the bed", _with_start(home="axes", probe=True)),
    ("retract-firmware", "retraction by G10 and G11", _with_retraction(mode="firmware")),
    ("retract-none", "no retraction", _with_retraction(mode="none")),
    ("z-hop", "lifts the nozzle on travels", _with_retraction(hop=0.4)),
    (
        "arcs-in-zx",
        "lifts over the part in arches: arcs in the ZX plane (G18), with Y along the way",
        _with_retraction(hop=0.6, hop_as_arch=True),
    ),
    ("wipe", "retracts while moving back along the bead", _with_retraction(wipe=True)),
    ("wipe-and-hop", "wipes, lifts, travels", _with_retraction(wipe=True, hop=0.2)),
):
    _kind(_name, _what)(_maker)


@dataclass(frozen=True, slots=True)
class Draft:
    """A specimen that is planned and not yet written."""

    kind: str
    seed: int
    solids: Sequence[Solid]
    recipe: Recipe
    steps: Sequence[Step]
    style: str  # what the seed drew


def draft_specimen(kind: str, seed: int) -> Draft:
    """Plan a specimen; raises KeyError naming the kinds there are."""
    if kind not in _MAKERS:
        raise KeyError(f"no specimen of kind {kind!r}; there are: {', '.join(sorted(_MAKERS))}")
    rng = Random(f"{kind}/{seed}")
    style = rng.choice(sorted(STYLES))
    solids, recipe = _MAKERS[kind](rng, _ordinary(rng))
    if recipe.modes.no_e:
        # Without E there is no retraction and no counter to set back.
        recipe = replace(
            recipe, retraction=Retraction(mode="none"), modes=replace(recipe.modes, reset_e=False, e_relative=False)
        )
    return Draft(kind, seed, solids, recipe, plan_job(solids, recipe), style)


def write_specimen(draft: Draft, style: str | WritingStyle | None = None) -> Specimen:
    """The text of a draft, in the style that its seed drew or in another."""
    way = draft.style if style is None else style
    return job(f"{draft.kind}-{draft.seed}", draft.kind, draft.solids, draft.recipe, way, steps=draft.steps)


def make_specimen(kind: str, seed: int, *, style: str | WritingStyle | None = None) -> Specimen:
    """A good job of this kind; the same kind, seed and style give the same bytes.

    Raises KeyError for a kind or style that does not exist (see `SPECIMEN_KINDS`, `STYLES`).
    """
    return write_specimen(draft_specimen(kind, seed), style)
