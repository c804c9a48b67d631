"""Findings, verdicts and the report: what a preflight says. Pydantic models, whose JSON Schema is the contract.

Knows no rule by name and prints nothing.
"""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

SCHEMA_VERSION: Literal["1"] = "1"

Severity = Literal["block", "hold", "note"]
Verdict = Literal["clear", "hold", "block"]

SEVERITIES: tuple[Severity, ...] = ("note", "hold", "block")
"""From weak to strong."""


class _Frozen(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Where(_Frozen):
    """The place of a finding; members that make no sense for it are null."""

    layer: int | None = None
    """Number in the layer map, from 1."""
    z_mm: tuple[float, float] | None = None
    lines: tuple[int, int] | None = None
    """First and last line of the job, counted from 1."""
    box_mm: tuple[float, float, float, float] | None = None
    """Lowest x, lowest y, highest x, highest y."""


class Finding(_Frozen):
    """One fault that a rule found. The message is made from the evidence, by the rule, in one place."""

    rule: str
    severity: Severity
    releasable: bool
    """Whether a named person may release the job in spite of it."""
    message: str
    advice: str
    where: Where = Where()
    evidence: dict[str, float] = {}
    """Numbers with their unit in the name."""


class NotApplied(_Frozen):
    """A rule that could not judge this job, and why."""

    rule: str
    why: str


class JobIdentity(_Frozen):
    """Which bytes were judged."""

    name: str
    sha256: str
    bytes: int
    lines: int


class Coverage(_Frozen):
    """How many of the rules could judge the job."""

    judged: int
    rules: int


class Estimate(_Frozen):
    """What the job would take and lay, by planning it. Null where it can't be told."""

    print_seconds: float
    """Motion, by look-ahead planning."""
    heating_seconds: float | None
    """Null where the job itself does not heat and a macro of the printer may."""
    dwell_seconds: float
    filament_mm: float
    """Laid, purges included; what retractions pull back and push again is not counted."""
    filament_g: float | None
    """By the density of the stated material; null where none was stated."""
    volume_mm3: float
    layers: int
    height_mm: float


class Untold(_Frozen):
    """Something of the layers that the commands don't tell, and why."""

    reason: str
    """A word for it, kebab-case: spiral, not-planar, macro, work-offset, ..."""
    message: str
    lines: list[int]
    """Lines where it is so: the first ones, or the first and last of a stretch."""
    count: int
    """How many lines, beads or macros."""


class Report(_Frozen):
    """What a preflight says of one job."""

    schema_version: Literal["1"] = SCHEMA_VERSION
    tool_version: str
    rules_version: str
    """Digest of names and versions of the rules that were run."""
    printer_sha256: str
    checked_at: Annotated[str, Field(description="UTC, RFC 3339")]
    job: JobIdentity
    verdict: Verdict
    coverage: Coverage
    findings: list[Finding]
    not_applied: list[NotApplied]
    estimate: Estimate
    layers: dict[str, list[int | float | None]]
    """The layer map, column by column; see layergate.layers.layermap.LayerMap."""
    layers_untold: list[Untold] = []
    """Where the layer map can't tell what will be laid."""
    unread: dict[str, int]
    """Lines that were kept but not rebuilt, by reason: how many."""
    unread_lines: dict[str, list[int]] = {}
    """The first eight of those lines, by reason."""
    rules: dict[str, str]
    """Version of the distribution that each rule came from."""

    def coverage_line(self) -> str:
        """Give the first line of every presentation of a report."""
        return f"{self.coverage.judged} of {self.coverage.rules} rules could judge this job"


def verdict_of(findings: list[Finding]) -> Verdict:
    """Give the strongest consequence of some findings; notes have none."""
    severities = {finding.severity for finding in findings}
    if "block" in severities:
        return "block"
    return "hold" if "hold" in severities else "clear"


def report_schema() -> dict[str, Any]:
    """Give the JSON Schema of a report as it is written: every member is there."""
    return Report.model_json_schema(mode="serialization")
