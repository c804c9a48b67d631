"""Solids cut into layers and laid in order of height, or one after another, or as a spiral; knows nothing of words.

Whatever is lower comes first, as a printer must, so that no travel meets a finished part; between objects printed
one after another the head rises above all of them.
"""

import math
from collections.abc import Callable, Sequence

from .bead import stadium_area_mm2
from .fill import Slice, fill, infill, perimeters
from .helpers import FIRST_LAYER_SPEED, Level, Tower, raft_levels, skirt_and_brim, support_levels
from .plan import Lay, LayerStart, ObjectLabel, ToolHead
from .recipe import Recipe
from .shapes import Region, RoundedRect, outline
from .solids import Solid

__all__ = ["lay_all", "lay_spiral", "slices"]

CLEARANCE_MM = 5.0  # above everything printed, between objects


def layer_tops(recipe: Recipe, height: float) -> list[float]:
    """Tops of the layers up to `height`, mm."""
    z = recipe.first_layer
    tops = [z]
    while z < height - 1e-6:
        h = recipe.layer
        if recipe.adaptive is not None:
            low, high = recipe.adaptive
            # A slow drift, neighbours a few hundredths apart, as a changing slope would give.
            h = round(low + (high - low) * (0.5 - 0.5 * math.cos(math.tau * z / max(height, 1.0))), 2)
        z = round(z + h, 4)
        if z > height + h / 2:
            break
        tops.append(z)
    return tops


def slices(solid: Solid, recipe: Recipe, base: float) -> list[Slice]:
    """The layers of a solid that stands on `base`."""
    tops = layer_tops(recipe, solid.height_mm)
    lows = [0.0, *tops[:-1]]
    middles = [(a + b) / 2 for a, b in zip(lows, tops, strict=True)]
    regions = [solid.region(m) for m in middles]
    out = []
    for i, (low, top, m) in enumerate(zip(lows, tops, middles, strict=True)):
        around = range(i - recipe.bottoms, i + recipe.tops + 1)
        near = tuple({regions[j] if 0 <= j < len(tops) else Region(): None for j in around})
        out.append(
            Slice(
                index=i,
                z=round(base + top, 4),
                height=round(top - low, 4),
                region=regions[i],
                near=near,
                walls_only=solid.walls_only(m),
                hatch_deg=solid.hatch_deg(m),
                top=i == len(tops) - 1,
            )
        )
    return out


def _folds(cuts: Sequence[Slice], recipe: Recipe) -> list[int]:
    """How many layers the sparse lines of each layer stand for: 0 where they wait for a later one."""
    if recipe.infill_every == 1:
        return [1] * len(cuts)
    owed, out = 0, []
    for i, s in enumerate(cuts):
        hidden = recipe.bottoms <= i < len(cuts) - recipe.tops and not s.walls_only
        owed = owed + 1 if hidden else 0
        last = i + 1 >= len(cuts) - recipe.tops
        now = owed if owed == recipe.infill_every or last else 0
        owed = 0 if now else owed
        out.append(now)
    return out


def _part_levels(
    solid: Solid, number: int, head: ToolHead, recipe: Recipe, *, base: float, before: Callable[[], None], named: bool
) -> list[Level]:
    """The levels of one solid; `before` runs ahead of its first layer."""
    cuts = slices(solid, recipe, base)
    name = f"{solid.name} {number + 1}"
    levels: list[Level] = []

    def level(z: float, height: float, lay: Callable[[], None]) -> Level:
        def run() -> None:
            if not levels or z == levels[0].z:
                before()
            if recipe.labels:
                head.steps.append(ObjectLabel(number, name))
            lay()
            if recipe.labels:
                head.steps.append(ObjectLabel(-1))

        return Level(z, height, 2 + number, name if named else None, run)

    def walls(s: Slice, speed: float) -> Callable[[], None]:
        return lambda: perimeters(head, s, recipe, speed, s.height / 2)

    def walls_and_filling(s: Slice, speed: float, folds: int) -> Callable[[], None]:
        def lay() -> None:
            perimeters(head, s, recipe, speed, s.height / 2)
            infill(head, s, recipe, speed, folds)

        return lay

    def whole(s: Slice, speed: float, folds: int) -> Callable[[], None]:
        return lambda: fill(head, s, recipe, speed, folds)

    for s, folds in zip(cuts, _folds(cuts, recipe), strict=True):
        speed = FIRST_LAYER_SPEED if s.index == 0 else recipe.material.speed_mm_s
        if recipe.fine_walls and s.index > 0:
            half = round(s.height / 2, 4)
            levels.append(level(round(s.z - half, 4), half, walls(s, speed)))
            levels.append(level(s.z, s.height, walls_and_filling(s, speed, folds)))
        else:
            levels.append(level(s.z, s.height, whole(s, speed, folds)))
    return levels


def _change_tool(head: ToolHead, tool: int) -> None:
    head.retract(extra=1.5)
    head.command(f"T{tool}", remark="change filament")
    head.command("G92", ("E", 0.0))
    head.tool = tool


def _run(levels: list[Level], head: ToolHead, recipe: Recipe, index: int, tower: Tower | None) -> int:
    """Lay levels in order of height, one layer for each height; the number of layers begun so far."""
    by_z: dict[float, list[Level]] = {}
    for level in levels:
        by_z.setdefault(level.z, []).append(level)
    first = index
    for z in sorted(by_z):
        here = sorted(by_z[z], key=lambda level: level.order)
        # What the layer is called after: the part where there is one, else its helper.
        lead = here[-1]
        head.steps.append(LayerStart(index, z, lead.height, lead.object_name))
        if index == first + 1:
            head.command("M106", ("S", float(recipe.fan)), remark="fan")
        head.retract()
        head.lift(z, layer_z=True)
        if tower is not None:
            # Each layer ends with the tool that the next one begins with: one change a layer.
            here = here if index % 2 == 0 else here[::-1]
            tower.core(lead.height, index)
        for n, level in enumerate(here):
            if tower is not None and n:
                _change_tool(head, 1 - head.tool)
                tower.coat(lead.height)
            level.run()
        index += 1
    return index


def lay_all(solids: Sequence[Solid], head: ToolHead, recipe: Recipe) -> None:
    """Lay every layer of every solid, by height or (sequential) one solid after another."""
    if recipe.sequential:
        index, top = 0, 0.0
        for n, solid in enumerate(solids):
            if n:
                head.retract()
                head.lift(round(top + CLEARANCE_MM, 3))
                x0, y0, x1, y1 = solid.region(0.1).box_mm
                head.travel((x0 + x1) / 2, (y0 + y1) / 2)

            def before(one: Solid = solid) -> None:
                skirt_and_brim([one], head, recipe)

            levels = _part_levels(solid, n, head, recipe, base=0.0, before=before, named=True)
            index = _run(levels, head, recipe, index, None)
            top = max(top, levels[-1].z)
        return
    levels, base = raft_levels(solids, head, recipe) if recipe.raft else ([], 0.0)
    tower = None
    if recipe.tools > 1:
        x0, _, _, y1 = solids[0].region(0.1).box_mm
        tower = Tower(head, recipe, Region((RoundedRect(x0 + 8.0, y1 + 16.0, 16.0, 12.0, 2.0),)))
    done = [recipe.raft]

    def first() -> None:
        if not done[0]:
            done[0] = True
            skirt_and_brim(solids, head, recipe)

    for n, solid in enumerate(solids):
        levels += _part_levels(solid, n, head, recipe, base=base, before=first, named=False)
        levels += support_levels(solid, head, recipe, base)
    _run(levels, head, recipe, 0, tower)


def lay_spiral(solid: Solid, head: ToolHead, recipe: Recipe) -> None:
    """Solid bottom layers, then one bead that rises by a layer in each turn."""
    cuts = slices(solid, recipe, 0.0)
    for s in cuts[: recipe.bottoms]:
        head.steps.append(LayerStart(s.index, s.z, s.height))
        if s.index == 1:
            head.command("M106", ("S", float(recipe.fan)), remark="fan")
        head.retract()
        head.lift(s.z, layer_z=True)
        if s.index == 0:
            skirt_and_brim([solid], head, recipe)
        fill(head, s, recipe, FIRST_LAYER_SPEED if s.index == 0 else recipe.material.speed_mm_s)
    lay = Lay(stadium_area_mm2(recipe.width, recipe.layer), recipe.material.speed_mm_s, "spiral")
    z = cuts[recipe.bottoms - 1].z
    for s in cuts[recipe.bottoms :]:
        points = [(float(x), float(y)) for x, y in outline(s.region.inset(recipe.width / 2).outers[0])]
        if s.index == recipe.bottoms:
            head.travel(*points[0])
        total = sum(math.dist(p, points[i - 1]) for i, p in enumerate(points))
        head.steps.append(LayerStart(s.index, s.z, s.height))
        way = 0.0
        for p, q in zip(points, [*points[1:], points[0]], strict=True):
            way += math.dist(p, q)
            head.bead(*q, lay, z=z + s.height * way / total)
        z = s.z
