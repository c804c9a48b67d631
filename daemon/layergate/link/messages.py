"""What the service and a link process say to each other, over a Unix stream socket, one JSON object a line.

The service sends commands with an ``id`` of its choosing and gets one answer to each; the link process numbers its
events for as long as it lives and repeats those after a given number to whoever asks. Standard library only; knows
neither sockets nor printers.

Commands (service -> link)::

    {"id": 1, "do": "subscribe", "after": 0}        send me every event numbered above `after`, then go on
    {"id": 2, "do": "start", "run": "R", "job": "/spool/....gcode", "index": "/spool/....index.json"}
    {"id": 3, "do": "pause"} {"id": 4, "do": "resume"}
    {"id": 5, "do": "cancel"}                       orderly: no more lines, then the safe end (heaters off, motors on)
    {"id": 6, "do": "stop"}                         stop request: M112 ahead of every queue; the run is aborted
    {"id": 7, "do": "status"}                       answer carries state, run, line, last event number
    {"id": 8, "do": "quit"}                         only when no run is in progress and no heater is left to switch off
Answers::

    {"id": 2, "ok": true, ...}    or    {"id": 2, "ok": false, "error": "a sentence for a person"}
"""

from dataclasses import asdict, dataclass, field
from typing import Any, Literal

EventType = Literal[
    "link-up",  # the printer answers: {"firmware", "capabilities"}
    "unreachable",  # {"reason"}: the port can't be opened; told once a cause, and tried on
    "link-lost",  # {"reason"}; a run in progress ends with a run-ended of its own
    "run-started",  # {"run"}
    "progress",  # {"run", "line", "commands", "layer"}: last acknowledged line; at layer changes, about twice a second
    "temperature",  # {"hot_end_c", "hot_end_target_c", "bed_c", "bed_target_c"}; targets null where not reported
    "paused",  # {"run", "by": "service" | "printer"}
    "pause-ends",  # {"run", "in_s"}: unless it is resumed by then, the run ends, heaters off
    "resumed",  # {"run"}
    "resend",  # {"run", "line", "count"}: the printer asked again; count is of this run
    "busy",  # {"text"}: alive, working on a long command
    "remark",  # {"text", "kind": "cold-extrusion" | "unknown-command" | "endstop" | "action" | "other"}
    "position",  # {"run", "line", "reported_mm": [x, y, z, e], "planned_mm": [..], "off_mm"}: only where configured
    "printer-error",  # {"text"}: the machine reported a fault
    "printer-reset",  # {"text"}: greeting seen where none was due
    # {"run", "outcome": completed|canceled|aborted, "reason", "line", "commands", "resends", "seconds",
    #  "layer_seconds": {"1": 12.3, ..}}
    "run-ended",
]


@dataclass(frozen=True, slots=True)
class Event:
    """One numbered event of a link process."""

    number: int
    """Counts from 1 for as long as the link process lives."""
    type: EventType
    at: str
    """Wall clock, UTC, RFC 3339."""
    monotonic_s: float
    """The link process's monotonic clock."""
    data: dict[str, Any] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)


def event_from_dict(raw: dict[str, Any]) -> Event:
    """Read an event that came over the socket.

    Raises:
        ValueError: a member is missing or of the wrong type.
    """
    try:
        return Event(int(raw["number"]), raw["type"], str(raw["at"]), float(raw["monotonic_s"]), dict(raw["data"]))
    except (KeyError, TypeError) as error:
        raise ValueError(f"not an event of the link process: {raw!r}") from error
