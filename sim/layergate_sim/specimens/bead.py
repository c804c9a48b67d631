"""Bead and filament arithmetic, materials and their ordinary settings; knows nothing of paths or of G-code.

Formulas: stadium model of a bead, stated in the project's reference facts, section 3.1 (rectangle with semicircular
ends). Temperatures: the material table of facts 3.2; speeds and retractions: common practice, facts 3.3.
"""

import math
from dataclasses import dataclass

__all__ = ["MATERIALS", "Material", "filament_area_mm2", "fill_spacing_mm", "stadium_area_mm2", "stadium_width_mm"]


def stadium_area_mm2(width_mm: float, height_mm: float) -> float:
    """Cross-section of a bead in mm2; a width below the height has no stadium and raises ValueError."""
    if not 0 < height_mm <= width_mm:
        raise ValueError(f"a bead {width_mm} mm wide and {height_mm} mm high has no stadium cross-section")
    return (width_mm - height_mm) * height_mm + math.pi * height_mm**2 / 4


def stadium_width_mm(area_mm2: float, height_mm: float) -> float:
    """Inverse of `stadium_area_mm2`: the width in mm that a bead of this area and height has."""
    return area_mm2 / height_mm + height_mm * (1 - math.pi / 4)


def fill_spacing_mm(width_mm: float, height_mm: float) -> float:
    """Distance in mm between bead centres at which solid infill carries exactly the volume of the layer."""
    return width_mm - height_mm * (1 - math.pi / 4)


def filament_area_mm2(diameter_mm: float) -> float:
    """Cross-section of the filament in mm2."""
    return math.pi * diameter_mm**2 / 4


@dataclass(frozen=True, slots=True)
class Material:
    """Ordinary settings of one filament: degrees Celsius, g/cm3, mm/s."""

    name: str
    nozzle_c: int
    bed_c: int
    density_g_cm3: float
    speed_mm_s: float


MATERIALS = {
    m.name: m
    for m in (
        Material("PLA", 210, 60, 1.24, 50.0),
        Material("PETG", 240, 80, 1.27, 40.0),
        Material("ASA", 250, 100, 1.07, 45.0),
        Material("TPU", 228, 45, 1.21, 22.0),
    )
}
