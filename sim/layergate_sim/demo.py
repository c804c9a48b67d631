"""The demonstration: two jobs go through the daemon to the simulated printer; one of them lacks a layer.

Uses the programs as a user would, by their command lines, and nothing of the daemon's inside. Everything it makes lies in
one folder; when it ends, by itself or by Ctrl-C, no process of it is left.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import shlex
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from layergate_sim.damage import remove_layer
from layergate_sim.specimens import bollard_cap

TIME_SCALE = 60
"""The simulated printer moves and heats this many times faster than a real one: the cap takes some ten minutes there."""

DEADLINE_S = 55.0
LOST_LAYER = 17

_DESCRIPTION = """\
# What the workshop states of its printer. Whatever is not stated is not judged.
[printer]
build_volume_mm = { x = [0, 220], y = [0, 220], z = [0, 250] }
nozzle_diameter_mm = 0.4
filament_diameter_mm = 1.75
maximum_hot_end_c = 260
lowest_extrusion_c = 170
material = "PLA"
"""

_CONFIGURATION = """\
[spool]
directory = "{folder}/spool"
keep_free_mib = 16

[control]
socket = "{run}/control.sock"

[printers.quay]
device = "{run}/printer"
description = "{folder}/quay.toml"
link_socket = "{run}/link-quay.sock"
"""


class DemoError(RuntimeError):
    """Something did not go as the demonstration shows it; the text says what, and where to look."""


def main() -> int:
    """Run the demonstration; 0 if everything went as it should."""
    parser = argparse.ArgumentParser(prog="sim/demo", description="Layergate with a simulated printer, in a minute.")
    parser.add_argument("--folder", type=Path, default=Path("demo-output"), help="where everything is put")
    folder = parser.parse_args().folder.resolve()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    try:
        _demonstrate(folder)
    except KeyboardInterrupt:
        print("\nStopped.")
        return 130
    except (DemoError, subprocess.TimeoutExpired) as error:
        print(f"\nThe demonstration failed: {error}\nIts logs are in {folder}.", file=sys.stderr)
        return 1
    return 0


def _demonstrate(folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    run = folder / "run"
    run.mkdir(parents=True)
    if len(str(run / "link-quay.sock")) > 100:
        raise DemoError(f"{run} is too long a path for a Unix socket; use --folder with a shorter one")
    good, bad = folder / "bollard-cap.gcode", folder / "bollard-cap-damaged.gcode"
    cap = bollard_cap()
    good.write_bytes(cap.text)
    bad.write_bytes(remove_layer(cap.text, cap.truth, LOST_LAYER))
    (folder / "quay.toml").write_text(_DESCRIPTION, encoding="utf-8")
    configuration = folder / "layergate.toml"
    configuration.write_text(_CONFIGURATION.format(folder=folder, run=run), encoding="utf-8")

    print("The workshop of a small harbour prints bollard caps. Two jobs are sent; one of them lacks a layer.\n")
    with _processes(run, folder, configuration):
        _say("The bed of the printer is clear; a person says so.")
        _layergate(run, "cleared", "quay")

        _say("First the damaged job:")
        blocked = _submit(run, bad)
        state = _wait_judged(run, blocked)
        if state["verdict"] != "block":
            raise DemoError(f"the damaged job was judged {state['verdict']!r}, not blocked")
        _save_report(run, blocked, folder / "bollard-cap-damaged.report.json")
        _layergate(run, "show", blocked)

        _say(
            f"Now the whole one, with its layers counted off. This printer is simulated {TIME_SCALE} times as fast as a "
            "real one,\n    so the time left, planned for a real one at first, falls quickly:"
        )
        printed = _submit(run, good)
        followed = subprocess.run(  # noqa: S603  # our own program
            [_program("layergate"), "follow", printed, "--socket", str(run / "control.sock")],
            timeout=DEADLINE_S,
            check=False,
        )
        if followed.returncode != 0:
            raise DemoError("the whole job was not completed")
        _save_report(run, printed, folder / "bollard-cap.report.json")
        _compare(good, folder)
    print("\nWhat was said of the two jobs lies in")
    for name in ("bollard-cap-damaged.report.json", "bollard-cap.report.json"):
        print(f"  {folder / name}")
    again = shlex.join([_program("layergate"), "check", "--printer", str(folder / "quay.toml"), str(bad)])
    print(f"Check one again with:\n  {again}")


def _say(text: str) -> None:
    print(f"\n--- {text}", flush=True)


def _program(name: str) -> str:
    return str(Path(sys.executable).with_name(name))


def _layergate(run: Path, *arguments: str, quiet: bool = False) -> str:
    """Run one command of ``layergate`` against the demonstration's daemon and give what it printed."""
    done = subprocess.run(  # noqa: S603  # our own program
        [_program("layergate"), *arguments, "--socket", str(run / "control.sock")],
        capture_output=True,
        text=True,
        timeout=DEADLINE_S,
        check=False,
    )
    if done.returncode != 0:
        raise DemoError(f"layergate {' '.join(arguments)}: {done.stderr or done.stdout}")
    if not quiet:
        print(done.stdout, end="", flush=True)
    return done.stdout


def _submit(run: Path, job: Path) -> str:
    answer = json.loads(_layergate(run, "submit", str(job), "--json", quiet=True))
    print(f"submitted {job.name} as job {answer['id']}")
    return str(answer["id"])


def _wait_judged(run: Path, job: str) -> dict[str, str]:
    """Wait until a job has a verdict."""
    deadline = time.monotonic() + DEADLINE_S
    while time.monotonic() < deadline:
        record: dict[str, str] = json.loads(_layergate(run, "show", job, "--json", quiet=True))["job"]
        if record.get("verdict"):
            return record
        time.sleep(0.1)
    raise DemoError(f"job {job} was not judged in time")


def _save_report(run: Path, job: str, path: Path) -> None:
    shown = json.loads(_layergate(run, "show", job, "--json", quiet=True))
    path.write_text(json.dumps(shown["report"], indent=1) + "\n", encoding="utf-8")


def _compare(job: Path, folder: Path) -> None:
    """Compare what the printer executed with the commands in the job's file, read here once more, line by line."""
    sent = [line.split(";")[0].strip() for line in job.read_text(encoding="utf-8").splitlines()]
    wanted = [line for line in sent if line]
    # The daemon asks for temperatures and sets the line counter between the job's lines, and ends with its own safe end.
    own = ("M105", "M110", "M115", "M155", "M114", "M400", "M104 S0", "M140 S0", "M113")
    executed = (folder / "executed.txt").read_text(encoding="utf-8").splitlines()
    got = [line for line in executed if not line.startswith(own)]
    if got != [line for line in wanted if not line.startswith(own)]:
        raise DemoError("the printer executed something else than the job")
    print(
        f"\nThe printer executed {len(wanted)} commands, each as it was checked and in the same order "
        f"(the file's other {len(sent) - len(wanted)} lines are comments)."
    )


@contextlib.contextmanager
def _processes(run: Path, folder: Path, configuration: Path) -> Iterator[None]:
    """The simulated printer and the daemon, until the block ends; then nothing of them is left."""
    started: list[subprocess.Popen[bytes]] = []
    try:
        printer = [_program("layergate-sim"), "printer", "--pty", str(run / "printer"), "--time-scale", str(TIME_SCALE)]
        with (folder / "printer.log").open("wb") as log:
            started.append(
                subprocess.Popen(  # noqa: S603  # our own program
                    [*printer, "--record", str(folder / "executed.txt"), "--json"], stdout=log, stderr=log
                )
            )
        _wait_for(run / "printer", started[-1], folder / "printer.log")
        with (folder / "daemon.log").open("wb") as log:
            started.append(
                subprocess.Popen(  # noqa: S603  # our own program
                    [_program("layergate"), "serve", "--config", str(configuration)], stdout=log, stderr=log
                )
            )
        _wait_for(run / "control.sock", started[-1], folder / "daemon.log")
        yield
    finally:
        # A second Ctrl-C while tidying up would leave processes behind.
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        for process in reversed(started):
            _end(process)
        # The link process outlives the daemon on purpose; it is known by the folder in its command line.
        for identifier in _using(run):
            with contextlib.suppress(ProcessLookupError):
                os.kill(identifier, signal.SIGTERM)
        _wait_gone(run)


def _wait_for(path: Path, process: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + 20
    while not path.exists():
        if process.poll() is not None or time.monotonic() > deadline:
            raise DemoError(f"the process that should make {path.name} did not start; see {log}")
        time.sleep(0.05)


def _end(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(5)


def _using(run: Path) -> list[int]:
    """Give the processes, other than this one, whose command line names the demonstration's folder."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and int(entry.name) != os.getpid():
            with contextlib.suppress(OSError):
                if str(run).encode() in (entry / "cmdline").read_bytes():
                    found.append(int(entry.name))
    return found


def _wait_gone(run: Path) -> None:
    deadline = time.monotonic() + 5
    while _using(run) and time.monotonic() < deadline:
        time.sleep(0.05)
    for identifier in _using(run):
        with contextlib.suppress(ProcessLookupError):
            os.kill(identifier, signal.SIGKILL)


if __name__ == "__main__":
    sys.exit(main())
