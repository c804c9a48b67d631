"""A layer taken out of the demonstration job is gone, and nothing else changed."""

import re

import pytest

from layergate_sim.damage import remove_layer
from layergate_sim.specimens import bollard_cap


def heights(text: bytes) -> list[float]:
    """Every height named by a Z word in a line that lays nothing."""
    return [float(m) for m in re.findall(rb"^G0 Z([\d.]+)", text, re.M)]


@pytest.mark.parametrize("consistent", [True, False])
def test_the_beads_of_one_layer_are_gone(consistent: bool) -> None:
    """Between two moves of Z nothing is left, and the number of lines falls by those of the layer."""
    cap = bollard_cap()
    layer = cap.truth.layers[15]
    damaged = remove_layer(cap.text, cap.truth, 15, consistent=consistent)
    lines = damaged.decode().split("\n")
    assert damaged != cap.text
    assert lines[layer.z_line - 1] == "G0 Z3.200 F600"
    rest = [line for line in lines[layer.z_line :] if line.startswith("G")]
    until_next_height = rest[: next(i for i, line in enumerate(rest) if " Z" in line)]
    assert not [line for line in until_next_height if "X" in line or "Y" in line]


def test_consistent_removal_lowers_later_e_words_by_what_the_layer_held() -> None:
    """The last absolute E falls by the filament of the layer when consistent, and stays if lines are just lost."""
    cap = bollard_cap()
    last = [float(m) for m in re.findall(rb"E([\d.]+)", cap.text)][-1]
    smooth = [float(m) for m in re.findall(rb"E([\d.]+)", remove_layer(cap.text, cap.truth, 15))][-1]
    raw = [float(m) for m in re.findall(rb"E([\d.]+)", remove_layer(cap.text, cap.truth, 15, consistent=False))][-1]
    assert last - smooth == pytest.approx(cap.truth.layers[15].filament_mm, abs=1e-4)
    assert raw == last


def test_a_layer_that_is_not_there_is_refused() -> None:
    """The index is checked and the range named."""
    cap = bollard_cap()
    with pytest.raises(IndexError, match="0 to 29"):
        remove_layer(cap.text, cap.truth, 30)
