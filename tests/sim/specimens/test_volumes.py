"""Volumes against closed formulas, bead arithmetic against the figures of facts 3.1, styles against their names."""

import itertools
import math
import re

import pytest

from layergate_sim.specimens import (
    STYLES,
    bollard_cap,
    draft_specimen,
    drawer_pull,
    hose_bracket,
    make_specimen,
    write_specimen,
)
from layergate_sim.specimens.bead import filament_area_mm2, fill_spacing_mm, stadium_area_mm2, stadium_width_mm
from layergate_sim.specimens.build import job
from layergate_sim.specimens.recipe import Recipe
from layergate_sim.specimens.solids import Solid, cone, plate, tube
from layergate_sim.specimens.truth import Specimen

from .plain_reader import read_specimen


@pytest.mark.parametrize(
    ("width", "height", "area", "e_per_mm"),
    [
        (0.40, 0.20, 0.071416, 0.029691),
        (0.45, 0.20, 0.081416, 0.033849),
        (0.48, 0.20, 0.087416, 0.036343),
        (0.42, 0.30, 0.106686, 0.044355),
        (0.50, 0.30, 0.130686, 0.054333),
        (0.40, 0.10, 0.037854, 0.015738),
        (0.80, 0.40, 0.285664, 0.118765),
    ],
)
def test_stadium_bead(width: float, height: float, area: float, e_per_mm: float) -> None:
    """The table of facts 3.1: area, filament per mm of path at 1.75 mm, and the inverse."""
    assert stadium_area_mm2(width, height) == pytest.approx(area, abs=6e-7)
    assert stadium_area_mm2(width, height) / filament_area_mm2(1.75) == pytest.approx(e_per_mm, abs=6e-7)
    assert stadium_width_mm(area, height) == pytest.approx(width, abs=1e-5)


def test_spacing_and_filament() -> None:
    """Spacing of full infill and filament areas, facts 3.1."""
    assert fill_spacing_mm(0.45, 0.2) == pytest.approx(0.407080, abs=1e-6)
    assert fill_spacing_mm(0.42, 0.3) == pytest.approx(0.355619, abs=1e-6)
    assert filament_area_mm2(1.75) == pytest.approx(2.405282, abs=1e-6)
    assert filament_area_mm2(2.85) == pytest.approx(6.379397, abs=1e-6)


def test_a_bead_narrower_than_high_is_refused() -> None:
    """No stadium exists there (facts 3.1)."""
    with pytest.raises(ValueError, match="stadium"):
        stadium_area_mm2(0.15, 0.2)


def volume_read(specimen: Specimen) -> float:
    """mm3 of the part by the plain reader, from the filament alone."""
    first = specimen.truth.layers[0].first_line
    return sum(b.filament for b in read_specimen(specimen).beads if b.line >= first) * math.pi * 1.75**2 / 4


SOLIDS = [
    (plate(100, 100, 30, 20, 4.0, corner=0.0), 30 * 20 * 4.0),
    (plate(100, 100, 24, 24, 3.0, corner=4.0), (24 * 24 - (4 - math.pi) * 16) * 3.0),
    (tube(100, 100, 10, 10 - 4 * 0.4070796, 5.0), math.pi * (10**2 - (10 - 4 * 0.4070796) ** 2) * 5.0),
    (cone(100, 100, 12, 8, 4.0), math.pi * 4 / 3 * (12**2 + 12 * 8 + 8**2)),
]


@pytest.mark.parametrize(("solid", "volume"), SOLIDS, ids=["plate", "rounded plate", "tube", "cone"])
def test_beads_fill_the_solid(solid: Solid, volume: float) -> None:
    """The beads of a filled solid hold its volume within 2 %: what infill leaves at its ends and takes by overlap.

    Source: closed formulas of geometry; conservation dE x A_f = A_bead x L, facts 3.1.
    """
    specimen = job("filled", "test", [solid], Recipe(), "plain")
    assert specimen.truth.solid_volume_mm3 == pytest.approx(volume, rel=1e-9)
    assert volume_read(specimen) == pytest.approx(volume, rel=0.02)


def test_sparse_infill_carries_its_share() -> None:
    """A third of the density in the middle carries a third of the infill, walls and skins being full."""
    full = job("full", "test", [plate(100, 100, 40, 40, 6.0)], Recipe(density=1.0, perimeters=1), "plain")
    third = job("third", "test", [plate(100, 100, 40, 40, 6.0)], Recipe(density=1 / 3, perimeters=1), "plain")
    middle_full, middle_third = full.truth.layers[15], third.truth.layers[15]
    assert middle_third.roles["sparse"] == pytest.approx(middle_full.roles["solid"] / 3, rel=0.1)
    assert middle_third.roles["wall-outer"] == middle_full.roles["wall-outer"]


def test_n_fold_infill_lays_the_same_volume_in_fewer_layers() -> None:
    """Infill in every second layer carries two-fold beads: the volume stays that of infill in every layer."""
    every = job("one", "test", [plate(100, 100, 30, 30, 4.0)], Recipe(layer=0.1, first_layer=0.1, density=0.3), "plain")
    second = job(
        "two",
        "test",
        [plate(100, 100, 30, 30, 4.0)],
        Recipe(layer=0.1, first_layer=0.1, density=0.3, infill_every=2),
        "plain",
    )
    assert volume_read(second) == pytest.approx(volume_read(every), rel=0.02)
    with_infill = [layer.index for layer in second.truth.layers if "sparse" in layer.roles]
    assert all(b - a == 2 for a, b in itertools.pairwise(with_infill))


def test_demo_jobs_are_small() -> None:
    """25 to 40 layers, and path lengths that an ordinary printer lays within 20 minutes at 30 mm/s on average."""
    for specimen in (bollard_cap(), bollard_cap(square=True, e_mode="relative"), hose_bracket(), drawer_pull()):
        assert 25 <= len(specimen.truth.layers) <= 40
        assert specimen.truth.path_mm / 30 < 20 * 60
        assert read_specimen(specimen).lines == specimen.truth.lines


def test_a_cap_without_inside_is_refused() -> None:
    """Walls thicker than the cap leave nothing inside a rounded square."""
    with pytest.raises(ValueError, match="leaves nothing"):
        bollard_cap(square=True, diameter_mm=10, wall_mm=5)


MARKS = {
    "plain": rb"^; layer 1 of 12",
    "mute": rb"\A(?!.*;)[^(]*\Z",
    "brackets": rb"^\(begin layer 0\)\n",
    "feed-first": rb"^G1 F\d+ X",
    "crlf": rb"\r\n",
    "packed": rb"^G1X[\d.]+Y[\d.]+E",
    "small": rb"^g1 x[\d.]+ y[\d.]+ e",
    "numbered": rb"^N40 .*\*\d+\n",
    "bom-tabs": rb"\A\xef\xbb\xbf; .*\n",
    "points": rb"E\.\d",
    "noisy": rb"E-?[\d.]+e-1[456]",
    "numbered-crlf": rb"^N40 .*\*\d+\r\n",
}


def test_each_style_shows_its_mark() -> None:
    """Every way of writing is really there: line ends, case, blanks, numbers, noise."""
    assert set(MARKS) == set(STYLES)
    draft = draft_specimen("e-relative", 1)
    tube_draft = next(d for d in (draft_specimen("z-hop", seed) for seed in range(50)) if len(job_layers(d)) == 12)
    for name, pattern in MARKS.items():
        use = draft if name in ("noisy", "points") else tube_draft
        assert re.search(pattern, write_specimen(use, name).text, re.M | (re.S if name == "mute" else 0)), name


def job_layers(draft) -> tuple[object, ...]:  # type: ignore[no-untyped-def]
    """Layers of a draft."""
    return write_specimen(draft, "plain").truth.layers


def test_words_that_only_some_jobs_have() -> None:
    """Each special kind carries the words it is there for."""
    wanted = {
        "tube-arcs": rb"G0?3 ?.*I.*J",
        "tube-arcs-by-radius": rb"G0?3.*R",
        "tube-full-circles": rb"(?i)G0?3\s*Z",
        "retract-firmware": rb"(?i)G10\s*\n?",
        "inches": rb"(?i)G20",
        "volumetric": rb"(?i)M200\s*D1.75",
        "axis-a": rb"(?i)A\d",
        "no-e": rb"(?i)M101",
        "macro-start": rb"(?i)PIER_READY BED=",
        "heat-g10": rb"(?i)G10\s*P0",
        "heat-r": rb"(?i)M109\s*R",
        "two-tools": rb"(?i)T1\n?",
        "sequential": rb"G",
    }
    for kind, pattern in wanted.items():
        text = make_specimen(kind, 2, style="points").text
        assert re.search(pattern, text, re.I), kind
    assert not re.search(
        rb"(?i)M10[49]|M1[49]0\s*S?\s*[1-9]", make_specimen("heat-unsaid", 2, style="plain").text.split(b"M107")[1]
    )
    assert not re.search(rb"G90|G21|M82", make_specimen("modes-unstated", 2, style="plain").text)
