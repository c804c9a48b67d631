"""One cross-section as beads: perimeters, solid and sparse infill, ironing; knows nothing of the job around it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .bead import fill_spacing_mm, stadium_area_mm2
from .hatch import Lines, cut, intersect, join, scan, strokes, subtract
from .plan import Lay, ToolHead
from .recipe import Recipe
from .shapes import Region, Segment, Shape, facets, outline, segments

__all__ = ["Slice", "fill", "loop", "parallel_lines"]

OVERLAP = 0.15  # of the bead width: how far infill runs into the innermost perimeter; common practice
SWELL_MM = 14.0  # mm of wall from one widest place to the next
SHORTEST_MM = 0.8  # mm; shorter strokes of infill are left out


@dataclass(frozen=True, slots=True)
class Slice:
    """One layer of one solid. `near` are the cross-sections of the layers that decide whether infill may be sparse."""

    index: int  # layer of the solid, from 0
    z: float
    height: float
    region: Region
    near: tuple[Region, ...]
    walls_only: bool = False
    hatch_deg: float | None = None
    top: bool = False


def _pieces(at: tuple[float, float], seg: Segment, arcs: str) -> list[Segment]:
    """An arc as the commands that the recipe wants, or as chords."""
    if seg.centre is None:
        return [seg]
    if arcs == "none":
        return [Segment(*p) for p in facets(at, seg)]
    cx, cy = seg.centre
    r = math.dist(at, seg.centre)
    a0 = math.atan2(at[1] - cy, at[0] - cx)
    sweep = (math.atan2(seg.y - cy, seg.x - cx) - a0) % math.tau or math.tau
    # Radius words are ill-conditioned near 180 degrees (NISTIR 6556, 3.5.3.1): thirds stay below 120.
    n = max(math.ceil(sweep / math.radians(120) - 1e-9), 1) if arcs == "thirds" else 1
    ends = [(cx + r * math.cos(a0 + sweep * i / n), cy + r * math.sin(a0 + sweep * i / n)) for i in range(1, n)]
    return [*(Segment(*p, seg.centre) for p in ends), seg]


def loop(head: ToolHead, shape: Shape, lay: Lay, arcs: str = "none") -> None:
    """Lay one closed outline."""
    start, segs = segments(shape)
    head.travel(*start)
    if arcs == "full" and all(s.centre is not None for s in segs):
        head.bead(*start, lay, centre=segs[0].centre)
        return
    at = start
    for seg in segs:
        for piece in _pieces(at, seg, arcs):
            head.bead(piece.x, piece.y, lay, centre=piece.centre)
        at = (seg.x, seg.y)


def swelling_loop(head: ToolHead, shape: Shape, lay: Lay, height: float, width: float, swelling: float) -> None:
    """Lay a closed outline whose width swells and shrinks along it, as walls do that fill a gap of changing width."""
    points = [(float(x), float(y)) for x, y in outline(shape)]
    total = sum(math.dist(p, points[i - 1]) for i, p in enumerate(points))
    waves = max(round(total / SWELL_MM), 1)
    head.travel(*points[0])
    way = 0.0
    for p, q in zip(points, [*points[1:], points[0]], strict=True):
        length = math.dist(p, q)
        pieces = max(math.ceil(length), 1)
        for n in range(1, pieces + 1):
            turn = math.tau * waves * (way + length * (n - 0.5) / pieces) / total
            # No bead is narrower than it is high.
            area = stadium_area_mm2(max(width * (1 + swelling * math.sin(turn)), height), height)
            at = (p[0] + (q[0] - p[0]) * n / pieces, p[1] + (q[1] - p[1]) * n / pieces)
            head.bead(*at, Lay(area, lay.speed * lay.area / area, lay.role))
        way += length


def parallel_lines(head: ToolHead, lines: Lines, lay: Lay, *, angle: float, spacing: float, link: float) -> None:
    """Lay strokes, each from the nearest end; ends closer than `link` mm are joined by a bead."""
    for p, q in strokes(lines, angle, spacing, (head.x, head.y)):
        gap = math.dist((head.x, head.y), p)
        if gap > link or head.debt > 0:
            # Short hops between strokes go over material of this layer and need no retraction.
            head.travel(*p, hold_back=gap > 3 * spacing)
        else:
            head.bead(*p, lay)
        head.bead(*q, lay)


def sparse_lines(s: Slice, recipe: Recipe, angle: float, spacing: float, inner: Region) -> Lines:
    """The part of the infill that may be sparse: material in every layer near it."""
    lines = scan(inner, angle, spacing)
    for region in s.near:
        lines = intersect(lines, scan(region, angle, spacing))
    return cut(lines, 2 * recipe.width)


def _skin(s: Slice, recipe: Recipe, angle: float, spacing: float, inner: Region) -> Lines:
    """The part that must be solid: next to air above or below."""
    lines = scan(inner, angle, spacing)
    if recipe.density >= 1:
        return cut(lines, SHORTEST_MM)
    hidden = lines
    for region in s.near:
        hidden = intersect(hidden, scan(region, angle, spacing))
    # Slivers of sparse infill between two skins are filled as well.
    return cut(join(subtract(lines, hidden), 3 * recipe.width), SHORTEST_MM) if hidden != lines else {}


def perimeters(head: ToolHead, s: Slice, recipe: Recipe, speed: float, height: float) -> None:
    """Lay the walls, the innermost first, each outline for itself."""
    w, p = recipe.width, fill_spacing_mm(recipe.width, height)
    area = stadium_area_mm2(w, height)
    for k in reversed(range(recipe.perimeters)):
        region = s.region.inset(w / 2 + k * p)
        for shape in region.shapes:
            lay = Lay(area, 0.7 * speed, "wall-outer") if k == 0 else Lay(area, 0.9 * speed, "wall")
            if k and recipe.swelling:
                swelling_loop(head, shape, lay, height, w, recipe.swelling)
            else:
                loop(head, shape, lay, recipe.arcs)


def infill(head: ToolHead, s: Slice, recipe: Recipe, speed: float, folds: int) -> None:
    """Lay solid and sparse infill; `folds` is how many layers the sparse lines stand for (0: none in this layer)."""
    if s.walls_only:
        return
    w, h = recipe.width, s.height
    p = fill_spacing_mm(w, h)
    area = stadium_area_mm2(w, h)
    inner = s.region.inset(recipe.perimeters * p + w / 2 - OVERLAP * w)
    if not inner.outers:
        return
    angle = s.hatch_deg if s.hatch_deg is not None else recipe.angle_deg + 90 * (s.index % 2)
    solid = _skin(s, recipe, angle, p, inner)
    parallel_lines(head, solid, Lay(area, speed, "solid"), angle=angle, spacing=p, link=1.5 * w)
    if recipe.density < 1 and folds:
        spacing = p / recipe.density * (2 if recipe.grid else 1)
        turns: Sequence[float] = (recipe.angle_deg, recipe.angle_deg + 90) if recipe.grid else (angle,)
        for turn in turns:
            lines = sparse_lines(s, recipe, turn, spacing, inner)
            parallel_lines(head, lines, Lay(area * folds, speed, "sparse"), angle=turn, spacing=spacing, link=0)


def iron(head: ToolHead, s: Slice, recipe: Recipe) -> None:
    """Smooth the top: a second pass at the same height with a tenth of the flow."""
    w = recipe.width
    p = fill_spacing_mm(w, s.height)
    inner = s.region.inset(w * 0.8)
    angle = recipe.angle_deg + 90 * ((s.index + 1) % 2)
    lines = cut(scan(inner, angle, w / 2), 1.0)
    parallel_lines(head, lines, Lay(0.1 * p * s.height, 20.0, "ironing"), angle=angle, spacing=w / 2, link=w)


def fill(head: ToolHead, s: Slice, recipe: Recipe, speed: float, folds: int = 1) -> None:
    """Lay one layer of one solid."""
    if not recipe.walls_first:
        infill(head, s, recipe, speed, folds)
    perimeters(head, s, recipe, speed, s.height)
    if recipe.walls_first:
        infill(head, s, recipe, speed, folds)
    if recipe.ironing and s.top:
        iron(head, s, recipe)
