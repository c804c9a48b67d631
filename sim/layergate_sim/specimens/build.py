"""A whole job: start, purge, layers, end, as plan; then as text with its truth. Knows nothing of single beads."""

import math
from collections.abc import Sequence
from dataclasses import replace

from .bead import filament_area_mm2
from .plan import Bead, Lay, LayerStart, Step, ToolHead
from .recipe import Recipe
from .solids import Solid
from .stack import lay_all, lay_spiral
from .styles import STYLES, WritingStyle
from .truth import Specimen, Truth
from .write import write

__all__ = ["job", "plan_job"]

PURGE_Z_MM = 0.3  # mm; higher than any first layer here, so that the line sticks and can be pulled off
PURGE_AREA_MM2 = 0.6


def _heat(head: ToolHead, recipe: Recipe) -> None:
    nozzle, bed = float(recipe.material.nozzle_c), float(recipe.material.bed_c)
    match recipe.start.heat:
        case "S":
            head.command("M140", ("S", bed), remark="bed on")
            head.command("M104", ("S", nozzle))
            head.command("M190", ("S", bed))
            head.command("M109", ("S", nozzle), remark="wait until hot")
        case "R":
            head.command("M190", ("R", bed))
            head.command("M109", ("R", nozzle))
        case "T":
            head.command("M190", ("S", bed))
            for tool in range(recipe.tools):
                head.command("M104", ("T", float(tool)), ("S", nozzle))
            for tool in range(recipe.tools):
                head.command("M109", ("T", float(tool)), ("S", nozzle))
        case "G10":
            head.command("M190", ("S", bed))
            head.command("G10", ("P", 0.0), ("S", nozzle), ("R", nozzle - 50))
            head.command("T0")
            head.command("M116")
        case "joined":
            head.command("M190", ("S", bed))
            head.command("M109", ("S", nozzle), ("T", 0.0))
        case "macro":
            head.command("PIER_READY", text=f"BED={bed:.0f} NOZZLE={nozzle:.0f} MATERIAL={recipe.material.name}")
        case "none":
            pass


def _start(head: ToolHead, recipe: Recipe, objects: int) -> None:
    m = recipe.modes
    if m.units_stated:
        head.command("G20" if m.inches else "G21", remark="units")
    if m.xyz_stated:
        head.command("G90", remark="places, not steps")
    if m.volumetric:
        head.command("M200", ("D", recipe.filament_d))
    if m.e_relative:
        head.command("M83")
    elif m.e_stated:
        head.command("M82")
    head.command("M107")
    if recipe.start.home == "G28":
        head.command("G28", remark="home")
    elif recipe.start.home == "axes":
        head.command("G28", ("X", 0.0), ("Y", 0.0))
        head.command("G28", ("Z", 0.0))
    _heat(head, recipe)
    if recipe.start.probe:
        head.command("G29")
    head.command("G92", ("E", 0.0))
    if m.xyz_relative:
        head.command("G91")
        head.command("M83" if m.e_relative else "M82")
    if recipe.labels:
        head.command("M486", ("T", float(objects)))
    head.lift(2.0)
    if recipe.start.purge:
        _purge(head)


def _purge(head: ToolHead) -> None:
    """Two lines along the left edge, pulled apart at the end."""
    head.travel(4.0, 20.0, hold_back=False)
    head.lift(PURGE_Z_MM)
    for x, y in ((4.0, 90.0), (4.9, 90.0), (4.9, 40.0)):
        head.bead(x, y, Lay(PURGE_AREA_MM2, 12.0, "prime"))
    head.retract()
    # Away above the line just laid, so that coming down to the first layer does not press into it.
    head.lift(1.5)
    head.travel(14.0, 40.0, hold_back=False)


def _end(head: ToolHead, recipe: Recipe) -> None:
    head.steps.append(LayerStart(-1))
    head.retract(extra=1.2)
    head.lift(head.z + 5.0)
    head.travel(10.0, 200.0 if recipe.bed_mm >= 210 else recipe.bed_mm - 20, hold_back=False)
    head.command("M107")
    for tool in range(recipe.tools):
        words = (("T", float(tool)), ("S", 0.0)) if recipe.tools > 1 else (("S", 0.0),)
        head.command("M104", *words, remark="nozzle off")
    head.command("M140", ("S", 0.0))
    head.command("M84", remark="motors off")


def plan_job(solids: Sequence[Solid], recipe: Recipe) -> list[Step]:
    """Every step of the job."""
    head = ToolHead(replace(recipe.retraction), recipe.travel_speed)
    _start(head, recipe, len(solids))
    if recipe.spiral:
        lay_spiral(solids[0], head, recipe)
    else:
        lay_all(solids, head, recipe)
    _end(head, recipe)
    return head.steps


def _facts(steps: Sequence[Step], part: str, recipe: Recipe) -> dict[str, object]:
    layers, height, filament, layer_open = 0, 0.0, 0.0, False
    x = y = 0.0
    for step in steps:
        if isinstance(step, LayerStart):
            layer_open = step.index >= 0
            layers += layer_open
            height = max(height, step.z)
        elif isinstance(step, Bead):
            length = math.dist((x, y), (step.x, step.y))
            if step.centre is not None:
                r = math.dist((x, y), step.centre)
                a = math.atan2(step.y - step.centre[1], step.x - step.centre[0]) - math.atan2(
                    y - step.centre[1], x - step.centre[0]
                )
                length = r * (a % math.tau if a % math.tau > 1e-9 else math.tau)
            filament += step.area * length / filament_area_mm2(recipe.filament_d)
        x, y = (getattr(step, "x", None) or x), (getattr(step, "y", None) or y)
    return {"part": part, "count": layers, "filament": filament, "height": height}


def job(
    name: str,
    kind: str,
    solids: Sequence[Solid],
    recipe: Recipe,
    style: str | WritingStyle,
    *,
    steps: Sequence[Step] | None = None,
) -> Specimen:
    """A specimen of these solids. `steps` takes the plan of an earlier call, to write it once more in another style."""
    way = STYLES[style] if isinstance(style, str) else style
    plan = plan_job(solids, recipe) if steps is None else steps
    facts = _facts(plan, solids[0].name, recipe)
    m = recipe.modes
    written = write(
        plan,
        way,
        facts=facts,
        filament_d=recipe.filament_d,
        e_letter=m.e_letter,
        no_e=m.no_e,
        r_form=m.r_form,
        reset_e=m.reset_e,
        seed=f"{name}/{way.name}",
    )
    flags = {
        flag
        for flag, on in {
            "e-relative": m.e_relative,
            "xyz-relative": m.xyz_relative,
            "inches": m.inches,
            "volumetric": m.volumetric,
            "no-e": m.no_e,
            "reset-e": m.reset_e,
            "arcs": recipe.arcs != "none",
            "sequential": recipe.sequential,
            "spiral": recipe.spiral,
            "numbered": way.numbered,
            "raft": recipe.raft,
            "support": any(s.overhangs for s in solids),
            "labels": recipe.labels,
            "tools": recipe.tools > 1,
            "ironing": recipe.ironing,
            "firmware-retraction": recipe.retraction.mode == "firmware",
            "macro": recipe.start.heat == "macro",
            "adaptive": recipe.adaptive is not None,
        }.items()
        if on
    }
    filament = sum(layer.filament_mm for layer in written.layers)
    area = filament_area_mm2(recipe.filament_d)
    prime = written.prime
    solid_volume = None
    if (
        recipe.density >= 1
        and all(s.volume_mm3 is not None for s in solids)
        and not (recipe.spiral or recipe.ironing or m.no_e)
    ):
        solid_volume = sum(s.volume_mm3 or 0.0 for s in solids)
    known_heat = recipe.start.heat not in ("macro", "none")
    truth = Truth(
        kind=kind,
        style=way.name,
        layers=tuple(written.layers),
        prime=prime,
        filament_mm=filament + (prime.volume_mm3 / area if prime else 0.0),
        volume_mm3=filament * area + (prime.volume_mm3 if prime else 0.0),
        path_mm=sum(layer.path_mm for layer in written.layers) + (prime.path_mm if prime else 0.0),
        box_mm=written.box_mm,
        height_mm=max(layer.z_mm for layer in written.layers),
        filament_diameter_mm=recipe.filament_d,
        nozzle_mm=recipe.nozzle,
        nozzle_c=recipe.material.nozzle_c if known_heat else None,
        bed_c=recipe.material.bed_c if known_heat else None,
        object_names=tuple(f"{s.name} {n + 1}" for n, s in enumerate(solids)),
        final_debt_mm=written.final_debt_mm,
        solid_volume_mm3=solid_volume,
        flags=frozenset(flags),
        lines=written.lines,
    )
    return Specimen(name, written.text, truth)
