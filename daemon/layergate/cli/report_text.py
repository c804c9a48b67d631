"""A report as text for a terminal or a log: how much was judged, the verdict, then each finding with place and advice.

Writes no colours: it must read the same in a mail and over a serial console.
"""

import re
import shutil
import sys
import textwrap
from itertools import groupby

from layergate.preflight.findings import Estimate, Finding, Report

SHOWN_OF_A_RULE = 3
"""Findings of one rule shown in full unless all are asked for: the tenth place of the same fault tells nothing new."""

_BED_PLACE = re.compile(r"\b[XY] -?\d")
"""A message that says itself where on the bed something is."""

_UNITS = {
    "mm": "mm", "mm2": "mm2", "mm3": "mm3", "mm_s": "mm/s", "mm_s2": "mm/s2", "mm3_s": "mm3/s", "s": "s", "c": "deg C", "g": "g",
}  # fmt: skip


def terminal_width() -> int:
    """Give the columns to fill: the terminal's, within reason, and 100 where there is none."""
    return min(120, max(50, shutil.get_terminal_size().columns)) if sys.stdout.isatty() else 100


def wrapped(text: str, width: int, first: str = "", rest: str = "    ") -> list[str]:
    """Give a text as lines of a width. Hyphens hold together: names of rules are copied from here."""
    return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)


def report_text(report: Report, *, notes: bool = False, width: int | None = None) -> str:
    """Give a report as lines of text, ended by a line end.

    Args:
        notes: show notes, all findings and why rules did not apply in full.
        width: columns to fill; the terminal's if left out.
    """
    page = _Page(width or terminal_width())
    page.add(f"{report.job.name}: {report.coverage_line()}")
    page.add(_verdict_line(report))
    if report.estimate.layers:
        page.add(_estimate_line(report.estimate), "  ", "    ")
    for item in report.layers_untold:
        page.add(f"Can't be told of the layers: {item.message}.", "  ", "    ")
    weighty = [finding for finding in report.findings if finding.severity != "note"]
    # The findings come strongest first; those of one rule stand together, where its first one stands.
    order = {rule: at for at, rule in reversed(list(enumerate(finding.rule for finding in weighty)))}
    for _, group in groupby(sorted(weighty, key=lambda finding: order[finding.rule]), lambda finding: finding.rule):
        _add_rule(page, list(group), notes)
    small = [finding for finding in report.findings if finding.severity == "note"]
    if notes:
        for finding in small:
            _add_finding(page, finding)
    elif small:
        rules = ", ".join(sorted({finding.rule for finding in small}))
        page.gap()
        page.add(f"{_counted(len(small), 'note')} from {rules} (--notes shows {_them(len(small))})", "  ", "    ")
    _add_unread(page, report, notes)
    _add_not_applied(page, report, notes)
    return page.text()


class _Page:
    """Lines of text, wrapped."""

    def __init__(self, width: int) -> None:
        self._width = width
        self._lines: list[str] = []

    def gap(self) -> None:
        self._lines.append("")

    def add(self, text: str, first: str = "", rest: str = "    ") -> None:
        self._lines += wrapped(text, self._width, first, rest)

    def text(self) -> str:
        return "\n".join(self._lines) + "\n"


def _verdict_line(report: Report) -> str:
    stopping = [finding for finding in report.findings if finding.severity != "note"]
    if report.verdict == "clear":
        words = "CLEAR: no rule found a fault"
    elif any(not finding.releasable for finding in stopping):
        words = f"{report.verdict.upper()}: must not be printed; nobody can release it"
    elif report.verdict == "block":
        words = "BLOCK: must not be printed, unless a named person releases it"
    else:
        words = "HOLD: waits until a named person releases it"
    return f"==== {words} ===="


def _estimate_line(estimate: Estimate) -> str:
    weight = f" ({estimate.filament_g:.1f} g)" if estimate.filament_g is not None else ""
    if estimate.heating_seconds is None:
        heating = ", heating unknown (a macro of the printer may heat)"
    elif estimate.heating_seconds:
        heating = f" after {duration(estimate.heating_seconds)} of heating"
    else:
        heating = ", no heating"
    return (
        f"{_counted(estimate.layers, 'layer')}, height {estimate.height_mm:.2f} mm, filament "
        f"{estimate.filament_mm / 1000:.2f} m{weight}; printing "
        f"{duration(estimate.print_seconds + estimate.dwell_seconds)}{heating}"
    )


def _add_rule(page: _Page, found: list[Finding], everything: bool) -> None:
    """Show the findings of one rule: the first ones in full, and of the others where they are."""
    shown = found if everything or len(found) <= SHOWN_OF_A_RULE + 1 else found[:SHOWN_OF_A_RULE]
    for finding in shown:
        _add_finding(page, finding)
    if rest := found[len(shown) :]:
        layers = [finding.where.layer for finding in rest if finding.where.layer is not None]
        lines = [finding.where.lines for finding in rest if finding.where.lines is not None]
        place = ""
        if len(layers) == len(rest):
            low, high = min(layers), max(layers)
            place = f", layer {low}" if low == high else f", layers {low} to {high}"
        elif lines:
            place = f", lines {min(first for first, _ in lines)} to {max(last for _, last in lines)}"
        page.gap()
        page.add(f"and {len(rest)} more of {found[0].rule}{place} (--notes shows them)", "  ")


def _add_finding(page: _Page, finding: Finding) -> None:
    place = []
    where = finding.where
    if where.layer is not None:
        place.append(f"layer {where.layer}")
    if where.z_mm is not None:
        low, high = where.z_mm
        place.append(f"Z {low:.2f} mm" if round(low, 2) == round(high, 2) else f"Z {low:.2f} to {high:.2f} mm")
    if where.lines is not None:
        first, last = where.lines
        place.append(f"line {first}" if first == last else f"lines {first} to {last}")
    if where.box_mm is not None and not _BED_PLACE.search(finding.message):
        x0, y0, x1, y1 = where.box_mm
        place.append(f"X {_span(x0, x1)}, Y {_span(y0, y1)} mm")
    fixed = "" if finding.releasable or finding.severity == "note" else ", can't be released"
    page.gap()
    page.add(f"{finding.severity}: {finding.rule}" + (f" ({', '.join(place)})" if place else "") + fixed, "  ")
    page.add(finding.message, "    ")
    page.add(f"What to do: {finding.advice}", "    ", "      ")
    if any(value != 1 for value in finding.evidence.values()):  # a lone "lines 1" tells nothing new
        figures = ", ".join(figure(name, value) for name, value in finding.evidence.items())
        page.add(f"Figures: {figures}", "    ", "      ")


def _span(low: float, high: float) -> str:
    return f"{low:.0f}" if round(low) == round(high) else f"{low:.0f} to {high:.0f}"


def _add_unread(page: _Page, report: Report, notes: bool) -> None:
    if not report.unread or not notes:
        return
    page.gap()
    for reason, count in report.unread.items():
        lines = report.unread_lines.get(reason, [])
        first = f", first in {'line' if len(lines) == 1 else 'lines'} {', '.join(map(str, lines))}" if lines else ""
        page.add(f"not rebuilt: {reason.replace('-', ' ')}: {_counted(count, 'line')}{first}", "  ", "    ")


def _add_not_applied(page: _Page, report: Report, notes: bool) -> None:
    # Where nothing is laid, three rules of four have nothing to judge: listing them hides what matters.
    if not report.not_applied or not (notes or report.estimate.layers):
        return
    page.gap()
    if notes:
        for item in report.not_applied:
            page.add(f"not applied: {item.rule}: {item.why}", "  ", "    ")
        return
    count = len(report.not_applied)
    unstated = sum("stated" in item.why for item in report.not_applied)
    reasons = []
    for number, one, more in (
        (unstated, "needs more stated of the printer (--printer)", "need more stated of the printer (--printer)"),
        (count - unstated, "has nothing to judge in this job", "have nothing to judge in this job"),
    ):
        if number:
            who = f"{number}" if number < count else "it" if number == 1 else "they"
            reasons.append(f"{who} {one if number == 1 else more}")
    page.add(
        f"{_counted(count, 'rule')} did not apply: {', '.join(reasons)}; --notes shows which and why", "  ", "    "
    )


def figure(name: str, value: float) -> str:
    """Give one piece of evidence in words: what, how much, unit, rounded to what matters."""
    words = name.split("_")
    unit = ""
    for length in (2, 1):
        tail = "_".join(words[-length:])
        # In `retractions_in_10_mm` the unit belongs to the name.
        if len(words) > length and tail in _UNITS and not (words[-length - 1].isdigit() and "in" in words):
            unit, words = f" {_UNITS[tail]}", words[:-length]
            break
    return f"{' '.join(words)} {_rounded(value)}{unit}"


def _rounded(value: float) -> str:
    size = abs(value)
    if value == round(value) or size >= 1000:
        return f"{value:,.0f}"
    if size < 1:
        return f"{value:.3g}"
    return f"{value:.{1 if size >= 100 else 2}f}".rstrip("0").rstrip(".")


def _counted(number: int, noun: str) -> str:
    return f"{number:,} {noun}" + ("" if number == 1 else "s")


def _them(number: int) -> str:
    return "it" if number == 1 else "them"


def duration(seconds: float) -> str:
    """Give a duration in the two largest units that matter."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    minutes, second = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes} min {second} s"
    hours, minute = divmod(minutes, 60)
    return f"{hours} h {minute} min"
