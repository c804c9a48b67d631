"""The journal and its rows: damage is loud and survivable, kills lose nothing, states move only as they may."""

import asyncio
import random
import sqlite3
import subprocess
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from layergate.jobs import store
from layergate.jobs.errors import JournalError, NotFoundError, StateError
from layergate.jobs.journal import Journal
from layergate.jobs.states import ACTIVE, ENDED, MOVES, PRINTER_STATES, STATES, WAITING, may_move

JOB = {"name": "cap", "printer": "quay", "sha256": "0" * 64, "size_bytes": 7, "source": "test"}


@pytest.fixture
async def journal(tmp_path: Path) -> AsyncIterator[Journal]:
    made = Journal(tmp_path / "journal.sqlite")
    await made.open()
    yield made
    await made.close()


async def _add(journal: Journal, **changes: Any) -> store.Job:
    return await journal.do(lambda db: store.add_job(db, **{**JOB, **changes}))


async def test_a_job_comes_back_after_the_journal_was_closed(tmp_path: Path, journal: Journal) -> None:
    """What was entered is there for the next service."""
    job = await _add(journal)
    await journal.close()
    again = Journal(tmp_path / "journal.sqlite")
    await again.open()
    assert again.damage is None
    assert await again.do(lambda db: store.get_job(db, job.id)) == job
    await again.close()


async def test_power_cut_pragmas_are_set(journal: Journal) -> None:
    """WAL and synchronous=FULL (2): the settings under which a commit survives a power cut (sqlite.org/pragma.html)."""
    assert await journal.do(lambda db: db.execute("PRAGMA journal_mode").fetchone()[0]) == "wal"
    assert await journal.do(lambda db: db.execute("PRAGMA synchronous").fetchone()[0]) == 2


async def test_ids_are_short_readable_and_never_given_twice(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ids have four characters without look-alikes; a taken one is drawn again."""
    ids = {(await _add(journal)).id for _ in range(50)}
    assert len(ids) == 50
    assert all(len(found) == 4 and not set(found) & set("01oilsuyvaej") for found in ids)
    taken = next(iter(ids))
    draws = iter(taken + "bbbb")
    monkeypatch.setattr("secrets.choice", lambda _: next(draws))
    assert (await _add(journal)).id == "bbbb"


async def test_the_same_source_key_is_entered_once(journal: Journal) -> None:
    """A file of a drop folder that was entered just before a kill is not entered again."""
    first = await _add(journal, source_key="file-1")
    assert await _add(journal, source_key="file-1") == first
    assert (await _add(journal, source_key="file-2")).id != first.id


async def test_a_failing_transaction_leaves_nothing(journal: Journal) -> None:
    """An error within a transaction undoes all of it, and the journal goes on."""
    job = await _add(journal)

    def half(db: sqlite3.Connection) -> None:
        store.move_job(db, job.id, "queued")
        raise StateError("half way")

    with pytest.raises(StateError):
        await journal.do(half)
    assert (await journal.do(lambda db: store.get_job(db, job.id))).situation == "checking"
    with pytest.raises(NotFoundError, match="zzzz"):
        await journal.do(lambda db: store.get_job(db, "zzzz"))


async def test_a_job_moves_only_where_it_may(journal: Journal) -> None:
    """A job that was checked can't become completed without having been printed."""
    job = await _add(journal)
    with pytest.raises(StateError, match=f"job {job.id} is checking, so it can't become completed"):
        await journal.do(lambda db: store.move_job(db, job.id, "completed"))


def test_the_tables_of_states_are_whole() -> None:
    """Every situation has a state and moves; ended ones have none; canceled follows every waiting one (RFC 8011 5.3.7)."""
    assert set(MOVES) == set(STATES) == WAITING | ACTIVE | ENDED
    assert all(not MOVES[ended] for ended in ENDED)
    assert all(may_move(waiting, "canceled") for waiting in WAITING)
    # RFC 8011 figure 3, the states behind each situation: who has ended never comes back.
    order = ["pending", "pending-held", "processing", "processing-stopped", "canceled", "aborted", "completed"]
    for before, after in ((b, a) for b, found in MOVES.items() for a in found):
        assert order.index(STATES[before][0]) < 4, (before, after)


def test_the_words_are_the_standards() -> None:
    """Every state and reason is a keyword of RFC 8011 (facts 6.10; output-area-full from 5.4.12, from memory)."""
    states = {"pending", "pending-held", "processing", "processing-stopped", "canceled", "aborted", "completed"}
    reasons = {
        "job-interpreting", "resources-are-not-ready", "job-hold-until-specified", "document-format-error", "job-queued",
        "job-printing", "printer-stopped", "processing-to-stop-point", "job-completed-successfully",
        "job-completed-with-warnings", "job-canceled-by-user", "job-canceled-at-device", "job-canceled-by-operator",
        "aborted-by-system",
    }  # fmt: skip
    assert {state for state, _ in STATES.values()} == states
    assert {reason for _, reason in STATES.values()} <= reasons
    assert {state for state, _ in PRINTER_STATES.values()} == {"idle", "processing", "stopped"}
    printer_reasons = {reason for _, found in PRINTER_STATES.values() for reason in found}
    assert printer_reasons <= {"none", "other", "connecting-to-device", "output-area-full", "paused", "stopping"}


@pytest.mark.parametrize("damage", ["head", "middle", "truncated", "not a database", "tables missing"])
async def test_a_damaged_journal_is_moved_aside_and_a_new_one_begun(tmp_path: Path, damage: str) -> None:
    """Whatever happened to the file: it is kept beside, the damage is told, and the service goes on with a new one."""
    path = tmp_path / "journal.sqlite"
    journal = Journal(path)
    await journal.open()
    for _ in range(200):
        await _add(journal)
    await journal.close()
    data = bytearray(path.read_bytes())
    if damage == "head":
        data[:32] = b"\xff" * 32
    elif damage == "middle":
        data[4096 : len(data) - 100] = random.Random(5).randbytes(len(data) - 4196)
    elif damage == "truncated":
        del data[len(data) // 2 :]
    elif damage == "not a database":
        data = bytearray(b"moored boats\n" * 1000)
    path.write_bytes(data)
    if damage == "tables missing":
        with sqlite3.connect(path) as db:
            db.execute("DROP TABLE waiver")
        db.close()
    again = Journal(path)
    await again.open()
    assert again.damage is not None
    assert "a new one was begun" in again.damage
    kept = [found for found in tmp_path.glob("journal.sqlite.damaged-*") if not found.name.endswith(("wal", "shm"))]
    assert len(kept) == 1
    assert kept[0].stat().st_size > 0
    assert (await _add(again)).seq == 1
    await again.close()


async def test_a_journal_of_a_newer_version_is_left_alone(tmp_path: Path) -> None:
    """A file that a newer version wrote is not touched: the error says so."""
    path = tmp_path / "journal.sqlite"
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version=99")
    db.close()
    with pytest.raises(JournalError, match="of version 99"):
        await Journal(path).open()


async def test_a_journal_that_can_not_be_made_says_why(tmp_path: Path) -> None:
    """A folder in the journal's place is told by its path."""
    (tmp_path / "journal.sqlite").mkdir()
    with pytest.raises(JournalError, match=r"journal\.sqlite"):
        await Journal(tmp_path / "journal.sqlite").open()


async def test_a_full_disk_undoes_the_transaction_and_is_told(journal: Journal) -> None:
    """When the file can't grow (SQLITE_FULL, by max_page_count), the call fails, earlier rows stay, later calls work."""
    job = await _add(journal)
    pages = await journal.do(lambda db: db.execute("PRAGMA page_count").fetchone()[0])

    def limit(db: sqlite3.Connection) -> None:
        db.execute(f"PRAGMA max_page_count={pages}")

    await journal.do(limit)
    with pytest.raises(JournalError, match="full"):
        await _add(journal, name="x" * 100_000)
    assert journal.failures == 1
    await journal.do(lambda db: db.execute("PRAGMA max_page_count=1000000").fetchone())
    assert [found.id for found in await journal.do(store.list_jobs)] == [job.id]
    await _add(journal)


async def test_a_cancelled_caller_does_not_undo_the_work(journal: Journal) -> None:
    """Work handed over is done though who asked for it is cancelled."""
    task = asyncio.create_task(_add(journal))
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert len(await journal.do(store.list_jobs)) == 1


_KILLED = """
import asyncio, sys
from pathlib import Path
from layergate.jobs.journal import Journal
from layergate.jobs import store
async def main():
    journal = Journal(Path(sys.argv[1]))
    await journal.open()
    while True:
        job = await journal.do(lambda db: store.add_job(
            db, name="cap", printer="quay", sha256="0" * 64, size_bytes=1, source="loop"))
        print(job.id, flush=True)
asyncio.run(main())
"""


async def test_what_was_told_survives_kill_9(tmp_path: Path) -> None:
    """Killed at random instants, six times: every entry that was told is there, and the file is sound."""
    path = tmp_path / "journal.sqlite"
    told: set[str] = set()
    for wanted in random.Random(7).sample(range(5, 40), 6):
        process = subprocess.Popen([sys.executable, "-c", _KILLED, path], stdout=subprocess.PIPE)
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(wanted)]
        process.kill()
        lines += process.stdout.read().splitlines(keepends=True)
        process.stdout.close()
        process.wait(timeout=10)
        told |= {line.strip().decode() for line in lines if line.endswith(b"\n")}
    journal = Journal(path)
    await journal.open()
    assert journal.damage is None
    assert told <= {job.id for job in await journal.do(lambda db: store.list_jobs(db, limit=100_000))}
    await journal.close()


def test_the_contributors_page_has_the_table_that_the_code_has() -> None:
    """DEVELOPERS.md maps every situation and condition to the standard's words as jobs/states.py does."""
    page = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = dict[str, tuple[str, str]]()
    for line in page[page.index("## States") : page.index("## Dependencies")].splitlines():
        if line.startswith("| ") and not line.startswith(("| situation", "| condition")):
            name, state, reason, *_ = (cell.strip() for cell in line.strip("|").split("|"))
            rows[f"{state} {name}" if name in rows else name] = (state, reason)
    printers = {name: (state, ", ".join(reasons)) for name, (state, reasons) in PRINTER_STATES.items()}
    # Three words stand in both tables; the second row of each is the printer's.
    twice = STATES.keys() & printers.keys()
    assert {name: rows[name] for name in STATES} == dict(STATES)
    assert {name: rows[f"{printers[name][0]} {name}" if name in twice else name] for name in printers} == printers
