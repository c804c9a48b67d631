"""The layer map of every kind of specimen against what is true of it by construction (layergate_sim.specimens.truth)."""

from functools import cache

import numpy as np
import pytest
from tests.oracles.effort import FACTOR
from tests.oracles.examination import examined

from layergate.layers.layermap import LayerMap
from layergate.preflight.examine import Examination
from layergate_sim.specimens import SPECIMEN_KINDS, Specimen, make_specimen

SEEDS = range(5, 5 + FACTOR)
SPIRALS = {"spiral"}
LEVEL = sorted(set(SPECIMEN_KINDS) - SPIRALS)


@cache
def mapped(kind: str, seed: int) -> tuple[Specimen, Examination]:
    """A specimen and its examination without rules, by a printer that reads it as its maker meant."""
    specimen = make_specimen(kind, seed)
    printer = {
        "filament_diameter_mm": specimen.truth.filament_diameter_mm,
    }
    return specimen, examined(specimen.text, printer, rules=[])


def prime_at(specimen: Specimen, layers: LayerMap) -> tuple[float, float]:
    """Path and volume of a prime laid at the first layer's height: it lies beside that layer and counts to it."""
    prime = specimen.truth.prime
    if prime is None or not len(layers) or layers.first_line[0] > prime.last_line:
        return 0.0, 0.0
    return prime.path_mm, prime.volume_mm3


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kind", LEVEL)
def test_every_layer_has_its_height_path_volume_lines_and_box(kind: str, seed: int) -> None:
    """Heights exactly, path and volume within 0.5 % (in fact 0.01 %), lines within the layer's, box of the centre lines."""
    specimen, examination = mapped(kind, seed)
    truth, layers = specimen.truth, examination.layers
    assert len(layers) == len(truth.layers)
    # Truth is in print order, the map by height within each stack.
    order = np.argsort(layers.first_line, kind="stable")
    prime_path, prime_volume = prime_at(specimen, layers)
    for index, expected in zip(order.tolist(), truth.layers, strict=True):
        first = index == 0
        assert layers.z_mm[index] == pytest.approx(expected.z_mm, abs=6e-4)
        assert layers.path_mm[index] == pytest.approx(expected.path_mm + first * prime_path, rel=1e-3)
        if "no-e" not in truth.flags:
            assert layers.volume_mm3[index] == pytest.approx(expected.volume_mm3 + first * prime_volume, rel=1e-3)
            assert layers.flow_known
        if not (first and prime_path):
            assert expected.first_line <= layers.first_line[index]
            assert layers.box_mm[index].tolist() == pytest.approx(expected.box_mm, abs=6e-3)
            assert layers.beads[index] >= expected.beads
        assert layers.first_line[index] <= layers.last_line[index] <= expected.last_line


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kind", sorted(SPECIMEN_KINDS))
def test_the_whole_job_has_its_filament_path_and_height(kind: str, seed: int) -> None:
    """Filament with the prime, path, height, lines of the whole."""
    specimen, examination = mapped(kind, seed)
    truth, layers = specimen.truth, examination.layers
    prime_path, _ = prime_at(specimen, layers)
    assert examination.report.estimate.filament_mm == pytest.approx(truth.filament_mm, rel=1e-3, abs=1e-3)
    assert layers.path_mm.sum() == pytest.approx(sum(layer.path_mm for layer in truth.layers) + prime_path, rel=1e-3)
    assert layers.z_mm.max() == pytest.approx(truth.height_mm, abs=1e-3)
    assert examination.report.job.lines == truth.lines


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kind", sorted(SPIRALS))
def test_a_spiral_is_one_layer_for_each_turn(kind: str, seed: int) -> None:
    """The rising wall is cut into turns of the layer height; where a turn begins is a choice, so one may be split."""
    specimen, examination = mapped(kind, seed)
    truth, layers = specimen.truth, examination.layers
    assert len(truth.layers) <= len(layers) <= len(truth.layers) + 1
    ramps = [layer for layer in truth.layers if layer.z_low_mm < layer.z_mm]
    assert int(layers.ramp.sum()) in (len(ramps), len(ramps) + 1)
    assert not layers.ramp[: len(truth.layers) - len(ramps)].any()
    assert np.diff(layers.z_mm[layers.ramp])[:-1] == pytest.approx(ramps[0].height_mm, abs=0.005)
    volume = sum(layer.volume_mm3 for layer in truth.layers)
    assert layers.volume_mm3.sum() == pytest.approx(volume + prime_at(specimen, layers)[1], rel=1e-3)


def test_objects_one_after_another_are_stacks() -> None:
    """The height goes back down somewhere else: another stack, whose first step is above the bed."""
    specimen, examination = mapped("sequential", 5)
    layers = examination.layers
    names = {layer.object_name for layer in specimen.truth.layers}
    stacks = int(layers.stack.max()) + 1
    falls = sum(b.z_mm < a.z_mm for a, b in zip(specimen.truth.layers, specimen.truth.layers[1:], strict=False))
    assert stacks == falls + 1
    assert stacks >= 2
    assert names
    first = np.flatnonzero(np.diff(layers.stack, prepend=-1))
    assert layers.step_mm[first] == pytest.approx(layers.z_mm[first])
    assert layers.gap_mm[first, 2] == pytest.approx(layers.z_mm[first], abs=0.003)


def test_a_z_hop_makes_no_layer() -> None:
    """Lifts are travels: the map of a job with hops has the layers of its beads."""
    specimen, examination = mapped("z-hop", 5)
    assert len(examination.layers) == len(specimen.truth.layers)


def test_a_solid_has_its_closed_volume() -> None:
    """Where every layer is filled, what is laid is what the solid's formula says, within the maker's packing."""
    compared = 0
    for kind in ("plate-solid", "cone-solid", "tube"):
        specimen, examination = mapped(kind, 5)
        solid = specimen.truth.solid_volume_mm3
        if solid is None:
            continue
        compared += 1
        own = sum(v for layer in specimen.truth.layers for k, v in layer.roles.items() if k in ("skirt", "brim"))
        share = 1 - own / specimen.truth.path_mm
        prime = prime_at(specimen, examination.layers)[1]
        assert (examination.layers.volume_mm3.sum() - prime) * share == pytest.approx(solid, rel=0.05)
    assert compared


@pytest.mark.parametrize("kind", ["plate-solid", "adaptive-heights", "wide-nozzle", "thick-filament"])
def test_gaps_are_layer_heights_and_widths_are_beads(kind: str) -> None:
    """In an ordinary layer the gap is the bead's height, and flow over it gives the bead's width (facts.md 3.1)."""
    specimen, examination = mapped(kind, 5)
    layers = examination.layers
    order = np.argsort(layers.first_line, kind="stable")
    for index, expected in list(zip(order.tolist(), specimen.truth.layers, strict=True))[1:]:
        assert layers.gap_mm[index, 1] == pytest.approx(expected.height_mm, abs=0.0021)
        area = layers.area_mm2[index, 2]
        height = expected.height_mm
        assert layers.width_mm[index] == pytest.approx(area / height + height * (1 - np.pi / 4), rel=0.02)
