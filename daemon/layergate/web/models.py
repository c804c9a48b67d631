"""What goes over the interface, as pydantic models: requests are checked whole, answers are documented.

Knows no HTTP.
"""

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field


class _Request(BaseModel):
    model_config = ConfigDict(extra="forbid")


class By(_Request):
    """A person's request."""

    by: str = Field(min_length=1, max_length=80)
    """Who asks: goes into the job's history."""


class ReleaseRequest(By):
    """A person's release of a held or blocked job."""

    reason: str = Field(min_length=1, max_length=1000)
    report_sha256: str = Field(pattern=r"^[0-9a-f]{64}$")
    """Of the report that the person has seen, as the job's ``report_sha256`` gives it."""


class PathRequest(_Request):
    """A job that lies on the daemon's own disk, in one of the folders of ``[control] submit_from``."""

    path: str = Field(min_length=1, max_length=4096)
    printer: str | None = None


class JobModel(BaseModel):
    """A job. Times are UTC, RFC 3339; durations in seconds."""

    id: str
    name: str
    printer: str
    state: Literal["pending", "pending-held", "processing", "processing-stopped", "canceled", "aborted", "completed"]
    """job-state of RFC 8011 section 5.3.7."""
    reasons: list[str]
    """job-state-reasons of RFC 8011 section 5.3.8."""
    situation: str
    """The same in Layergate's words, finer."""
    message: str
    verdict: Literal["clear", "hold", "block"] | None
    sha256: str
    size_bytes: int
    source: str
    submitted_at: str
    started_at: str | None
    ended_at: str | None
    layer: int
    layers: int | None
    line: int
    planned_s: float | None
    report_sha256: str | None


class JobDetail(JobModel):
    """A job with what happened to it, and the record of its run once it ended."""

    history: list[dict[str, str]]
    record: dict[str, Any] | None


class PrinterModel(BaseModel):
    """A printer."""

    printer: str
    state: Literal["idle", "processing", "stopped"]
    """printer-state of RFC 8011 section 5.4.11."""
    reasons: list[str]
    condition: str
    message: str
    link_up: bool
    needs_clearing: bool
    bed: str
    job: str | None
    mode: str
    start: str
    progress: dict[str, Any] | None = None


class ClearedModel(PrinterModel):
    """A printer whose bed was just confirmed clear."""

    starts: JobModel | None
    """The job that starts by that; None where none waits."""


class LiveEventModel(BaseModel):
    """Something that happened; ``kind`` is state, job, progress or alert."""

    number: int
    kind: str
    printer: str | None
    data: dict[str, Any]


class EventsModel(BaseModel):
    """Live events above a number; ``last`` is the number to ask after next time."""

    last: int
    events: list[LiveEventModel]


class Health(BaseModel):
    """How the service is. A broker or printer that is away is no ill health."""

    healthy: bool
    hanging: list[str]
    version: str
    uptime_s: float
    broker_connected: bool | None
    """None where no broker is configured."""
    alerts_waiting: int
    alerts_unwritten: int
    journal_failures: int
    disk_free_mib: float
    disk_is_low: bool


class Problem(BaseModel):
    """What went wrong, by RFC 9457."""

    type: str = "about:blank"
    title: str
    status: int
    detail: str
    instance: str | None = None
