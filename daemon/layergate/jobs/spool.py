"""The spool: accepted jobs as immutable files, each named by the SHA-256 of its (decompressed) bytes.

A job is whole on disk, file and folder fsynced, before anyone is told that it was accepted. All calls block and belong
in a thread. Knows nothing of G-code, states or printers; a client's name for a job never becomes a path.
"""

import contextlib
import errno
import fcntl
import os
import re
import secrets
import threading
import unicodedata
import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import IO

from layergate.jobs.errors import DiskLowError, RefusedError

CHUNK_BYTES = 1024 * 1024
GZIP_MAGIC = b"\x1f\x8b"  # RFC 1952 section 2.3.1
LARGEST_EXPANSION = 250
"""Most bytes out for a byte in. Print jobs come to some 4-10 (own samples); RFC 1951 allows about 1030."""
EXPANSION_CHECKED_FROM_BYTES = 32 * CHUNK_BYTES
"""Short runs of equal lines may expand more, and do no harm."""
LONGEST_NAME = 120  # characters; fits a file name of 255 bytes in most scripts, and a line of a terminal
ROOM_CHECKED_EVERY_BYTES = 8 * CHUNK_BYTES


class SpoolBusyError(OSError):
    """Another daemon holds this spool."""


@dataclass(frozen=True, slots=True)
class Spooled:
    """A file that stands in the spool."""

    sha256: str
    size_bytes: int
    path: Path


def display_name(name: str) -> str:
    """Give a client's name for a job as it is shown: the last part of a path, one line, of bounded length."""
    name = unicodedata.normalize("NFC", name).replace("\\", "/").rstrip("/").rsplit("/", 1)[-1]
    # Letters, figures, marks and signs stay; control characters and those that turn the direction of text do not.
    name = "".join(
        c if unicodedata.category(c)[0] != "C" and unicodedata.category(c) not in {"Zl", "Zp"} else "?" for c in name
    )
    name = re.sub(r"\s+", " ", name).strip()
    if name in {"", ".", ".."}:
        return "job"
    if len(name) > LONGEST_NAME:
        name = name[: LONGEST_NAME - 13] + "…" + name[-12:]
    return name


class Spool:
    """The folder of accepted jobs; one daemon at a time holds it."""

    def __init__(
        self,
        directory: Path,
        *,
        largest_job_bytes: int = 1024 * CHUNK_BYTES,
        keep_free_bytes: int = 256 * CHUNK_BYTES,
        free_bytes: Callable[[Path], int] | None = None,
    ) -> None:
        self.directory = directory
        self.incoming = directory / "incoming"
        self.largest_job_bytes = largest_job_bytes
        self.keep_free_bytes = keep_free_bytes
        self._free_bytes = free_bytes or _free_bytes
        self.names = threading.Lock()
        """Held while a job's file gets its name or loses it, so that none is deleted that has just come again."""
        self._lock: IO[bytes] | None = None

    def open(self) -> None:
        """Make the folder where it is missing, take hold of it, and clear away what was cut short.

        Raises:
            SpoolBusyError: another daemon holds it.
            OSError: it can't be made or written.
        """
        self.incoming.mkdir(parents=True, exist_ok=True, mode=0o750)
        lock = (self.directory / "lock").open("wb")
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            lock.close()
            raise SpoolBusyError(
                f"{self.directory} is held by another layergate daemon: stop that one first"
            ) from error
        self._lock = lock
        for left in self.directory.glob("*.part"):
            left.unlink(missing_ok=True)  # never told to anyone

    def close(self) -> None:
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def free_bytes(self) -> int:
        """Give the bytes that are free on the spool's file system."""
        return self._free_bytes(self.directory)

    def check_room(self, more_bytes: int = 0) -> None:
        """Raise DiskLowError where too little would stay free."""
        free = self.free_bytes()
        if free - more_bytes < self.keep_free_bytes:
            raise DiskLowError(
                f"{free // CHUNK_BYTES} MiB are free on the file system of {self.directory} and "
                f"{self.keep_free_bytes // CHUNK_BYTES} MiB must stay free ([spool] keep_free_mib): delete something"
            )

    def receive(self) -> "Intake":
        """Begin to take a job in.

        Raises:
            DiskLowError: there is too little room already.
        """
        self.check_room()
        return Intake(self)

    def store(self, chunks: Iterable[bytes]) -> Spooled:
        """Take a whole job in. Raises RefusedError and its kinds."""
        with self.receive() as intake:
            for chunk in chunks:
                intake.write(chunk)
            return intake.finish()

    def delete_older(self, path: Path, than_s: float) -> bool:
        """Delete a file last written before ``than_s`` (seconds of the epoch); say whether that was done."""
        with self.names:
            try:
                if path.stat().st_mtime >= than_s:
                    return False
            except FileNotFoundError:
                return False
            path.unlink()
            return True

    def job_path(self, digest: str) -> Path:
        return self.directory / f"{digest}.gcode"

    def report_path(self, job_id: str) -> Path:
        return self.directory / f"{job_id}.report.json"

    def index_path(self, job_id: str) -> Path:
        return self.directory / f"{job_id}.index.json"


class Intake:
    """One job on its way into the spool; used as a context manager, which leaves nothing behind unless finished."""

    def __init__(self, spool: Spool) -> None:
        self._spool = spool
        self._part = spool.directory / f"{secrets.token_hex(8)}.part"
        self._file: IO[bytes] | None = None
        self._digest = sha256()
        self._size = 0
        self._taken = 0
        self._room_checked_at = 0
        self._head = b""
        self._inflate: "zlib._Decompress | None" = None  # noqa: UP037 (a name of the type stubs only)
        self._is_gzip: bool | None = None

    def __enter__(self) -> "Intake":
        try:
            self._file = self._part.open("xb")
        except OSError as error:
            raise _disk_error(error, self._spool.directory) from error
        return self

    def __exit__(self, *_: object) -> None:
        self.abandon()

    def abandon(self) -> None:
        """Drop what was taken so far; does nothing after finish()."""
        if self._file is not None:
            with contextlib.suppress(OSError):  # the close of a file that is being thrown away may fail on a full disk
                self._file.close()
            self._file = None
        self._part.unlink(missing_ok=True)

    def write(self, chunk: bytes) -> None:
        """Take the next bytes, as they came (compressed or not).

        Raises:
            RefusedError: too large, or damaged compression.
            DiskLowError: no room.
        """
        self._taken += len(chunk)
        if self._is_gzip is None:
            self._head += chunk
            if len(self._head) < len(GZIP_MAGIC):
                return
            chunk, self._head = self._head, b""
            self._is_gzip = chunk.startswith(GZIP_MAGIC)
        if self._is_gzip:
            self._write_gzip(chunk)
        else:
            self._store(chunk)

    def _write_gzip(self, chunk: bytes) -> None:
        more = True  # zlib may hold back output though all input is taken
        while chunk or more:
            if self._inflate is None:
                if not chunk.strip(b"\0") and (self._size or not chunk):
                    return  # padding after the last member, as tape tools leave it
                self._inflate = zlib.decompressobj(16 + zlib.MAX_WBITS)
            try:
                data = self._inflate.decompress(chunk, CHUNK_BYTES)
            except zlib.error as error:
                raise RefusedError(
                    f"damaged gzip data after {self._size} bytes: {error}; send the job again",
                    reason="compression-error",
                ) from error
            self._store(data)
            more = len(data) == CHUNK_BYTES
            if self._inflate.eof:
                chunk, self._inflate, more = self._inflate.unused_data, None, False
            else:
                chunk = self._inflate.unconsumed_tail

    def _store(self, data: bytes) -> None:
        if not data:
            return
        self._size += len(data)
        if self._size > self._spool.largest_job_bytes:
            raise RefusedError(
                f"the job is larger than {self._spool.largest_job_bytes / CHUNK_BYTES:g} MiB ([spool] largest_job_mib)",
                status=413,
            )
        if self._is_gzip and self._size > EXPANSION_CHECKED_FROM_BYTES and self._size > LARGEST_EXPANSION * self._taken:
            raise RefusedError(
                f"{self._taken} compressed bytes became more than {self._size}: made to fill disks, not a print job",
                status=413,
                reason="compression-error",
            )
        if self._size - self._room_checked_at >= ROOM_CHECKED_EVERY_BYTES:
            self._room_checked_at = self._size
            self._spool.check_room()
        assert self._file is not None, "used outside 'with'"
        try:
            self._file.write(data)
        except OSError as error:
            raise _disk_error(error, self._spool.directory) from error
        self._digest.update(data)

    def finish(self) -> Spooled:
        """Make the job part of the spool; when this returns, it survives a power cut.

        Raises:
            RefusedError: empty, or cut short within its compression.
            DiskLowError: no room for the last of it.
        """
        if self._head:
            self._is_gzip = False
            self._store(self._head)
        if self._is_gzip and self._inflate is not None:
            raise RefusedError("the gzip data ends too early: send the job again", reason="compression-error")
        if self._size == 0:
            raise RefusedError("the job is empty")
        assert self._file is not None, "used outside 'with'"
        digest = self._digest.hexdigest()
        path = self._spool.job_path(digest)
        try:
            self._file.flush()
            os.fchmod(self._file.fileno(), 0o440)  # immutable from here on
            os.fsync(self._file.fileno())
            self._file.close()
            self._file = None
            # The same job may stand there already, perhaps damaged: the fresh copy takes its place.
            with self._spool.names:
                self._part.replace(path)
            fsync_directory(self._spool.directory)
        except OSError as error:
            raise _disk_error(error, self._spool.directory) from error
        return Spooled(digest, self._size, path)


def fsync_directory(directory: Path) -> None:
    """Make renames in a folder survive a power cut."""
    handle = os.open(directory, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _free_bytes(directory: Path) -> int:
    found = os.statvfs(directory)
    return found.f_bavail * found.f_frsize


def _disk_error(error: OSError, directory: Path) -> RefusedError:
    if error.errno in {errno.ENOSPC, errno.EDQUOT}:
        return DiskLowError(f"the file system of {directory} is full: delete something there")
    return RefusedError(f"{directory} can't be written: {error.strerror}", status=503, reason="document-access-error")
