"""The spool: whole on disk or not there, hostile jobs refused, and nothing left behind by what was refused."""

import gzip
import io
import os
import random
import stat
import subprocess
import sys
import zlib
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from layergate.jobs.errors import DiskLowError, RefusedError
from layergate.jobs.spool import LONGEST_NAME, Spool, SpoolBusyError, display_name

JOB = b"; hose bracket\nG28\nG1 X10 Y10 E1\n" * 100


@pytest.fixture
def spool(tmp_path: Path) -> Iterator[Spool]:
    made = Spool(tmp_path / "spool", largest_job_bytes=8 * 1024 * 1024, keep_free_bytes=0)
    made.open()
    yield made
    made.close()


def _names(spool: Spool) -> set[str]:
    return {path.name for path in spool.directory.iterdir()} - {"lock", "incoming"}


@pytest.mark.parametrize("piece", [1, 7, 1000, 10**6])
@pytest.mark.parametrize("compressed", [False, True])
def test_a_job_is_named_by_its_bytes_however_it_is_cut(spool: Spool, piece: int, compressed: bool) -> None:
    """The file has the SHA-256 of the uncompressed bytes as name and those bytes as content, whatever the pieces."""
    data = gzip.compress(JOB) if compressed else JOB
    found = spool.store(data[at : at + piece] for at in range(0, len(data), piece))
    assert found.sha256 == sha256(JOB).hexdigest()
    assert found.path.name == f"{found.sha256}.gcode"
    assert found.path.read_bytes() == JOB
    assert found.size_bytes == len(JOB)
    assert stat.S_IMODE(found.path.stat().st_mode) == 0o440
    assert _names(spool) == {found.path.name}


def test_a_gzip_file_of_several_members_and_padding_is_one_job(spool: Spool) -> None:
    """RFC 1952 section 2.2: members follow each other; zero bytes after the last are padding (gzip(1) ignores them)."""
    data = gzip.compress(JOB[:50]) + gzip.compress(JOB[50:]) + b"\0" * 512
    assert spool.store([data]).path.read_bytes() == JOB


def test_highly_packed_output_is_taken_whole(spool: Spool) -> None:
    """A member whose output is far larger than one piece is taken to its last byte."""
    data = b"G1 X1\n" * 400_000
    assert spool.store([gzip.compress(data)]).size_bytes == len(data)


@pytest.mark.parametrize(
    ("chunks", "status", "words"),
    [
        ([], 422, "empty"),
        ([b""], 422, "empty"),
        ([gzip.compress(b"")], 422, "empty"),
        ([gzip.compress(JOB)[:-9]], 422, "ends too early"),
        ([gzip.compress(JOB)[:12]], 422, "ends too early"),
        ([gzip.compress(JOB)[:-8] + b"12345678"], 422, "damaged gzip"),
        ([b"\x1f\x8bnonsense" * 9], 422, "damaged gzip"),
        ([gzip.compress(JOB) + b"tail"], 422, "damaged gzip"),
        ([b"x" * (9 * 1024 * 1024)], 413, "larger than 8 MiB"),
        ([gzip.compress(b"\n" * (9 * 1024 * 1024))], 413, "larger than 8 MiB"),
    ],
)
def test_what_is_no_job_is_refused_and_leaves_nothing(
    spool: Spool, chunks: list[bytes], status: int, words: str
) -> None:
    """Empty, cut short, damaged or too large: refused with the reason, and no file stays."""
    with pytest.raises(RefusedError, match=words) as caught:
        spool.store(chunks)
    assert caught.value.status == status
    assert _names(spool) == set()


def test_a_bomb_is_refused_long_before_it_fills_the_disk(tmp_path: Path) -> None:
    """Compressed data that swells beyond what print jobs do is refused early, though the size limit would allow it."""
    spool = Spool(tmp_path / "spool", largest_job_bytes=10**12, keep_free_bytes=0)
    spool.open()
    packer = zlib.compressobj(9, wbits=31)
    written = 0

    def bomb() -> Iterator[bytes]:
        nonlocal written
        while True:
            written += 1
            yield packer.compress(b"\0" * 1024 * 1024)

    with pytest.raises(RefusedError, match="made to fill disks"):
        spool.store(bomb())
    assert written <= 64  # MiB
    assert _names(spool) == set()
    spool.close()


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("bollard-cap.gcode", "bollard-cap.gcode"),
        ("../../etc/passwd", "passwd"),
        ("C:\\jobs\\cap.gcode", "cap.gcode"),
        ("/", "job"),
        ("..", "job"),
        ("", "job"),
        ("a\nb\x1b[31m\x00", "a?b?[31m?"),
        ("cap\u202egcode.exe", "cap?gcode.exe"),
        ("Hafenkappe für Poller.gcode", "Hafenkappe für Poller.gcode"),
    ],
)
def test_a_clients_name_is_only_shown(given: str, shown: str) -> None:
    """No path, no control character and no turned text gets through a job's name."""
    assert display_name(given) == shown


def test_a_long_name_keeps_both_ends() -> None:
    """A name of a thousand characters is cut in its middle."""
    name = display_name("b" * 1000 + "-part.gcode")
    assert len(name) == LONGEST_NAME
    assert name.endswith("-part.gcode")


def test_low_room_refuses_before_anything_is_written(tmp_path: Path) -> None:
    """With less than keep_free_mib on the disk a job is refused by 507, and says what to change."""
    spool = Spool(tmp_path / "spool", keep_free_bytes=100 * 1024 * 1024, free_bytes=lambda _: 99 * 1024 * 1024)
    spool.open()
    with pytest.raises(DiskLowError, match="keep_free_mib") as caught:
        spool.receive()
    assert caught.value.status == 507
    assert _names(spool) == set()
    spool.close()


def test_room_that_runs_low_in_mid_upload_refuses_and_frees_it(tmp_path: Path) -> None:
    """When the disk fills up while a job comes in, it is refused and its part deleted."""
    free = iter([200, 200, 1])
    spool = Spool(tmp_path / "spool", keep_free_bytes=100 * 1024 * 1024, free_bytes=lambda _: next(free) * 1024 * 1024)
    spool.open()
    with pytest.raises(DiskLowError):
        spool.store([os.urandom(9 * 1024 * 1024)] * 3)
    assert _names(spool) == set()
    spool.close()


@pytest.mark.skipif(os.geteuid() != 0, reason="a file system of its own needs root")
def test_a_really_full_disk_refuses_and_loses_nothing(tmp_path: Path) -> None:
    """On a file system of 1 MiB a job that fits is kept, one that does not is refused by 507, and the first stays."""
    place = tmp_path / "small"
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "none", place], check=True)
    try:
        spool = Spool(place / "spool", keep_free_bytes=0)
        spool.open()
        kept = spool.store([JOB])
        with pytest.raises(DiskLowError, match="full") as caught:
            spool.store([random.Random(3).randbytes(65536)] * 64)
        assert caught.value.status == 507
        assert kept.path.read_bytes() == JOB
        assert _names(spool) == {kept.path.name}
        spool.close()
    finally:
        subprocess.run(["umount", place], check=True)


def test_each_failing_disk_call_in_turn_leaves_all_or_nothing(spool: Spool, monkeypatch: pytest.MonkeyPatch) -> None:
    """The n-th of write, fsync, rename and folder fsync fails, n = 1, 2, ... until none does: never a half job."""
    calls = {"left": 0}

    def failing(name: str, real: Any) -> Any:
        def call(*args: Any, **kwargs: Any) -> Any:
            calls["left"] -= 1
            if calls["left"] == 0:
                raise OSError(28, f"{name}: No space left on device")
            return real(*args, **kwargs)

        return call

    class File(io.FileIO):
        write = failing("write", io.FileIO.write)

    def opened(path: Path, mode: str) -> File:
        return File(path, mode)

    monkeypatch.setattr(os, "fsync", failing("fsync", os.fsync))
    monkeypatch.setattr(Path, "replace", failing("rename", Path.replace))
    monkeypatch.setattr(Path, "open", lambda path, mode: File(path, mode.replace("b", "")))
    refused = 0
    for n in range(1, 20):
        calls["left"] = n
        try:
            found = spool.store([JOB])
        except DiskLowError:
            refused += 1
            left = _names(spool)
            # A failing fsync of the folder comes after the rename: the job may stand there, whole, told to nobody.
            assert left <= {f"{sha256(JOB).hexdigest()}.gcode"}
            for name in left:
                assert (spool.directory / name).read_bytes() == JOB
            continue
        assert found.path.read_bytes() == JOB
        break
    assert refused == 4


def test_two_daemons_never_share_a_spool(spool: Spool) -> None:
    """A second daemon is refused the spool that a first one holds."""
    with pytest.raises(SpoolBusyError, match="held by another"):
        Spool(spool.directory).open()


def test_parts_of_a_killed_daemon_are_cleared_away(tmp_path: Path) -> None:
    """What was cut short before it was accepted is deleted at the next start; accepted jobs stay."""
    first = Spool(tmp_path / "spool", keep_free_bytes=0)
    first.open()
    kept = first.store([JOB])
    (first.directory / "0123456789abcdef.part").write_bytes(b"half a job")
    first.close()
    again = Spool(tmp_path / "spool", keep_free_bytes=0)
    again.open()
    assert _names(again) == {kept.path.name}
    again.close()


_KILLED = """
import os, sys
from pathlib import Path
from layergate.jobs.spool import Spool
spool = Spool(Path(sys.argv[1]), keep_free_bytes=0)
spool.open()
for number in range(10000):
    found = spool.store([b"G1 X%d\\n" % number * 2000])
    print(found.sha256, flush=True)
"""


def test_what_was_told_survives_kill_9(tmp_path: Path) -> None:
    """Killed at random instants, eight times: every job that was told is there, whole, and nothing half is named."""
    directory = tmp_path / "spool"
    for delay in random.Random(11).sample(range(5, 60), 8):
        process = subprocess.Popen([sys.executable, "-c", _KILLED, directory], stdout=subprocess.PIPE)
        assert process.stdout is not None
        told = [process.stdout.readline() for _ in range(delay)]
        process.kill()
        told += process.stdout.read().splitlines(keepends=True)
        process.stdout.close()
        process.wait(timeout=10)
        for line in told:
            if line.endswith(b"\n"):
                assert (directory / f"{line.strip().decode()}.gcode").exists()
        for path in directory.glob("*.gcode"):
            assert sha256(path.read_bytes()).hexdigest() == path.stem
    spool = Spool(directory, keep_free_bytes=0)
    spool.open()
    assert not list(directory.glob("*.part"))
    spool.close()
