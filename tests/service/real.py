"""The daemon, its link and the simulated printer as real processes, each ended by its own id."""

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from layergate.cli.client_http import Client, ClientError
from layergate.cli.main import main

LAYERGATE = [sys.executable, "-m", "layergate.cli.main"]
SIMULATOR = [sys.executable, "-c", "from layergate_sim.cli import main; main()"]
DEADLINE_S = 30.0


def wait(condition: Any, what: str, deadline_s: float = DEADLINE_S) -> Any:
    """Wait until a condition holds; fail after the deadline."""
    end = time.monotonic() + deadline_s
    while True:
        with contextlib.suppress(ClientError):
            if found := condition():
                return found
        assert time.monotonic() < end, f"waited {deadline_s} s in vain for: {what}"
        time.sleep(0.03)


class Daemon:
    """``layergate serve`` in a folder of its own."""

    def __init__(self, folder: Path, config: str) -> None:
        self.folder = folder
        self.config = folder / "config.toml"
        self.config.write_text(config, encoding="utf-8")
        self.socket = folder / "control.sock"
        self.client = Client(self.socket)
        self.log = folder / "serve.log"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self, *arguments: str) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*LAYERGATE, "serve", "--config", self.config, *arguments],
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        wait(self._answers, "the daemon answers")

    def _answers(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, self.log.read_text(encoding="utf-8")
        return bool(self.client.get("health")["healthy"])

    def end(self, number: signal.Signals = signal.SIGTERM) -> int:
        assert self.process is not None
        self.process.send_signal(number)
        code = self.process.wait(timeout=20)
        self.process = None
        return code

    def job(self, job: str) -> dict[str, Any]:
        found: dict[str, Any] = self.client.get("jobs", job)
        return found

    def reaches(self, job: str, wanted: str, deadline_s: float = DEADLINE_S) -> dict[str, Any]:
        def there() -> dict[str, Any] | None:
            found = self.job(job)
            ends = {"completed", "aborted", "canceled", "blocked", "held", "not-judged", "not-readable"}
            assert found["situation"] == wanted or found["situation"] not in ends, found
            return found if found["situation"] == wanted else None

        found: dict[str, Any] = wait(there, f"{job} {wanted}", deadline_s)
        return found

    def run(self, *arguments: str, given: bytes = b"") -> Result:
        """Run a command of the command line against this daemon, within this process (starting one takes a second)."""
        return CliRunner().invoke(main, arguments, input=given, env={"LAYERGATE_SOCKET": str(self.socket)})


def link_pid(path: Path) -> int | None:
    """Ask a link process for its id; None where none listens."""
    try:
        with socket.socket(socket.AF_UNIX) as channel:
            channel.settimeout(5)
            channel.connect(str(path))
            channel.sendall(b'{"id": 1, "do": "status"}\n')
            with channel.makefile("rb") as file:
                return int(json.loads(file.readline())["pid"])
    except OSError:
        return None


def gone(pid: int) -> bool:
    """Whether a process has ended (a zombie has too)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()[0] == "Z"
    except OSError:
        return True


@contextlib.contextmanager
def daemon(folder: Path, config: str) -> Iterator[Daemon]:
    """A daemon, made ready but not started; whatever it started is ended."""
    made = Daemon(folder, config)
    try:
        yield made
    finally:
        if made.process is not None:
            made.end(signal.SIGKILL)
        for path in folder.glob("link*.sock"):
            pid = link_pid(path)
            if pid is not None:
                os.kill(pid, signal.SIGKILL)
                wait(lambda: gone(pid), "link process gone")  # noqa: B023 (called at once)


@contextlib.contextmanager
def simulated_printer(folder: Path, *arguments: str) -> Iterator[Path]:
    """A simulated printer on a pty; gives its device. What it executes is recorded in ``executed.txt``."""
    device = folder / "tty"
    with (folder / "sim.log").open("wb") as log:
        process = subprocess.Popen(
            [*SIMULATOR, "printer", "--pty", str(device), "--record", str(folder / "executed.txt"), *arguments],
            stdout=log,
            stderr=log,
        )
    try:
        wait(lambda: device.exists() or process.poll() is not None, "simulated printer")
        assert process.poll() is None, (folder / "sim.log").read_text(encoding="utf-8")
        yield device
    finally:
        process.terminate()
        process.wait(timeout=20)
