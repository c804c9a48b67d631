"""Clearing the spool: only files of jobs that ended long ago, and none that a younger job shares."""

import os
import time
from pathlib import Path

from tests.service.parts import job_bytes

from layergate.jobs import keeping, store
from layergate.jobs.journal import Journal
from layergate.jobs.spool import Spool
from layergate.jobs.states import Situation

LONG_AGO = "2020-01-01T00:00:00.000Z"


async def _job(journal: Journal, spool: Spool, data: bytes, situation: Situation | None, ended_at: str) -> store.Job:
    spooled = spool.store([data])
    old = time.time() - 100 * 86400
    os.utime(spooled.path, (old, old))
    job = await journal.do(
        lambda db: store.add_job(
            db, name="cap", printer="quay", sha256=spooled.sha256, size_bytes=spooled.size_bytes, source="test"
        )
    )
    for path in (spool.report_path(job.id), spool.index_path(job.id)):
        path.write_text("{}", encoding="utf-8")
        os.utime(path, (old, old))
    if situation is None:
        return job
    return await journal.do(lambda db: store.move_job(db, job.id, situation, ended_at=ended_at))


async def test_only_what_ended_long_ago_is_cleared(tmp_path: Path) -> None:
    """Of an old job all three files go, its record stays; waiting, fresh and shared ones are left alone."""
    spool, journal = Spool(tmp_path / "spool", keep_free_bytes=0), Journal(tmp_path / "journal.sqlite")
    spool.open()
    await journal.open()
    old = await _job(journal, spool, job_bytes(1), "canceled", LONG_AGO)
    shared = await _job(journal, spool, job_bytes(2), "canceled", LONG_AGO)
    waiting = await _job(journal, spool, job_bytes(2), None, "")
    fresh = await _job(journal, spool, job_bytes(3), "canceled", "2999-01-01T00:00:00.000Z")
    assert await keeping.clear_old(journal, spool, 30) == 5
    assert not spool.job_path(old.sha256).exists()
    assert not spool.report_path(old.id).exists()
    assert not spool.index_path(shared.id).exists()
    for kept in (waiting, fresh):
        assert spool.job_path(kept.sha256).exists()
        assert spool.report_path(kept.id).exists()
    assert (await journal.do(lambda db: store.get_job(db, old.id))).situation == "canceled"
    assert await keeping.clear_old(journal, spool, 30) == 0
    await journal.close()
    spool.close()


async def test_a_job_that_has_just_come_again_is_not_cleared(tmp_path: Path) -> None:
    """A file that was written anew, though its job is not yet entered, is too young to be deleted."""
    spool, journal = Spool(tmp_path / "spool", keep_free_bytes=0), Journal(tmp_path / "journal.sqlite")
    spool.open()
    await journal.open()
    old = await _job(journal, spool, job_bytes(1), "canceled", LONG_AGO)
    spool.store([job_bytes(1)])
    await keeping.clear_old(journal, spool, 30)
    assert spool.job_path(old.sha256).exists()
    await journal.close()
    spool.close()
