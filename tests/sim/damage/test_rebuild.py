"""A job written again without changes is the same job, byte for byte; what a change leaves alone stays right."""

import pytest
from tests.sim.specimens.plain_reader import ReadBead, read_specimen

from layergate_sim.damage.rebuild import Edits, rebuild, renumber, set_word
from layergate_sim.damage.scan import scan_job, words_of
from layergate_sim.specimens import SPECIMEN_KINDS, STYLES, make_specimen


@pytest.mark.parametrize("kind", sorted(SPECIMEN_KINDS)[::2])
def test_nothing_changed_gives_the_same_bytes(kind: str) -> None:
    """No line of a job of any kind is touched where nothing was asked for, and the scan lays what the truth says."""
    specimen = make_specimen(kind, 8)
    scan = scan_job(specimen.text, filament_mm=specimen.truth.filament_diameter_mm)
    assert scan.text(rebuild(scan, Edits()).raw) == specimen.text
    if "no-e" not in specimen.truth.flags:
        assert sum(line.mm3 for line in scan.lines if line.bead) == pytest.approx(specimen.truth.volume_mm3, rel=1e-4)


@pytest.mark.parametrize(
    "kind", ["e-absolute", "all-relative", "retract-firmware", "wipe-and-hop", "inches", "volumetric", "two-tools"]
)
def test_beads_left_out_leave_the_others_as_they_were(kind: str) -> None:
    """Each third bead of a layer gone: every other bead keeps its place and its filament, in every mode."""
    specimen = make_specimen(kind, 8)
    scan = scan_job(specimen.text)
    layer = specimen.truth.layers[5]
    beads = [i for i in range(layer.first_line - 1, layer.last_line) if scan.lines[i].bead]
    gone = set(beads[1::3])
    made = rebuild(scan, Edits(drop=gone))
    good = read_specimen(specimen)
    bad = read_specimen(type(specimen)(specimen.name, scan.text(made.raw), specimen.truth))

    def key(bead: ReadBead) -> tuple[float, ...]:
        (x0, y0), (x1, y1) = bead.points[0], bead.points[-1]
        return tuple(round(v, 2) for v in (x0, y0, x1, y1, bead.z, bead.filament))

    left = [key(b) for b in good.beads if b.line - 1 not in gone]
    found = [key(b) for b in bad.beads]
    assert len(found) == len(left)
    for a, b in zip(found, left, strict=True):
        assert a == pytest.approx(b, abs=0.011)
    assert bad.debt == pytest.approx(good.debt, abs=1e-3)


@pytest.mark.parametrize(
    ("raw", "letter", "value", "expected"),
    [
        ("G1 X1.5 Y2 E0.3 ; X9", "X", 7.25, "G1 X7.250 Y2 E0.3 ; X9"),
        ("G1X1.5Y2.5E0.3", "Y", -1, "G1X1.5Y-1.000E0.3"),
        ("g1 x1 (y5) y2", "Y", 3, "g1 x1 (y5) y3.000"),
        ("G0 X1 ; over", "Z", 2, "G0 X1 Z2.000 ; over"),
        ("g0 x1", "Z", 2, "g0 x1 z2.000"),
    ],
)
def test_words_are_set_in_place(raw: str, letter: str, value: float, expected: str) -> None:
    """Only the number of the word changes; comments are left alone; a missing word comes behind the others."""
    assert set_word(raw, letter, value, 3) == expected


def test_numbers_and_checksums_are_made_right() -> None:
    """Published lines of facts 1.1 (a public transcript) come out with their published checksums."""
    lines = ["N1 G28*18", "N9 T0*0", "N3 G92 E0*0", "N2 M107*0"]
    assert renumber(lines)[0] == "N1 G28*18"
    assert renumber(["N1 G28*18", "N7 G28*17"])[1] == "N2 G28*17"
    assert renumber(["G28", "G1 X1"]) == ["G28", "G1 X1"]


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        ("G92E0", [("G", 92.0), ("E", 0.0)]),
        ("G1X100E-2F1800", [("G", 1.0), ("X", 100.0), ("E", -2.0), ("F", 1800.0)]),
        ("G1 X1 E-1.29e-15", [("G", 1.0), ("X", 1.0), ("E", -1.29e-15)]),
        ("g1 x.5 e-.5", [("G", 1.0), ("X", 0.5), ("E", -0.5)]),
        ("N3 T0*57", [("N", 3.0), ("T", 0.0)]),
        ("G1 (X1) Y2 ; Z3", [("G", 1.0), ("Y", 2.0)]),
    ],
)
def test_words_are_read(raw: str, words: list[tuple[str, float]]) -> None:
    """Words without blanks, noise with an exponent, comments and checksums (forms seen in real jobs; facts 1.1, 2.1)."""
    assert words_of(raw) == words


@pytest.mark.parametrize("style", sorted(STYLES))
@pytest.mark.parametrize("kind", ["e-reset-each-layer", "all-relative"])
def test_every_style_is_read(kind: str, style: str) -> None:
    """The scan finds what the truth says in each way of writing, and a job written again stays as it was."""
    specimen = make_specimen(kind, 7, style=style)
    scan = scan_job(specimen.text)
    assert sum(line.mm3 for line in scan.lines if line.bead) == pytest.approx(specimen.truth.volume_mm3, rel=1e-4)
    assert scan.text(rebuild(scan, Edits()).raw) == specimen.text
