"""The report: its JSON against its own exported schema, its figures against the job, its text for people."""

import json
from hashlib import sha256

import jsonschema
import pytest
from tests.oracles.examination import BED_235, CHECKED_AT, description, report_of
from tests.oracles.micro_job import LINES, MICRO_JOB, before_line, job, with_line, without

from layergate.cli.report_text import duration, report_text
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
    """Layer, height, lines, figures, advice of each finding; what can't be released says so."""
    shown = report_text(report_of(without(*range(18, 26)), BED_235))
    assert "BLOCK  must not be printed" in shown
    assert "block: missing-layer (layer 2, Z 0.20 to 0.60 mm, lines 15 to 20)" in shown
    assert "figures: gap mm 0.4, usual gap mm 0.2" in shown
    assert "advice: " in shown
    assert "This can't be released." in report_text(report_of(JOBS["cut"], BED_235))


def test_notes_are_one_line_unless_asked_for() -> None:
    """Notes are collapsed in every view (domain.md)."""
    report = report_of(before_line(12, "M204 S800"), BED_235)
    notes = [finding for finding in report.findings if finding.severity == "note"]
    assert notes
    assert f"{len(notes)} note" in report_text(report)
    assert notes[0].message[:30] not in report_text(report)
    assert notes[0].message[:30] in report_text(report, notes=True)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"), (59.4, "59 s"), (59.6, "1 min 0 s"), (3599, "59 min 59 s"), (3600, "1 h 0 min"), (90061, "25 h 1 min"),
    ],
)  # fmt: skip
def test_durations(seconds: float, text: str) -> None:
    """The two largest units that matter."""
    assert duration(seconds) == text
