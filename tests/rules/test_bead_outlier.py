"""bead-outlier: wrong digits of E and of coordinates are found at their line; purges, flushes and towers are not."""

import pytest
from tests.rules.judged import MICRO, MICRO_LINES, findings, micro, why_not_applied

AREA = 0.0814159  # mm2: stadium of 0.45 x 0.2 mm (facts.md 3.1)
FILAMENT = 2.405282  # mm2: 1.75 mm filament (facts.md 3.1)


def relative_job(rings: int = 8, *, extra: dict[int, list[str]] | None = None) -> list[str]:
    """Rings of the micro-job in relative E; ``extra`` puts lines behind the ring of that number (from 1)."""
    lines = ["G21", "G90", "M83", "M109 S205", "G28"]
    for ring in range(1, rings + 1):
        lines += [f"G1 Z{0.2 * ring:.1f} F600", "G1 X10 Y10 F6000"]
        lines += [f"G1 {point} E0.67698 F3600" for point in ("X30 Y10", "X30 Y30", "X10 Y30", "X10 Y10")]
        lines += (extra or {}).get(ring, [])
    return [*lines, "M104 S0", "M84"]


def test_jump_of_e_after_lost_lines() -> None:
    """Mutation 1 of the micro-job (facts.md 11): lines 18 to 25 gone, so one edge carries 3.38488 mm; bead area x 5."""
    found = findings("\n".join(MICRO_LINES[:17] + MICRO_LINES[25:]), "bead-outlier")
    assert [(f.severity, f.where.lines, f.where.layer) for f in found] == [("block", (20, 20), 2)]
    assert found[0].evidence["area_ratio"] == pytest.approx(5.0, rel=0.01)
    assert found[0].evidence["bead_mm3"] == pytest.approx(3.38488 * FILAMENT, rel=1e-4)


def test_lost_decimal_point() -> None:
    """Mutation 7 of the micro-job (facts.md 11): E0.67698 became E067698, a push of 67.7 m."""
    found = findings(micro(replace={12: "G1 X30 Y10 E067698 F3600"}), "bead-outlier")
    assert ("block", (12, 12), pytest.approx(67698.0, rel=1e-4)) in [
        (f.severity, f.where.lines, f.evidence.get("push_mm")) for f in found
    ]


def test_blob_figures() -> None:
    """A bead of 5 mm with 10 mm3 too much is found with that figure within 5 %."""
    e = (AREA * 5 + 10) / FILAMENT
    job = relative_job(extra={4: [f"G1 X15 Y10 E{e:.5f}", "G1 X10 Y10 E0.16924"]})
    found = findings("\n".join(job), "bead-outlier")
    assert [(f.severity, f.where.layer) for f in found] == [("block", 4)]
    assert found[0].evidence["excess_mm3"] == pytest.approx(10.0, rel=0.05)
    assert found[0].evidence["length_mm"] == pytest.approx(5.0)


def test_what_pays_back_a_retraction_that_was_not_made() -> None:
    """5.5 mm of filament on the spot, 13.2 mm3 (facts.md 3.1), where a retraction's line is damaged; beside the part is a purge."""
    paid = ["G1 E-5.5", "G1 X20 Y20 F6000", "G1 E5.5"]
    lost = ["G1 U-5.5", "G1 X20 Y20 F6000", "G1 E5.5"]
    purge = ["G1 X40 Y20 F6000", "G1 E5.5"]
    (found,) = findings("\n".join(relative_job(extra={3: paid, 4: lost, 5: paid})), "bead-outlier")
    assert (found.severity, found.evidence["bead_mm3"]) == ("hold", pytest.approx(5.5 * FILAMENT, rel=1e-3))
    for good in (paid, purge):
        assert findings("\n".join(relative_job(extra={3: paid, 4: good, 5: paid})), "bead-outlier") == []


def test_a_lump_in_the_first_layer_lies_amid_usual_beads() -> None:
    """A bead of 5 mm with 10 mm3 too much, on the way from one corner to the next; a purge begins and ends with such."""
    e = (AREA * 5 + 10) / FILAMENT
    wrong = ["G1 X15 Y10 E0.16924", f"G1 X20 Y10 E{e:.5f}", "G1 X30 Y10 E0.33849", "G1 X30 Y30 E0.67698"]
    (found,) = findings("\n".join(relative_job(extra={1: wrong})), "bead-outlier")
    assert (found.severity, found.where.layer) == ("block", 1)
    assert found.evidence["excess_mm3"] == pytest.approx(10.0, rel=0.05)
    purge = ["G1 X5 Y5 F6000", f"G1 X10 Y5 E{e:.5f}", "G1 X15 Y5 E0.16924", f"G1 X20 Y5 E{e:.5f}"]
    assert findings("\n".join(relative_job(extra={1: purge})), "bead-outlier") == []


@pytest.mark.parametrize(
    ("words", "long_mm"),
    [(["G1 X10.01 Y10 E{e:.5f}"], 0.05), (["G1 E-2", "G1 X15 Y10 E{e2:.5f}", "G1 X10 Y10 E0.16924"], 5.0)],
)
def test_a_lump_that_has_no_cross_section(words: list[str], long_mm: float) -> None:
    """10 mm3 on a hundredth of a millimetre, and behind a retraction that the same line pays back."""
    e = (AREA * (long_mm if long_mm > 1 else 0) + 10) / FILAMENT
    extra = [word.format(e=e, e2=e + 2) for word in words]
    (found,) = findings("\n".join(relative_job(extra={4: extra})), "bead-outlier")
    assert (found.severity, found.where.layer) == ("block", 4)
    assert found.evidence["excess_mm3"] == pytest.approx(10.0, rel=0.05)
    assert found.evidence["length_mm"] == pytest.approx(long_mm)


@pytest.mark.parametrize(("e", "rings"), [(0.4, (4,)), (1.5, (2, 3, 4, 5, 6))])
def test_a_little_extra_on_the_spot_is_a_habit(e: float, rings: tuple[int, ...]) -> None:
    """Some restart with a millimetre of filament more, or push the same at one place layer after layer."""
    extra = {ring: [f"G1 X10.01 Y10 E{e}"] for ring in rings}
    assert findings("\n".join(relative_job(extra=extra)), "bead-outlier") == []


def test_a_line_that_names_where_the_nozzle_is_already_leaves_a_lump() -> None:
    """One edge stands twice and the next is gone: 0.67698 mm of filament for a whole edge are pushed on the spot."""
    job = relative_job()
    first = job.index("G1 X30 Y10 E0.67698 F3600", 30)
    job[first + 1] = job[first]
    found = findings("\n".join(job), "bead-outlier")
    assert [f.evidence["bead_mm3"] for f in found] == [pytest.approx(0.67698 * FILAMENT, rel=1e-4)]
    habit = relative_job(
        extra={ring: [f"G1 X{10 + ring} Y10 E0.034", f"G1 X{10 + ring} Y10 E0.4"] for ring in range(1, 10)}
    )
    assert findings("\n".join(habit), "bead-outlier") == []


def test_blob_on_an_arc() -> None:
    """An arc is one bead, however many chords it has."""
    job = relative_job(extra={4: ["G3 X30 Y10 I10 J0 E15"]})
    found = findings("\n".join(job), "bead-outlier")
    assert [f.evidence["length_mm"] for f in found] == [
        pytest.approx(31.4159, rel=1e-3)
    ]  # half a circle of radius 10 mm


def test_jumped_coordinate() -> None:
    """A coordinate that jumps for one bead and comes back draws two threads out of the part."""
    job = relative_job()
    at = job.index("G1 X30 Y30 E0.67698 F3600", 30)
    job[at] = "G1 X130 Y30 E0.67698 F3600"
    found = findings("\n".join(job), "bead-outlier")
    assert [(f.severity, f.where.lines) for f in found] == [("block", (at + 1, at + 1)), ("block", (at + 2, at + 2))]
    # 100 mm out along X and 20 along Y on the filament of 20 mm.
    assert found[0].evidence["length_mm"] == pytest.approx((100**2 + 20**2) ** 0.5, rel=1e-3)


def test_jumped_coordinate_that_the_next_line_does_not_name() -> None:
    """Y 10 became Y 160, and the line after it names X only: out, along and back, fed for a millimetre each way."""
    stray = ["G1 X10 Y160 E0.0338", "G1 X12 E0.0677", "G1 Y10 E0.0338"]
    found = findings("\n".join(relative_job(extra={4: stray})), "bead-outlier")
    assert {(f.severity, f.where.layer) for f in found} == {("block", 4)}
    assert {round(f.evidence["length_mm"]) for f in found} == {150}


def test_jumped_coordinate_after_a_thick_purge() -> None:
    """A purge at a height of its own makes all beads of the first layer look thin at first; only two are."""
    job = relative_job()
    job[5:5] = ["G1 Z0.1 F600", "G1 X5 Y5 F6000", "G1 X60 Y5 E60 F600"]
    assert findings("\n".join(job), "bead-outlier") == []
    at = job.index("G1 X30 Y30 E0.67698 F3600")
    job[at] = "G1 X130 Y30 E0.67698 F3600"
    found = findings("\n".join(job), "bead-outlier")
    assert [f.where.lines for f in found] == [(at + 1, at + 1), (at + 2, at + 2)]


@pytest.mark.parametrize(
    "lines",
    [
        ["T1", "G1 X12 Y10 E10", "G1 X10 Y10 E10"],  # flush after a change of tool
        ["M600", "G1 E80 F200"],
        ["G1 E100 F200"],  # flush standing still
    ],
)
def test_flushes_are_no_beads(lines: list[str]) -> None:
    """What is pushed after a change of filament, or standing still, is no bead of the part (common practice)."""
    assert findings("\n".join(relative_job(extra={4: lines})), "bead-outlier") == []


def test_purge_bucket() -> None:
    """A lump in the same place in several layers is a purge."""
    purge = ["G1 X80 Y80 F9000", "G1 X82 Y80 E5", "G1 X10 Y10 F9000"]
    assert findings("\n".join(relative_job(extra=dict.fromkeys((3, 4, 5, 6), purge))), "bead-outlier") == []
    assert len(findings("\n".join(relative_job(extra={4: purge})), "bead-outlier")) == 1


def test_purge_lines_in_front() -> None:
    """Purge lines push 4 to 6 mm of filament per mm of path (seen in real jobs), which is no fault."""
    job = relative_job()
    job[5:5] = ["G1 Z0.2", "G1 X5 Y5", "G1 X15 Y5 E50", "G1 X100 Y5 E12"]
    assert findings("\n".join(job), "bead-outlier") == []


def test_good_job_is_silent() -> None:
    """The reference micro-job (facts.md 11) has none."""
    assert findings(MICRO, "bead-outlier") == []


def test_no_flow_known() -> None:
    """A job that switches its extruder on and off says nothing of flow."""
    job = ["G28", "M101", *[f"G1 X{x} Y{y} Z0.3" for x, y in ((10, 10), (30, 10), (30, 30))], "M103"]
    assert "filament" in why_not_applied("\n".join(job), "bead-outlier")
