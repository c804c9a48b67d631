"""Each kind of entry into the journal fails once, on a job's whole way through the service."""

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from tests.service.parts import FakeLink, job_bytes, make_config, until
from tests.service.running import serving

from layergate.cli.client_http import ClientError
from layergate.jobs import store
from layergate.jobs.errors import JournalError


async def _try(ask: Callable[[], Any]) -> Any:
    """Ask, and once more where the first was refused."""
    try:
        return await ask()
    except ClientError as error:
        if error.status != 503:
            raise
        return await ask()


async def _one_way(tmp_path: Path, kind: str | None, nth: int = 1) -> list[str]:
    """Send a job its whole way with the n-th entry of a kind failing; give the kinds of entries, in their order."""
    link = FakeLink(prints=True)
    kinds: list[str] = []
    async with serving(make_config(tmp_path), link) as (service, talk):
        real = service.journal.do

        async def do(work: Callable[[sqlite3.Connection], Any]) -> Any:
            kinds.append(work.__qualname__)
            if work.__qualname__ == kind and kinds.count(kind) == nth:
                raise JournalError("database or disk is full")
            return await real(work)

        service.journal.do = do  # type: ignore[method-assign]
        job = await _try(lambda: talk.submit(job_bytes()))
        await _try(talk.clear)

        async def ended() -> bool:
            return (await real(lambda db: store.get_job(db, job))).situation in {"completed", "aborted"}

        await until(ended, f"the end, with {kind} failing", 15)
        # The alerts of the end come after it.
        await until(lambda: service.desks["quay"].job is None, "desk free")
        found = await real(lambda db: store.get_job(db, job))
        assert found.situation == "completed", (kind, found)
        assert len([command for command in link.commands if command["do"] == "start"]) == 1, kind
        assert await real(lambda db: store.list_jobs(db, situations=["queued", "printing"])) == [], kind
    return kinds


@pytest.mark.timeout(120)
async def test_whichever_entry_fails_the_job_is_refused_or_printed_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whichever entry fails: the client is told, or the job is printed, exactly once; and the service lives on."""
    monkeypatch.setattr("layergate.jobs.desk.JOURNAL_PAUSE_S", 0.05)
    monkeypatch.setattr("layergate.jobs.bench.JOURNAL_PAUSE_S", 0.05)
    monkeypatch.setattr("layergate.jobs.gate.LOOK_AGAIN_S", 0.05)
    monkeypatch.setattr("layergate.jobs.desk.FIRST_PAUSE_S", 0.05)
    monkeypatch.setattr("layergate.jobs.desk.TICK_S", 0.1)
    kinds = dict.fromkeys(await _one_way(tmp_path / "clean", None))
    # What must be among them: acceptance, verdict, bed, start, progress, end.
    for part in ("accept", "_judge", "cleared", "begin", "_checkpoint", "enter"):
        assert any(part in kind for kind in kinds), part
    for number, kind in enumerate(kinds):
        met = await _one_way(tmp_path / f"{number}", kind)
        assert kind in met
