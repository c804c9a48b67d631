"""Places of a layer that are lost: one wall of several side by side, and infill that is sparse in the layers around, too.

Damages know by construction where they are; the good twin is silent.
"""

import pytest
from tests.oracles.examination import BED_235, report_of

from layergate_sim.damage import apply_damage
from layergate_sim.specimens import make_specimen


@pytest.mark.parametrize(
    ("kind", "specimen_seed", "seed"),
    [
        ("tube", 9256, 11048),  # two rings of four that touch
        ("tube-arcs", 2097, 11036),
        ("cone", 9820, 11052),  # all infill, where one layer below is sparse, too
        ("plate-sparse", 4796, 11103),
        ("hook-support", 4994, 11016),  # half of the first solid layer over sparse infill
    ],
)
def test_half_a_layer_lost_beside_walls_or_in_infill_is_named(kind: str, specimen_seed: int, seed: int) -> None:
    """A layer that lacks half of its path, though a wall beside covers the place, is named at its height."""
    specimen = make_specimen(kind, specimen_seed)
    damaged = apply_damage("half-layer-lost", specimen, seed)
    assert damaged.z_mm is not None

    def lost(text: bytes) -> list[float]:
        findings = report_of(text, BED_235).findings
        return [f.where.z_mm[1] for f in findings if f.rule == "partial-layer" and f.where.z_mm]

    assert lost(specimen.text) == []
    assert any(abs(z - damaged.z_mm[0]) < 0.3 for z in lost(damaged.text))
