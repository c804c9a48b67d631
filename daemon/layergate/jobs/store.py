"""Rows of the journal as values: jobs, beds, waivers, history. Each function runs inside one journal transaction.

Knows SQL and the situations of jobs, and nothing of files, printers or clients.
"""

import secrets
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from layergate.jobs.errors import NotFoundError, StateError
from layergate.jobs.journal import now
from layergate.jobs.states import ACTIVE, ENDED, Situation, may_move

# Letters and figures that are not taken for each other, read aloud or by hand, and that make no words.
_ID_FIRST = "bcdfghkmnpqrtwxz"
_ID_REST = _ID_FIRST + "23456789"
ID_LENGTH = 4  # some 221,000 ids; a taken one is drawn again


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One job as the journal has it. Times are UTC, RFC 3339; durations in seconds."""

    seq: int
    id: str
    name: str
    printer: str
    sha256: str
    size_bytes: int
    source: str
    source_key: str | None
    submitted_at: str
    situation: Situation
    message: str
    verdict: str | None
    verdict_key: str | None
    """Digest of what the verdict belongs to: job, printer description, rule set."""
    report_sha256: str | None
    layers: int | None
    planned_s: float | None
    run: str | None
    started_at: str | None
    ended_at: str | None
    layer: int
    line: int
    remarks: int
    """Alerts raised while it was printed."""
    event: int
    """Number of the link's event up to which this row tells the run; what is replayed below it is not told again."""


@dataclass(frozen=True, slots=True)
class Bed:
    """What is known of a printer's bed."""

    clear: bool
    text: str
    at: str


@dataclass(frozen=True, slots=True)
class Waiver:
    """One person's release of one finding at one place of one job."""

    sha256: str
    rule: str
    place: str
    who: str
    why: str
    at: str


_COLUMNS = tuple(Job.__dataclass_fields__)
_RECORD = "record"  # JSON of what was planned and done per layer; some 100 kB, so it is read only where it is asked for
_SELECT = f"SELECT {', '.join(_COLUMNS)} FROM job"  # noqa: S608 (names of our own dataclass)


def _job(row: sqlite3.Row) -> Job:
    return Job(**{key: row[key] for key in _COLUMNS})


def add_job(
    db: sqlite3.Connection,
    *,
    name: str,
    printer: str,
    sha256: str,
    size_bytes: int,
    source: str,
    source_key: str | None = None,
) -> Job:
    """Enter an accepted job, to be checked; one of the same ``source_key`` is not entered twice."""
    if source_key is not None:
        row = db.execute(f"{_SELECT} WHERE source_key = ?", (source_key,)).fetchone()
        if row is not None:
            return _job(row)
    while True:
        new_id = secrets.choice(_ID_FIRST) + "".join(secrets.choice(_ID_REST) for _ in range(ID_LENGTH - 1))
        if db.execute("SELECT 1 FROM job WHERE id = ?", (new_id,)).fetchone() is None:
            break
    db.execute(
        "INSERT INTO job (id, name, printer, sha256, size_bytes, source, source_key, submitted_at, situation)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, 'checking')",
        (new_id, name, printer, sha256, size_bytes, source, source_key, now()),
    )
    add_history(db, job=new_id, printer=printer, what="accepted", who=source)
    return get_job(db, new_id)


def get_job(db: sqlite3.Connection, job_id: str) -> Job:
    """Give one job. Raises NotFoundError."""
    row = db.execute(f"{_SELECT} WHERE id = ?", (job_id,)).fetchone()
    if row is None:
        raise NotFoundError(f"there is no job {job_id!r}: 'layergate jobs --all' lists them")
    return _job(row)


def get_record(db: sqlite3.Connection, job_id: str) -> str | None:
    """Give the record of a job's run as JSON: planned and actual seconds and filament per layer."""
    row = db.execute("SELECT record FROM job WHERE id = ?", (job_id,)).fetchone()
    return str(row[0]) if row and row[0] else None


def list_jobs(
    db: sqlite3.Connection,
    *,
    situations: Iterable[Situation] | None = None,
    printer: str | None = None,
    limit: int = 1000,
    newest_first: bool = False,
) -> list[Job]:
    """Give jobs in the order of their arrival."""
    where: list[str] = ["1"]
    values: list[str] = []
    if situations is not None:
        chosen = list(situations)
        where.append(f"situation IN ({', '.join('?' * len(chosen))})")
        values += chosen
    if printer is not None:
        where.append("printer = ?")
        values.append(printer)
    order = "DESC" if newest_first else "ASC"
    rows = db.execute(f"{_SELECT} WHERE {' AND '.join(where)} ORDER BY seq {order} LIMIT ?", (*values, limit))
    return [_job(row) for row in rows]


def move_job(
    db: sqlite3.Connection, job_id: str, situation: Situation, *, message: str = "", who: str = "", **changes: Any
) -> Job:
    """Bring a job into another situation, with other columns changed at the same instant.

    Raises:
        NotFoundError: there is no such job.
        StateError: the job can't go there from where it is.
    """
    before = get_job(db, job_id)
    if not may_move(before.situation, situation):
        raise StateError(f"job {job_id} is {before.situation}, so it can't become {situation}")
    if situation in ENDED:
        changes.setdefault("ended_at", now())
    _change(db, job_id, {"situation": situation, "message": message, **changes})
    if before.situation != situation or message:
        add_history(db, job=job_id, printer=before.printer, what=f"{situation}: {message}".rstrip(": "), who=who)
    return get_job(db, job_id)


def change_job(db: sqlite3.Connection, job_id: str, **changes: Any) -> Job:
    """Change columns of a job other than its situation."""
    assert "situation" not in changes
    _change(db, job_id, changes)
    return get_job(db, job_id)


def count_remark(db: sqlite3.Connection, job_id: str) -> Job:
    """Count one more alert raised while a job was printed."""
    db.execute("UPDATE job SET remarks = remarks + 1 WHERE id = ?", (job_id,))
    return get_job(db, job_id)


def _change(db: sqlite3.Connection, job_id: str, changes: dict[str, Any]) -> None:
    assert changes.keys() <= {*_COLUMNS, _RECORD}, changes
    settings = ", ".join(f"{key} = ?" for key in changes)
    db.execute(f"UPDATE job SET {settings} WHERE id = ?", (*changes.values(), job_id))  # noqa: S608 (checked above)


def active_job(db: sqlite3.Connection, printer: str) -> Job | None:
    """Give the job that is being printed there."""
    found = list_jobs(db, situations=ACTIVE, printer=printer)
    assert len(found) <= 1, f"two jobs at once on {printer}"
    return found[0] if found else None


def printers_with_jobs(db: sqlite3.Connection) -> set[str]:
    """Name the printers for which jobs have not ended."""
    waiting = ", ".join(f"'{situation}'" for situation in ENDED)
    rows = db.execute(f"SELECT DISTINCT printer FROM job WHERE situation NOT IN ({waiting})")  # noqa: S608 (our words)
    return {row[0] for row in rows}


def get_bed(db: sqlite3.Connection, printer: str) -> Bed:
    """Give what is known of a bed; of a new printer nothing is, so it needs clearing."""
    row = db.execute("SELECT bed_clear, bed_text, bed_at FROM printer WHERE name = ?", (printer,)).fetchone()
    return Bed(bool(row[0]), row[1], row[2]) if row else Bed(clear=False, text="never confirmed", at=now())


def set_bed(db: sqlite3.Connection, printer: str, *, clear: bool, text: str, who: str = "") -> Bed:
    """Note whether a bed is clear, and by whose word or why not."""
    db.execute(
        "INSERT INTO printer (name, bed_clear, bed_text, bed_at) VALUES (?, ?, ?, ?) ON CONFLICT (name)"
        " DO UPDATE SET bed_clear = excluded.bed_clear, bed_text = excluded.bed_text, bed_at = excluded.bed_at",
        (printer, int(clear), text, now()),
    )
    what = "bed confirmed clear" if clear else f"needs clearing: {text}"
    add_history(db, printer=printer, what=what, who=who)
    return get_bed(db, printer)


def add_waiver(db: sqlite3.Connection, *, sha256: str, rule: str, place: str, who: str, why: str) -> None:
    """Keep a person's release of a finding; a later one of the same finding takes its place."""
    db.execute(
        "INSERT OR REPLACE INTO waiver (sha256, rule, place, who, why, at) VALUES (?, ?, ?, ?, ?, ?)",
        (sha256, rule, place, who, why, now()),
    )


def waivers_of(db: sqlite3.Connection, sha256: str) -> list[Waiver]:
    rows = db.execute("SELECT sha256, rule, place, who, why, at FROM waiver WHERE sha256 = ? ORDER BY seq", (sha256,))
    return [Waiver(*row) for row in rows]


def add_history(
    db: sqlite3.Connection, *, what: str, job: str | None = None, printer: str | None = None, who: str = ""
) -> None:
    db.execute(
        "INSERT INTO history (job, printer, at, what, who) VALUES (?, ?, ?, ?, ?)", (job, printer, now(), what, who)
    )


def history_of(db: sqlite3.Connection, job_id: str) -> list[dict[str, str]]:
    """Give what happened to a job, in order."""
    rows = db.execute("SELECT at, what, who FROM history WHERE job = ? ORDER BY seq", (job_id,))
    return [dict(row) for row in rows]
