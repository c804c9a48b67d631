"""Puts objects on a plate: skirt, brim, raft, tower, order of printing. Gives layers in print order; knows no command text."""

import math
from dataclasses import dataclass, field
from random import Random

import shapely
from shapely.geometry import Polygon
from shapely.ops import unary_union
from tests.oracles import fillings as fill
from tests.oracles.pathmaker import CORNER, Bead, Layer, PathMaker, Recipe, stadium_mm2
from tests.oracles.solids import MAKERS, Region, Solid, box, placed

SPIRALS = {"cylinder", "cup", "vase", "frustum", "star", "pyramid"}
CLEARANCE_MM = 30.0  # between objects printed one after another, so that the head passes (common practice)


@dataclass
class Plate:
    """What is printed: objects, how, and every layer in print order."""

    solids: list[Solid]
    shifts: list[tuple[float, float]]
    recipe: Recipe
    sequential: bool
    layers: list[Layer]
    lift_mm: float = 0.0  # a raft's height and its air gap
    names: list[str] = field(default_factory=list)

    @property
    def volume_mm3(self) -> float:
        return sum(bead.volume_mm3 for layer in self.layers for bead in layer.beads)


def drawn_plate(r: Random, bed: tuple[float, float, float, float]) -> Plate:
    """One to four objects in the middle of the bed (x0, y0, x1, y1), everything else drawn too."""
    recipe = Recipe.drawn(r)
    count = r.choice([1, 1, 1, 2, 3, 4])
    maker = r.choice(MAKERS)
    solids = [(maker if r.random() < 0.5 else r.choice(MAKERS))(r) for _ in range(count)]
    if r.random() < 0.2:  # what is small takes fine layers, or it would have three
        recipe.height = min(recipe.height, 0.12)
    if count == 1 and solids[0].name in SPIRALS and r.random() < 0.35:
        recipe.spiral, recipe.raft, recipe.density, recipe.adaptive, recipe.every = True, False, 0.2, 0, 1
        recipe.support_tool = recipe.fill_tool = 0
        recipe.tower = False
    if recipe.top_pattern == "rings" and (recipe.density < 0.1 or recipe.pattern == "rings"):
        recipe.top_pattern = "lines"  # rings over a hollow, or over rings far apart, would hang on nothing
    if recipe.raft:
        recipe.first_height = (
            recipe.height
        )  # a thick first layer is for the bed, and would not reach a raft under its air
    if recipe.density < 0.1 or recipe.pattern == "rings":
        recipe.top = max(2, recipe.top)  # a step's walls would stand on nothing
    return make_plate(solids, recipe, r, bed, sequential=count > 1 and r.random() < 0.4)


def make_plate(
    solids: list[Solid], recipe: Recipe, r: Random, bed: tuple[float, float, float, float], *, sequential: bool = False
) -> Plate:
    shifts, x, y, row = [], 0.0, 0.0, 0.0
    apart = CLEARANCE_MM if sequential else 6.0 + recipe.brim * 2 * recipe.wall_width
    middle = (bed[0] + bed[2]) / 2, (bed[1] + bed[3]) / 2
    for i, solid in enumerate(solids):
        low, high = solid.bounds_mm
        if i == 2:
            x, y, row = 0.0, row + apart, 0.0
        shifts.append((x - low[0] + middle[0] - 35, y - low[1] + middle[1] - 30))
        x, row = x + high[0] - low[0] + apart, max(row, y + high[1] - low[1])
    makers = [PathMaker(s, recipe, r, at, i) for i, (s, at) in enumerate(zip(solids, shifts, strict=True))]
    plate = Plate(solids, shifts, recipe, sequential, [], 0.0, [f"{s.name} {i}" for i, s in enumerate(solids)])
    raft = _raft(plate, makers, r) if recipe.raft and not sequential else []
    for maker in makers:
        maker.lift = plate.lift_mm
    stacks = [maker.layers() for maker in makers]
    stacks = [[layer for layer in stack if layer.beads] for stack in stacks]
    if sequential:
        plate.layers = [layer for stack in stacks for layer in stack]
    else:
        plate.layers = sorted((layer for stack in stacks for layer in stack), key=lambda layer: (layer.z, layer.part))
    plate.layers = raft + plate.layers
    if not raft:
        _around(plate, makers, r)
    if recipe.tower and not sequential and any(b.tool for layer in plate.layers for b in layer.beads):
        _tower(plate)
    return plate


def _bead(path: object, width: float, height: float, kind: str, flow: float = 1.0) -> Bead:
    bead = Bead(path, None, kind)
    bead.area = bead.lengths * 0 + stadium_mm2(width, height) * flow
    return bead


def _footprint(maker: PathMaker) -> Region:
    return maker.sections[0].union(maker.supports[0])


def _around(plate: Plate, makers: list[PathMaker], r: Random) -> None:
    """Brim of each object, skirt of all (of each, where they are printed one after another)."""
    recipe, h = plate.recipe, makers[0].steps[0][1]
    width = recipe.fill_width * 1.1
    pitch = width - h * CORNER
    whole = unary_union([_footprint(m) for m in makers])
    for number, maker in enumerate(makers):
        foot = _footprint(maker)
        first = next(layer for layer in plate.layers if layer.part == number)
        beads = []
        for k in reversed(range(recipe.brim)):
            beads += [_bead(p, width, h, "brim") for p in fill.rings(foot.buffer(pitch / 2 + k * pitch))]
        reach = recipe.brim * pitch + 3.0
        if recipe.skirt and (number == 0 or plate.sequential):
            around = (foot if plate.sequential else whole).convex_hull
            for k in reversed(range(recipe.skirt)):
                beads += [_bead(p, width, h, "skirt") for p in fill.rings(around.buffer(reach + k * pitch))]
        first.beads = beads + first.beads


def _raft(plate: Plate, makers: list[PathMaker], r: Random) -> list[Layer]:
    """Thick wide lines, then closer ones across, then an air gap that is left on purpose (domain.md)."""
    recipe, made, z = plate.recipe, list[Layer](), 0.0
    foot = unary_union([_footprint(m).convex_hull for m in makers]).buffer(3.0)
    base = min(0.75 * recipe.nozzle, 0.35)
    for number, (h, width, spacing) in enumerate([
        (base, 2 * recipe.nozzle, 3.5 * recipe.nozzle), (base, recipe.nozzle * 1.2, recipe.nozzle * 1.6),
        *[(recipe.height, recipe.nozzle * 1.1, recipe.nozzle * 1.1 - recipe.height * CORNER)] * r.choice([1, 2]),
    ]):  # fmt: skip
        z = round(z + h, 4)
        lines = fill.hatch(foot, math.pi / 2 * (number % 2), spacing)
        made.append(Layer(z, h, [_bead(p, width, h, "raft") for p in fill.connected(lines, foot, 2 * spacing)], 0))
    plate.lift_mm = round(z + r.choice([0.1, 0.15, 0.2, 0.25]), 4)
    return made


def _tower(plate: Plate) -> None:
    """A tower beside the part, a layer of it wherever the plate has one, up to the last change of tool."""
    recipe, beads = plate.recipe, [b for layer in plate.layers for b in layer.beads]
    right = max(float(b.path[:, 0].max()) for b in beads) + 6
    low = min(float(b.path[:, 1].min()) for b in beads)
    shape = placed(shapely.box(0, 0, 12, 12), right, low)
    last = max(
        i for i, layer in enumerate(plate.layers) if len({b.tool for b in layer.beads}) > 1 or layer.beads[0].tool
    )
    done = set[float]()
    for layer in plate.layers[: last + 1]:
        if layer.z in done:
            continue
        done.add(layer.z)
        pitch = recipe.fill_width - layer.height * CORNER
        frame = [_bead(p, recipe.fill_width, layer.height, "tower") for p in fill.rings(fill.inset(shape, pitch / 2))]
        room = fill.inset(shape, 1.5 * pitch)
        lines = fill.connected(fill.hatch(room, math.pi / 2 * (len(done) % 2), 2 * pitch), room, 5 * pitch)
        layer.beads = frame + [_bead(p, recipe.fill_width, layer.height, "tower") for p in lines] + layer.beads


def solid_box(wide: float, deep: float, high: float) -> Solid:
    return Solid("box", [box(0, 0, 0, wide, deep, high)])


__all__ = ["Plate", "Polygon", "drawn_plate", "make_plate", "solid_box"]
