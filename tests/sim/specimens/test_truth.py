"""What a specimen says of itself against what a plain reader finds in its text."""

from functools import cache

import numpy as np
import pytest

from layergate_sim.specimens import SPECIMEN_KINDS, STYLES, Specimen, draft_specimen, make_specimen, write_specimen
from layergate_sim.specimens.kinds import Draft
from layergate_sim.specimens.plan import LayerStart

from .heightfield import deepest_travel, gaps
from .plain_reader import Read, read_specimen

ALL = sorted(SPECIMEN_KINDS)
# Kinds that differ in words alone share their solids; what lies on what is measured on one of each way of moving.
WORDS = ("e-", "heat-", "axis-", "modes-", "macro-", "home-", "volumetric", "inches", "retract-none", "no-e")
SHAPES = [kind for kind in ALL if not kind.startswith(WORDS)]


@cache
def known(kind: str) -> tuple[Specimen, Read]:
    """A specimen and its reading, made once."""
    specimen = make_specimen(kind, 5)
    return specimen, read_specimen(specimen)


def compare(specimen: Specimen, found: Read) -> None:
    """Every figure of every layer, the prime and the whole."""
    truth = specimen.truth
    assert found.lines == truth.lines
    for layer in truth.layers:
        mine = [b for b in found.beads if layer.first_line <= b.line <= layer.last_line]
        assert len(mine) == layer.beads
        assert sum(b.length for b in mine) == pytest.approx(layer.path_mm, rel=1e-4)
        assert sum(b.filament for b in mine) == pytest.approx(layer.filament_mm, abs=1e-4)
        assert max(b.z for b in mine) == pytest.approx(layer.z_mm, abs=1e-6)
        assert min(min(b.z0, b.z) for b in mine) == pytest.approx(layer.z_low_mm, abs=1e-6)
        xy = np.vstack([b.points for b in mine])
        assert (*xy.min(axis=0), *xy.max(axis=0)) == pytest.approx(layer.box_mm, abs=2e-3)
        assert sum(layer.roles.values()) == pytest.approx(layer.path_mm)
    primed = found.beads[: truth.prime.beads] if truth.prime else []
    assert sum(layer.beads for layer in truth.layers) + len(primed) == len(found.beads)
    if truth.prime:
        assert {b.line >= truth.prime.first_line and b.line <= truth.prime.last_line for b in primed} == {True}
    assert sum(b.filament for b in found.beads) == pytest.approx(truth.filament_mm, abs=1e-4)
    assert found.debt == pytest.approx(truth.final_debt_mm, abs=1e-4)


@pytest.mark.parametrize("kind", ALL)
def test_every_layer_is_as_stated(kind: str) -> None:
    """Beads, path, filament, heights, box, line range of each layer agree with an independent reading of the text."""
    compare(*known(kind))


@pytest.mark.parametrize("kind", ALL)
def test_every_style_writes_the_same_job(kind: str) -> None:
    """Start, first and last layer and end of each kind, written in each style, read the same: twelve ways of writing, one job."""
    draft = draft_specimen(kind, 7)
    starts = [i for i, step in enumerate(draft.steps) if isinstance(step, LayerStart)]
    # A tool changed in between would be missing from the cut: there the first two layers are taken.
    steps = [*draft.steps[: starts[1]], *draft.steps[starts[-2] :]]
    if draft.recipe.tools > 1:
        steps = [*draft.steps[: starts[2]], *draft.steps[starts[-1] :]]
    short = Draft(kind, 7, draft.solids, draft.recipe, steps, draft.style)
    totals = set()
    for style in STYLES:
        specimen = write_specimen(short, style)
        found = read_specimen(specimen)
        assert len(specimen.truth.layers) == 2
        assert sum(b.filament for b in found.beads) == pytest.approx(specimen.truth.filament_mm, abs=1e-4)
        assert len(found.beads) == sum(layer.beads for layer in specimen.truth.layers) + (
            specimen.truth.prime.beads if specimen.truth.prime else 0
        )
        totals.add(
            (len(found.beads), round(sum(b.length for b in found.beads), 4), round(specimen.truth.filament_mm, 3))
        )
    assert len(totals) == 1


@pytest.mark.parametrize("kind", SHAPES)
def test_a_good_job_lies_on_what_is_below(kind: str) -> None:
    """Beads lie one layer above what is below them, air gaps of rafts apart; no travel goes through the part.

    Measured against a field of heights of the tests' own. Limits: reference detection.md, section 1 (the lowest tenth
    of the gaps of a good layer is one step to 0.001 mm; travels stay above the top).
    """
    specimen, found = known(kind)
    layers = specimen.truth.layers
    field = gaps(found, [(layer.first_line, layer.last_line) for layer in layers], specimen.truth.box_mm)
    for layer, gap in zip(layers, field, strict=True):
        lowest_tenth = float(np.quantile(gap, 0.1))
        above_raft = "raft" in specimen.truth.flags and "raft" not in layer.roles and layer.index == 3
        if above_raft:
            assert lowest_tenth == pytest.approx(layer.height_mm + 0.2, abs=1.1e-3)
        elif "spiral" in layer.roles:
            assert lowest_tenth < 1.25 * layer.height_mm
        else:
            assert lowest_tenth <= layer.height_mm + 1.1e-3
    assert deepest_travel(found, specimen.truth.box_mm) < 0.01


@pytest.mark.parametrize("kind", ALL)
def test_speeds_flows_and_heat_are_sensible(kind: str) -> None:
    """Flow stays below what an ordinary hot end melts (11 mm3/s: facts 3.3, common practice); heaters end off."""
    specimen, found = known(kind)
    area = np.pi * specimen.truth.filament_diameter_mm**2 / 4
    feeds = {line: feed for (line, *_), feed in zip(found.moves, found.feeds, strict=True)}
    flows = [b.filament * area / b.length * feeds[b.line] for b in found.beads if b.length > 0.05]
    assert max(flows) < 11.0
    assert min(found.feeds) > 1.0
    assert max(found.feeds) <= 200.5
    off = [args for _, code, args in found.commands if code in ("M104", "M140")][-2:]
    assert all(args["S"] == 0 for args in off)
    codes = [code for _, code, _ in found.commands]
    assert codes[-1] == "M84"
    if specimen.truth.nozzle_c is not None:
        words = [
            args
            for line, code, args in found.commands
            if code in ("M109", "G10") and line < specimen.truth.layers[0].first_line
        ]
        assert any(specimen.truth.nozzle_c in args.values() for args in words)


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others() -> None:
    """Specimens depend on kind, seed and style alone."""
    for kind in ALL[::6]:
        a, b = make_specimen(kind, 5), known(kind)[0]
        assert a.text == b.text
        assert a.truth == b.truth
    assert len({make_specimen("plate-holes", seed).text for seed in range(5)}) == 5


def test_a_kind_that_does_not_exist_is_refused_by_name() -> None:
    """The error names the kinds there are."""
    with pytest.raises(KeyError, match="plate-solid"):
        make_specimen("teapot", 1)
