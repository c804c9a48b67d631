"""Running the worker: believed only when it ended well, and gone when it did not."""

import asyncio
import contextlib
import os
import resource
import sys
import time
from pathlib import Path

import pytest
from tests.service.parts import FAKE_WORKER, job_bytes, until

from layergate.config import PreflightConfig
from layergate.jobs.worker import DEFAULT_COMMAND, NICE, OOM_SCORE_ADJUST, Outcome, Worker


async def _check(tmp_path: Path, orders: str = "", **config: object) -> Outcome:
    worker = Worker(PreflightConfig.model_validate({"command": [sys.executable, str(FAKE_WORKER)], **config}))
    return await _run(worker, tmp_path, orders)


async def _run(worker: Worker, tmp_path: Path, orders: str) -> Outcome:
    job = tmp_path / "job.gcode"
    job.write_bytes(job_bytes(orders=orders))
    return await worker.check(
        job=job,
        name="cap",
        description=tmp_path / "quay.toml",
        report=tmp_path / "report.json",
        index=tmp_path / "index.json",
        size_bytes=job.stat().st_size,
    )


async def test_a_worker_that_ends_well_has_judged(tmp_path: Path) -> None:
    """Exit 0 with both files is a judgement, and the description was handed over."""
    outcome = await _check(tmp_path)
    assert outcome.kind == "judged"
    assert str(tmp_path / "quay.toml") in (tmp_path / "report.json").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("orders", "kind", "reason"),
    [
        ("exit 2", "not-readable", "line 3: this is no print job"),
        ("exit 1", "not-judged", "failed with 1: line 3: this is no print job"),
        ("exit 3", "not-judged", "failed with 3"),
        ("kill", "not-judged", "ended by SIGKILL"),
        ("silent", "not-judged", "wrote no report.json and no index.json"),
    ],
)
async def test_any_other_end_is_not_clear(tmp_path: Path, orders: str, kind: str, reason: str) -> None:
    """Not readable is told as such; every other end, also a killed worker or one that wrote nothing, is 'not judged'."""
    outcome = await _check(tmp_path, orders)
    assert outcome.kind == kind
    assert reason in outcome.reason


async def test_files_of_a_check_before_are_not_believed(tmp_path: Path) -> None:
    """A worker that dies does not leave the files of an earlier check to be taken for its own."""
    assert (await _check(tmp_path)).kind == "judged"
    assert (await _check(tmp_path, "silent")).kind == "not-judged"


async def test_a_worker_that_takes_too_long_is_ended(tmp_path: Path) -> None:
    """After its time the worker is killed and the job is not judged."""
    begun = time.monotonic()
    outcome = await _check(tmp_path, "sleep 30", seconds=0.5, seconds_per_mib=0)
    assert outcome.kind == "not-judged"
    assert "longer than" in outcome.reason
    assert time.monotonic() - begun < 10


async def test_a_worker_that_wants_too_much_memory_is_refused_it(tmp_path: Path) -> None:
    """Address space is limited: a worker that asks for 600 MiB where 400 are allowed fails, and the job is not judged."""
    outcome = await _check(tmp_path, "sleep 0.2;memory 600", memory_mib=400, memory_per_mib=0)
    assert outcome.kind == "not-judged"
    assert (await _check(tmp_path, "sleep 0.2;memory 100", memory_mib=400, memory_per_mib=0)).kind == "judged"


async def test_the_worker_is_humble(tmp_path: Path) -> None:
    """It runs at low priority, first to go when memory is short, with our limits, without our descriptors."""
    worker = Worker(PreflightConfig(command=(sys.executable, str(FAKE_WORKER)), memory_mib=1000, memory_per_mib=0))
    with (tmp_path / "secret").open("w") as secret:
        os.set_inheritable(secret.fileno(), True)
        task = asyncio.create_task(_run(worker, tmp_path, "sleep 20"))
        await until(lambda: worker.pid, "worker runs")
        pid = worker.pid
        assert pid is not None
        await until(lambda: os.getpriority(os.PRIO_PROCESS, pid) == NICE, "niced")
        await until(lambda: Path(f"/proc/{pid}/oom_score_adj").read_text().strip() == str(OOM_SCORE_ADJUST), "adjusted")
        await until(lambda: b"fake_worker" in Path(f"/proc/{pid}/cmdline").read_bytes(), "executed")
        assert resource.prlimit(pid, resource.RLIMIT_AS)[0] == 1000 * 1024 * 1024
        open_files = []
        for entry in Path(f"/proc/{pid}/fd").iterdir():
            with contextlib.suppress(FileNotFoundError):  # a file of its own start that it closed meanwhile
                open_files.append(os.readlink(entry))
        assert open_files
        assert not [name for name in open_files if name.endswith("secret")]
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert not Path(f"/proc/{pid}").exists()


async def test_a_worker_that_can_not_be_started_is_told(tmp_path: Path) -> None:
    """A command that is not there means 'not judged', with its name."""
    outcome = await _check(tmp_path, command=["/nowhere/worker"])
    assert outcome.kind == "not-judged"
    assert "/nowhere/worker" in outcome.reason


async def test_endless_complaints_do_not_fill_memory(tmp_path: Path) -> None:
    """Only the end of standard error is kept."""
    script = tmp_path / "loud.py"
    script.write_text(
        "import sys\nfor n in range(200000): print('x' * 100, file=sys.stderr)\nprint('last', file=sys.stderr)\nsys.exit(2)\n"
    )
    outcome = await _check(tmp_path, command=[sys.executable, str(script)])
    assert (outcome.kind, outcome.reason) == ("not-readable", "last")


def test_limits_grow_with_the_job() -> None:
    """A job of 100 MiB gets 100 times the extra per MiB."""
    worker = Worker(PreflightConfig(seconds=10, seconds_per_mib=2, memory_mib=500, memory_per_mib=3))
    assert worker.limits(100 * 1024 * 1024) == (210, 800 * 1024 * 1024)
    assert worker.command == DEFAULT_COMMAND
