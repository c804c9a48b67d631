"""What can't be seen of a damage, and what can, worked out from the two jobs: by pairs that differ in just that."""

import pytest

from layergate_sim.damage import apply_damage, apply_damage_to_text
from layergate_sim.specimens import make_specimen


@pytest.mark.parametrize(("seed", "told"), [(5601, False), (9273, False), (9026, True), (3378, True), (995, True)])
def test_a_missing_object_can_be_seen_only_where_a_comment_states_what_it_lacks(seed: int, told: bool) -> None:
    """What is left is a good job of fewer objects; the last one was the tallest, and its height is stated."""
    damaged = apply_damage("object-missing", make_specimen("sequential", seed), 77007 if seed == 995 else 1)
    assert damaged.changes_part
    assert (damaged.unseen == "") == told


@pytest.mark.parametrize(
    ("kind", "specimen_seed", "damage", "seed", "why"),
    [
        ("infill-every-second", 3642, "half-layer-lost", 21013, "nothing is built on"),  # the top of a floor
        ("inches", 4294, "region-lost", 21009, ""),  # the same, with walls that break off
        ("e-absolute", 858, "region-lost", 21039, "half the density"),  # every second line
        ("cone-solid", 8224, "region-lost", 21021, ""),  # such lines, and walls
        ("plate-solid", 3, "region-lost", 1, ""),
        ("spiral", 383, "layer-lost", 123017, "where a spiral begins"),
        ("no-e", 3454, "first-layer-lost", 1, "without E"),
        ("no-e", 3454, "layer-lost", 1, ""),
        ("spiral", 383, "two-layers-lost", 123017, ""),
        ("raft-and-support", 8276, "layer-lost", 303037, "top layer of a raft"),
        ("raft-and-support", 3673, "layer-dry", 404006, "top layer of a raft or of supports"),
        ("all-relative", 6805, "e-mode-missing", 505001, "G91"),
        ("e-relative", 5, "e-mode-missing", 1, ""),
        ("spiral", 1200, "layer-starved-60", 404009, "first turn"),
        ("spiral", 1200, "layer-starved-30", 404009, ""),
        ("hook-support", 3691, "z-move-lost", 404026, "as much as its width"),  # 0.02 mm lower
        ("raft", 3, "layer-lost", 1, ""),
    ],
)
def test_what_may_be_meant_is_no_wall(kind: str, specimen_seed: int, damage: str, seed: int, why: str) -> None:
    """A floor may end a layer lower, infill may be sparser; a wall never ends."""
    damaged = apply_damage(damage, make_specimen(kind, specimen_seed), seed)
    assert damaged.changes_part
    assert why in damaged.unseen
    assert bool(why) == bool(damaged.unseen)


@pytest.mark.parametrize(
    ("kind", "said", "unseen"),
    [
        ("wide-nozzle", b"", True),
        ("wide-nozzle", b"; filament diameter: 2.85 mm\n", False),
        ("plate-solid", b"", False),
    ],
)
def test_the_job_of_another_filament(kind: str, said: bytes, unseen: bool) -> None:
    """0.377 of the filament makes beads of 0.65 mm 0.29 mm wide, which a nozzle of 0.4 mm lays, and those of 0.45 mm 0.19 mm."""
    text = said + make_specimen(kind, 2).text
    assert bool(apply_damage_to_text("other-machine-filament", text, 1).unseen) == unseen


@pytest.mark.parametrize(
    ("damage", "seed", "unseen"), [("layer-starved-80", 77020, True), ("layer-starved-30", 3, False)]
)
def test_a_rafts_flow_is_its_makers_choice(damage: str, seed: int, unseen: bool) -> None:
    """Its interface may be a fifth thinner than another's; a third of the flow lays no line."""
    starved = apply_damage(damage, make_specimen("raft-and-support", 4508), seed)
    assert starved.changes_part
    assert bool(starved.unseen) == unseen


def test_a_purge_line_is_no_first_layer() -> None:
    """In a job of unknown origin it looks like a layer, higher or lower than the first; nothing is laid on it."""

    def ring(z: float) -> list[str]:
        corners = ((70, 50), (70, 70), (50, 70), (50, 50))
        return [f"G1 Z{z}", "G1 X50 Y50", *(f"G1 X{x} Y{y} E0.7" for x, y in corners)]

    part = [line for n in range(1, 9) for line in ring(round(0.2 * n, 1))]
    for purge_mm in (0.1, 0.3):
        purge = ["G21", "G90", "M83", "G28", f"G1 Z{purge_mm}", "G1 X5 Y10", "G1 X5 Y100 E9"]
        text = "\n".join([*purge, *part, ""]).encode()
        assert apply_damage_to_text("first-layer-lost", text, 1).z_mm == (0.2, 0.2)
