"""Verdicts: what stands in the way, what a release takes out of it, and what a verdict belongs to."""

import json
from pathlib import Path
from typing import Any

import pytest

from layergate.jobs import verdict
from layergate.jobs.store import Waiver
from layergate.jobs.verdict import Report, ReportError, not_waived, read_report, rules_digest, verdict_key


def _finding(
    rule: str = "missing-layer", severity: str = "block", releasable: bool = True, layer: int = 3
) -> dict[str, Any]:
    where = {"layer": layer, "z_mm": [0.4, 0.6], "lines": [10, 20], "box_mm": None}
    return {"rule": rule, "severity": severity, "releasable": releasable, "message": "m", "advice": "a", "where": where}


def _report(*findings: dict[str, Any], verdict: str = "block") -> Report:
    raw = {"verdict": verdict, "job": {"sha256": "0" * 64}, "coverage": {"judged": 5, "rules": 7}, "findings": findings}
    return Report.model_validate(json.loads(json.dumps(raw)))


def _waiver(rule: str, place: str) -> Waiver:
    return Waiver("0" * 64, rule, place, "Maren", "seen", "2026-01-01T00:00:00Z")


def test_a_waiver_takes_out_its_rule_at_its_place_only() -> None:
    """The release of layer 3 does not release the same finding in layer 4, nor another rule in layer 3."""
    report = _report(_finding(layer=3), _finding(layer=4), _finding("starved-layer", layer=3))
    left = not_waived(report, [_waiver("missing-layer", "layer 3, lines 10-20")])
    assert [(finding.rule, finding.where.layer) for finding in left] == [("missing-layer", 4), ("starved-layer", 3)]


def test_what_can_not_be_released_never_counts_as_released() -> None:
    """A waiver in the journal, however it came there, does not let a finding pass that can't be released."""
    report = _report(_finding(releasable=False))
    assert len(not_waived(report, [_waiver("missing-layer", "layer 3, lines 10-20")])) == 1


def test_notes_stand_in_nobodys_way() -> None:
    """A clear report with notes leaves nothing to release."""
    assert not_waived(_report(_finding(severity="note"), verdict="clear"), []) == ()


def test_a_hold_without_a_finding_stands_in_the_way_all_the_same() -> None:
    """A verdict that is not clear, though no finding says so, stops the job; a block of that kind can't be released."""
    (held,) = not_waived(_report(verdict="hold"), [])
    assert held.releasable
    assert not_waived(_report(verdict="hold"), [_waiver("verdict", "layer -, lines 0-0")]) == ()
    (blocked,) = not_waived(_report(verdict="block"), [])
    assert not blocked.releasable


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "null",
        '{"verdict": "clear"}',
        '{"verdict": "safe", "job": {"sha256": "0"}, "coverage": {}}',
        "\udcff",
    ],
)
def test_a_report_that_lacks_something_is_no_report(tmp_path: Path, text: str) -> None:
    """Whatever is not whole, or has a verdict of its own, is refused."""
    path = tmp_path / "report.json"
    path.write_bytes(text.encode(errors="surrogateescape"))
    with pytest.raises(ReportError):
        read_report(path)


def test_a_report_that_is_not_there_is_told(tmp_path: Path) -> None:
    """A missing report is told by its path."""
    with pytest.raises(ReportError, match=r"report\.json can't be read"):
        read_report(tmp_path / "report.json")


def test_the_rule_set_is_named_by_its_content(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A changed rule, a new rule, or another version of a plug-in is another rule set; the same content is the same."""
    package = tmp_path / "harbour_rules"
    package.mkdir()
    (package / "__init__.py").write_text("", encoding="utf-8")
    rule = package / "missing_layer.py"
    rule.write_text("LIMIT = 1\n", encoding="utf-8")
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.setattr(verdict, "_JUDGING_PACKAGES", ("harbour_rules",))
    first = rules_digest()
    assert rules_digest() == first
    rule.write_text("LIMIT = 20\n", encoding="utf-8")
    second = rules_digest()
    assert second != first
    (package / "another.py").write_text("", encoding="utf-8")
    third = rules_digest()
    assert third not in {first, second}
    assert rules_digest(["pytest"]) not in {first, second, third, rules_digest(["no-such-distribution"])}


def test_our_own_rule_set_is_found_without_importing_it() -> None:
    """The packages that judge are found where they are; their digest is not that of nothing."""
    assert rules_digest() != verdict._digest_of((), ())


def test_each_part_makes_another_verdict() -> None:
    """Job, description and rule set each change what a verdict belongs to."""
    keys = {verdict_key(*parts) for parts in (("a", "b", "c"), ("x", "b", "c"), ("a", "x", "c"), ("a", "b", "x"))}
    assert len(keys) == 4
