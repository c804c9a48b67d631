"""What is known of a specimen by construction, and the specimen itself; knows nothing of how either is made.

Figures follow from the numbers as they are written in the job (rounded to its decimals), so that a reader of the text
must find the same. Line numbers count from 1; ranges include both ends. Lengths mm, areas mm2, volumes mm3.
"""

from dataclasses import dataclass

__all__ = ["Box", "LayerTruth", "PrimeTruth", "Specimen", "Truth"]

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class LayerTruth:
    """Material laid at one height, in print order; objects printed one after another have layers of their own."""

    index: int  # position in print order, from 0
    z_mm: float  # height of the nozzle; of a bead that rises along its length, the highest
    z_low_mm: float  # the lowest; differs from z_mm in spirals only
    height_mm: float  # intended bead height of the part here
    beads: int  # commands that lay material
    path_mm: float  # their length in the XY plane
    volume_mm3: float  # what they lay beyond the retraction debt
    filament_mm: float  # the same as a length of filament
    thin_pass_mm: float  # part of path_mm that only smooths (ironing)
    first_line: int
    last_line: int
    z_line: int  # the line whose move brings the nozzle to this height
    box_mm: Box  # of the bead centres, arcs included
    object_name: str | None
    roles: dict[str, float]  # path length of each kind of bead


@dataclass(frozen=True, slots=True)
class PrimeTruth:
    """Material laid to fill the nozzle, before the first layer or at a change of tool."""

    beads: int
    path_mm: float
    volume_mm3: float
    first_line: int
    last_line: int


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything known of one job."""

    kind: str
    style: str
    layers: tuple[LayerTruth, ...]
    prime: PrimeTruth | None
    filament_mm: float  # leaves the nozzle in the whole job, prime included; 0 where the job carries no E
    volume_mm3: float
    path_mm: float
    box_mm: Box  # part and its helpers (skirt, support, tower), without the prime
    height_mm: float
    filament_diameter_mm: float
    nozzle_mm: float
    nozzle_c: int | None  # target while printing; None where the job leaves it to a macro or to a person
    bed_c: int | None
    object_names: tuple[str, ...]
    final_debt_mm: float  # filament of the last tool pulled back and not paid back at the end
    solid_volume_mm3: float | None  # closed formula of the solid, where every layer is filled; else None
    flags: frozenset[
        str
    ]  # modes: e-relative, xyz-relative, inches, volumetric, no-e, arcs, sequential, spiral, numbered ...
    lines: int


@dataclass(frozen=True, slots=True)
class Specimen:
    """One good job."""

    name: str
    text: bytes
    truth: Truth
