"""All states of a link and of a run, and every transition between them, as two literal tables.

Two rules: every change of state goes through these tables, and nothing here knows why a trigger was pulled. The tables
are total (each state answers each trigger), so that nothing a printer sends can find a gap in mid-print; a test checks
that. The diagrams in protocol.md are drawn from them by diagram.py, and a test fails when they are stale.

Theory of operation of the link
-------------------------------
After OPENED the printer may be restarting, so BOOTING listens until it is quiet. SYNCING sets the printer's line
counter (M110) and repeats that until it is acknowledged; M110 may be repeated, it moves nothing. READY sends numbered
lines. The printer accepts a line only if its number is the last accepted + 1 and its checksum fits. So numbers decide
what is executed, and acknowledgements are only credit to send more: a lost or doubled one can cost time, never a
command. RECOVERING follows a Resend: listen until the answers to lines already under way are in, then go on from the
line asked for, with the same numbers. PROBING follows an overdue acknowledgement: send one more numbered line that
moves nothing (M105). Either it is accepted, then all before it were; or its number leaves a gap, and the printer names
the line that it misses. Where that brings nothing, a line too far on makes it name the line that it wants. Nothing is
repeated merely because it was slow. HALTED follows a fault, a stop request or a
resend storm; nothing numbered is sent until the printer has been synchronised anew.
"""

from enum import Enum


class Link(Enum):
    """States of the line protocol."""

    CLOSED = "closed"
    BOOTING = "booting"
    SYNCING = "syncing"
    READY = "ready"
    RECOVERING = "recovering"
    PROBING = "probing"
    HALTED = "halted"


class On(Enum):
    """Triggers of the line protocol."""

    OPENED = "opened"
    GREETED = "greeting"
    SETTLED = "quiet long enough"
    ACKED = "acknowledged"
    ASKED_AGAIN = "resend asked"
    OVERDUE = "acknowledgement overdue"
    RENUMBER = "new numbering wanted"
    FAULTED = "machine fault"
    GAVE_UP = "gave up"
    STOPPED = "stop request"
    LOST = "connection lost"


LINK: dict[Link, dict[On, Link]] = {
    Link.CLOSED: {
        On.OPENED: Link.BOOTING, On.GREETED: Link.CLOSED, On.SETTLED: Link.CLOSED, On.ACKED: Link.CLOSED,
        On.ASKED_AGAIN: Link.CLOSED, On.OVERDUE: Link.CLOSED, On.RENUMBER: Link.CLOSED, On.FAULTED: Link.CLOSED,
        On.GAVE_UP: Link.CLOSED, On.STOPPED: Link.CLOSED, On.LOST: Link.CLOSED,
    },
    Link.BOOTING: {
        On.OPENED: Link.BOOTING, On.GREETED: Link.BOOTING, On.SETTLED: Link.SYNCING, On.ACKED: Link.BOOTING,
        On.ASKED_AGAIN: Link.BOOTING, On.OVERDUE: Link.BOOTING, On.RENUMBER: Link.BOOTING, On.FAULTED: Link.HALTED,
        On.GAVE_UP: Link.HALTED, On.STOPPED: Link.HALTED, On.LOST: Link.CLOSED,
    },
    Link.SYNCING: {
        On.OPENED: Link.BOOTING, On.GREETED: Link.BOOTING, On.SETTLED: Link.SYNCING, On.ACKED: Link.READY,
        On.ASKED_AGAIN: Link.SYNCING, On.OVERDUE: Link.SYNCING, On.RENUMBER: Link.SYNCING, On.FAULTED: Link.HALTED,
        On.GAVE_UP: Link.HALTED, On.STOPPED: Link.HALTED, On.LOST: Link.CLOSED,
    },
    Link.READY: {
        On.OPENED: Link.BOOTING, On.GREETED: Link.BOOTING, On.SETTLED: Link.READY, On.ACKED: Link.READY,
        On.ASKED_AGAIN: Link.RECOVERING, On.OVERDUE: Link.PROBING, On.RENUMBER: Link.SYNCING, On.FAULTED: Link.HALTED,
        On.GAVE_UP: Link.HALTED, On.STOPPED: Link.HALTED, On.LOST: Link.CLOSED,
    },
    Link.RECOVERING: {
        On.OPENED: Link.BOOTING, On.GREETED: Link.BOOTING, On.SETTLED: Link.READY, On.ACKED: Link.READY,
        On.ASKED_AGAIN: Link.RECOVERING, On.OVERDUE: Link.RECOVERING, On.RENUMBER: Link.SYNCING,
        On.FAULTED: Link.HALTED, On.GAVE_UP: Link.HALTED, On.STOPPED: Link.HALTED, On.LOST: Link.CLOSED,
    },
    Link.PROBING: {
        On.OPENED: Link.BOOTING, On.GREETED: Link.BOOTING, On.SETTLED: Link.PROBING, On.ACKED: Link.READY,
        On.ASKED_AGAIN: Link.RECOVERING, On.OVERDUE: Link.PROBING, On.RENUMBER: Link.SYNCING, On.FAULTED: Link.HALTED,
        On.GAVE_UP: Link.HALTED, On.STOPPED: Link.HALTED, On.LOST: Link.CLOSED,
    },
    Link.HALTED: {
        On.OPENED: Link.BOOTING, On.GREETED: Link.BOOTING, On.SETTLED: Link.SYNCING, On.ACKED: Link.HALTED,
        On.ASKED_AGAIN: Link.HALTED, On.OVERDUE: Link.HALTED, On.RENUMBER: Link.HALTED, On.FAULTED: Link.HALTED,
        On.GAVE_UP: Link.HALTED, On.STOPPED: Link.HALTED, On.LOST: Link.CLOSED,
    },
}  # fmt: skip


class Run(Enum):
    """States of a run (one job streamed once)."""

    IDLE = "idle"
    NUMBERING = "numbering"
    PRINTING = "printing"
    PAUSED = "paused"
    DRAINING = "draining"
    ENDING = "ending"


class Do(Enum):
    """Triggers of a run."""

    START = "start"
    SYNCED = "numbering agreed"
    PAUSE = "pause"
    RESUME = "resume"
    EXHAUSTED = "last line sent"
    DRAINED = "motion ended"
    END = "cancel or abort"
    ENDED = "safe end done, or the wire does not allow it"


# PAUSED answers EXHAUSTED with itself: a paused run sends nothing, so it can't come to its end.
RUN: dict[Run, dict[Do, Run]] = {
    Run.IDLE: {
        Do.START: Run.NUMBERING, Do.SYNCED: Run.IDLE, Do.PAUSE: Run.IDLE, Do.RESUME: Run.IDLE, Do.EXHAUSTED: Run.IDLE,
        Do.DRAINED: Run.IDLE, Do.END: Run.IDLE, Do.ENDED: Run.IDLE,
    },
    Run.NUMBERING: {
        Do.START: Run.NUMBERING, Do.SYNCED: Run.PRINTING, Do.PAUSE: Run.NUMBERING, Do.RESUME: Run.NUMBERING,
        Do.EXHAUSTED: Run.NUMBERING, Do.DRAINED: Run.NUMBERING, Do.END: Run.ENDING, Do.ENDED: Run.IDLE,
    },
    Run.PRINTING: {
        Do.START: Run.PRINTING, Do.SYNCED: Run.PRINTING, Do.PAUSE: Run.PAUSED, Do.RESUME: Run.PRINTING,
        Do.EXHAUSTED: Run.DRAINING, Do.DRAINED: Run.PRINTING, Do.END: Run.ENDING, Do.ENDED: Run.IDLE,
    },
    Run.PAUSED: {
        Do.START: Run.PAUSED, Do.SYNCED: Run.PAUSED, Do.PAUSE: Run.PAUSED, Do.RESUME: Run.PRINTING,
        Do.EXHAUSTED: Run.PAUSED, Do.DRAINED: Run.PAUSED, Do.END: Run.ENDING, Do.ENDED: Run.IDLE,
    },
    Run.DRAINING: {
        Do.START: Run.DRAINING, Do.SYNCED: Run.DRAINING, Do.PAUSE: Run.DRAINING, Do.RESUME: Run.DRAINING,
        Do.EXHAUSTED: Run.DRAINING, Do.DRAINED: Run.ENDING, Do.END: Run.ENDING, Do.ENDED: Run.IDLE,
    },
    Run.ENDING: {
        Do.START: Run.ENDING, Do.SYNCED: Run.ENDING, Do.PAUSE: Run.ENDING, Do.RESUME: Run.ENDING,
        Do.EXHAUSTED: Run.ENDING, Do.DRAINED: Run.ENDING, Do.END: Run.ENDING, Do.ENDED: Run.IDLE,
    },
}  # fmt: skip
