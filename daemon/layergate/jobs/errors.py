"""What can go wrong between a client and the gate, each with the status and title that the interface answers.

    GateError
     +- NotFoundError          no such job, printer or report
     +- StateError             the job or printer is not in a state for that
     +- ReleaseError           this verdict can't be released, or not like that
     +- RefusedError           a job was not accepted; nothing of it is kept
     |   +- DiskLowError       ... since the spool's file system has too little room
     +- LinkError              the printer's link does not do it
     +- JournalError           the journal can't be written

Knows no HTTP library; ``status`` is the number of RFC 9110 that fits.
"""


class GateError(Exception):
    """Something that a person asked for is not done; the text says why and what to do."""

    status = 500
    title = "Failed"

    def __init__(self, detail: str) -> None:
        self.detail = detail
        super().__init__(detail)


class NotFoundError(GateError, LookupError):
    """There is nothing of that name."""

    status = 404
    title = "Not found"


class StateError(GateError):
    """The job or printer is not in a state in which that can be done."""

    status = 409
    title = "Not in this state"


class ReleaseError(GateError):
    """The verdict can't be released, or not with what was given."""

    status = 409
    title = "Not released"


class RefusedError(GateError, ValueError):
    """The job was not accepted.

    Attributes:
        reason: an RFC 8011 job-state-reason or operation status word.
    """

    title = "Job refused"

    def __init__(self, detail: str, *, status: int = 422, reason: str = "document-format-error") -> None:
        self.status = status
        self.reason = reason
        super().__init__(detail)


class DiskLowError(RefusedError):
    """The spool's file system has too little room."""

    title = "Too little room"

    def __init__(self, detail: str) -> None:
        super().__init__(detail, status=507, reason="spool-area-full")


class LinkError(GateError, ConnectionError):
    """The link process is not there, or says no."""

    status = 503
    title = "Printer not reached"


class JournalError(GateError, OSError):
    """The journal can't be read or written, so nothing may be promised."""

    status = 503
    title = "Journal not writable"
