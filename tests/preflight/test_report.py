"""The report: its JSON against its own exported schema, its figures against the job, its text for people."""

import json
from hashlib import sha256

import jsonschema
import pytest
from tests.oracles.examination import BED_235, CHECKED_AT, description, report_of
from tests.oracles.micro_job import LINES, MICRO_JOB, before_line, job, with_line, without

from layergate.cli.report_text import duration, figure, report_text
from layergate.preflight.findings import Report, report_schema, verdict_of

GOOD = MICRO_JOB.encode()
JOBS = {
    "good": GOOD, "missing": without(*range(18, 26)), "cut": job(LINES[:20]), "empty": b"", "prose": b"Dear harbour master,\n",
    "outside": with_line(12, "G1 X300 Y10 E0.67698 F3600"), "forbidden": before_line(12, "M502"), "bytes": GOOD + b"\x00" * 600,
    "binary": bytes(range(256)) * 20, "macros": b"START_PRINT\n" + GOOD, "crlf": GOOD.replace(b"\n", b"\r\n"),
    "no-heat": without(5, 7), "unread": before_line(12, "...", "G1 F{TRAVEL}"),
}  # fmt: skip


@pytest.mark.parametrize("name", JOBS)
def test_every_report_keeps_its_own_schema(name: str) -> None:
    """JSON without NaN, valid by the exported schema, and the same when read back."""
    report = report_of(JOBS[name], BED_235)
    text = report.model_dump_json()
    document = json.loads(text, parse_constant=lambda constant: pytest.fail(f"{constant} is no JSON"))
    schema = report_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(document)
    assert Report.model_validate_json(text) == report


@pytest.mark.parametrize(
    "change",
    [
        {"verdict": "fine"},
        {"schema_version": "2"},
        {"extra": 1},
        {"findings": [{}]},
        {"coverage": {"judged": "all", "rules": 1}},
    ],
)
def test_the_schema_refuses_what_is_no_report(change: dict[str, object]) -> None:
    """A schema that accepts anything would prove nothing (facts.md 6.7, trap found)."""
    document = json.loads(report_of(GOOD).model_dump_json()) | change
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, report_schema())


def test_members_are_those_of_the_contract() -> None:
    """architecture.md, "The JSON report": every member that it names is there."""
    document = json.loads(report_of(without(*range(18, 26)), BED_235).model_dump_json())
    assert {
        "schema_version",
        "tool_version",
        "rules_version",
        "printer_sha256",
        "checked_at",
        "job",
        "verdict",
        "coverage",
    } <= set(document)
    assert {"findings", "not_applied", "estimate", "layers"} <= set(document)
    assert set(document["job"]) == {"name", "sha256", "bytes", "lines"}
    assert set(document["coverage"]) == {"judged", "rules"}
    assert set(document["estimate"]) == {
        "print_seconds", "heating_seconds", "dwell_seconds", "filament_mm", "filament_g", "volume_mm3", "layers", "height_mm",
    }  # fmt: skip
    for finding in document["findings"]:
        assert set(finding) == {"rule", "severity", "releasable", "message", "advice", "where", "evidence"}
        assert set(finding["where"]) == {"layer", "z_mm", "lines", "box_mm"}


def test_the_job_is_named_by_its_bytes() -> None:
    """SHA-256, size and lines of exactly what was read."""
    report = report_of(GOOD, BED_235)
    assert (report.job.sha256, report.job.bytes, report.job.lines) == (sha256(GOOD).hexdigest(), 596, 37)
    assert report.checked_at == CHECKED_AT
    assert report.printer_sha256 == description(dict(BED_235)).sha256()


def test_coverage_counts_rules_that_judged() -> None:
    """What did not apply is listed with its reason, and counted out."""
    report = report_of(GOOD)
    assert report.coverage.judged + len(report.not_applied) == report.coverage.rules
    why = {item.rule: item.why for item in report.not_applied}
    assert "build_volume_mm" in why["outside-build-volume"]


def test_lines_that_were_not_understood_are_counted() -> None:
    """Kept, counted, named (issue 3)."""
    assert report_of(JOBS["unread"]).unread == {"unread": 2}


def test_verdicts_follow_the_strongest_finding() -> None:
    """Notes stop nothing, holds wait, blocks block; no findings are clear."""
    report = report_of(JOBS["outside"], BED_235)
    findings = report.findings
    assert verdict_of([]) == "clear"
    for severity, verdict in (("note", "clear"), ("hold", "hold"), ("block", "block")):
        changed = [findings[0].model_copy(update={"severity": severity})]
        assert verdict_of(changed) == verdict
    assert report.verdict == "block"


def test_text_begins_with_the_coverage_and_never_says_safe_or_good() -> None:
    """First line of every presentation (architecture.md, Verdicts)."""
    for name, text in JOBS.items():
        report = report_of(text, BED_235)
        shown = report_text(report, notes=True)
        assert shown.splitlines()[0] == f"test job: {report.coverage_line()}", name
        for word in ("safe", "good", "emergency"):
            assert word not in shown.lower().split(), name


def test_text_names_place_figures_and_advice() -> None:
    """Layer, height, lines, advice, figures with words before and units behind; what can't be released says so."""
    shown = report_text(report_of(without(*range(18, 26)), BED_235))
    assert "  block: missing-layer (layer 2, Z 0.20 to 0.60 mm, lines 15 to 20, X 10 to 30, Y 10 to 30 mm)\n" in shown
    assert "Figures: gap 0.4 mm, usual gap 0.2 mm" in shown
    assert "What to do: " in shown
    assert "truncated (layer 2, Z 0.40 mm, line 20), can't be released" in report_text(report_of(JOBS["cut"], BED_235))


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("good", "==== CLEAR: no rule found a fault ===="),
        ("missing", "==== BLOCK: must not be printed, unless a named person releases it ===="),
        ("no-heat", "==== HOLD: waits until a named person releases it ===="),
        ("cut", "==== BLOCK: must not be printed; nobody can release it ===="),
        ("binary", "==== BLOCK: must not be printed; nobody can release it ===="),
    ],
)
def test_the_second_line_is_the_verdict(name: str, line: str) -> None:
    """It stands out, and says whether anybody can let the job pass: one finding that nobody can release decides."""
    assert report_text(report_of(JOBS[name], BED_235)).splitlines()[1] == line


def test_notes_are_one_line_unless_asked_for() -> None:
    """Notes are collapsed in every view (domain.md)."""
    report = report_of(before_line(12, "M204 S800"), BED_235)
    notes = [finding for finding in report.findings if finding.severity == "note"]
    assert notes
    assert f"{len(notes)} note" in report_text(report)
    assert notes[0].message[:30] not in report_text(report)
    assert notes[0].message[:30] in report_text(report, notes=True)


def test_many_findings_of_one_rule_are_three_and_a_line() -> None:
    """The tenth place of the same fault tells nothing new; --notes shows them all, and the rest of the text stays."""
    report = report_of(without(*range(18, 26)), BED_235)
    finding = next(finding for finding in report.findings if finding.rule == "missing-layer")
    many = [finding.model_copy(update={"where": finding.where.model_copy(update={"layer": n})}) for n in range(2, 12)]
    shown = report_text(report.model_copy(update={"findings": many}))
    assert shown.count("block: missing-layer (") == 3
    assert "\n  and 7 more of missing-layer, layers 5 to 11 (--notes shows them)\n" in shown
    assert report_text(report.model_copy(update={"findings": many}), notes=True).count("block: missing-layer (") == 10


def test_rules_that_did_not_apply_are_counted_and_nothing_laid_lists_none() -> None:
    """Where nothing is laid, three rules of four have nothing to judge: a list of them hides what matters."""
    shown = report_text(report_of(GOOD))
    report = report_of(GOOD)
    assert f"{len(report.not_applied)} rules did not apply: " in " ".join(shown.split())
    assert "need more stated of the printer (--printer)" in " ".join(shown.split())
    for name in ("empty", "prose", "binary"):
        assert "did not apply" not in report_text(report_of(JOBS[name])), name
        assert "not applied: missing-layer: " in report_text(report_of(JOBS[name]), notes=True)


@pytest.mark.parametrize("width", [50, 72, 100])
def test_lines_fit_the_width(width: int) -> None:
    """Whatever stands in the job; names of rules are never cut at a hyphen."""
    for name, job_text in JOBS.items():
        report = report_of(job_text, BED_235)
        shown = report_text(report, notes=True, width=width)
        assert max(map(len, shown.splitlines())) <= width, name
        for item in report.not_applied:
            assert item.rule in shown


@pytest.mark.parametrize(
    ("text", "heating", "words"),
    [
        (GOOD, True, "of heating"),
        (b"START_PRINT\n" + without(4, 5, 6, 7), None, "heating unknown (a macro of the printer may heat)"),
        (without(4, 5, 6, 7), False, "no heating"),
    ],
    ids=["heats", "macro", "heats nothing"],
)
def test_heating_that_a_macro_may_do_is_unknown(text: bytes, heating: bool | None, words: str) -> None:
    """Unstated is not a default: null in the report, and words in the text, never "0 s of heating"."""
    report = report_of(text, BED_235)
    seconds = report.estimate.heating_seconds
    assert (None if seconds is None else seconds > 0) == heating
    assert words in " ".join(report_text(report).split())


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("gap_mm", 0.4, "gap 0.4 mm"), ("path_over_gap_mm", 1693.78, "path over gap 1,694 mm"),
        ("bead_area_mm2", 0.125665, "bead area 0.126 mm2"), ("highest_mm_s2", 1500, "highest 1,500 mm/s2"),
        ("flow_mm3_s", 12.345, "flow 12.35 mm3/s"), ("target_c", 218, "target 218 deg C"),
        ("hot_end_0_c", 205, "hot end 0 205 deg C"),
        ("retractions_in_10_mm", 45, "retractions in 10 mm 45"), ("needed_g", 250.25, "needed 250.2 g"),
        ("found_mm", 200.04, "found 200 mm"),
        ("found_over_claimed", 0.152519, "found over claimed 0.153"), ("shift_x_mm", -3.0, "shift x -3 mm"),
        ("first_byte", 65536, "first byte 65,536"), ("quickest_s", 4.5, "quickest 4.5 s"), ("gap_ratio", 2.0, "gap ratio 2"),
    ],
)  # fmt: skip
def test_figures(name: str, value: float, text: str) -> None:
    """Words, number, unit; as many digits as matter."""
    assert figure(name, value) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"), (59.4, "59 s"), (59.6, "1 min 0 s"), (3599, "59 min 59 s"), (3600, "1 h 0 min"), (90061, "25 h 1 min"),
    ],
)  # fmt: skip
def test_durations(seconds: float, text: str) -> None:
    """The two largest units that matter."""
    assert duration(seconds) == text
