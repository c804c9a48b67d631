"""A report as text for a terminal or a log. Coverage first, then the verdict, then each finding with its place.

Writes no colours: it must read the same in a mail and over a serial console.
"""

import textwrap

from layergate.preflight.findings import Finding, Report

_VERDICTS = {
    "clear": "CLEAR  no rule found a fault",
    "hold": "HOLD   waits for a person's release",
    "block": "BLOCK  must not be printed",
}
_WIDTH = 100


def report_text(report: Report, *, notes: bool = False) -> str:
    """Give a report as lines of text, ended by a line end.

    Args:
        notes: show notes and why rules did not apply in full; else each is one line.
    """
    lines = [f"{report.job.name}: {report.coverage_line()}", f"  {_VERDICTS[report.verdict]}"]
    estimate = report.estimate
    if estimate.layers:
        weight = f" ({estimate.filament_g:.1f} g)" if estimate.filament_g is not None else ""
        lines.append(
            f"  {estimate.layers} layers, {estimate.height_mm:.2f} mm high, {estimate.filament_mm / 1000:.2f} m of filament"
            f"{weight}, "
            f"{duration(estimate.print_seconds + estimate.dwell_seconds)} of printing after "
            f"{duration(estimate.heating_seconds)} of heating"
        )
    shown = [finding for finding in report.findings if notes or finding.severity != "note"]
    for finding in shown:
        lines.append("")
        lines.extend(_finding_lines(finding))
    hidden = len(report.findings) - len(shown)
    if hidden:
        lines.extend(["", f"  {hidden} note{'s' if hidden > 1 else ''} (--notes shows them)"])
    if report.unread and notes:
        lines.append("")
        for reason, count in report.unread.items():
            first = ", ".join(str(line) for line in report.unread_lines.get(reason, []))
            lines.append(
                _wrapped(f"not rebuilt: {reason.replace('-', ' ')}: {count} line(s), first {first}", "  ", "    ")
            )
    if report.not_applied:
        lines.append("")
        if notes:
            lines.extend(_wrapped(f"not applied: {item.rule}: {item.why}", "  ", "    ") for item in report.not_applied)
        else:
            names = ", ".join(item.rule for item in report.not_applied)
            lines.append(_wrapped(f"not applied: {names} (--notes shows why)", "  ", "    "))
    return "\n".join(lines) + "\n"


def _finding_lines(finding: Finding) -> list[str]:
    place = []
    where = finding.where
    if where.layer is not None:
        place.append(f"layer {where.layer}")
    if where.z_mm is not None:
        low, high = where.z_mm
        place.append(f"Z {low:.2f} mm" if low == high else f"Z {low:.2f} to {high:.2f} mm")
    if where.lines is not None:
        first, last = where.lines
        place.append(f"line {first}" if first == last else f"lines {first} to {last}")
    head = f"  {finding.severity}: {finding.rule}" + (f" ({', '.join(place)})" if place else "")
    lines = [head, _wrapped(finding.message, "    ", "    ")]
    if finding.evidence:
        figures = ", ".join(f"{name.replace('_', ' ')} {value:g}" for name, value in finding.evidence.items())
        lines.append(_wrapped(f"figures: {figures}", "    ", "      "))
    lines.append(_wrapped(f"advice: {finding.advice}", "    ", "      "))
    if not finding.releasable and finding.severity == "block":
        lines.append("    This can't be released.")
    return lines


def _wrapped(text: str, first: str, rest: str) -> str:
    return textwrap.fill(text, _WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False)


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
