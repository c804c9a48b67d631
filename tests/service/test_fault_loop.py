"""The n-th entry into the journal fails, n = 1, 2, 3 ... until a job goes its whole way without meeting the fault."""

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


async def _one_way(tmp_path: Path, n: int) -> str | None:
    """Send a job its whole way with the n-th entry failing; give what failed, None if nothing did."""
    link = FakeLink(prints=True)
    failed: list[str] = []
    entries = 0
    async with serving(make_config(tmp_path), link) as (service, talk):
        real = service.journal.do

        async def do(work: Callable[[sqlite3.Connection], Any]) -> Any:
            nonlocal entries
            if "_stamp_journal" not in work.__qualname__:
                entries += 1
                if entries == n:
                    failed.append(work.__qualname__)
                    raise JournalError("database or disk is full")
            return await real(work)

        service.journal.do = do  # type: ignore[method-assign]
        job = await _try(lambda: talk.submit(job_bytes()))
        await _try(talk.clear)

        async def ended() -> bool:
            return (await real(lambda db: store.get_job(db, job))).situation in {"completed", "aborted"}

        await until(ended, f"the end, with entry {n} ({failed}) failing", 15)
        found = await real(lambda db: store.get_job(db, job))
        assert found.situation == "completed", (n, failed, found)
        assert len([command for command in link.commands if command["do"] == "start"]) == 1
        waiting = await real(lambda db: store.list_jobs(db, situations=["queued", "printing"]))
        assert waiting == [], (n, failed)
    return failed[0] if failed else None


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
    met = []
    for n in range(1, 40):
        what = await _one_way(tmp_path / str(n), n)
        if what is None:
            break
        met.append(what)
    else:
        pytest.fail("the loop found no end")
    assert any("accept" in what for what in met)
    assert any("begin" in what for what in met)
    assert any("enter" in what for what in met)
