"""Runs chosen rules over a job written in a test; knows no rule."""

import io
from typing import Any

from layergate.preflight.catalogue import load_rules
from layergate.preflight.examine import examine
from layergate.preflight.findings import Finding, Report
from layergate.printer import PrinterDescription

# Three rings of 20 mm, 0.2 mm layers, bead of 0.45 mm (stadium), 1.75 mm filament: facts.md section 11 (computed there).
MICRO = """G21
G90
M82
M140 S60
M104 S205
M190 S60
M109 S205
G28
G92 E0
G1 Z0.2 F600
G1 X10 Y10 F6000
G1 X30 Y10 E0.67698 F3600
G1 X30 Y30 E1.35395 F3600
G1 X10 Y30 E2.03093 F3600
G1 X10 Y10 E2.70790 F3600
G1 E1.90790 F2400
G1 E2.70790 F2400
G1 Z0.4 F600
G1 X10 Y10 F6000
G1 X30 Y10 E3.38488 F3600
G1 X30 Y30 E4.06186 F3600
G1 X10 Y30 E4.73883 F3600
G1 X10 Y10 E5.41581 F3600
G1 E4.61581 F2400
G1 E5.41581 F2400
G1 Z0.6 F600
G1 X10 Y10 F6000
G1 X30 Y10 E6.09279 F3600
G1 X30 Y30 E6.76976 F3600
G1 X10 Y30 E7.44674 F3600
G1 X10 Y10 E8.12371 F3600
G1 E7.32371 F2400
G1 E8.12371 F2400
M104 S0
M140 S0
M107
M84
"""
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
