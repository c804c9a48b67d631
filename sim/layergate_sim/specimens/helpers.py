"""What helps a part to stand and a nozzle to start: raft, brim, skirt, supports, purge tower; knows nothing of words.

Each is given as levels: what to lay at which height. The air gaps of raft and support are deliberate.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from .bead import fill_spacing_mm, stadium_area_mm2
from .fill import loop, parallel_lines
from .hatch import cut, scan
from .plan import Lay, ToolHead
from .recipe import Recipe
from .shapes import Circle, Region, RoundedRect
from .solids import Overhang, Solid

__all__ = ["FIRST_LAYER_SPEED", "Level", "Tower", "raft_levels", "skirt_and_brim", "support_levels"]

FIRST_LAYER_SPEED = 20.0  # mm/s; common practice
RAFT_GAP_MM = 0.2  # air between raft and part: at layers of 0.2 the part's first beads lie two layers up
# Height, bead width, distance of the lines, direction, speed: few thick lines, then lines across them, then a dense
# top.
RAFT_LAYERS = ((0.3, 0.9, 1.8, 0.0, 20.0), (0.25, 0.6, 0.8, 90.0, 30.0), (0.2, 0.45, 0.5, 90.0, 35.0))
RAFT_MARGIN_MM = 3.5
BRANCH_MM = 3.6  # between the tips of branches that carry the dense top of a support


@dataclass(slots=True)
class Level:
    """Something to lay at the height z; `order` sorts what shares a height."""

    z: float
    height: float
    order: int
    object_name: str | None
    run: Callable[[], None]


def _support_level(head: ToolHead, recipe: Recipe, overhang: Overhang, z: float, height: float, kind: str) -> Level:
    w = recipe.width

    def run() -> None:
        angle = 90.0 if kind == "interface" else 0.0
        spacing = 2.2 if kind == "body" else 0.9
        speed = FIRST_LAYER_SPEED if kind == "foot" else recipe.material.speed_mm_s
        lines = cut(scan(overhang.area.inset(w / 2), angle, spacing), 1.0)
        lay = Lay(stadium_area_mm2(w, height), speed, "support")
        parallel_lines(head, lines, lay, angle=angle, spacing=spacing, link=1.2 * spacing)

    return Level(z, height, 1, "support", run)


def _branches(overhang: Overhang, share: float) -> list[tuple[float, float]]:
    """Centres of the branches at a share of the way up: from one trunk out to a grid under the overhang."""
    x0, y0, x1, y1 = overhang.area.box_mm
    foot = ((x0 + x1) / 2, (y0 + y1) / 2)
    columns, rows = max(round((x1 - x0) / BRANCH_MM), 1), max(round((y1 - y0) / BRANCH_MM), 1)
    tips = [
        (x0 + (x1 - x0) * (i + 0.5) / columns, y0 + (y1 - y0) * (j + 0.5) / rows)
        for i in range(columns)
        for j in range(rows)
    ]
    return [(foot[0] + (x - foot[0]) * share, foot[1] + (y - foot[1]) * share) for x, y in tips]


def _tree_level(head: ToolHead, recipe: Recipe, overhang: Overhang, z: float, height: float, share: float) -> Level:
    """Rings round each branch, which move outwards as they rise; the lowest are filled."""
    w = recipe.width
    lay = Lay(stadium_area_mm2(w, height), FIRST_LAYER_SPEED if z == height else recipe.material.speed_mm_s, "support")

    def run() -> None:
        done: list[tuple[float, float]] = []
        for x, y in _branches(overhang, share):
            if any(abs(x - a) + abs(y - b) < BRANCH_MM / 8 for a, b in done):
                continue  # still one trunk
            done.append((x, y))
            for r in (1.4, 1.4 - fill_spacing_mm(w, height)):
                loop(head, Circle(x, y, r), lay)

    return Level(z, height, 1, "support", run)


def support_levels(solid: Solid, head: ToolHead, recipe: Recipe, base: float) -> list[Level]:
    """Supports up to the air gap below each overhang, on their own height grid: dense foot, open lines, dense top."""
    levels: list[Level] = []
    for overhang in solid.overhangs:
        top = overhang.z_mm - recipe.support_gap
        tops = [recipe.first_layer]
        while top - tops[-1] > 1e-6:
            left = top - tops[-1]
            tops.append(round(tops[-1] + (recipe.support_step if left >= 1.5 * recipe.support_step else left), 4))
        for n, z in enumerate(tops):
            kind = "foot" if n == 0 else "interface" if n >= len(tops) - 2 else "body"
            height = z - (tops[n - 1] if n else 0.0)
            if recipe.trees and kind != "interface":
                share = n / max(len(tops) - 3, 1)
                levels.append(_tree_level(head, recipe, overhang, round(base + z, 4), round(height, 4), share))
                continue
            levels.append(_support_level(head, recipe, overhang, round(base + z, 4), height, kind))
    return levels


def raft_levels(solids: Sequence[Solid], head: ToolHead, recipe: Recipe) -> tuple[list[Level], float]:
    """The layers of the raft, and the height on which the part stands: the raft's top and the air gap."""
    levels: list[Level] = []
    z = 0.0
    areas = []
    for solid in solids:
        # Supports stand on the raft, too.
        boxes = [solid.region(0.1).box_mm, *(overhang.area.box_mm for overhang in solid.overhangs)]
        x0, y0 = min(box[0] for box in boxes), min(box[1] for box in boxes)
        x1, y1 = max(box[2] for box in boxes), max(box[3] for box in boxes)
        grow = 2 * RAFT_MARGIN_MM
        areas.append(Region((RoundedRect((x0 + x1) / 2, (y0 + y1) / 2, x1 - x0 + grow, y1 - y0 + grow, 3.0),)))

    def level(z: float, height: float, lay: Lay, spacing: float, angle: float) -> Level:
        def run() -> None:
            for area in areas:
                parallel_lines(head, scan(area, angle, spacing), lay, angle=angle, spacing=spacing, link=1.2 * spacing)

        return Level(z, height, 0, "raft", run)

    for height, width, spacing, angle, speed in RAFT_LAYERS:
        z = round(z + height, 4)
        levels.append(level(z, height, Lay(stadium_area_mm2(width, height), speed, "raft"), spacing, angle))
    return levels, round(z + RAFT_GAP_MM, 4)


def skirt_and_brim(solids: Sequence[Solid], head: ToolHead, recipe: Recipe) -> None:
    """Lines round all solids at a distance, then lines that touch each solid, outside in."""
    w, h = recipe.width, recipe.first_layer
    p, area = fill_spacing_mm(w, h), stadium_area_mm2(w, h)
    if recipe.skirt:
        boxes = [s.region(0.1).box_mm for s in solids]
        x0, y0 = min(b[0] for b in boxes), min(b[1] for b in boxes)
        x1, y1 = max(b[2] for b in boxes), max(b[3] for b in boxes)
        out = 4.0 + recipe.brim * p
        ring = RoundedRect((x0 + x1) / 2, (y0 + y1) / 2, x1 - x0 + 2 * out, y1 - y0 + 2 * out, 4.0)
        for k in reversed(range(recipe.skirt)):
            for shape in Region((ring,)).inset(-k * p).outers:
                loop(head, shape, Lay(area, FIRST_LAYER_SPEED, "skirt"), recipe.arcs)
    for solid in solids:
        for k in reversed(range(recipe.brim)):
            for shape in solid.region(0.1).inset(-w / 2 - k * p).outers:
                loop(head, shape, Lay(area, FIRST_LAYER_SPEED, "brim"), recipe.arcs)


@dataclass(slots=True)
class Tower:
    """A purge tower, printed in every layer: a ring with lines, and round it two loops by the tool changed to."""

    head: ToolHead
    recipe: Recipe
    region: Region

    def core(self, height: float, index: int) -> None:
        """The ring and its lines."""
        w, p = self.recipe.width, fill_spacing_mm(self.recipe.width, height)
        lay = Lay(stadium_area_mm2(w, height), 30.0, "tower")
        for shape in self.region.inset(w / 2).outers:
            loop(self.head, shape, lay, self.recipe.arcs)
        angle = 90.0 * (index % 2)
        lines = scan(self.region.inset(1.2 * w), angle, 2 * p)
        parallel_lines(self.head, lines, lay, angle=angle, spacing=2 * p, link=4 * p)

    def coat(self, height: float) -> None:
        """The loops round the ring."""
        w, p = self.recipe.width, fill_spacing_mm(self.recipe.width, height)
        for k in range(2):
            for shape in self.region.inset(-w / 2 - k * p).outers:
                loop(self.head, shape, Lay(stadium_area_mm2(w, height), 30.0, "tower"), self.recipe.arcs)
