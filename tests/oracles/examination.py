"""Runs a whole preflight over bytes, for tests: all built-in rules, a description as a mapping."""

import io
from functools import cache
from typing import Any

from layergate.preflight.catalogue import LoadedRule, load_rules
from layergate.preflight.examine import Examination, examine
from layergate.preflight.findings import Finding, Report
from layergate.printer import PrinterDescription

CHECKED_AT = "2026-01-02T03:04:05Z"
BED_235 = {"build_volume_mm": {"x": (0, 235), "y": (0, 235), "z": (0, 250)}}


@cache
def built_in_rules() -> tuple[LoadedRule, ...]:
    return tuple(load_rules())


def description(
    printer: dict[str, Any] | None = None, tables: dict[str, dict[str, Any]] | None = None
) -> PrinterDescription:
    """A description; `tables` are settings of rules by identifier."""
    return PrinterDescription.model_validate({"printer": printer or {}, "rules": tables or {}})


def examined(
    job: bytes,
    printer: dict[str, Any] | None = None,
    tables: dict[str, dict[str, Any]] | None = None,
    *,
    rules: list[LoadedRule] | None = None,
) -> Examination:
    """Everything that a preflight gives."""
    chosen = list(built_in_rules()) if rules is None else rules
    return examine(io.BytesIO(job), "test job", description(printer, tables), chosen, CHECKED_AT)


def report_of(
    job: bytes, printer: dict[str, Any] | None = None, tables: dict[str, dict[str, Any]] | None = None
) -> Report:
    return examined(job, printer, tables).report


def found(report: Report, rule: str) -> list[Finding]:
    """Findings of one rule."""
    return [finding for finding in report.findings if finding.rule == rule]


def applied(report: Report, rule: str) -> bool:
    return rule not in {item.rule for item in report.not_applied}
