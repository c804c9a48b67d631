"""Opens a job named on the command line, whatever it turns out to be, and says in a person's words why it can't be read.

A file, ``-`` for standard input, or gzip, seen by its first bytes whatever the name. Ends in bounded time and memory on
pipes, devices, bombs and files that change under the reading. Knows nothing of what the bytes mean.
"""

import gzip
import io
import os
import stat
import sys
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from layergate.gcode.blocks import UnreadableJobError
from layergate.printable import printable

GZIP_MAGIC = b"\x1f\x8b"  # RFC 1952 section 2.3.1
LARGEST_EXPANSION = 250
"""Most bytes out for a byte in, as for the daemon's spool: jobs come to some 4-10 (own samples); RFC 1951 allows 1030."""
EXPANSION_CHECKED_FROM_BYTES = 32 * 1024 * 1024

_COPY_AGAIN = "copy the job again from where it was made"


class JobInputError(UnreadableJobError):
    """A job can't be read; the text says why and what to do, without the name."""


@dataclass(frozen=True, slots=True)
class JobInput:
    """An opened job."""

    stream: BinaryIO
    """The job's own bytes; only ``read`` is promised."""
    packed: bool


@contextmanager
def open_job(name: str) -> Iterator[JobInput]:
    """Open a job and, when the work on it is done, make sure that it did not change meanwhile.

    Raises:
        JobInputError: it can't be read, or what was read is not what is there now.
        UnreadableJobError: passed on from the work.
    """
    if name == "-":
        with _explained():
            stdin: Any = sys.stdin.buffer
            yield _unpacked(stdin if isinstance(stdin, io.BufferedReader) else io.BufferedReader(stdin))
        return
    with _explained():
        handle = _open_file(name)
        with io.BufferedReader(io.FileIO(handle, "rb"), 256 * 1024) as raw:
            before = os.fstat(handle)
            yield _unpacked(raw)  # type: ignore[arg-type] # stubs know a raw file of files only
            _check_unchanged(before, os.fstat(handle))


def shown_name(name: str) -> str:
    """Give the name of a job as reports have it."""
    return "standard input" if name == "-" else printable(Path(name).name or name)


def _open_file(name: str) -> int:
    # Looked at before it is opened: opening a serial port may reset the printer behind it, opening a pipe may wait for ever.
    _check_is_file(os.stat(name).st_mode)
    handle = os.open(name, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0))
    try:
        _check_is_file(os.fstat(handle).st_mode)
    except JobInputError:
        os.close(handle)
        raise
    return handle


def _check_is_file(mode: int) -> None:
    if stat.S_ISREG(mode):
        return
    if stat.S_ISDIR(mode):
        raise JobInputError("it is a folder: name the jobs in it, or check them all with `layergate recheck FOLDER`")
    if stat.S_ISFIFO(mode):
        raise JobInputError("it is a pipe, not a file: `layergate check - < PIPE` checks what comes through it")
    raise JobInputError("it is a device, not a file: name a job's file")


def _check_unchanged(before: os.stat_result, after: os.stat_result) -> None:
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        raise JobInputError("it changed while it was read: wait until whoever writes it is done, and check it again")
    if after.st_nlink == 0:
        raise JobInputError("it was deleted or replaced while it was read: check what is there now")


@contextmanager
def _explained() -> Iterator[None]:
    """Turn what reading can raise into a sentence."""
    try:
        yield
    except gzip.BadGzipFile as error:
        raise JobInputError(f"the compressed data is damaged ({error}): {_COPY_AGAIN}") from error
    except EOFError as error:
        raise JobInputError(f"the compressed data ends too early, the file was cut: {_COPY_AGAIN}") from error
    except zlib.error as error:
        raise JobInputError(f"the compressed data is damaged ({error}): {_COPY_AGAIN}") from error
    except FileNotFoundError as error:
        raise JobInputError("there is no such file: look for a slip in the name") from error
    except PermissionError as error:
        raise JobInputError("you may not read it: give yourself permission, or run as its owner") from error
    except ChildProcessError as error:
        raise JobInputError(str(error)) from error
    except OSError as error:
        raise JobInputError(
            f"{error.strerror or error}: is the card or disk failing? Copy the job to another one"
        ) from error
    except ValueError as error:
        if isinstance(error, UnreadableJobError) or "null" not in str(error):
            raise
        raise JobInputError("no file can have that name") from error


def _unpacked(raw: io.BufferedReader) -> JobInput:
    packed = raw.peek(2)[:2] == GZIP_MAGIC
    stream: Any = _Unpacking(raw) if packed else raw
    return JobInput(stream, packed)


class _Unpacking:
    """Reads gzip and stops where it expands as no text of a job does."""

    def __init__(self, raw: BinaryIO) -> None:
        self._raw = raw
        self._taken = self._given = 0
        self._file = gzip.GzipFile(fileobj=_Counting(raw, self._count))  # type: ignore[call-overload]

    def _count(self, size: int) -> None:
        self._taken += size

    def read(self, size: int) -> bytes:
        data: bytes = self._file.read(size)
        self._given += len(data)
        if self._given > EXPANSION_CHECKED_FROM_BYTES and self._given > LARGEST_EXPANSION * self._taken:
            raise JobInputError(
                f"{self._taken:,} compressed bytes became more than {self._given:,}: made to fill memory, not a print job"
            )
        return data


class _Counting:
    def __init__(self, raw: BinaryIO, count: Any) -> None:
        self._raw, self._count = raw, count

    def read(self, size: int = -1) -> bytes:
        data = self._raw.read(size)
        self._count(len(data))
        return data
