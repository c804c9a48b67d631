"""Starts `layergate-sim printer` as a process of its own, waits until it is ready, and stops it; for tests and trials.

Refuses to know the printer itself: everything goes through the command line, as a user would start it.
"""

from __future__ import annotations

import contextlib
import json
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from typing import Any


class SpawnedPrinter:
    """A printer in a process. `url` is what a host opens; `report` is filled once it has been stopped."""

    def __init__(self, process: subprocess.Popen[bytes], url: str) -> None:
        self.process = process
        self.url = url
        self.report: dict[str, Any] = {}

    def stop(self, deadline_s: float = 10.0) -> dict[str, Any]:
        """Stop it cleanly and return its report. Raises TimeoutError, or RuntimeError when it ended badly."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        try:
            output, errors = self.process.communicate(timeout=deadline_s)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.communicate()
            raise TimeoutError(f"the simulated printer at {self.url} did not stop within {deadline_s} s") from None
        if self.process.returncode != 0:
            raise RuntimeError(f"the simulated printer ended with {self.process.returncode}: {errors.decode()}")
        self.report = json.loads(output.splitlines()[-1])
        return self.report

    def kill(self) -> None:
        """End it without any chance to tidy up."""
        self.process.kill()
        self.process.communicate()


def _read_ready(process: subprocess.Popen[bytes], deadline_s: float) -> str:
    assert process.stdout is not None
    end = time.monotonic() + deadline_s
    text = b""
    while b"\n" not in text:
        ready, _, _ = select.select([process.stdout], [], [], max(0.0, end - time.monotonic()))
        chunk = process.stdout.read1(4096) if ready else b""  # type: ignore[attr-defined]  # a BufferedReader
        if not chunk:
            process.kill()
            _, errors = process.communicate()
            raise TimeoutError(f"the simulated printer was not ready within {deadline_s} s: {errors.decode()}")
        text += chunk
    word, _, name = text.decode().splitlines()[0].partition(" ")
    if word != "ready":
        process.kill()
        process.communicate()
        raise RuntimeError(f"the simulated printer said {text!r} instead of being ready")
    return name


@contextlib.contextmanager
def spawned_printer(*arguments: str, deadline_s: float = 15.0) -> Iterator[SpawnedPrinter]:
    """`layergate-sim printer --json ARGUMENTS...` in a process; ready when the block begins, stopped when it ends.

    Without --pty or --tcp in the arguments it takes a free TCP port on loopback.
    """
    where = () if {"--pty", "--tcp"} & set(arguments) else ("--tcp", "127.0.0.1:0")
    process = subprocess.Popen(  # noqa: S603  # our own program with the caller's arguments
        [sys.executable, "-m", "layergate_sim.cli", "printer", "--json", *where, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    try:
        name = _read_ready(process, deadline_s)
        spawned = SpawnedPrinter(process, name if "--pty" in arguments else f"socket://{name}")
        yield spawned
        if process.returncode is None:
            spawned.stop()
    finally:
        if process.poll() is None:
            process.kill()
            process.communicate()
