"""Drop folders: every way in which a file can arrive, and nothing lost, doubled or taken half-written."""

import asyncio
import contextlib
import gzip
import os
import shutil
import subprocess
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from tests.notify.broker import running
from tests.service.parts import FakeLink, job_bytes, make_config, until

from layergate.jobs import dropfolder, store
from layergate.jobs.dropfolder import DropFolder
from layergate.jobs.errors import JournalError
from layergate.jobs.gate import Gate
from layergate.jobs.store import Job
from layergate.service import Service


@pytest.fixture
async def gate(tmp_path: Path) -> AsyncIterator[Gate]:
    service = Service(make_config(tmp_path), opener_for=FakeLink().opener)
    service.spool.open()
    await service.journal.open()
    yield service.gate
    await service.journal.close()
    service.spool.close()


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    folder = tmp_path / "drop"
    folder.mkdir()
    return folder


def _watcher(gate: Gate, drop: Path, look_every_s: float = 60, settle_s: float = 0.1) -> DropFolder:
    return DropFolder(gate, "quay", drop, look_every_s=look_every_s, settle_s=settle_s)


async def _jobs(gate: Gate, count: int) -> list[Job]:
    async def there() -> list[Job] | None:
        found = await gate.jobs()
        return found if len(found) >= count else None

    found: list[Job] = await until(there, f"{count} jobs")
    return found


def _empty(gate: Gate, drop: Path) -> bool:
    return not any((gate.spool.incoming / "quay").iterdir()) and {path.name for path in drop.iterdir()} == {"refused"}


async def test_a_copied_file_is_taken_when_its_writer_closes_it(gate: Gate, drop: Path) -> None:
    """A file that grows is left alone until it is closed; then it is a job, and gone from the folder."""
    async with running(_watcher(gate, drop, settle_s=30).run()):
        await until((drop / "refused").is_dir, "watching")
        with (drop / "cap.gcode").open("wb") as file:
            file.write(job_bytes())
            file.flush()
            await asyncio.sleep(0.2)
            assert await gate.jobs() == []
            file.write(b"G1 X1\n")
        (job,) = await _jobs(gate, 1)
        assert (job.name, job.printer, job.source) == ("cap.gcode", "quay", "drop folder")
        assert gate.spool.job_path(job.sha256).read_bytes() == job_bytes() + b"G1 X1\n"
        await until(lambda: _empty(gate, drop), "folder empty")


async def test_a_file_moved_in_is_taken_at_once(gate: Gate, drop: Path, tmp_path: Path) -> None:
    """A rename into the folder, and one from a name that is left alone, are both noticed."""
    async with running(_watcher(gate, drop, settle_s=30).run()):
        await until((drop / "refused").is_dir, "watching")
        (tmp_path / "a.gcode").write_bytes(job_bytes(1))
        (tmp_path / "a.gcode").rename(drop / "a.gcode")
        (drop / "b.gcode.part").write_bytes(job_bytes(2))
        await _jobs(gate, 1)
        (drop / "b.gcode.part").rename(drop / "b.gcode.gz")
        assert [job.name for job in await _jobs(gate, 2)] == ["a.gcode", "b.gcode.gz"]


async def test_files_that_lie_there_at_the_start_are_taken(gate: Gate, drop: Path) -> None:
    """What came while the service was away is taken, oldest first, once it is seen to be still."""
    names = [f"cap-{number}" for number in range(8)]
    for number, name in enumerate(names):
        (drop / name).write_bytes(job_bytes(number + 1))
        os.utime(drop / name, (1000 - number, 1000 - number))
    async with running(_watcher(gate, drop).run()):
        assert [job.name for job in await _jobs(gate, 8)] == names[::-1]


async def test_a_growing_file_seen_without_a_notice_is_left_until_it_is_still(
    gate: Gate, drop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a share without notices a file is taken only after two looks showed it unchanged."""
    monkeypatch.setattr(dropfolder, "INotify", None)
    async with running(_watcher(gate, drop, look_every_s=0.05, settle_s=0.4).run()):
        with (drop / "cap.gcode").open("wb", buffering=0) as file:
            for _ in range(10):
                file.write(job_bytes())
                await asyncio.sleep(0.1)
                assert await gate.jobs() == []
        (job,) = await _jobs(gate, 1)
        assert job.size_bytes == 10 * len(job_bytes())


async def test_what_is_no_file_or_not_finished_is_left_alone(gate: Gate, drop: Path, tmp_path: Path) -> None:
    """Dot files, unfinished names, notes and models, folders, links and pipes stay where they are."""
    (tmp_path / "elsewhere").write_bytes(b"root:x:0:0\n")
    for name in (".hidden", "a.part", "b.tmp", "c.filepart", "d~", "e.GCODE.PART", "README.md", "cap.stl"):
        (drop / name).write_bytes(job_bytes())
    (drop / "folder").mkdir()
    (drop / "link.gcode").symlink_to(tmp_path / "elsewhere")
    os.mkfifo(drop / "pipe.gcode")
    before = {path.name for path in drop.iterdir()}
    async with running(_watcher(gate, drop, look_every_s=0.05).run()):
        (drop / "real.gcode").write_bytes(job_bytes())
        assert [job.name for job in await _jobs(gate, 1)] == ["real.gcode"]
        await asyncio.sleep(0.3)
        assert len(await gate.jobs()) == 1
    assert {path.name for path in drop.iterdir()} == before | {"refused"}


async def test_a_refused_file_lies_beside_its_reason(gate: Gate, drop: Path) -> None:
    """Empty and damaged files go to 'refused', each with a text; the same name twice keeps both."""
    half = gzip.compress(job_bytes())[:-5]  # once: its head holds the time (RFC 1952, MTIME)
    async with running(_watcher(gate, drop).run()):
        await until((drop / "refused").is_dir, "watching")
        for number in (1, 2):
            (drop / "cap.gcode").write_bytes(b"")
            await until(lambda: len(list((drop / "refused").iterdir())) == 2 * number, f"refused {number}")  # noqa: B023
        (drop / "half.gcode.gz").write_bytes(half)
        await until((drop / "refused" / "half.gcode.gz").exists, "half refused")
    refused = drop / "refused"
    assert "empty" in (refused / "cap.gcode.txt").read_text(encoding="utf-8")
    assert (refused / "cap (2).gcode").read_bytes() == b""
    assert "ends too early" in (refused / "half.gcode.gz.txt").read_text(encoding="utf-8")
    assert (refused / "half.gcode.gz").read_bytes() == half
    assert await gate.jobs() == []


async def test_strange_names_are_taken(gate: Gate, drop: Path) -> None:
    """Names of 255 bytes, with line ends, blanks, quotes or bytes that are no UTF-8 are jobs like any other."""
    names = [b"x" * 255, b"two\nlines.gcode", b" '\"$(halt)`.gcode", b"caf\xe9.gcode", "Pollerkäppchen.gcode".encode()]
    for name in names:
        with open(os.fsencode(drop) + b"/" + name, "wb") as file:
            file.write(job_bytes() + name)
    async with running(_watcher(gate, drop).run()):
        jobs = await _jobs(gate, len(names))
        await until(lambda: _empty(gate, drop), "folder empty")  # the last is cleared away after it is a job
    assert len({job.sha256 for job in jobs}) == len(names)
    assert all(job.name.isprintable() for job in jobs)


async def test_a_folder_on_another_file_system_works(gate: Gate, tmp_path: Path) -> None:
    """When the spool lies on another file system the file is copied whole before its source is deleted."""
    if os.geteuid() != 0:
        pytest.skip("a file system of its own needs root")
    drop = tmp_path / "share"
    drop.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "none", drop], check=True)
    try:
        async with running(_watcher(gate, drop).run()):
            await until((drop / "refused").is_dir, "watching")
            (drop / "cap.gcode").write_bytes(job_bytes())
            (job,) = await _jobs(gate, 1)
            assert job.size_bytes == len(job_bytes())
            await until(lambda: _empty(gate, drop), "folder empty")
    finally:
        subprocess.run(["umount", drop], check=True)


async def test_lost_notices_cost_only_time(gate: Gate, drop: Path) -> None:
    """When the kernel drops notices (IN_Q_OVERFLOW of inotify(7): an event without a name) files are found by looking."""

    class Deaf(DropFolder):
        def _read_notices(self) -> None:
            assert self._notices is not None
            list(self._notices.read(timeout=0))
            self._wake.set()  # all that an overflow tells is that something happened

    async with running(Deaf(gate, "quay", drop, look_every_s=60, settle_s=0.1).run()):
        await until((drop / "refused").is_dir, "watching")
        for number in range(30):
            (drop / f"cap-{number}.gcode").write_bytes(job_bytes(1) + b"; %d\n" % number)
        assert len(await _jobs(gate, 30)) == 30


async def test_a_folder_that_goes_away_and_comes_back_is_watched_again(gate: Gate, drop: Path) -> None:
    """The folder is made where it is missing, also after somebody deleted it."""
    async with running(_watcher(gate, drop, look_every_s=0.1).run()):
        await until((drop / "refused").is_dir, "watching")
        shutil.rmtree(drop)
        await until((drop / "refused").is_dir, "made again")
        (drop / "cap.gcode").write_bytes(job_bytes())
        await _jobs(gate, 1)


async def test_a_file_taken_just_before_a_kill_is_entered_by_the_next_service(gate: Gate, drop: Path) -> None:
    """What lies in our keeping at the start becomes a job; a copy that was cut short there is thrown away."""
    place = gate.spool.incoming / "quay" / "0b1f2a52-1111-4222-8333-444455556666"
    place.mkdir(parents=True)
    (place / "cap.gcode").write_bytes(job_bytes())
    half = gate.spool.incoming / "quay" / "0b1f2a52-1111-4222-8333-444455557777"
    half.mkdir()
    (half / ".part").write_bytes(b"half")
    async with running(_watcher(gate, drop).run()):
        assert [job.name for job in await _jobs(gate, 1)] == ["cap.gcode"]
        await until(lambda: _empty(gate, drop), "cleared")


async def test_a_kill_between_entry_and_clearing_enters_nothing_twice(gate: Gate, drop: Path) -> None:
    """A file whose job stands in the journal already is only cleared away."""
    place = gate.spool.incoming / "quay" / "0b1f2a52-1111-4222-8333-444455556666"
    place.mkdir(parents=True)
    (place / "cap.gcode").write_bytes(job_bytes())
    spooled = gate.spool.store([job_bytes()])
    await gate.accept(spooled, name="cap.gcode", printer="quay", source="drop folder", source_key=place.name)
    async with running(_watcher(gate, drop).run()):
        await until(lambda: (drop / "refused").is_dir() and _empty(gate, drop), "cleared")
    assert len(await gate.jobs()) == 1


async def test_without_room_files_wait_where_they_are(gate: Gate, drop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While the disk is low files stay in the drop folder and one alert is raised; when there is room they are taken."""
    free = [0]
    monkeypatch.setattr(gate.spool, "_free_bytes", lambda _: free[0])
    (drop / "cap.gcode").write_bytes(job_bytes())
    alerts: list[str] = []
    gate.hub.on_alert.append(lambda alert: alerts.append(alert.name))
    async with running(_watcher(gate, drop, look_every_s=0.05, settle_s=0).run()):
        await until(lambda: alerts, "alert")
        await asyncio.sleep(0.2)
        assert alerts == ["disk-low"]
        assert (drop / "cap.gcode").exists()
        free[0] = 10**12
        await _jobs(gate, 1)


async def test_a_journal_that_fails_keeps_the_file(gate: Gate, drop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While the journal can't be written the file stays in our keeping, and is entered when it can."""
    real = store.add_job
    failing = [True]

    def add_job(*args: object, **kwargs: object) -> Job:
        if failing[0]:
            raise JournalError("the disk fails")
        return real(*args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(store, "add_job", add_job)
    async with running(_watcher(gate, drop, look_every_s=0.05, settle_s=0).run()):
        (drop / "cap.gcode").write_bytes(job_bytes())
        keeping = gate.spool.incoming / "quay"
        await until(lambda: keeping.is_dir() and any(keeping.iterdir()), "in our keeping")
        await asyncio.sleep(0.15)
        assert await gate.jobs() == []
        failing[0] = False
        assert len(await _jobs(gate, 1)) == 1


async def test_a_folder_that_can_not_be_used_is_told_and_tried_again(gate: Gate, tmp_path: Path) -> None:
    """A file in the folder's place is no end of the service; when it is gone, the folder works."""
    drop = tmp_path / "drop"
    drop.write_text("in the way", encoding="utf-8")
    async with running(_watcher(gate, drop, look_every_s=0.05).run()):
        await asyncio.sleep(0.15)
        drop.unlink()
        await until((drop / "refused").is_dir, "made")
        with contextlib.suppress(FileNotFoundError):
            (drop / "cap.gcode").write_bytes(job_bytes())
        await _jobs(gate, 1)
