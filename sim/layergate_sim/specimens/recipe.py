"""The choices of one job: how it is filled, which modes it uses, how it starts; plain data, decides nothing."""

from dataclasses import dataclass, field
from typing import Literal

from .bead import MATERIALS, Material
from .plan import Retraction

__all__ = ["Modes", "Recipe", "Start"]


@dataclass(frozen=True, slots=True)
class Modes:
    """Modes of the words of a job, and whether the job says them."""

    e_relative: bool = False
    xyz_relative: bool = False
    inches: bool = False
    volumetric: bool = False
    no_e: bool = False  # the extruder is switched by M101 and M103
    reset_e: bool = False  # G92 E0 at each layer
    e_letter: str = "E"
    e_stated: bool = True
    xyz_stated: bool = True
    units_stated: bool = True
    r_form: bool = False  # arcs by radius


@dataclass(frozen=True, slots=True)
class Start:
    """How the job heats, homes and fills the nozzle."""

    heat: Literal["S", "R", "T", "G10", "macro", "none", "joined"] = "S"
    home: Literal["G28", "axes", "macro"] = "G28"
    purge: bool = True
    probe: bool = False


@dataclass(slots=True)
class Recipe:
    """How solids become beads. Lengths mm, speeds mm/s."""

    material: Material = field(default_factory=lambda: MATERIALS["PLA"])
    nozzle: float = 0.4
    filament_d: float = 1.75
    width: float = 0.45
    layer: float = 0.2
    first_layer: float = 0.2
    adaptive: tuple[float, float] | None = None  # lowest and highest layer height, drifting between them
    perimeters: int = 2
    walls_first: bool = True
    bottoms: int = 3
    tops: int = 3
    density: float = 1.0
    grid: bool = False  # both directions in each layer instead of by turns
    infill_every: int = 1
    fine_walls: bool = False  # walls twice in each layer of the filling, at half its height
    swelling: float = 0.0  # share by which the inner walls' width swells and shrinks along them, to fill what is left
    trees: bool = False  # supports that branch out from a small foot, instead of lines over the whole area
    angle_deg: float = 45.0
    skirt: int = 0
    brim: int = 0
    raft: bool = False
    support_step: float = 0.3
    support_gap: float = 0.2
    ironing: bool = False
    arcs: Literal["none", "halves", "full", "thirds"] = "none"
    spiral: bool = False
    sequential: bool = False
    labels: bool = False
    tools: int = 1
    retraction: Retraction = field(default_factory=Retraction)
    modes: Modes = field(default_factory=Modes)
    start: Start = field(default_factory=Start)
    bed_mm: float = 220.0
    travel_speed: float = 150.0
    fan: int = 255
