"""Densities of filament materials. Handbook values; knows no brand."""

from layergate.gcode.claims import Claims

DENSITY_G_CM3 = {
    "PLA": 1.24,  # additive.tools/materials/pla (range 1.22-1.26)
    "PETG": 1.27,  # from memory, as all below
    "ABS": 1.04,
    "ASA": 1.07,
    "TPU": 1.21,
    "PA6": 1.14,
    "PA12": 1.01,
    "PC": 1.20,
}


def density_g_cm3(material: str | None, claims: Claims) -> float | None:
    """Give the density of the stated material, else the one that the job's comments claim; None where neither does."""
    if material:
        return DENSITY_G_CM3.get(material.upper().split()[0])
    claimed = claims.number("filament_density", "filament density")
    return claimed if claimed and 0.5 < claimed < 4 else None
