"""A printer's drop folder: job files that somebody puts there become jobs; refused ones go to ``refused`` with the
reason. Files of other kinds and folders are left alone, and the log says so once.

Takes a file when its writer closes it or it is moved in (inotify), and looks again at start, after lost notices and
every minute, since network shares give no notices. A file is taken by renaming it into the spool's ``incoming``, so
that no one writes to it under our hands, and leaves that only when it is accepted or moved to ``refused``: a kill at
any instant loses nothing and enters nothing twice.
"""

import asyncio
import contextlib
import errno
import os
import shutil
import stat
import time
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import structlog

from layergate.jobnames import JOB_ENDINGS
from layergate.jobs.errors import DiskLowError, GateError, JournalError, RefusedError
from layergate.jobs.gate import Gate
from layergate.jobs.spool import CHUNK_BYTES, Spooled, fsync_directory

try:
    from inotify_simple import INotify, flags
except ImportError:  # not Linux: the look every minute still works
    INotify = None

log = structlog.get_logger(__name__)

LOOK_EVERY_S = 60.0
SETTLE_S = 2.0  # a file seen without a notice is taken when it did not change for this long
UNFINISHED = (".part", ".tmp", ".partial", ".filepart", ".crdownload", "~")  # what copying programs name their work
REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class _Seen:
    size: int
    mtime_ns: int
    at: float


class DropFolder:
    """Watches one folder for one printer."""

    def __init__(
        self, gate: Gate, printer: str, folder: Path, *, look_every_s: float = LOOK_EVERY_S, settle_s: float = SETTLE_S
    ) -> None:
        self.gate = gate
        self.printer = printer
        self.folder = folder
        self.incoming = gate.spool.incoming / printer
        self._look_every_s = look_every_s
        self._settle_s = settle_s
        self._seen: dict[str, _Seen] = {}
        self._notices: INotify | None = None
        self._watching = False
        self._closed: set[str] = set()
        self._wake = asyncio.Event()
        self._problem = ""
        self._left: set[str] = set()
        """Names of what is left alone and was told of."""

    async def run(self) -> None:
        """Take what comes, for ever."""
        try:
            if INotify is not None:
                self._notices = INotify(nonblocking=True)
                asyncio.get_running_loop().add_reader(self._notices.fileno(), self._read_notices)
            while True:
                try:
                    pause_s = await self._look()
                    self._problem = ""
                except OSError as error:  # the folder is not there, or not ours to read: told once, tried for ever
                    pause_s = self._look_every_s
                    if str(error) != self._problem:
                        self._problem = str(error)
                        log.warning("drop folder not usable", printer=self.printer, error=self._problem)
                self._wake.clear()
                if not self._closed:
                    with contextlib.suppress(TimeoutError):
                        async with asyncio.timeout(pause_s):
                            await self._wake.wait()
        finally:
            if self._notices is not None:
                asyncio.get_running_loop().remove_reader(self._notices.fileno())
                self._notices.close()

    def _read_notices(self) -> None:
        assert self._notices is not None
        for event in self._notices.read(timeout=0):
            if event.mask & (flags.IGNORED | flags.DELETE_SELF | flags.MOVE_SELF | flags.UNMOUNT):
                self._watching = False
            elif event.name and not event.mask & flags.ISDIR:
                self._closed.add(event.name)
            # An overflow (Q_OVERFLOW) has no name: waking up to look is all that it asks for.
        self._wake.set()

    async def _look(self) -> float:
        """Take what is ready; give the seconds until the next look."""
        await asyncio.to_thread(self._make_folders)
        if self._notices is not None and not self._watching:
            self._notices.add_watch(
                self.folder, flags.CLOSE_WRITE | flags.MOVED_TO | flags.DELETE_SELF | flags.MOVE_SELF
            )
            self._watching = True
        closed, self._closed = self._closed, set()
        ready, unsettled = await asyncio.to_thread(self._ready, closed)
        try:
            await asyncio.to_thread(self.gate.spool.check_room)
            for name in ready:
                await asyncio.to_thread(self._take, name)
            for entry in await asyncio.to_thread(lambda: list(self._taken())):
                await self._enter(entry)
        except DiskLowError as error:
            await self.gate.told_disk_low(error)  # files stay where they are until there is room
            return self._look_every_s
        except JournalError as error:
            log.warning("drop folder waits for the journal", printer=self.printer, error=str(error))
            return self._look_every_s
        return self._settle_s if unsettled else self._look_every_s

    def _make_folders(self) -> None:
        for folder in (self.folder, self.folder / REFUSED, self.incoming):
            folder.mkdir(parents=True, exist_ok=True)

    def _ready(self, closed: set[str]) -> tuple[list[str], bool]:
        """Give the names to take now, oldest first, and whether others may be ready soon."""
        found: list[tuple[int, str]] = []
        seen: dict[str, _Seen] = {}
        left: set[str] = set()
        now = time.monotonic()
        for item in os.scandir(self.folder):
            if item.name.startswith(".") or item.name.lower().endswith(UNFINISHED):
                continue
            try:
                status = item.stat(follow_symlinks=False)
            except FileNotFoundError:
                continue
            if not stat.S_ISREG(status.st_mode) or not is_job_name(item.name):
                if item.name != REFUSED:
                    left.add(item.name)  # folders; links, whose end may be anything; notes
                continue
            before = self._seen.get(item.name)
            if before is None or (before.size, before.mtime_ns) != (status.st_size, status.st_mtime_ns):
                before = _Seen(status.st_size, status.st_mtime_ns, now)
            if item.name in closed or now - before.at >= self._settle_s:
                found.append((status.st_mtime_ns, item.name))
            else:
                seen[item.name] = before
        self._seen = seen
        for name in sorted(left - self._left):
            log.warning("left alone in the drop folder", printer=self.printer, name=name, taken=" ".join(JOB_ENDINGS))
        self._left = left
        return [name for _, name in sorted(found)], bool(seen)

    def _take(self, name: str) -> None:
        """Rename a file into our own keeping; copy it where that is another file system."""
        # Named so that the order of taking is the order of names: time stamps of files are too coarse for that.
        place = self.incoming / f"{time.time_ns():020d}-{uuid.uuid4()}"
        place.mkdir()
        source, target = self.folder / name, place / name
        try:
            source.rename(target)
        except FileNotFoundError:  # its owner took it back
            place.rmdir()
            return
        except OSError as error:
            if error.errno != errno.EXDEV:
                place.rmdir()
                raise
            part = place / ".part"
            try:
                with source.open("rb") as reader, part.open("xb") as writer:
                    shutil.copyfileobj(reader, writer, CHUNK_BYTES)
                    writer.flush()
                    os.fsync(writer.fileno())
                part.rename(target)
                fsync_directory(place)
                source.unlink()
            except BaseException:
                shutil.rmtree(place)
                raise
        fsync_directory(self.incoming)

    def _taken(self) -> Iterator[Path]:
        """Give the files in our keeping, also those of a service before."""
        for place in sorted(self.incoming.iterdir()):
            files = [entry for entry in place.iterdir() if entry.name != ".part"]
            if files:
                yield files[0]
            else:
                shutil.rmtree(place)  # a copy cut short; its source is still in the drop folder

    async def _enter(self, path: Path) -> None:
        try:
            spooled = await asyncio.to_thread(self._spool, path)
            await self.gate.accept(
                spooled, name=path.name, printer=self.printer, source="drop folder", source_key=path.parent.name
            )
        except (DiskLowError, JournalError):
            raise
        except GateError as error:
            await asyncio.to_thread(self._refuse, path, str(error))
            return
        await asyncio.to_thread(shutil.rmtree, path.parent)

    def _spool(self, path: Path) -> Spooled:
        try:
            handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK)
        except OSError as error:
            raise RefusedError(f"can't be read: {error.strerror}") from error
        with os.fdopen(handle, "rb") as file:
            return self.gate.spool.store(iter(lambda: file.read(CHUNK_BYTES), b""))

    def _refuse(self, path: Path, reason: str) -> None:
        """Put a file where its owner finds it, with the reason beside it."""
        folder = self.folder / REFUSED
        target, number = folder / path.name, 1
        while target.exists() or target.with_name(target.name + ".txt").exists():
            number += 1
            target = folder / f"{path.stem} ({number}){path.suffix}"
        target.with_name(target.name + ".txt").write_text(f"{path.name} was refused: {reason}\n", encoding="utf-8")
        shutil.move(path, target)
        shutil.rmtree(path.parent)
        log.warning("file refused", printer=self.printer, name=path.name, reason=reason)


def is_job_name(name: str) -> bool:
    """Say whether a file is called as jobs are, or has no ending at all; a note or a model beside the jobs is none."""
    plain = name.lower().removesuffix(".gz")
    return plain.endswith(JOB_ENDINGS) or not Path(plain).suffix
