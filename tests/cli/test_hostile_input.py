"""``layergate check`` on what is no job at all: each ends in bounded time and memory, and says what it is and what to do."""

import gzip
import os
import resource
import subprocess
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.oracles.micro_job import MICRO_JOB

import layergate.cli.check as command
from layergate.cli.check import check

MIB = 1024 * 1024
DEADLINE_S = 20
MEMORY_BYTES = 1024 * MIB  # of address space: numpy and the interpreter take most of it


def run(*arguments: str | Path, cwd: Path | None = None) -> tuple[int, str, str]:
    """In a process of its own, with a limit of memory and a deadline."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))

    done = subprocess.run(
        [sys.executable, "-m", "layergate.cli.main", "check", *map(str, arguments)],
        capture_output=True, timeout=DEADLINE_S, check=False, cwd=cwd, preexec_fn=limit, stdin=subprocess.DEVNULL,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip
    out, err = done.stdout.decode(), done.stderr.decode()
    assert "Traceback" not in err
    return done.returncode, out, err


def repeated(data: bytes, size: int) -> Iterator[bytes]:
    piece = data * (MIB // len(data))
    for _ in range(size // len(piece)):
        yield piece


def write(path: Path, data: bytes, size: int) -> None:
    with path.open("wb") as file:
        file.writelines(repeated(data, size))


def bomb(path: Path, data: bytes, size: int) -> None:
    packer = zlib.compressobj(6, wbits=31)
    with path.open("wb") as file:
        for piece in repeated(data, size):
            file.write(packer.compress(piece))
        file.write(packer.flush())


@pytest.mark.parametrize(
    ("data", "size"), [(b"\0", 100 * MIB), (b"G1 X1 Y1 ", 50 * MIB)], ids=["zeros", "one long line"]
)
def test_a_file_without_lines(tmp_path: Path, data: bytes, size: int) -> None:
    """Not readable: a line of text has no 16 MiB."""
    write(tmp_path / "job.gcode", data, size)
    code, out, err = run(tmp_path / "job.gcode")
    assert (code, out) == (2, "")
    assert "not readable: line 1 is longer than 16,777,216 bytes: not a text file" in err


def test_zeros_between_lines_are_one_finding(tmp_path: Path) -> None:
    """A MiB of zeros and line ends are text that can be cut: blocked, told once, with their number."""
    write(tmp_path / "job.gcode", b"\0\0\0\0\0\0\0\n", MIB)
    code, out, _ = run(tmp_path / "job.gcode")
    assert code == 1
    assert out.count("block: damaged-bytes") == 1
    assert len(out.splitlines()) < 40


@pytest.mark.parametrize(("data", "size"), [(b"\0", 64 * MIB), (b";" * 63 + b"\n", 64 * MIB)], ids=["zeros", "lines"])
def test_a_gzip_bomb(tmp_path: Path, data: bytes, size: int) -> None:
    """64 MiB out of some hundred KiB, a thousandth part: given up at half of it."""
    bomb(tmp_path / "job.gz", data, size)
    code, out, err = run(tmp_path / "job.gz")
    assert (code, out) == (2, "")
    assert "made to fill memory, not a print job" in err or "longer than 16,777,216 bytes" in err


def test_a_job_that_packs_well_is_no_bomb(tmp_path: Path) -> None:
    """The limit has room: a job of 100,000 equal moves packs a hundredfold and is judged."""
    text = MICRO_JOB + "G1 X10 Y10 F3600\nG1 X20.5 Y10 F3600\n" * 50_000
    (tmp_path / "job.gcode.gz").write_bytes(gzip.compress(text.encode()))
    code, out, _ = run(tmp_path / "job.gcode.gz")
    assert code in (0, 1)
    assert "rules could judge this job" in out


def test_a_pipe_and_a_device_are_named_for_what_they_are(tmp_path: Path) -> None:
    """Opening a pipe that nobody writes to would wait for ever; a device has no end. What to do instead is said."""
    os.mkfifo(tmp_path / "pipe")
    code, _, err = run(tmp_path / "pipe", "/dev/zero")
    assert code == 2
    assert "it is a pipe, not a file: `layergate check - < PIPE` checks what comes through it" in err
    assert "/dev/zero: not readable: it is a device, not a file" in err


def test_a_device_is_never_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    """Opening a serial port resets many controllers (common practice): a slip in a name must not end a print."""
    opened: list[object] = []
    real = os.open
    monkeypatch.setattr(os, "open", lambda name, *rest, **more: opened.append(name) or real(name, *rest, **more))
    assert CliRunner().invoke(check, ["/dev/null"]).exit_code == 2
    assert "/dev/null" not in opened


def test_a_cut_and_a_damaged_gzip_say_what_to_do(tmp_path: Path) -> None:
    """Copy it again; cut and damaged are told apart."""
    data = gzip.compress(os.urandom(5000).hex().encode())
    (tmp_path / "cut.gz").write_bytes(data[:-400])
    (tmp_path / "bad.gz").write_bytes(data[:2000] + b"\xff" * 30 + data[2030:])
    code, _, err = run(tmp_path / "cut.gz", tmp_path / "bad.gz")
    assert code == 2
    cut, bad = err.splitlines()
    assert "ends too early, the file was cut: copy the job again from where it was made" in cut
    assert "is damaged" in bad
    assert "copy the job again" in bad


@pytest.mark.skipif(os.geteuid() != 0, reason="takes another user's rights")
def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    """The reason and what to do, as any user but root would meet it."""
    job = tmp_path / "job.gcode"
    job.write_text(MICRO_JOB)
    job.chmod(0)
    os.seteuid(65534)
    try:
        result = CliRunner().invoke(check, [str(job)])
    finally:
        os.seteuid(0)
    assert result.exit_code == 2
    assert "you may not read it: give yourself permission" in result.stderr


@pytest.mark.parametrize(
    ("meddle", "text"),
    [
        (lambda job: job.write_text(MICRO_JOB + "G1 X1\n"), "it changed while it was read: wait until"),
        (lambda job: os.truncate(job, 100), "it changed while it was read: wait until"),
        (lambda job: job.unlink(), "it was deleted or replaced while it was read"),
        (lambda job: (job.with_name("new").write_text("G28\n"), job.with_name("new").replace(job)),
         "it was deleted or replaced while it was read"),
    ],
    ids=["grows", "is cut", "vanishes", "is replaced"],
)  # fmt: skip
def test_a_file_that_changes_while_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, meddle: object, text: str
) -> None:
    """No verdict on what is no longer there."""
    job = tmp_path / "job.gcode"
    job.write_text(MICRO_JOB)
    real = command.examine

    def meddling(*arguments: object, **more: object) -> object:
        meddle(job)  # type: ignore[operator]
        return real(*arguments, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(command, "examine", meddling)
    result = CliRunner().invoke(check, [str(job)])
    assert (result.exit_code, result.stdout) == (2, "")
    assert text in result.stderr


NAMES = [
    "two\nlines.gcode", "\x1b]0;owned\x07\x1b[2J.gcode", "blank  and\ttab.gcode", "right\u202eedocg.gcode", "c1\u009b31m.gcode",
    "raw\udcff.gcode", "-", "--format",
]  # fmt: skip


@pytest.mark.parametrize("form", ["text", "json", "sarif"])
@pytest.mark.parametrize("name", NAMES, ids=ascii)
def test_a_name_never_reaches_the_terminal_raw(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, form: str
) -> None:
    """Escapes, line ends, direction marks and bytes that are no text show as escapes, whether the job can be read or not."""
    monkeypatch.chdir(tmp_path)
    for content in (MICRO_JOB.encode(), b"\x1f\x8b broken"):
        Path(name).write_bytes(content)
        result = CliRunner().invoke(check, ["--format", form, "--", f"./{name}"])
        assert result.exit_code == (0 if content[:1] == b"G" or content[:1] == b";" else 2)
        for text in (result.stdout, result.stderr):
            text.encode()
            assert not {c for c in text if c in "\x1b\x07\u202e\u009b\t"}
        if form == "text":
            assert len([line for line in (result.stdout + result.stderr).splitlines() if "two" in line]) < 2


def test_what_a_job_says_never_reaches_the_terminal_raw(tmp_path: Path) -> None:
    """Messages quote lines of jobs."""
    (tmp_path / "job.gcode").write_bytes(
        MICRO_JOB.replace("G28", "G28\nG1 X\x1b[31mRED\nM9999 \x9b\x1b]0;x\x07\nG1 X{\u202e}").encode()
    )
    for form in ("text", "json", "sarif"):
        result = CliRunner().invoke(check, ["--notes", "--format", form, str(tmp_path / "job.gcode")])
        assert result.exit_code == 1
        assert not {c for c in result.stdout if c in "\x1b\x07\u202e\u009b"}
