"""Reading what a preflight found, and what of it stands in the way after people's releases.

The report is read loosely: what the gate needs of it must be there and right, everything else is passed on untouched.
Knows no rule by name and judges nothing itself.
"""

import importlib.metadata
import importlib.util
import json
from collections.abc import Iterable, Sequence
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from layergate.jobs.store import Waiver

LARGEST_REPORT_BYTES = 64 * 1024 * 1024  # a report is some 100 kB; more than this is not read into the service
WHOLE_VERDICT = "verdict"
"""Stands for the rule where a verdict is hold though no finding says so (a rule crashed, say)."""


class ReportError(ValueError):
    """A report can't be used, so its job is not judged."""


class _Loose(BaseModel):
    model_config = ConfigDict(extra="allow", frozen=True)


class Where(_Loose):
    """Where a finding is; members that make no sense for it are None."""

    layer: int | None = None
    z_mm: tuple[float, float] | None = None
    lines: tuple[int, int] | None = None


class Finding(_Loose):
    """One finding of a report."""

    rule: str
    severity: Literal["block", "hold", "note"]
    releasable: bool
    message: str
    advice: str = ""
    where: Where = Where()

    def place(self) -> str:
        """Give the place as it stands in a waiver: layer and lines of the job."""
        first, last = self.where.lines or (0, 0)
        layer = "-" if self.where.layer is None else self.where.layer
        return f"layer {layer}, lines {first}-{last}"


class JobOfReport(_Loose):
    sha256: str


class Coverage(_Loose):
    judged: int
    rules: int


class Report(_Loose):
    """What the gate needs of a report."""

    verdict: Literal["clear", "hold", "block"]
    printer_sha256: str | None = None
    job: JobOfReport
    coverage: Coverage
    findings: tuple[Finding, ...] = ()

    def standing(self) -> tuple[Finding, ...]:
        """Give the findings that stand in the way; where the verdict has none to show, the verdict itself as one."""
        found = tuple(finding for finding in self.findings if finding.severity != "note")
        if not found and self.verdict != "clear":
            found = (
                Finding(
                    rule=WHOLE_VERDICT,
                    severity=self.verdict,
                    releasable=self.verdict == "hold",
                    message="the verdict is not clear though no finding says why: see what was not applied",
                ),
            )
        return found


def read_report(path: Path) -> tuple[Report, str]:
    """Read a report and give it with the digest of its file.

    Raises:
        ReportError: it is not there, not whole, or lacks what the gate needs.
    """
    try:
        if path.stat().st_size > LARGEST_REPORT_BYTES:
            raise ReportError(f"{path} is larger than {LARGEST_REPORT_BYTES} bytes")
        data = path.read_bytes()
        return Report.model_validate(json.loads(data)), sha256(data).hexdigest()
    except OSError as error:
        raise ReportError(f"{path} can't be read: {error.strerror}") from error
    except ValidationError as error:
        first = error.errors()[0]
        raise ReportError(f"{path} is no report: {'.'.join(map(str, first['loc']))}: {first['msg']}") from error
    except ValueError as error:
        raise ReportError(f"{path} is no report: {error}") from error


def not_waived(report: Report, waivers: Iterable[Waiver]) -> tuple[Finding, ...]:
    """Give the findings in the way that nobody has released. What can't be released never counts as released."""
    released = {(waiver.rule, waiver.place) for waiver in waivers}
    return tuple(
        finding
        for finding in report.standing()
        if not (finding.releasable and (finding.rule, finding.place()) in released)
    )


def summary(findings: Sequence[Finding], report: Report) -> str:
    """Say in one line what stands in the way, and how much was judged."""
    judged = f"{report.coverage.judged} of {report.coverage.rules} rules could judge this job"
    if not findings:
        return judged
    first = findings[0]
    more = f" (and {len(findings) - 1} more)" if len(findings) > 1 else ""
    return f"{first.rule}: {first.message}{more}; {judged}"


def verdict_key(job_sha256: str, description_sha256: str, rules_sha256: str) -> str:
    """Name what a verdict belongs to."""
    return sha256(f"{job_sha256} {description_sha256} {rules_sha256}".encode()).hexdigest()


_JUDGING_PACKAGES = (
    "layergate.gcode",
    "layergate.toolpath",
    "layergate.layers",
    "layergate.preflight",
    "layergate_rules",
)


def rules_digest(plugins: Sequence[str] = ()) -> str:
    """Name the rule set: a digest of the source of everything that judges, and of the versions of other distributions.

    By content, since a developer's change of a rule is a change of the rule set too. Nothing is imported; reads some
    60 small files unless their times and sizes are what they were.
    """
    files = []
    for package in _JUDGING_PACKAGES:
        found = importlib.util.find_spec(package)
        for folder in (found.submodule_search_locations or ()) if found else ():
            files += sorted(Path(folder).rglob("*.py"))
    stamps = tuple((str(path), path.stat().st_mtime_ns, path.stat().st_size) for path in files)
    versions = []
    for name in sorted(plugins):
        try:
            versions.append(f"{name} {importlib.metadata.version(name)}")
        except importlib.metadata.PackageNotFoundError:
            versions.append(f"{name} not installed")
    return _digest_of(stamps, tuple(versions))


@lru_cache(maxsize=2)
def _digest_of(stamps: tuple[tuple[str, int, int], ...], versions: tuple[str, ...]) -> str:
    digest = sha256()
    for path, _, _ in stamps:
        digest.update(Path(path).name.encode() + b"\0" + sha256(Path(path).read_bytes()).digest())
    for version in versions:
        digest.update(version.encode())
    return digest.hexdigest()


def read_raw(path: Path) -> dict[str, Any]:
    """Give a report as it stands, for those who show it. Raises ReportError."""
    try:
        raw: dict[str, Any] = json.loads(path.read_bytes())
    except (OSError, ValueError) as error:
        raise ReportError(f"{path} can't be read: {error}") from error
    return raw
