"""The figures of findings: a damage of known size, anywhere, on any kind of job, is found with that size within 5 %.

Sizes and places are drawn (hypothesis); what was done is known by construction of the damage, and what the job is by
the truth of its specimen, which counts with code of its own. ``LAYERGATE_EXAMPLES=20`` draws more.
"""

import math
from functools import lru_cache
from random import Random

import pytest
from hypothesis import Phase, assume, given, note, settings
from hypothesis import strategies as st
from tests.oracles.effort import effort as full_effort
from tests.oracles.examination import BED_235, found, report_of

from layergate.preflight.findings import Finding
from layergate_sim.damage import apply_damage, beads, layers
from layergate_sim.damage.case import Case, Outcome
from layergate_sim.damage.scan import scan_job
from layergate_sim.specimens import SPECIMEN_KINDS, Specimen, make_specimen

WITHIN = 0.05  # the bar
FILAMENT_KINDS = sorted(set(SPECIMEN_KINDS) - {"no-e"})
# Turns of a spiral have no edges to compare, and flow of one is compared along its path: see test_spirals.
# Part-layers over rafts and supports are the trials' matter.
LEVEL_KINDS = sorted(set(FILAMENT_KINDS) - {"spiral", "raft", "raft-and-support", "hook-support"})
# Solids whose outline stays what it is from layer to layer, so that a shift is nothing but a shift.
UPRIGHT_KINDS = ["plate-sparse", "plate-solid", "tube", "tube-arcs", "bollard-cap", "lattice", "wide-nozzle", "inches",
                 "xyz-relative", "volumetric", "z-hop", "sequential", "infill-every-second"]  # fmt: skip

seeds = st.integers(1, 10_000)


def effort(examples: int) -> settings:
    """Without shrinking: a smaller seed is no simpler job, and each example is a whole preflight."""
    return settings(full_effort(examples), phases=(Phase.generate,))


@lru_cache(maxsize=8)
def specimen_of(kind: str, seed: int) -> Specimen:
    return make_specimen(kind, seed)


class Made:
    """A specimen, read for damaging; what is drawn further comes from its random numbers."""

    def __init__(self, kind: str, seed: int, place: int) -> None:
        self.name = f"{kind}, seed {seed}, place {place}"
        self.specimen = specimen_of(kind, seed)
        truth = self.specimen.truth
        scan = scan_job(self.specimen.text, filament_mm=truth.filament_diameter_mm)
        self.case = Case(self.specimen.text, scan, truth, Random(place))

    def __repr__(self) -> str:
        return self.name


def cases(kinds: list[str] = LEVEL_KINDS) -> st.SearchStrategy[Made]:
    return st.builds(Made, st.sampled_from(kinds), seeds, seeds)


def findings(specimen: Specimen, text: bytes, rule: str, **tables: dict[str, float]) -> list[Finding]:
    printer = {
        **BED_235,
        "filament_diameter_mm": specimen.truth.filament_diameter_mm,
        "nozzle_diameter_mm": specimen.truth.nozzle_mm,
        "maximum_hot_end_c": 290,
    }
    return found(report_of(text, printer, tables), rule)


def the_one(specimen: Specimen, outcome: Outcome, rule: str) -> Finding:
    """The finding that lies in the changed lines, of which there is exactly one."""
    assert outcome.lines is not None
    note(f"{specimen.truth.kind}: {outcome.what}, lines {outcome.lines}")
    first, last = outcome.lines[0] + 1, outcome.lines[1] + 1
    near = [
        f
        for f in findings(specimen, outcome.text, rule)
        if f.where.lines and f.where.lines[0] <= last + 1 and first - 1 <= f.where.lines[1]
    ]
    assert len(near) == 1, (outcome.what, near)
    return near[0]


def middle(case: Case) -> layers.Layer:
    chosen = case.middle_layers()
    assume(bool(chosen))
    return case.rng.choice(chosen)


@effort(8)
@given(cases(), st.floats(0.1, 0.7))
def test_a_starved_layer_has_its_share(made: Made, factor: float) -> None:
    """0.3 of the filament is a flow ratio of 0.3, in that layer, between its lines."""
    specimen, case = made.specimen, made.case
    layer = middle(case)
    outcome = layers.starve(case, [layer], factor)
    finding = the_one(specimen, outcome, "starved-layer")
    assert finding.evidence["flow_ratio"] == pytest.approx(factor, rel=WITHIN)
    assert finding.where.z_mm == pytest.approx((layer.z, layer.z), abs=0.002)
    assert finding.evidence["layers"] == 1


@effort(6)
@given(cases(UPRIGHT_KINDS), st.floats(0.9, 12.0), st.floats(0, math.tau))
def test_a_shift_has_its_distance_and_its_direction(made: Made, distance: float, angle: float) -> None:
    """3 mm aside is 3 mm aside, along X and along Y, from that layer on."""
    specimen, case = made.specimen, made.case
    layer = middle(case)
    dx, dy = round(distance * math.cos(angle), 3), round(distance * math.sin(angle), 3)
    finding = the_one(specimen, layers.shift_from(case, layer, dx, dy), "shifted-layers")
    assert finding.evidence["shift_mm"] == pytest.approx(math.hypot(dx, dy), rel=WITHIN)
    assert finding.evidence["shift_x_mm"] == pytest.approx(dx, abs=WITHIN * distance)
    assert finding.evidence["shift_y_mm"] == pytest.approx(dy, abs=WITHIN * distance)
    assert finding.where.z_mm == pytest.approx((layer.z, layer.z), abs=0.002)


@effort(6)
@given(cases(), st.floats(4.0, 60.0))
def test_a_stray_bead_has_its_length(made: Made, length: float) -> None:
    """25 mm in the air are 25 mm in the air, that high above the bed, in that line."""
    specimen, case = made.specimen, made.case
    high = [x for x in case.middle_layers() if x.z > 1.0 and len(x.beads) > 3]
    assume(high)
    layer = case.rng.choice(high)
    length = round(length, 1)
    outcome = beads.lay_astray(case, layer, case.rng.choice(layer.beads[1:-1]), length)
    finding = the_one(specimen, outcome, "mid-air-bead")
    assert finding.evidence["path_mm"] == pytest.approx(length, rel=WITHIN)
    assert finding.evidence["air_mm"] == pytest.approx(layer.z, rel=WITHIN)
    assert finding.where.box_mm == pytest.approx(outcome.box_mm, abs=0.5)
    assert finding.evidence["beads"] == 1


@effort(6)
@given(cases(), st.floats(2.0, 60.0))
def test_a_blob_has_its_volume(made: Made, mm3: float) -> None:
    """So many mm3 too much, so many times the bead, in that line."""
    specimen, case = made.specimen, made.case
    layer = middle(case)
    lines = case.scan.lines
    # Cross-sections of shorter beads are not measured (TOLERANCES.least_bead_mm): a lump on one of these is missed.
    line = case.rng.choice([i for i in layer.beads if lines[i].length > 0.06])
    mm3 = max(mm3, 10 * lines[line].mm3)
    finding = the_one(specimen, beads.add_lump(case, layer, line, mm3), "bead-outlier")
    assert finding.evidence["excess_mm3"] == pytest.approx(mm3, rel=WITHIN)
    assert finding.evidence["bead_mm3"] == pytest.approx(mm3 + lines[line].mm3, rel=WITHIN)
    assert finding.evidence["length_mm"] == pytest.approx(lines[line].length, rel=WITHIN)


@effort(6)
@given(cases(), st.floats(0.6, 3.0))
def test_a_plunge_has_its_depth(made: Made, depth: float) -> None:
    """So deep below the bead just laid, down to that height."""
    specimen, case = made.specimen, made.case
    lines = case.scan.lines
    high = [x for x in case.middle_layers() if x.z > depth + 0.4]
    places = [
        (x, i) for x in high for i in x.beads[1:-1] if lines[i].length > 1.0 and lines[i].code == "G1" and lines[i].mm3
    ]
    assume(places)
    layer, after = case.rng.choice(places)
    depth = round(depth, 2)
    finding = the_one(specimen, beads.dive(case, layer, after, depth), "through-printed-part")
    assert finding.evidence["depth_mm"] == pytest.approx(depth, rel=WITHIN)
    assert finding.where.z_mm == pytest.approx((lines[after].z - depth, lines[after].z), abs=0.02)


@effort(6)
@given(cases([kind for kind in UPRIGHT_KINDS if kind != "infill-every-second"]), st.integers(1, 2))
def test_lost_layers_have_their_height(made: Made, count: int) -> None:
    """One or two layers gone: the gap is from the layer below to the one above, there, with nothing laid between.

    Whether every lost layer is found is the trials' matter; where thick infill lies over it, some are not.
    """
    specimen, case = made.specimen, made.case
    chosen = case.middle_layers(count + 1)
    assume(bool(chosen))
    first = case.rng.choice(chosen)
    gone = case.layers[first.index : first.index + count]
    above, below = case.layers[gone[-1].index + 1], case.layers[first.index - 1]
    assume(below.z < gone[0].z <= gone[-1].z < above.z)
    outcome = layers.lose(case, gone)
    finding = the_one(specimen, outcome, "missing-layer")
    assert finding.where.z_mm == pytest.approx((below.z, above.z), abs=0.002)
    assert finding.evidence["gap_mm"] == pytest.approx(above.z - below.z, rel=WITHIN)
    assert finding.evidence["layers_missing"] == count


@effort(5)
@given(st.sampled_from(["plate-sparse", "tube", "e-relative", "inches", "volumetric", "thick-filament"]), seeds)
def test_a_retraction_that_never_comes_back_has_its_length(kind: str, seed: int) -> None:
    """The filament pushed in vain is what was owed; the beads that stay dry are those that it would have made."""
    specimen = specimen_of(kind, seed)
    damaged = apply_damage("retraction-unpaid", specimen, seed)
    unit = 25.4 if kind == "inches" else 1.0
    if kind == "volumetric":
        unit = 1 / (math.pi * specimen.truth.filament_diameter_mm**2 / 4)
    owed = damaged.size["debt_units"] * unit
    finding = next(f for f in findings(specimen, damaged.text, "retraction-debt"))
    assert finding.evidence["filament_pushed_mm"] == pytest.approx(owed, rel=WITHIN)
    assert damaged.lines is not None
    assert finding.where.lines is not None
    assert damaged.lines[0] <= finding.where.lines[0] <= damaged.lines[1] + 4


@effort(4)
@given(st.sampled_from(sorted(set(SPECIMEN_KINDS) - {"heat-unsaid", "macro-start"})), seeds)
def test_heat_that_is_missing_or_too_high_has_its_figures(kind: str, seed: int) -> None:
    """The target is what the job would set, in degrees; what is laid cold is all that the job lays."""
    specimen = specimen_of(kind, seed)
    hot = apply_damage("heat-too-high", specimen, seed) if kind != "heat-g10" else None
    if hot and specimen.truth.nozzle_c:
        (finding,) = findings(specimen, hot.text, "over-temperature")
        assert finding.evidence["target_c"] == specimen.truth.nozzle_c + hot.size["more_c"]
        assert finding.evidence["highest_c"] == 290
    cold = apply_damage("heat-missing", specimen, seed)
    (finding,) = findings(specimen, cold.text, "cold-extrusion")
    laid = specimen.truth.path_mm
    assert finding.evidence["path_mm"] == pytest.approx(laid, rel=WITHIN)


@effort(5)
@given(st.sampled_from(LEVEL_KINDS), seeds, st.floats(1.15, 4.0))
def test_a_claim_of_filament_is_set_against_what_is_laid(kind: str, seed: int, times: float) -> None:
    """Claimed and found, mm: what the specimen maker counted that it wrote."""
    specimen = specimen_of(kind, seed)
    truth = specimen.truth
    assume("numbered" not in truth.flags)
    mark = b"\xef\xbb\xbf"
    bare = b"\n".join(x for x in specimen.text.removeprefix(mark).split(b"\n") if b"ilament" not in x)
    claimed = round(times * truth.filament_mm, 1)
    text = f"; filament used = {claimed}mm\n".encode() + bare
    finding = next(f for f in findings(specimen, text, "claims-differ") if "claimed_filament_mm" in f.evidence)
    assert finding.evidence["claimed_filament_mm"] == claimed
    assert finding.evidence["found_filament_mm"] == pytest.approx(truth.filament_mm, rel=0.005)
    assert finding.evidence["found_over_claimed"] == pytest.approx(1 / times, rel=0.01)


@effort(6)
@given(st.sampled_from(["plate-solid", "tube", "bollard-cap", "cone", "hose-bracket-brim", "z-hop", "inches"]), seeds)
def test_the_footprint_is_what_holds_the_part(kind: str, seed: int) -> None:
    """The first layer's area, brim included and skirt left out, as the specimen maker counted the paths that it wrote."""
    specimen = specimen_of(kind, seed)
    layer = specimen.truth.layers[0]
    skirt = layer.roles.get("skirt", 0.0) / layer.path_mm
    (finding,) = findings(specimen, specimen.text, "small-footprint", **{"small-footprint": {"slenderness": 0.01}})
    assert finding.evidence["footprint_mm2"] == pytest.approx(layer.volume_mm3 * (1 - skirt) / layer.z_mm, rel=WITHIN)
    assert finding.evidence["height_mm"] == pytest.approx(specimen.truth.height_mm, rel=WITHIN)
    assert finding.evidence["slenderness"] == pytest.approx(
        finding.evidence["height_mm"] / math.sqrt(finding.evidence["footprint_mm2"]), rel=1e-4
    )
