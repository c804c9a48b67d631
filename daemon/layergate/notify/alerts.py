"""The alerts: one table of names and severities, used by MQTT, interface and hook alike.

Pure: knows who raises an alert only by the words it is given, and nothing of how it travels.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal

AlertName = Literal[
    "blocked",
    "held",
    "not-judged",
    "waiting-for-person",
    "stalled",
    "heat-off-plan",
    "link-lost",
    "printer-reset",
    "air-printing",
    "unknown-command",
    "endstop-hit",
    "position-off-plan",
    "aborted",
    "completed",
    "needs-clearing",
    "disk-low",
    "journal-damaged",
]
Severity = Literal["info", "warning", "critical"]

SEVERITIES: Mapping[AlertName, Severity] = {
    "blocked": "warning",
    "held": "warning",
    "not-judged": "warning",
    "waiting-for-person": "info",
    "stalled": "warning",
    "heat-off-plan": "critical",  # may be a fault of heater or sensor: somebody should look at the machine
    "link-lost": "critical",  # heaters may stay on, and nothing of ours reaches them
    "printer-reset": "warning",
    "air-printing": "warning",
    "unknown-command": "warning",
    "endstop-hit": "warning",
    "position-off-plan": "critical",  # the nozzle is where nobody checked that it may be
    "aborted": "warning",
    "completed": "info",
    "needs-clearing": "info",
    "disk-low": "warning",
    "journal-damaged": "critical",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """One alert. ``id`` is unique: whoever gets it twice can tell."""

    id: str
    name: AlertName
    time: str
    """UTC, RFC 3339."""
    printer: str | None
    job: str | None
    text: str
    severity: Severity

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)
