"""Running the preflight of one job in a worker process: low priority, limited, and never believed unless it ended well.

Contract of the worker (layergate.preflight.worker): exit 0 and both files written: judged; 2: the job is not readable,
for the reason in the last line of standard error; anything else, a signal or too much time: not judged, never clear.
Knows nothing of states and verdicts.
"""

import asyncio
import contextlib
import os
import resource
import signal
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import structlog

from layergate.config import MIB, PreflightConfig

log = structlog.get_logger(__name__)

DEFAULT_COMMAND = (sys.executable, "-P", "-m", "layergate.preflight.worker")
NICE = 10
OOM_SCORE_ADJUST = 800  # of 1000: the first to go when memory is short (proc_pid_oom_score_adj(5))
ERROR_TEXT_BYTES = 16 * 1024  # kept of standard error, its end
KILL_WAIT_S = 10.0  # a killed process that still is not gone hangs in the kernel; we go on without it


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a preflight ended."""

    kind: Literal["judged", "not-readable", "not-judged"]
    reason: str
    seconds: float


class Worker:
    """Runs preflights, one at a time (the caller's promise)."""

    def __init__(self, config: PreflightConfig) -> None:
        self.config = config
        self.command = config.command or DEFAULT_COMMAND
        self.pid: int | None = None
        """Process of the preflight that runs now."""

    def limits(self, size_bytes: int) -> tuple[float, int]:
        """Give the seconds and the bytes of address space for a job of this size."""
        mib = size_bytes / MIB
        seconds = self.config.seconds + mib * self.config.seconds_per_mib
        memory = self.config.memory_mib + mib * self.config.memory_per_mib
        return seconds, int(memory * MIB)

    async def check(
        self, *, job: Path, name: str, description: Path | None, report: Path, index: Path, size_bytes: int
    ) -> Outcome:
        """Check one job. Never raises for the worker's sake; a cancelled call kills the worker."""
        try:
            for old in (report, index):
                old.unlink(missing_ok=True)  # so that what is there afterwards is this worker's
        except OSError as error:
            return Outcome("not-judged", f"{error.filename} is in the way: {error.strerror}", 0.0)
        seconds, memory = self.limits(size_bytes)
        command = [*self.command, "--job", str(job), "--name", name, "--report", str(report), "--index", str(index)]
        if description is not None:
            command += ["--printer", str(description)]
        if self.config.rules_plugins:
            command += ["--rules-plugins", ",".join(self.config.rules_plugins)]
        begun = time.monotonic()
        try:
            process = await asyncio.create_subprocess_exec(
                *command,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
                close_fds=True,
                start_new_session=True,  # its own group, so that whatever it starts goes with it
                env=_environment(),
            )
        except OSError as error:
            return Outcome("not-judged", f"the worker can't be started: {error}", 0.0)
        self.pid = process.pid
        try:
            _restrain(process.pid, seconds, memory)
            try:
                async with asyncio.timeout(seconds):
                    text = await _end_of(process.stderr)
                    code = await process.wait()
            except TimeoutError:
                return Outcome("not-judged", f"the check took longer than {seconds:.0f} s", time.monotonic() - begun)
        finally:
            self.pid = None
            await asyncio.shield(_end(process))
        return _outcome(code, text, time.monotonic() - begun, report, index)


def _outcome(code: int, text: str, took_s: float, report: Path, index: Path) -> Outcome:
    last = next((line.strip() for line in reversed(text.splitlines()) if line.strip()), "")
    if code == 0:
        missing = [path.name for path in (report, index) if not path.is_file()]
        if missing:
            return Outcome("not-judged", f"the worker ended well but wrote no {' and no '.join(missing)}", took_s)
        return Outcome("judged", "", took_s)
    if code == 2:
        return Outcome("not-readable", last or "the worker gave no reason", took_s)
    if code < 0:
        name = signal.Signals(-code).name if -code in signal.valid_signals() else str(-code)
        return Outcome("not-judged", f"the worker was ended by {name} (too much memory or time, or by hand)", took_s)
    return Outcome("not-judged", f"the worker failed with {code}: {last or 'no reason given'}", took_s)


def _environment() -> dict[str, str]:
    keep = {"PATH", "LANG", "LC_ALL", "TZ", "VIRTUAL_ENV", "PYTHONPATH", "HOME", "TMPDIR"}
    kept = {key: value for key, value in os.environ.items() if key in keep}
    # One thread: we use no linear algebra, and each thread of it would cost address space.
    return kept | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}


def _restrain(pid: int, seconds: float, memory_bytes: int) -> None:
    """Set limits from outside, so that no code of ours runs between fork and exec."""
    try:
        os.setpriority(os.PRIO_PROCESS, pid, NICE)
        cpu = int(seconds) + 5  # a net below the time-out, should this process die first
        resource.prlimit(pid, resource.RLIMIT_CPU, (cpu, cpu + 5))
        resource.prlimit(pid, resource.RLIMIT_AS, (memory_bytes, memory_bytes))
        resource.prlimit(pid, resource.RLIMIT_CORE, (0, 0))
    except (OSError, ValueError) as error:  # it may have ended already; a lower hard limit of ours may stand
        log.warning("preflight worker not restrained", error=str(error))
    with contextlib.suppress(OSError):  # needs a kernel with /proc; helps others, changes no verdict
        Path(f"/proc/{pid}/oom_score_adj").write_text(str(OOM_SCORE_ADJUST))


async def _end_of(stream: asyncio.StreamReader | None) -> str:
    """Read a stream to its end and give its last part."""
    assert stream is not None
    kept = b""
    while data := await stream.read(65536):
        kept = (kept + data)[-ERROR_TEXT_BYTES:]
    return kept.decode(errors="replace")


async def _end(process: asyncio.subprocess.Process) -> None:
    """Make sure that nothing of the worker runs on."""
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(process.pid, signal.SIGKILL)
    if process.returncode is None:
        try:
            async with asyncio.timeout(KILL_WAIT_S):
                await process.wait()
        except TimeoutError:
            log.warning("killed preflight worker is not gone", pid=process.pid)


def python_worker(script: Path) -> Sequence[str]:
    """Give the command of a worker written as a script, for tests."""
    return (sys.executable, str(script))
