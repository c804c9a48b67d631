"""Clearing the spool of files whose jobs ended long ago. Records stay in the journal; nothing that waits is touched."""

import asyncio
import sqlite3
from datetime import UTC, datetime, timedelta

import structlog

from layergate.jobs import store
from layergate.jobs.errors import JournalError
from layergate.jobs.journal import Journal
from layergate.jobs.spool import Spool
from layergate.jobs.states import ENDED

log = structlog.get_logger(__name__)


async def clear_old(journal: Journal, spool: Spool, days: float) -> int:
    """Delete the files of jobs that ended more than ``days`` ago and that no younger job shares; give their number."""
    before = datetime.now(UTC) - timedelta(days=days)
    limit = before.isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def old(db: sqlite3.Connection) -> list[tuple[str, str, bool]]:
        jobs = store.list_jobs(db, limit=1_000_000)
        needed = {job.sha256 for job in jobs if job.situation not in ENDED or (job.ended_at or "") >= limit}
        return [
            (job.id, job.sha256, job.sha256 in needed)
            for job in jobs
            if job.situation in ENDED and (job.ended_at or "") < limit
        ]

    def delete(found: list[tuple[str, str, bool]]) -> int:
        deleted = 0
        for job_id, digest, shared in found:
            paths = [spool.report_path(job_id), spool.index_path(job_id)]
            if not shared:
                paths.append(spool.job_path(digest))
            deleted += sum(spool.delete_older(path, before.timestamp()) for path in paths)
        return deleted

    try:
        deleted = await asyncio.to_thread(delete, await journal.do(old))
    except (OSError, JournalError) as error:
        log.warning("old jobs not cleared", error=str(error))
        return 0
    if deleted:
        log.info("old jobs cleared", files=deleted, days=days)
    return deleted
