"""The preflight worker: two whole files or none, and an exit code that says why."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from tests.oracles.micro_job import MICRO_JOB

from layergate.ahead import made_ahead
from layergate.jobindex import load
from layergate.preflight import worker
from layergate.preflight.findings import Report
from layergate.preflight.worker import DONE, UNREADABLE, UNUSABLE, main

DEADLINE_S = 30


def arguments(folder: Path, *more: str) -> list[str]:
    job = folder / "job"
    if not job.exists():
        job.write_bytes(MICRO_JOB.encode())
    own = {"--job": job, "--name": "bollard cap", "--report": folder / "report.json", "--index": folder / "job.index"}
    return [str(part) for pair in own.items() for part in pair] + list(more)


def files(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_report_and_index_lie_beside_each_other_and_name_the_same_job(tmp_path: Path) -> None:
    """In a process of its own, as the service runs it; nothing half is left over."""
    command = [sys.executable, "-m", "layergate.preflight.worker", *arguments(tmp_path)]
    done = subprocess.run(command, capture_output=True, timeout=DEADLINE_S, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (DONE, b"", b"")
    assert files(tmp_path) == {"job", "report.json", "job.index"}
    report = Report.model_validate_json((tmp_path / "report.json").read_text())
    index = load(tmp_path / "job.index")
    assert (report.job.name, index.name) == ("bollard cap", "bollard cap")
    assert report.job.sha256 == index.sha256
    assert report.verdict == "clear"


def test_an_unreadable_job_is_2_and_leaves_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The reason in one line on standard error."""
    monkeypatch.setattr("layergate.gcode.blocks.LONGEST_LINE_BYTES", 1000)
    (tmp_path / "job").write_bytes(b"x" * 200_000)
    assert main(arguments(tmp_path)) == UNREADABLE
    assert files(tmp_path) == {"job"}
    assert capsys.readouterr().err.startswith("bollard cap: not readable: line 1 is longer than")


@pytest.mark.parametrize(
    ("text", "mistake"),
    [
        ("[printer]\nnozle = 1\n", "printer.nozle: unknown key"),
        ("[rules.no-such]\nenabled = true\n", "rules.no-such: there is no such rule"),
    ],
)
def test_a_wrong_description_is_3(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, mistake: str) -> None:
    """Not judged, for a reason that the owner can mend."""
    (tmp_path / "printer.toml").write_text(text)
    assert main(arguments(tmp_path, "--printer", str(tmp_path / "printer.toml"))) == UNUSABLE
    assert mistake in capsys.readouterr().err
    assert "report.json" not in files(tmp_path)


def test_a_missing_plug_in_is_3(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A rule set that can't be loaded judges nothing."""
    assert main(arguments(tmp_path, "--rules-plugins", "quay")) == UNUSABLE
    assert "rules of quay are asked for but not installed" in capsys.readouterr().err


def test_a_disk_that_fills_up_leaves_no_half_report(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The n-th write to disk fails, n = 1, 2, ... until none does: a report that stands there is always whole."""
    given = arguments(tmp_path)
    for fails_at in range(1, 6):
        for name in files(tmp_path) - {"job"}:
            (tmp_path / name).unlink()
        calls = 0

        def fsync(_: int, fails_at: int = fails_at) -> None:
            nonlocal calls
            calls += 1
            if calls == fails_at:
                raise OSError(28, "No space left on device")

        monkeypatch.setattr("os.fsync", fsync)
        try:
            code = main(given)
        except OSError:
            code = None
        if (tmp_path / "report.json").exists():
            json.loads((tmp_path / "report.json").read_text())
            load(tmp_path / "job.index")
        if code == DONE:
            break
        assert "report.json" not in files(tmp_path)
    else:
        pytest.fail("the worker never succeeded")
    assert fails_at > 1


@pytest.mark.parametrize(("cores", "used"), [(1, False), (2, False), (3, True), (4, True)])
def test_a_second_core_is_used_only_where_a_third_is_left(
    cores: int, used: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Prints come first: on a board of two cores the preflight takes one."""
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(cores)))
    assert (worker._ahead() is made_ahead) == used
