"""Does a damage to a job and measures it; the list of damages is in `registry`, the damages in their own modules."""

from functools import lru_cache
from random import Random

from layergate_sim.specimens.truth import Specimen, Truth

from . import beads, commands, layers, storage, whole
from .case import Case
from .registry import DAMAGE_GROUPS, DAMAGE_KINDS, MAKERS
from .result import (
    BEAD_MM3,
    BeadTable,
    Damaged,
    DamageNotPossibleError,
    bead_table,
    changed_mm3,
)
from .scan import FILAMENT_MM, Scan, scan_job
from .unseen import why_unseen

__all__ = ["apply_damage", "apply_damage_to_text", "possible_damages"]

_MODULES = (beads, commands, layers, storage, whole)  # imported so that their damages enter the list


@lru_cache(maxsize=2)
def _good(text: bytes, filament_mm: float) -> tuple[Scan, BeadTable]:
    """The undamaged job, read once for many damages."""
    scan = scan_job(text, filament_mm=filament_mm)
    return scan, bead_table(scan)


def apply_damage_to_text(
    kind: str, text: bytes, seed: int, *, truth: Truth | None = None, name: str = "job"
) -> Damaged:
    """Damage any job; `truth` says where its layers are, else a scan of the text does.

    The same kind, text, name and seed give the same bytes. Raises KeyError for a kind that does not exist and
    DamageNotPossibleError where the job has nothing that could be damaged so.
    """
    if kind not in MAKERS:
        raise KeyError(f"no damage of kind {kind!r}; there are: {', '.join(sorted(MAKERS))}")
    filament_mm = truth.filament_diameter_mm if truth is not None else FILAMENT_MM
    good, table = _good(text, filament_mm)
    case = Case(text, good, truth, Random(f"{kind}/{name}/{seed}"))
    out = MAKERS[kind](case)
    if out.text == text:
        raise DamageNotPossibleError(f"{kind} with seed {seed} leaves the job as it was")
    bad = scan_job(out.text, filament_mm=filament_mm)
    bad_table = bead_table(bad)
    changed = changed_mm3(table, bad_table)
    return Damaged(
        text=out.text,
        kind=kind,
        seed=seed,
        what=out.what,
        layers=out.layers,
        lines=None if out.lines is None else (out.lines[0] + 1, max(out.lines[1], out.lines[0]) + 1),
        z_mm=out.z_mm,
        box_mm=out.box_mm,
        size=out.size,
        changes_part=changed > BEAD_MM3,
        changed_mm3=changed,
        unseen=why_unseen(case, out, bad, (table, bad_table)) if changed > BEAD_MM3 else "",
    )


def apply_damage(kind: str, specimen: Specimen, seed: int) -> Damaged:
    """Damage a specimen; see `apply_damage_to_text`."""
    return apply_damage_to_text(kind, specimen.text, seed, truth=specimen.truth, name=specimen.name)


def possible_damages(specimen: Specimen, seed: int) -> dict[str, Damaged]:
    """Every damage that can be done to this specimen."""
    out = {}
    for kind in DAMAGE_KINDS:
        try:
            out[kind] = apply_damage(kind, specimen, seed)
        except DamageNotPossibleError:
            continue
    return out


assert set(DAMAGE_GROUPS) == set(MAKERS)
