"""Every tolerance of the layer map, each with its reason. Limits of rules are not here but in the rules."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Tolerances:
    """Lengths in mm."""

    height_mm: float = 0.001
    """Heights are equal below this: jobs write three decimals."""

    ramp_mm: float = 0.0005
    """A bead that rises by more along its length is part of a spiral or not planar."""

    highest_stair_mm: float = 0.045
    """A spiral that is written in stairs rises by no more at once: half of the thinnest usual layer."""

    uneven_mm: float = 0.1
    """Beads measured together that differ by more in height are measured point by point: half of a usual layer."""

    cell_mm: float = 0.4
    """Cell of the support field: one bead. Measured on real jobs: 0.3 finds a few more half layers, 0.2 costs a
    third more time and cries wolf once more."""

    sample_share: float = 0.75
    """Distance of samples along a bead, in cells: no cell on the way is skipped, corners apart."""

    most_samples: int = 3000
    """Samples of one bead at most (0.9 m): a lost decimal point makes a bead of a hundred metres."""

    same_height_mm: float = 0.012
    """A top this close below a bead lies beside it: more than the rounding of heights, less than any layer."""

    largest_extent_mm: float = 400.0
    """The support field reaches this far around the first bead; a larger machine's outer parts are not judged."""

    new_stack_mm: float = 0.3
    new_stack_layers: int = 4
    """Material laid this far below the highest layer, and this many layers down, starts another stack: an object of its
    own, or another job. Supports and towers lag one or two layers behind."""

    crossing_mm: float = 0.5
    """A move this far below the top of what is printed goes through it; skimming a first layer stays within 0.3."""

    open_layers: int = 8
    """Layers of a stack that may still grow; interleaved supports and towers come back to the last few only."""

    least_bead_mm: float = 0.05
    """Shorter beads carry no bead area: their filament is rounded to some percent."""


TOLERANCES = Tolerances()
