"""States of jobs and printers: the situations that Layergate knows, each mapped to RFC 8011 words, as literal tables.

The journal keeps situations; everybody outside sees the standard state and reasons (RFC 8011 sections 5.3.7, 5.3.8,
5.4.11, 5.4.12) with the situation beside them. Pure tables: knows neither storage nor printers.
"""

from collections.abc import Mapping
from typing import Literal

Situation = Literal[
    "checking",
    "not-judged",
    "held",
    "blocked",
    "queued",
    "printing",
    "paused",
    "ending",
    "completed",
    "completed-with-warnings",
    "canceled",
    "canceled-at-printer",
    "stopped",
    "aborted",
    "not-readable",
]

STATES: Mapping[Situation, tuple[str, str]] = {
    # situation: (job-state, job-state-reasons)
    "checking": ("pending-held", "job-interpreting"),
    "not-judged": ("pending-held", "resources-are-not-ready"),  # the resource is its preflight
    "held": ("pending-held", "job-hold-until-specified"),  # until a person releases it
    "blocked": ("pending-held", "document-format-error"),
    "queued": ("pending", "job-queued"),
    "printing": ("processing", "job-printing"),
    "paused": ("processing-stopped", "printer-stopped"),
    "ending": ("processing", "processing-to-stop-point"),
    "completed": ("completed", "job-completed-successfully"),
    "completed-with-warnings": ("completed", "job-completed-with-warnings"),
    "canceled": ("canceled", "job-canceled-by-user"),
    "canceled-at-printer": ("canceled", "job-canceled-at-device"),
    "stopped": ("aborted", "job-canceled-by-operator"),  # after a stop request
    "aborted": ("aborted", "aborted-by-system"),
    "not-readable": ("aborted", "document-format-error"),
}

WAITING: frozenset[Situation] = frozenset({"checking", "not-judged", "held", "blocked", "queued"})
ACTIVE: frozenset[Situation] = frozenset({"printing", "paused", "ending"})
ENDED: frozenset[Situation] = frozenset(STATES) - WAITING - ACTIVE

_ENDS_OF_RUN: frozenset[Situation] = frozenset(
    {"completed", "completed-with-warnings", "canceled", "canceled-at-printer", "stopped", "aborted"}
)

# queued, held: the link refused the start, so nothing was sent
_FROM_PRINTING: frozenset[Situation] = _ENDS_OF_RUN | frozenset[Situation]({"paused", "ending", "queued", "held"})
_FROM_PAUSED: frozenset[Situation] = _ENDS_OF_RUN | frozenset[Situation]({"printing", "ending"})

MOVES: Mapping[Situation, frozenset[Situation]] = {
    "checking": frozenset({"checking", "not-judged", "held", "blocked", "queued", "not-readable", "canceled"}),
    "not-judged": frozenset({"checking", "canceled"}),
    "held": frozenset({"checking", "queued", "canceled"}),
    "blocked": frozenset({"checking", "queued", "canceled"}),
    "queued": frozenset({"checking", "printing", "canceled"}),
    "printing": _FROM_PRINTING,
    "paused": _FROM_PAUSED,
    "ending": _ENDS_OF_RUN,
    **{ended: frozenset() for ended in ENDED},
}


def may_move(before: Situation, after: Situation) -> bool:
    """Say whether a job may go from one situation to another."""
    return after in MOVES[before]


PrinterCondition = Literal["connecting", "other-printer", "needs-clearing", "idle", "printing", "paused", "ending"]

PRINTER_STATES: Mapping[PrinterCondition, tuple[str, tuple[str, ...]]] = {
    # condition: (printer-state, printer-state-reasons)
    "connecting": ("stopped", ("connecting-to-device",)),
    "other-printer": ("stopped", ("other",)),
    # The bed holds the last part, or nobody said that it doesn't: the standard's word for a full output place.
    "needs-clearing": ("stopped", ("output-area-full",)),
    "idle": ("idle", ("none",)),
    "printing": ("processing", ("none",)),
    "paused": ("stopped", ("paused",)),
    "ending": ("processing", ("stopping",)),
}
