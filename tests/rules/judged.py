"""Runs chosen rules over a job written in a test; knows no rule."""

import io
from typing import Any

from tests.oracles.micro_job import MICRO_JOB

from layergate.preflight.catalogue import load_rules
from layergate.preflight.examine import examine
from layergate.preflight.findings import Finding, Report
from layergate.printer import PrinterDescription

MICRO = MICRO_JOB
MICRO_LINES = MICRO.splitlines()


def micro(*, insert: dict[int, list[str]] | None = None, replace: dict[int, str] | None = None) -> str:
    """The micro-job with lines put in before line n (from 1), or line n replaced; an empty text takes a line out."""
    out: list[str] = []
    for number, line in enumerate(MICRO_LINES, start=1):
        out.extend((insert or {}).get(number, []))
        text = (replace or {}).get(number, line)
        if text:
            out.append(text)
    return "\n".join(out) + "\n"


def report(text: str | bytes, *rules: str, printer: dict[str, Any] | None = None, **settings: Any) -> Report:
    """The report of some rules (all, if none is named) on a job, with what is stated of the printer."""
    data = text.encode() if isinstance(text, str) else text
    chosen = [rule for rule in load_rules() if not rules or rule.identifier in rules]
    description = PrinterDescription.model_validate({"printer": printer or {}, "rules": settings})
    return examine(io.BytesIO(data), "job", description, chosen, "2026-01-01T00:00:00Z").report


def findings(text: str | bytes, rule: str, printer: dict[str, Any] | None = None, **limits: Any) -> list[Finding]:
    """What one rule finds; that it could judge the job is checked."""
    made = report(text, rule, printer=printer, **({rule: limits} if limits else {}))
    assert not made.not_applied, made.not_applied[0].why
    return made.findings


def why_not_applied(text: str | bytes, rule: str, printer: dict[str, Any] | None = None) -> str:
    """Why one rule could not judge a job."""
    made = report(text, rule, printer=printer)
    assert len(made.not_applied) == 1, made.findings
    return made.not_applied[0].why
