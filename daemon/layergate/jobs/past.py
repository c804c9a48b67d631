"""The daemon's history, looked at from outside: jobs with their verdicts and files, while the daemon runs or not.

Reads journal and spool and changes neither: nothing is locked, written, moved or checked again for real.
"""

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from layergate.config import Config
from layergate.jobs import store
from layergate.jobs.errors import JournalError
from layergate.jobs.journal import SCHEMA_VERSION
from layergate.jobs.spool import Spool
from layergate.jobs.store import Job, Waiver
from layergate.jobs.verdict import Finding, ReportError, not_waived, read_report

MOST_JOBS = 100_000


@dataclass(frozen=True, slots=True)
class PastJob:
    """A job that was judged once."""

    job: Job
    file: Path
    """Its bytes, as they were judged."""
    waivers: tuple[Waiver, ...]
    standing: tuple[Finding, ...] | None
    """What stood in its way and nobody released; None where its report is not kept any more."""


@dataclass(frozen=True, slots=True)
class History:
    """All jobs that were judged, the oldest first, each file once for a printer."""

    jobs: tuple[PastJob, ...]
    files_gone: int
    """Jobs whose files are not kept any more ([spool] keep_finished_days)."""


def read_history(config: Config) -> History:
    """Read what the daemon of this configuration judged.

    Raises:
        JournalError: there is no journal, or it can't be read.
    """
    spool = Spool(config.spool_directory())
    path = spool.directory / "journal.sqlite"
    try:
        with closing(_open(path)) as db:
            found = store.list_jobs(db, limit=MOST_JOBS, newest_first=True)
            waivers = {job.sha256: tuple(store.waivers_of(db, job.sha256)) for job in found}
    except sqlite3.Error as error:
        raise JournalError(f"{path} can't be read as journal: {error}") from error
    jobs: dict[tuple[str, str], PastJob] = {}
    gone = 0
    for job in found:
        if job.verdict is None or (job.sha256, job.printer) in jobs:
            continue
        file = spool.job_path(job.sha256)
        if not file.is_file():
            gone += 1
            continue
        standing = _standing(spool.report_path(job.id), waivers[job.sha256])
        jobs[job.sha256, job.printer] = PastJob(job, file, waivers[job.sha256], standing)
    return History(tuple(jobs.values())[::-1], gone)


def _open(path: Path) -> sqlite3.Connection:
    if not path.is_file():
        raise JournalError(f"there is no journal {path}: name the daemon's configuration with --config")
    # Without a write-ahead log nobody has the file open, and reading must not make one: it would belong to whoever reads.
    mode = "mode=ro" if path.with_name(path.name + "-wal").exists() else "mode=ro&immutable=1"
    db = sqlite3.connect(f"{path.absolute().as_uri()}?{mode}", uri=True)
    db.row_factory = sqlite3.Row
    version = db.execute("PRAGMA user_version").fetchone()[0]
    if version != SCHEMA_VERSION:
        db.close()
        raise JournalError(f"{path} is of version {version}, this layergate reads {SCHEMA_VERSION}")
    return db


def _standing(report: Path, waivers: tuple[Waiver, ...]) -> tuple[Finding, ...] | None:
    try:
        return not_waived(read_report(report)[0], waivers)
    except ReportError:
        return None
