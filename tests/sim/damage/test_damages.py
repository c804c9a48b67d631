"""Each damage does what it says: measured by the plain reader of the specimen tests, not by the maker's own scan."""

import contextlib
import math
import re
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from tests.sim.specimens.heightfield import deepest_travel
from tests.sim.specimens.plain_reader import Read, ReadBead, read_specimen

from layergate_sim.damage import (
    BEAD_MM3,
    DAMAGE_GROUPS,
    DAMAGE_KINDS,
    NOT_ALWAYS_VISIBLE,
    Damaged,
    DamageNotPossibleError,
    apply_damage,
    apply_damage_to_text,
    possible_damages,
)
from layergate_sim.damage.commands import FORBIDDEN, SETTINGS
from layergate_sim.damage.storage import BLOCKS
from layergate_sim.specimens import LayerTruth, Specimen, bollard_cap, make_specimen

# Small jobs that differ in modes: absolute and relative E, relative XYZ, hops, objects one after another.
JOBS = [
    ("e-absolute", 3),
    ("all-relative", 1),
    ("z-hop", 7),
    ("sequential", 3),
    ("e-reset-each-layer", 7),
]


@cache
def good(kind: str, seed: int) -> tuple[Specimen, Read]:
    """A specimen and its reading."""
    specimen = make_specimen(kind, seed, style="plain")
    return specimen, read_specimen(specimen)


@dataclass
class Pair:
    """A good job and the same job damaged, both read."""

    specimen: Specimen
    good: Read
    done: Damaged
    bad: Read

    def layer(self, n: int = 0) -> LayerTruth:
        """The n-th layer that the damage names."""
        return self.specimen.truth.layers[self.done.layers[n]]


def damaged(damage: str, kind: str, seed: int, *, damage_seed: int = 3) -> Pair:
    """Damage a job and read the result; skips the test where the job cannot be damaged so."""
    specimen, read = good(kind, seed)
    try:
        done = apply_damage(damage, specimen, damage_seed)
    except DamageNotPossibleError as why:
        pytest.skip(str(why))
    return Pair(specimen, read, done, read_specimen(replace(specimen, text=done.text)))


def at_height(beads: list[ReadBead], layer: LayerTruth) -> list[ReadBead]:
    """Beads at the height of a layer, within its box."""
    x0, y0, x1, y1 = layer.box_mm
    return [
        b
        for b in beads
        if abs(b.z - layer.z_mm) < 1e-6
        and x0 - 0.01 <= b.points[-1][0] <= x1 + 0.01
        and y0 - 0.01 <= b.points[-1][1] <= y1 + 0.01
    ]


def filament(beads: list[ReadBead]) -> float:
    """Filament of beads, mm."""
    return sum(b.filament for b in beads)


def rest_is_unchanged(pair: Pair) -> None:
    """Every bead outside the named layers is where it was, with what it carried."""
    named = [pair.specimen.truth.layers[i].z_mm for i in pair.done.layers]

    def others(beads: list[ReadBead]) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        outside = [b for b in beads if all(abs(b.z - z) > 1e-6 for z in named)]
        return np.array([(*b.points[0], *b.points[-1], b.z, 10 * b.filament) for b in outside])

    was, now = others(pair.good.beads), others(pair.bad.beads)
    assert was.shape == now.shape
    # Rounded to the decimals of the words, 0.001 mm and 0.00001 mm of filament; relative steps may add two of them.
    assert np.abs(was - now).max() < 2.1e-3
    assert pair.bad.debt == pytest.approx(pair.good.debt, abs=1e-3)


each_job = pytest.mark.parametrize(("kind", "seed"), JOBS, ids=[k for k, _ in JOBS])


@each_job
@pytest.mark.parametrize("damage", ["layer-lost", "two-layers-lost"])
def test_lost_layers_lay_nothing_and_the_rest_is_as_it_was(damage: str, kind: str, seed: int) -> None:
    """No bead is left in the named layers; places, filament and debt of all others are unchanged."""
    pair = damaged(damage, kind, seed)
    assert len(pair.done.layers) == (2 if damage == "two-layers-lost" else 1)
    for n in range(len(pair.done.layers)):
        assert not at_height(pair.bad.beads, pair.layer(n)) or kind == "sequential"
        assert (
            len(at_height(pair.good.beads, pair.layer(n))) - len(at_height(pair.bad.beads, pair.layer(n)))
            >= pair.layer(n).beads
        )
    lost = sum(pair.layer(n).filament_mm for n in range(len(pair.done.layers)))
    assert filament(pair.good.beads) - filament(pair.bad.beads) == pytest.approx(lost, abs=2e-3)
    if kind != "sequential":
        rest_is_unchanged(pair)


@each_job
def test_lines_of_a_layer_lost(kind: str, seed: int) -> None:
    """The text is shorter by exactly the lines behind the layer's move of Z; an absolute counter keeps the filament."""
    pair = damaged("layer-lines-lost", kind, seed)
    layer = pair.layer()
    before, after = pair.specimen.text.split(b"\n"), pair.done.text.split(b"\n")
    assert after == before[: layer.z_line] + before[layer.last_line :]
    if not pair.specimen.truth.flags & {"e-relative", "reset-e"}:
        counters = [
            re.findall(rb"^G1 .*E([\d.]+)", text, re.MULTILINE)[-1] for text in (pair.specimen.text, pair.done.text)
        ]
        assert counters[0] == counters[1]


@each_job
@pytest.mark.parametrize("damage", ["half-layer-lost", "region-lost"])
def test_part_of_a_layer_lost(damage: str, kind: str, seed: int) -> None:
    """The layer's path is shorter by the share that the damage names, within 1 mm; the rest is unchanged."""
    pair = damaged(damage, kind, seed)
    layer = pair.layer()
    missing = sum(b.length for b in at_height(pair.good.beads, layer)) - sum(
        b.length for b in at_height(pair.bad.beads, layer)
    )
    assert missing == pytest.approx(pair.done.size["path_mm"], abs=1.0)
    assert missing / layer.path_mm == pytest.approx(pair.done.size["share"], abs=0.02)
    assert 0.15 < pair.done.size["share"] < 0.75
    rest_is_unchanged(pair)


@each_job
@pytest.mark.parametrize(
    ("damage", "factor"),
    [
        ("layer-starved-80", 0.8),
        ("layer-starved-60", 0.6),
        ("layer-starved-30", 0.3),
        ("layers-starved-30", 0.3),
        ("layer-dry", 0.0),
    ],
)
def test_starved_layers_carry_their_share(damage: str, factor: float, kind: str, seed: int) -> None:
    """Filament of the named layers is the factor times what it was, within 1 %; the way and the rest are unchanged."""
    pair = damaged(damage, kind, seed)
    if kind == "sequential":
        was = filament(pair.good.beads) - filament(pair.bad.beads)
        expected = (1 - factor) * sum(pair.layer(n).filament_mm for n in range(len(pair.done.layers)))
        assert was == pytest.approx(expected, rel=0.01)
        return
    for n in range(len(pair.done.layers)):
        layer = pair.layer(n)
        assert filament(at_height(pair.bad.beads, layer)) == pytest.approx(
            factor * layer.filament_mm, rel=0.01, abs=1e-3
        )
        moved = sum(math.dist(p[:2], q[:2]) for line, p, q, _ in pair.bad.moves if abs(q[2] - layer.z_mm) < 1e-6)
        assert moved >= 0.99 * layer.path_mm
    rest_is_unchanged(pair)


@each_job
def test_shifted_layers_lie_aside_by_what_is_said(kind: str, seed: int) -> None:
    """Every bead from the named layer on ends dx and dy aside to 0.01 mm, those before where they were."""
    pair = damaged("layers-shifted", kind, seed)
    dx, dy = pair.done.size["dx_mm"], pair.done.size["dy_mm"]
    assert 0.5 <= math.hypot(dx, dy) <= 12.1
    assert pair.done.size["shift_mm"] == pytest.approx(math.hypot(dx, dy))
    assert len(pair.good.beads) == len(pair.bad.beads)
    layer = pair.layer()
    last = pair.specimen.truth.layers[-1].last_line
    for a, b in zip(pair.good.beads, pair.bad.beads, strict=True):
        moved = layer.z_line <= a.line <= last
        for end in (0, -1):
            expected = (a.points[end][0] + dx * moved, a.points[end][1] + dy * moved)
            assert b.points[end] == pytest.approx(expected, abs=0.01)
        assert b.filament == pytest.approx(a.filament, abs=1e-4)


def test_lost_move_of_z() -> None:
    """The named layer's height is gone, its beads lie at the height of the one below."""
    pair = damaged("z-move-lost", "plate-sparse", 1)
    layer, below = pair.layer(), pair.specimen.truth.layers[pair.done.layers[0] - 1]
    assert not [b for b in pair.bad.beads if abs(b.z - layer.z_mm) < 1e-6]
    assert len(at_height(pair.bad.beads, below)) == layer.beads + below.beads


@each_job
def test_stray_bead(kind: str, seed: int) -> None:
    """One bead more, of the length that is said, outside the part; all others are where they were with what they carried."""
    pair = damaged("stray-bead", kind, seed)
    x1 = pair.specimen.truth.box_mm[2]
    stray = [b for b in pair.bad.beads if b.points[-1][0] > x1 + 5]
    assert len(stray) == 1
    assert stray[0].length == pytest.approx(pair.done.size["length_mm"], abs=0.01)
    assert stray[0].z > 1.0
    assert pair.done.lines is not None
    assert pair.done.lines[0] <= stray[0].line <= pair.done.lines[1]
    others = [b for b in pair.bad.beads if b is not stray[0]]
    was, now = (np.array([(*b.points[-1], 10 * b.filament) for b in beads]) for beads in (pair.good.beads, others))
    assert np.abs(was - now).max() < 2.1e-3
    layer = pair.layer()
    assert stray[0].filament / stray[0].length == pytest.approx(layer.filament_mm / layer.path_mm, rel=0.5)


@each_job
def test_blob(kind: str, seed: int) -> None:
    """One bead carries the volume that is said too much, at the line that is said."""
    pair = damaged("blob", kind, seed)
    area = math.pi * 1.75**2 / 4
    more = [(a, b) for a, b in zip(pair.good.beads, pair.bad.beads, strict=True) if abs(a.filament - b.filament) > 1e-3]
    assert len(more) == 1
    assert (more[0][1].filament - more[0][0].filament) * area == pytest.approx(pair.done.size["excess_mm3"], rel=1e-3)
    assert pair.done.lines == (more[0][1].line, more[0][1].line)


@each_job
def test_plunge(kind: str, seed: int) -> None:
    """A move passes below the top of the part by the depth that is said; nothing that is laid changes."""
    pair = damaged("plunge", kind, seed)
    assert deepest_travel(pair.good, pair.specimen.truth.box_mm) < 0.01
    assert deepest_travel(pair.bad, pair.specimen.truth.box_mm) == pytest.approx(pair.done.size["depth_mm"], abs=0.01)
    assert len(pair.bad.beads) == len(pair.good.beads)
    assert filament(pair.bad.beads) == pytest.approx(filament(pair.good.beads), abs=1e-3)
    assert not pair.done.changes_part


@pytest.mark.parametrize("kind", ["plate-sparse", "e-relative", "e-reset-each-layer"])
def test_unpaid_retraction(kind: str) -> None:
    """The job lays less by exactly the length that was pulled back and not paid."""
    pair = damaged("retraction-unpaid", kind, 1)
    lost = filament(pair.good.beads) - filament(pair.bad.beads)
    assert lost == pytest.approx(pair.done.size["debt_units"], abs=1e-3)


def test_unpaid_firmware_retraction() -> None:
    """One G11 less than G10."""
    specimen = make_specimen("retract-firmware", 1, style="plain")
    text = apply_damage("retraction-unpaid", specimen, 1).text
    assert specimen.text.count(b"G11\n") - text.count(b"G11\n") == 1
    assert specimen.text.count(b"G10\n") == text.count(b"G10\n")


@each_job
def test_swapped_lines(kind: str, seed: int) -> None:
    """The same lines, exactly two of them in each other's place, those that are said."""
    pair = damaged("lines-swapped", kind, seed)
    a, b = pair.specimen.text.split(b"\n"), pair.done.text.split(b"\n")
    differing = [i for i, (p, q) in enumerate(zip(a, b, strict=True), 1) if p != q]
    assert differing == list(pair.done.lines or ())
    assert sorted(a) == sorted(b)


def test_turned_arc() -> None:
    """One G3 became G2, nothing else; the part changes."""
    specimen = make_specimen("tube-arcs", 1, style="plain")
    done = apply_damage("arc-turned", specimen, 1)
    a, b = specimen.text.split(b"\n"), done.text.split(b"\n")
    differing = [(p, q) for p, q in zip(a, b, strict=True) if p != q]
    assert [q.replace(b"G2", b"G3") for _, q in differing] == [p for p, _ in differing]
    assert len(differing) == 1
    assert done.changes_part


def test_commands_slipped_in() -> None:
    """The line that is said holds a command of the list (facts 1.4), every other line is as it was."""
    specimen, _ = good("plate-sparse", 1)
    seen = set()
    for seed in range(8):
        for damage, commands in (("forbidden-command", FORBIDDEN), ("settings-changed", SETTINGS)):
            done = apply_damage(damage, specimen, seed)
            assert done.lines is not None
            lines = done.text.decode().split("\n")
            assert lines.pop(done.lines[0] - 1) in commands
            assert "\n".join(lines).encode() == specimen.text
            seen.add(done.what)
    assert len(seen) > 8


def codes(read: Read, *wanted: str) -> list[tuple[str, dict[str, float]]]:
    """Commands of these codes, in order."""
    return [(code, words) for _, code, words in read.commands if code in wanted]


def test_heat_damages() -> None:
    """Heat missing, not waited for, too high, cut off, left on: read back as commands."""
    kind, seed = "plate-sparse", 1
    assert codes(good(kind, seed)[1], "M109") != []
    assert codes(damaged("heat-missing", kind, seed).bad, "M104", "M109", "M140", "M190") == [
        ("M104", {"S": 0.0}),
        ("M140", {"S": 0.0}),
    ]
    waits = damaged("heat-wait-missing", kind, seed)
    assert codes(waits.bad, "M109") == []
    assert ("M104", {"S": float(waits.specimen.truth.nozzle_c or 0)}) in codes(waits.bad, "M104")
    high = damaged("heat-too-high", kind, seed)
    assert codes(high.bad, "M109")[0][1]["S"] == (high.specimen.truth.nozzle_c or 0) + high.done.size["more_c"]
    cut = damaged("heat-cut-off", kind, seed)
    assert codes(cut.bad, "M104").count(("M104", {"S": 0.0})) == 2
    for n in range(6):
        left = damaged("heater-left-on", kind, seed, damage_seed=n)
        assert len(codes(left.bad, "M104", "M140")) < len(codes(left.good, "M104", "M140"))


def test_whole_job_damages() -> None:
    """Off the bed, other origin, other filament, twice, homing gone, E mode gone: read back."""
    kind, seed = "e-relative", 8
    for n in range(4):
        off = damaged("moved-off-bed", kind, seed, damage_seed=n)
        ends = [b.points[-1] for b in off.bad.beads]
        assert any(not (0 <= x <= 220 and 0 <= y <= 220) for x, y in ends)
        places = [np.array([(*b.points[0], *b.points[-1]) for b in read.beads]) for read in (off.good, off.bad)]
        shift = np.array([off.done.size["dx_mm"], off.done.size["dy_mm"]] * 2)
        assert np.abs(places[0] + shift - places[1]).max() < 2.1e-3
        assert off.bad.beads[-1].filament == pytest.approx(off.good.beads[-1].filament, abs=1e-4)
    origin = damaged("other-machine-origin", kind, seed)
    assert min(b.points[-1][0] for b in origin.bad.beads) < 0
    thick = damaged("other-machine-filament", kind, seed)
    assert filament(thick.bad.beads) / filament(thick.good.beads) == pytest.approx((1.75 / 2.85) ** 2, rel=1e-3)
    twice = damaged("two-jobs", kind, seed)
    # What the first job pulled back at its end, the second one lays less.
    expected = 2 * filament(twice.good.beads) - twice.specimen.truth.final_debt_mm
    assert filament(twice.bad.beads) == pytest.approx(expected, abs=2e-3)
    assert len(codes(twice.bad, "G28")) == 2
    assert codes(damaged("homing-missing", kind, seed).bad, "G28") == []
    mode = damaged("e-mode-missing", kind, seed)
    assert codes(mode.bad, "M82", "M83") == []
    assert mode.done.changes_part
    claim = damaged("claim-wrong", kind, seed)
    assert f"= {claim.done.size['claimed']:.0f}".encode() in claim.done.text
    assert claim.done.size["claimed"] > len(claim.specimen.truth.layers) == claim.done.size["layers"]


def test_missing_object() -> None:
    """The filament of one object is gone, everything else is as it was."""
    pair = damaged("object-missing", "sequential", 3)
    names = {pair.specimen.truth.layers[i].object_name for i in pair.done.layers}
    assert len(names) == 1
    gone = sum(layer.filament_mm for layer in pair.specimen.truth.layers if layer.object_name in names)
    assert filament(pair.good.beads) - filament(pair.bad.beads) == pytest.approx(gone, abs=2e-3)
    assert pair.bad.debt == pytest.approx(pair.good.debt, abs=1e-3)


def test_block_damages() -> None:
    """Blocks of a storage: whole blocks at whole offsets, lost, twice, zero, noise, byte by byte."""
    specimen, _ = good("e-relative", 8)
    text = specimen.text
    sizes = set()
    for seed in range(12):
        lost = apply_damage("block-lost", specimen, seed)
        size, at = int(lost.size["bytes"]), int(lost.size["offset_bytes"])
        sizes.add(size)
        assert size in BLOCKS
        assert at % size == 0
        assert lost.text == text[:at] + text[at + size :]
    assert len(sizes) > 2
    twice = apply_damage("block-repeated", specimen, 1)
    size, at = int(twice.size["bytes"]), int(twice.size["offset_bytes"])
    assert len(twice.text) == len(text)
    assert twice.text[at : at + size] == text[at - size : at]
    sent = apply_damage("block-inserted", specimen, 1)
    size, at = int(sent.size["bytes"]), int(sent.size["offset_bytes"])
    assert sent.text[:at] + sent.text[at + size :] == text
    zero = apply_damage("block-zeroed", specimen, 1)
    size, at = int(zero.size["bytes"]), int(zero.size["offset_bytes"])
    assert zero.text[at : at + size] == bytes(size)
    noise = apply_damage("block-noise", specimen, 1)
    size, at = int(noise.size["bytes"]), int(noise.size["offset_bytes"])
    assert len(set(noise.text[at : at + size])) > 100
    assert noise.text[:at] + noise.text[at + size :] == text[:at] + text[at + size :]


@pytest.mark.parametrize("kind", ["plate-sparse", "all-relative"])
def test_single_byte_damages(kind: str) -> None:
    """One bit, one digit, one point, one line end: exactly that, at the byte that is said."""
    specimen, _ = good(kind, 1)
    text = specimen.text
    for seed in range(4):
        flipped = apply_damage("bit-flipped", specimen, seed)
        wrong = [(a, b) for a, b in zip(text, flipped.text, strict=True) if a != b]
        assert len(wrong) == 1
        assert (wrong[0][0] ^ wrong[0][1]).bit_count() == 1
        for damage, characters in (("digit-gone", b"0123456789"), ("point-gone", b"."), ("line-end-gone", b"\n")):
            done = apply_damage(damage, specimen, seed)
            at = int(done.size["offset_bytes"])
            assert text[at] in characters
            assert done.text == text[:at] + text[at + 1 :]
        changed = apply_damage("digit-changed", specimen, seed)
        at = int(changed.size["offset_bytes"])
        assert chr(text[at]).isdigit()
        assert chr(changed.text[at]).isdigit()
        assert changed.text != text
        assert changed.text[:at] + changed.text[at + 1 :] == text[:at] + text[at + 1 :]
        cut = apply_damage("truncated", specimen, seed)
        assert text.startswith(cut.text)
        assert len(cut.text) == int(cut.size["bytes_left"]) < len(text)


def test_the_list_is_long_enough_and_every_damage_can_be_done() -> None:
    """At least 25 damages, each with a sentence and a group; each can be done to one of four jobs and changes the text."""
    assert len(DAMAGE_KINDS) >= 25
    assert set(DAMAGE_GROUPS) == set(DAMAGE_KINDS)
    assert set(NOT_ALWAYS_VISIBLE) < set(DAMAGE_KINDS)
    assert all(what.endswith(".") for what in DAMAGE_KINDS.values())
    done: set[str] = set()
    for kind, seed in (("sequential", 3), ("tube-arcs", 1)):
        specimen = good(kind, seed)[0]
        for name, result in possible_damages(specimen, 2).items():
            assert result.text != specimen.text
            assert result.changes_part == (result.changed_mm3 > BEAD_MM3)
            done.add(name)
    assert done == set(DAMAGE_KINDS)


def test_place_is_where_the_texts_begin_to_differ() -> None:
    """The first line that differs lies within two lines of the range that is said, for every damage that has a place."""
    specimen, _ = good("e-relative", 8)
    for name, done in possible_damages(specimen, 4).items():
        if done.lines is None:
            continue
        a, b = specimen.text.split(b"\n"), done.text.split(b"\n")
        first = next((i for i, (p, q) in enumerate(zip(a, b, strict=False), 1) if p != q), len(b))
        assert done.lines[0] - 2 <= first <= done.lines[1] + 2, name
        assert 1 <= done.lines[0] <= done.lines[1] <= len(b) + 1, name


def test_the_same_seed_damages_the_same_place_and_others_elsewhere() -> None:
    """Damage depends on kind, job and seed alone."""
    specimen, _ = good("plate-sparse", 1)
    assert apply_damage("layer-lost", specimen, 1) == apply_damage("layer-lost", specimen, 1)
    assert len({apply_damage("blob", specimen, seed).text for seed in range(6)}) == 6


def test_changed_volume_agrees_with_the_plain_reader() -> None:
    """What a lost layer changes is its volume; a command changes nothing."""
    pair = damaged("layer-lost", "plate-sparse", 1)
    assert pair.done.changed_mm3 == pytest.approx(pair.layer().volume_mm3, rel=0.01)
    assert pair.done.changes_part
    assert not damaged("settings-changed", "plate-sparse", 1).done.changes_part


def test_numbered_jobs_stay_rightly_numbered_where_a_generator_is_at_fault() -> None:
    """Faults of a generator leave numbers and checksums right (the reader checks them), lost lines do not."""
    specimen = make_specimen("e-absolute", 1, style="numbered")
    for damage in (
        "layer-lost",
        "layer-starved-60",
        "stray-bead",
        "layers-shifted",
        "heat-missing",
        "forbidden-command",
    ):
        read_specimen(replace(specimen, text=apply_damage(damage, specimen, 1).text))
    with pytest.raises(AssertionError):
        read_specimen(replace(specimen, text=apply_damage("layer-lines-lost", specimen, 1).text))


def test_a_job_of_unknown_origin_is_damaged_by_a_scan_alone() -> None:
    """Without truth, the layers are found in the text: the same layer is lost as the truth would say."""
    cap = bollard_cap()
    done = apply_damage_to_text("layer-lost", cap.text, 5)
    bad = read_specimen(replace(cap, text=done.text))
    z = done.z_mm
    assert z is not None
    assert not [b for b in bad.beads if abs(b.z - z[0]) < 1e-6]
    assert len({round(b.z, 3) for b in bad.beads}) == len({round(b.z, 3) for b in read_specimen(cap).beads}) - 1


@pytest.mark.parametrize("text", [b"", b"\n", b"hello\n", b"G28\nG1 X10 F600\nM84\n", b"\x00\xff\n" * 40])
def test_texts_that_are_no_jobs_give_a_clear_error(text: bytes) -> None:
    """Every damage either refuses with a reason or changes the bytes; nothing else is raised."""
    for kind in DAMAGE_KINDS:
        with contextlib.suppress(DamageNotPossibleError):
            assert apply_damage_to_text(kind, text, 1).text != text


def test_an_unknown_damage_is_refused_by_name() -> None:
    """The error names the damages there are."""
    with pytest.raises(KeyError, match="layer-lost"):
        apply_damage_to_text("rust", b"", 1)
