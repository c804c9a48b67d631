"""The journal: one SQLite file, written by one thread of its own, behind a small async front.

SQLite's own advice for survival of power cuts: write-ahead log with ``synchronous=FULL`` (sqlite.org/pragma.html,
sqlite.org/wal.html), ``quick_check`` at start. A damaged file is moved aside loudly, never deleted, and another begun.
Knows the tables and nothing of what stands in them.
"""

import asyncio
import sqlite3
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

from layergate.jobs.errors import JournalError
from layergate.jobs.spool import fsync_directory

T = TypeVar("T")

SCHEMA_VERSION = 1
DAMAGE = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR})
"""Result codes that speak of the file's content (sqlite.org/rescode.html); SQLITE_ERROR: a table is missing."""
BUSY_TIMEOUT_S = 5.0  # somebody looks into the file with the sqlite3 command; we are its only writer

SCHEMA = """
CREATE TABLE job (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    id TEXT NOT NULL UNIQUE,
    name TEXT NOT NULL,
    printer TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    size_bytes INTEGER NOT NULL,
    source TEXT NOT NULL,
    source_key TEXT UNIQUE,
    submitted_at TEXT NOT NULL,
    situation TEXT NOT NULL,
    message TEXT NOT NULL DEFAULT '',
    verdict TEXT,
    verdict_key TEXT,
    report_sha256 TEXT,
    layers INTEGER,
    planned_s REAL,
    run TEXT,
    started_at TEXT,
    ended_at TEXT,
    layer INTEGER NOT NULL DEFAULT 0,
    line INTEGER NOT NULL DEFAULT 0,
    remarks INTEGER NOT NULL DEFAULT 0,
    event INTEGER NOT NULL DEFAULT 0,
    record TEXT
);
CREATE INDEX job_situation ON job (situation, printer);
CREATE INDEX job_sha256 ON job (sha256);
CREATE TABLE printer (
    name TEXT PRIMARY KEY,
    bed_clear INTEGER NOT NULL,
    bed_text TEXT NOT NULL,
    bed_at TEXT NOT NULL
);
CREATE TABLE waiver (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    sha256 TEXT NOT NULL,
    rule TEXT NOT NULL,
    place TEXT NOT NULL,
    who TEXT NOT NULL,
    why TEXT NOT NULL,
    at TEXT NOT NULL,
    UNIQUE (sha256, rule, place)
);
CREATE TABLE history (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    job TEXT,
    printer TEXT,
    at TEXT NOT NULL,
    what TEXT NOT NULL,
    who TEXT NOT NULL DEFAULT ''
);
CREATE INDEX history_job ON history (job);
CREATE TABLE alert (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    id TEXT NOT NULL UNIQUE,
    body TEXT NOT NULL,
    waiting INTEGER NOT NULL
);
CREATE INDEX alert_waiting ON alert (waiting, seq);
"""


def now() -> str:
    """Give the wall clock, UTC, as RFC 3339 with milliseconds."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Journal:
    """The journal's file and thread.

    Attributes:
        damage: what was found wrong at opening and where the damaged file went; None where all was well.
        failures: how many calls failed for the file's or disk's sake.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.damage: str | None = None
        self.failures = 0
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="journal")
        self._connection: sqlite3.Connection | None = None

    async def open(self) -> None:
        """Open the file, check it, and make its tables; a damaged one is moved aside first.

        Raises:
            JournalError: there can be no journal there at all.
        """
        await asyncio.get_running_loop().run_in_executor(self._thread, self._open)

    async def close(self) -> None:
        """Close the file when everything asked for before is written."""
        if self._connection is not None:
            connection, self._connection = self._connection, None
            await asyncio.get_running_loop().run_in_executor(self._thread, connection.close)
        self._thread.shutdown(wait=False)

    async def do(self, work: Callable[[sqlite3.Connection], T]) -> T:
        """Run ``work`` as one transaction in the journal's thread; when this returns, it is on disk.

        A caller that is cancelled does not undo the work: it was handed over and will be done.

        Raises:
            JournalError: the file or disk failed; nothing of the transaction is kept.
        """
        if self._connection is None:
            raise JournalError("the journal is closed")
        return await asyncio.shield(asyncio.get_running_loop().run_in_executor(self._thread, self._transaction, work))

    def _transaction(self, work: Callable[[sqlite3.Connection], T]) -> T:
        if self._connection is None:
            raise JournalError("the journal is closed")
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                result = work(self._connection)
            except BaseException:
                if self._connection.in_transaction:  # a full disk has ended it already
                    self._connection.execute("ROLLBACK")
                raise
            self._connection.execute("COMMIT")
            return result
        except (sqlite3.OperationalError, sqlite3.DatabaseError) as error:
            if isinstance(error, sqlite3.IntegrityError):
                raise  # the caller's affair: a value that must be unique
            self.failures += 1
            if self._connection.in_transaction:  # COMMIT itself failed, say for a full disk
                self._connection.execute("ROLLBACK")
            raise JournalError(f"{self.path}: {error}: is the disk full or failing?") from error

    def _open(self) -> None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True, mode=0o750)
            wrong = self._check() if self.path.exists() else None
            if wrong is not None:
                self._move_aside(wrong)
            self._connection = self._connect()
            version = self._connection.execute("PRAGMA user_version").fetchone()[0]
            if version == 0:
                self._connection.executescript(f"BEGIN;{SCHEMA}PRAGMA user_version={SCHEMA_VERSION};COMMIT;")
            elif version != SCHEMA_VERSION:
                raise JournalError(
                    f"{self.path} is of version {version}, this layergate writes {SCHEMA_VERSION}: "
                    "run the newer layergate, or move the file away"
                )
        except (sqlite3.Error, OSError) as error:
            if isinstance(error, JournalError):
                raise
            raise JournalError(f"{self.path} can't be opened as journal: {error}") from error

    def _connect(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self.path, timeout=BUSY_TIMEOUT_S, isolation_level=None, check_same_thread=False)
        connection.row_factory = sqlite3.Row
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        return connection

    def _check(self) -> str | None:
        """Say what is wrong with the file, None if nothing."""
        try:
            with closing(self._connect()) as connection:
                answer = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
                if answer != "ok":
                    return str(answer)
                if connection.execute("PRAGMA user_version").fetchone()[0] == SCHEMA_VERSION:
                    for table in ("job", "printer", "waiver", "history", "alert"):
                        connection.execute(f"SELECT 1 FROM {table} LIMIT 1")  # noqa: S608 (literal names)
                return None
        except sqlite3.DatabaseError as error:
            if error.sqlite_errorcode in DAMAGE:
                return str(error)
            raise  # no permission, a failing disk, another holder: moving the file away would cure none of them

    def _move_aside(self, wrong: str) -> None:
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
        aside = self.path.with_name(f"{self.path.name}.damaged-{stamp}")
        for suffix in ("", "-wal", "-shm"):
            part = self.path.with_name(self.path.name + suffix)
            if part.exists():
                part.rename(aside.with_name(aside.name + suffix))
        fsync_directory(self.path.parent)
        self.damage = f"the journal was damaged ({wrong}); it is kept as {aside} and a new one was begun"
