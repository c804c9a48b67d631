"""Places of a layer that are lost: one wall of several side by side, and infill that is sparse in the layers around, too.

Damages know by construction where they are; the good twin is silent.
"""

import pytest
from tests.oracles.examination import BED_235, report_of

from layergate_sim.damage import apply_damage
from layergate_sim.specimens import make_specimen


@pytest.mark.parametrize(
    ("rule", "damage", "kind", "specimen_seed", "seed"),
    [
        ("partial-layer", "half-layer-lost", "tube", 9256, 11048),  # two rings of four that touch
        ("partial-layer", "half-layer-lost", "tube-arcs", 2097, 11036),
        ("partial-layer", "half-layer-lost", "cone", 9820, 11052),  # all infill, where one layer below is sparse, too
        ("partial-layer", "half-layer-lost", "plate-sparse", 4796, 11103),
        ("partial-layer", "half-layer-lost", "hook-support", 4994, 11016),  # half of a solid layer over sparse infill
        ("partial-layer", "half-layer-lost", "cone", 8455, 5025),  # infill within walls that lean
        ("partial-layer", "region-lost", "cone", 8281, 5029),  # at the edge, where nothing encloses it
        ("partial-layer", "region-lost", "several-parts", 3608, 5004),  # one of several parts, which leans
        ("partial-layer", "region-lost", "inches", 4294, 21009),  # walls that break off, under the edge of a floor
        ("partial-layer", "region-lost", "cone-solid", 8224, 21021),  # and such that lean
        ("partial-layer", "region-lost", "adaptive-heights", 406, 21022),
        ("partial-layer", "region-lost", "several-parts", 9554, 123028),  # most of one part's walls
        ("missing-layer", "layer-lost", "raft-and-support", 967, 21027),  # under a layer that is half a roof
        ("missing-layer", "layer-lost", "fine-walls", 1802, 21030),  # only walls, between layers with thick infill
        ("missing-layer", "layer-lost", "hook-support", 2104, 77022),  # between layers of a support
        ("missing-layer", "layer-lines-lost", "hook-support", 499, 77004),  # of a support, between layers of the part
        ("missing-layer", "layer-lines-lost", "hook-support", 4806, 77005),
        ("missing-layer", "layer-dry", "raft-and-support", 1987, 21015),  # of both, which have one height there
        ("missing-layer", "layer-lost", "raft-and-support", 6800, 123040),  # the second over a raft
        ("partial-layer", "region-lost", "raft", 3606, 202020),  # the second over a raft: the steps around are uneven
        ("partial-layer", "half-layer-lost", "raft", 9211, 303031),  # the first, with all its walls
        ("partial-layer", "region-lost", "raft-and-support", 675, 303005),  # a wall of the first that breaks off
        ("partial-layer", "region-lost", "hook-support", 6581, 202014),  # the same over supports
        (
            "partial-layer",
            "half-layer-lost",
            "thick-filament",
            7180,
            303038,
        ),  # all walls, and a line of infill in the middle
        ("partial-layer", "lines-swapped", "plate-sparse", 8281, 202036),  # one wall of two, under a solid layer
        ("partial-layer", "half-layer-lost", "adaptive-heights", 4848, 404019),  # all walls, and half of the infill
        ("partial-layer", "half-layer-lost", "cone-overhang", 489, 606002),  # the same in a cone of 45 degrees
        ("partial-layer", "half-layer-lost", "several-parts", 3272, 404006),  # those of one part, and another part
        ("partial-layer", "half-layer-lost", "inches", 5774, 505025),  # three walls of six, across which one bead leads
        ("doubled-layer", "z-move-lost", "raft", 839, 505040),  # the first layer on a raft is laid into its top
        ("doubled-layer", "block-lost", "cone-overhang", 3744, 303033),  # the last layer, in walls that lean
        ("starved-layer", "layers-starved-30", "ironed", 9983, 404036),  # under an ironed layer
        ("missing-layer", "region-lost", "spiral", 3240, 21006),  # a quarter of a turn
        ("missing-layer", "layer-lost", "hook-support", 980, 303002),  # among wider layers, where supports stand, too
        ("missing-layer", "layer-lines-lost", "raft-and-support", 3341, 303015),
        ("missing-layer", "z-move-lost", "raft-and-support", 375, 202013),
        ("starved-layer", "layer-starved-60", "raft-and-support", 7776, 303027),  # soon over a raft
        ("starved-layer", "layer-starved-60", "spiral", 5481, 21027),  # the layer on which a spiral begins
        ("starved-layer", "layers-starved-30", "spiral", 3670, 21024),  # that and two turns
        ("starved-layer", "layer-starved-30", "spiral", 677, 77045),  # its second turn
        ("starved-layer", "layer-starved-60", "fine-walls", 6231, 77037),  # the first of its kind behind a floor
        ("starved-layer", "layer-starved-30", "infill-every-third", 234, 77013),
        ("starved-layer", "layer-starved-80", "infill-every-third", 4334, 77035),
        ("shifted-layers", "layers-shifted", "several-parts", 1678, 77007),  # where one part ends
        ("shifted-layers", "layers-shifted", "several-parts", 5442, 21000),  # and another tapers
        ("shifted-layers", "layers-shifted", "spiral", 3028, 303040),  # within a turn
        ("shifted-layers", "layers-shifted", "spiral", 2297, 202023),
        ("shifted-layers", "layers-shifted", "tree-support", 7244, 202041),  # the second layer of an arm
        ("missing-layer", "half-layer-lost", "spiral", 8389, 5039),  # half of a spiral's second turn
        ("missing-layer", "layer-lost", "spiral", 8881, 5047),
        ("missing-layer", "block-lost", "spiral", 8480, 7013),  # eight turns in its first
        ("missing-layer", "layer-dry", "hook-support", 5622, 7016),  # a support's own layer lies at that height
    ],
)
def test_what_is_lost_is_named_at_its_height(rule: str, damage: str, kind: str, specimen_seed: int, seed: int) -> None:
    """A layer that lacks much of its path is named at its height, whatever lies beside the place; the good one is not."""
    specimen = make_specimen(kind, specimen_seed)
    damaged = apply_damage(damage, specimen, seed)
    assert damaged.z_mm is not None

    def lost(text: bytes) -> list[tuple[float, float]]:
        findings = report_of(text, BED_235).findings
        return [f.where.z_mm for f in findings if f.rule == rule and f.where.z_mm]

    assert lost(specimen.text) == []
    low, high = damaged.z_mm
    assert any(first < high + 0.3 and last > low - 0.3 for first, last in lost(damaged.text))
