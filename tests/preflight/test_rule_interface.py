"""The rule interface: what a rule may ask for, say and do wrong, and what then becomes of the verdict."""

import contextlib
import inspect
import io
import signal
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from pydantic import Field
from tests.oracles.examination import examined
from tests.oracles.micro_job import MICRO_JOB

from layergate.cputicks import cpu_ticks
from layergate.preflight.catalogue import LoadedRule
from layergate.preflight.examine import examine
from layergate.preflight.findings import Report
from layergate.preflight.rule import (
    Beads,
    Block,
    Findings,
    JobFacts,
    LayerMap,
    Limits,
    Moves,
    NotApplicableError,
    Rule,
    RuleError,
    Where,
    limits_from,
    needs,
)
from layergate.preflight.runner import MOST_FINDINGS, RuleRunner
from layergate.printer import UNSTATED, Printer

JOB = MICRO_JOB.encode()


class BollardLimits(Limits):
    most_rings: int = Field(2, description="rings a bollard may have (own choice)")


class TooManyRings(Rule):
    """What it looks for
    Bollards with too many rings.
    """

    identifier = "too-many-rings"
    severity = "hold"
    limits_model = BollardLimits

    def finish(self, layers: LayerMap) -> Findings:
        if len(layers) > self.limits.most_rings:
            yield self.finding(
                "Too many rings.", "Take some off.", evidence={"rings": len(layers)}, where=Where(layer=3)
            )


def loaded(*rules: type[Rule]) -> list[LoadedRule]:
    return [LoadedRule(rule, "harbour", "1.0") for rule in rules]


def judged(*rules: type[Rule], tables: dict[str, dict[str, Any]] | None = None) -> Report:
    return examined(JOB, None, tables, rules=loaded(*rules)).report


def rule_with(**methods: Callable[..., Any]) -> type[Rule]:
    """A rule of its own with these methods."""
    return type("Odd", (Rule,), {"__doc__": "A page.", "identifier": "odd-rule", "severity": "note", **methods})


def test_a_finding_carries_rule_severity_and_rounded_evidence() -> None:
    """What the rule says arrives whole, named by its identifier; its version stands in the report."""
    report = judged(TooManyRings)
    (finding,) = report.findings
    assert (finding.rule, finding.severity, finding.releasable) == ("too-many-rings", "hold", True)
    assert finding.evidence == {"rings": 3}
    assert finding.where.layer == 3
    assert report.verdict == "hold"
    assert report.rules == {"too-many-rings": "harbour 1.0"}
    assert report.coverage_line() == "1 of 1 rules could judge this job"


def test_limits_come_from_the_description() -> None:
    """A changed limit changes the verdict."""
    assert judged(TooManyRings, tables={"too-many-rings": {"most_rings": 3}}).verdict == "clear"


@pytest.mark.parametrize(
    ("severity", "verdict", "given"), [("block", "block", "block"), ("note", "clear", "note"), ("hold", "hold", "hold")]
)
def test_severity_comes_from_the_description(severity: str, verdict: str, given: str) -> None:
    """A setting makes a rule stronger or weaker; notes stop nothing."""
    report = judged(TooManyRings, tables={"too-many-rings": {"severity": severity}})
    assert report.verdict == verdict
    assert [finding.severity for finding in report.findings] == [given]


def test_a_rule_that_is_switched_off_is_listed_as_not_applied() -> None:
    """Off is not silent: the report says so, and coverage counts it."""
    report = judged(TooManyRings, tables={"too-many-rings": {"enabled": False}})
    assert report.verdict == "clear"
    assert [(item.rule, item.why) for item in report.not_applied] == [
        ("too-many-rings", "switched off in the printer description")
    ]
    assert (report.coverage.judged, report.coverage.rules) == (0, 1)


@pytest.mark.parametrize(
    ("tables", "mistakes"),
    [
        ({"too-few-rings": {}}, ["rules.too-few-rings: there is no such rule"]),
        ({"too-many-rings": {"most_ring": 3}}, ["rules.too-many-rings.most_ring: Extra inputs are not permitted"]),
        ({"too-many-rings": {"most_rings": "many"}}, ["rules.too-many-rings.most_rings: Input should be a valid integer"]),
        ({"too-many-rings": {"severity": "fatal"}}, ["rules.too-many-rings.severity: must be block, hold or note, got 'fatal'"]),
        ({"too-many-rings": {"enabled": "yes"}}, ["rules.too-many-rings.enabled: must be true or false, got 'yes'"]),
        (
            {"too-few-rings": {}, "too-many-rings": {"severity": "fatal", "most_ring": 3}},
            ["rules.too-few-rings: there", "rules.too-many-rings.severity: must", "rules.too-many-rings.most_ring: Extra"],
        ),
    ],
)  # fmt: skip
def test_wrong_settings_are_refused_with_every_mistake(tables: dict[str, dict[str, Any]], mistakes: list[str]) -> None:
    """Unknown rule, unknown limit, wrong type, wrong severity: all at once, each with its key."""
    with pytest.raises(RuleError) as error:
        judged(TooManyRings, tables=tables)
    for mistake in mistakes:
        assert mistake in str(error.value)


@pytest.mark.parametrize(
    ("members", "text"),
    [
        ({"finish": lambda self, layres: None}, "finish asks for layres; it may ask for heat, job, layers"),
        ({"each_moves": lambda self, layers: None}, "each_moves asks for layers"),
        ({}, "has none of the methods each_block, each_moves, each_layer, finish"),
        ({"identifier": "Odd Rule", "finish": lambda self: None}, "must be kebab-case words, got 'Odd Rule'"),
        ({"severity": "fatal", "finish": lambda self: None}, "severity must be block, hold or note"),
        ({"__doc__": "  ", "finish": lambda self: None}, "has no docstring, which is its page"),
    ],
)
def test_a_rule_that_is_no_rule_is_refused(members: dict[str, Any], text: str) -> None:
    """Signatures and names are checked before any job is read; the text names the rule and what it may do."""
    with pytest.raises(RuleError, match=text.split(";", maxsplit=1)[0]) as error:
        needs(rule_with(**members))
    assert text in str(error.value)


def crash(self: Rule, **_: Any) -> Findings:
    raise ZeroDivisionError("a ring of no length")


def crash_late(self: Rule, layers: LayerMap) -> Findings:
    yield self.finding("First finding.", "None.")
    raise KeyError("bollard")


@pytest.mark.parametrize("stage", ["each_block", "each_moves", "each_layer", "finish", "prepare"])
def test_a_crashing_rule_turns_the_verdict_into_hold_and_names_itself(stage: str) -> None:
    """Wherever it crashes: hold, its name, the error, and no other rule suffers."""

    def broken(self: Rule) -> Findings:
        raise ZeroDivisionError("a ring of no length")

    members = {stage: broken} | ({"finish": lambda self: ()} if stage == "prepare" else {})
    report = judged(rule_with(**members), TooManyRings)
    assert report.verdict == "hold"
    finding = next(finding for finding in report.findings if finding.rule == "odd-rule")
    assert finding.severity == "hold"
    assert (
        "The rule odd-rule (of harbour 1.0) failed and could not judge this job: ZeroDivisionError: a ring of no length"
        in finding.message
    )
    assert "test_rule_interface.py:" in finding.message
    assert (report.coverage.judged, report.coverage.rules) == (1, 2)
    assert any(finding.rule == "too-many-rings" for finding in report.findings)


def test_what_a_rule_found_before_it_crashed_stays() -> None:
    """A finding already given is not lost."""
    report = judged(rule_with(finish=crash_late))
    assert [finding.message[:13] for finding in report.findings if finding.severity == "note"] == ["First finding"]
    assert report.verdict == "hold"


def test_a_rule_that_overruns_is_stopped_and_turns_the_verdict_into_hold() -> None:
    """Time is measured by rule; one that takes too long is not asked again."""
    now = [0.0]
    asked: list[int] = []

    def slow(self: Rule, block: Block) -> Findings:
        asked.append(block.first_line)
        now[0] += 40.0
        return ()

    rule = rule_with(each_block=slow)
    from tests.oracles.examination import description

    from layergate.preflight.catalogue import settings_of

    runner = RuleRunner(loaded(rule), settings_of(loaded(rule), description()), Printer(), lambda: now[0])
    for line in (1, 2, 3):
        runner.run("each_block", {"block": Block(0, line, b"", b"", 1), "job": JobFacts("x")}, 0.0)
    assert asked == [1]
    (finding,) = runner.findings()
    assert finding.severity == "hold"
    assert "odd-rule (of harbour 1.0) took more than the 30 s of computing time allowed" in finding.message
    assert runner.not_applied.keys() == {"odd-rule"}


def test_waiting_is_no_overrun(monkeypatch: pytest.MonkeyPatch) -> None:
    """A loaded machine lets a rule wait, and no good job is held for that: by default time is what the process computes."""
    monkeypatch.setattr("layergate.preflight.runner.SECONDS_ALLOWED", 0.05)

    def waiting(self: Rule) -> Findings:
        time.sleep(0.2)
        return ()

    def working(self: Rule) -> Findings:
        end = time.process_time() + 0.1
        while time.process_time() < end:
            pass
        return ()

    assert judged(rule_with(finish=waiting)).verdict == "clear"
    assert judged(rule_with(finish=working)).verdict == "hold"


def test_a_rule_that_never_ends_is_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    """With ticks of CPU time, as the command and the worker have them; what catches every Exception does not escape it."""
    monkeypatch.setattr("layergate.preflight.runner.SECONDS_ALLOWED", 0.1)

    def finish(self: Rule) -> Findings:
        while True:
            with contextlib.suppress(Exception):  # as a careless rule does
                sum(range(1000))

    given = (io.BytesIO(JOB), "job", UNSTATED, loaded(rule_with(finish=finish), TooManyRings), "")
    before = signal.getsignal(signal.SIGPROF)
    report = examine(*given, ticks=cpu_ticks).report
    assert [finding.rule for finding in report.findings] == ["odd-rule", "too-many-rings"]
    assert "was stopped" in report.findings[0].message
    assert signal.getsignal(signal.SIGPROF) == before
    assert signal.getitimer(signal.ITIMER_PROF) == (0.0, 0.0)


def test_a_crash_holds_whatever_severity_its_rule_is_given() -> None:
    """A rule set down to a note, or one with its list of findings full, can't hide that it failed."""

    def finish(self: Rule) -> Findings:
        for number in range(MOST_FINDINGS + 5):
            yield self.finding(f"Finding {number}.", "None.")
        raise SystemExit(0)

    report = judged(rule_with(finish=finish), tables={"odd-rule": {"severity": "note"}})
    assert report.verdict == "hold"
    assert "failed and could not judge this job: SystemExit" in report.findings[0].message


@pytest.mark.parametrize(
    ("given", "setting", "severity", "releasable"),
    [
        ("block", None, "block", False), ("hold", None, "hold", True), ("block", "hold", "hold", True),
        ("hold", "block", "block", False),
        ("note", "hold", "hold", True), ("block", "note", "note", True),
    ],
)  # fmt: skip
def test_only_what_blocks_can_be_beyond_release(
    given: str, setting: str | None, severity: str, releasable: bool
) -> None:
    """architecture.md, Verdicts: hold waits for a person's release, whatever rule it comes from."""

    def finish(self: Rule) -> Findings:
        yield self.finding("x", "y", severity=given)  # type: ignore[arg-type]

    tables = {"odd-rule": {"severity": setting}} if setting else None
    (finding,) = judged(rule_with(finish=finish, releasable=False), tables=tables).findings
    assert (finding.severity, finding.releasable) == (severity, releasable)


def test_more_time_is_allowed_for_larger_jobs() -> None:
    """A second for each MB on top: the same 40 s are fine in a job of 20 MB."""
    now = [0.0]

    def slow(self: Rule, block: Block) -> Findings:
        now[0] += 40.0
        return ()

    rule = rule_with(each_block=slow)
    from tests.oracles.examination import description

    from layergate.preflight.catalogue import settings_of

    runner = RuleRunner(loaded(rule), settings_of(loaded(rule), description()), Printer(), lambda: now[0])
    runner.run("each_block", {"block": Block(0, 1, b"", b"", 1), "job": JobFacts("x")}, 20.0)
    assert runner.findings() == []


def test_a_rule_that_does_not_apply_says_why_and_takes_its_findings_back() -> None:
    """Not applicable is no verdict: listed with its reason, counted out of the coverage."""

    def finish(self: Rule, layers: LayerMap) -> Findings:
        yield self.finding("Too early.", "None.")
        raise NotApplicableError("the filament of the bollard is not stated")

    report = judged(rule_with(finish=finish))
    assert report.findings == []
    assert report.not_applied[0].why == "the filament of the bollard is not stated"
    assert report.coverage.judged == 0


def test_findings_of_one_rule_are_bounded_and_the_rest_is_counted() -> None:
    """A rule that finds a thousand things fills no report; the last kept one says how many more there are."""

    def finish(self: Rule) -> Findings:
        return [self.finding(f"Finding {n}.", "None.", where=Where(lines=(n, n))) for n in range(1, 1001)]

    report = judged(rule_with(finish=finish))
    assert len(report.findings) == MOST_FINDINGS
    assert report.findings[-1].message == f"Finding 50. (and {1000 - MOST_FINDINGS} more of this kind)"


def test_findings_come_strongest_first_then_by_line() -> None:
    """The first thing a reader sees is what stops the job."""

    def finish(self: Rule) -> Findings:
        for severity, line in (("note", 1), ("hold", 9), ("block", 30), ("hold", 2), ("block", 20)):
            yield self.finding("x", "y", severity=severity, where=Where(lines=(line, line)))  # type: ignore[arg-type]

    report = judged(rule_with(finish=finish))
    assert [(f.severity, f.where.lines) for f in report.findings] == [
        ("block", (20, 20)), ("block", (30, 30)), ("hold", (2, 2)), ("hold", (9, 9)), ("note", (1, 1)),
    ]  # fmt: skip


def test_facts_are_read_only() -> None:
    """A rule can't change what the next rule sees: arrays are frozen, so the try is a crash of the rule alone."""

    def moves(self: Rule, moves: Moves) -> Findings:
        moves.x1[0] = 5
        return ()

    def layers(self: Rule, layers: LayerMap) -> Findings:
        layers.z_mm[0] = 5
        return ()

    for method in ({"each_moves": moves}, {"finish": layers}):
        report = judged(rule_with(**method))
        assert "read-only" in report.findings[0].message


def test_each_stage_gets_what_it_asks_for() -> None:
    """Blocks cover the job, moves come in order, each layer comes once, the map comes at the end."""
    seen: dict[str, Any] = {"bytes": 0, "lines": [], "layers": [], "map": 0, "heat": None}

    def each_block(self: Rule, block: Block, job: JobFacts) -> Findings:
        seen["bytes"] += len(block.raw)
        return ()

    def each_moves(self: Rule, moves: Moves) -> Findings:
        seen["lines"] += moves.line.tolist()
        return ()

    def each_layer(self: Rule, beads: Beads) -> Findings:
        seen["layers"].append((round(beads.z_mm, 3), len(beads.line), beads.complete, float(np.sum(beads.length_mm))))
        return ()

    def finish(self: Rule, layers: LayerMap, heat: Any, job: JobFacts) -> Findings:
        seen["map"], seen["heat"], seen["commands"] = len(layers), heat.active_c(), job.commands
        return ()

    judged(rule_with(each_block=each_block, each_moves=each_moves, each_layer=each_layer, finish=finish))
    assert seen["bytes"] == len(JOB)
    assert seen["lines"] == sorted(seen["lines"])
    assert seen["layers"] == [(0.2, 4, True, 80.0), (0.4, 4, True, 80.0), (0.6, 4, True, 80.0)]
    assert (seen["map"], seen["heat"], seen["commands"]) == (3, 0.0, 37)


def test_limits_from_ignores_the_settings_of_every_rule() -> None:
    """`severity` and `enabled` are no limits of the rule's own."""
    limits = limits_from(TooManyRings, {"severity": "note", "enabled": True, "most_rings": 7})
    assert limits == BollardLimits(most_rings=7)


def test_examine_takes_rules_as_an_argument() -> None:
    """No global list of rules: what is not given does not run."""
    assert "rules" in inspect.signature(examine).parameters
    assert judged().coverage.rules == 0
