"""What the material rules share: which material a job is for, and at which temperatures it is printed. No rule of its own."""

import re
from dataclasses import dataclass

from layergate.preflight.rule import Claims, Printer


@dataclass(frozen=True, slots=True)
class Material:
    """Temperatures in deg C."""

    name: str
    lowest_c: float
    """Coldest nozzle at which it is usually printed."""
    highest_c: float
    softens_c: float
    """Glass transition; of partly crystalline materials the temperature at which they soften in use."""


# facts.md 3.2: ranges read in open material tables and data sheets for PLA, PETG, ABS and TPU; the others from memory.
MATERIALS = {
    material.name: material
    for material in (
        Material("PLA", 190, 230, 60),
        Material("PETG", 235, 250, 80),
        Material("ABS", 240, 260, 100),
        Material("ASA", 240, 260, 102),
        Material("TPU", 220, 240, 60),
        Material("PA", 240, 280, 60),
        Material("PC", 270, 310, 147),
    )
}
_WORDS = re.compile(r"[A-Z0-9]+")
_OTHER_NAMES = {"NYLON": "PA", "PA6": "PA", "PA12": "PA", "PA66": "PA", "TPE": "TPU", "PET": "PETG"}
_KEYS = ("filament_type", "filament type", "material", "material type", "material_type", "initial_filament")


def named(text: str) -> Material | None:
    """Give the material that a text names with one of its words, as ``PLA`` in ``pla, black``; None if it names none."""
    for word in _WORDS.findall(text.upper()):
        if found := MATERIALS.get(_OTHER_NAMES.get(word, word)):
            return found
    return None


def claimed(claims: Claims) -> Material | None:
    """Give the material that the comments of a job claim; None if they name none, or several."""
    for key in _KEYS:
        if text := claims.values.get(key):
            several = {found.name for part in re.split(r"[;,]", text) if (found := named(part))}
            if len(several) == 1:
                return MATERIALS[several.pop()]
    return None


def material_of(printer: Printer, claims: Claims) -> tuple[Material, str] | None:
    """Give the material and who said so: the description of the printer, else the job's comments; None if neither did."""
    if printer.material and (stated := named(printer.material)):
        return stated, "the printer description"
    if found := claimed(claims):
        return found, "the job's comments"
    return None
