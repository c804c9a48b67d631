"""``layergate benchmark``: how fast this board checks jobs, stage by stage, and how much memory that takes.

Writes a job of its own into the temporary directory, checks it as a user would, in a process of its own, then clocks the
stages here; removes the job. Knows nothing of how the stages work. Figures of a busy machine say little: CPU time
stands beside wall time.
"""

import json
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import click

from layergate.printable import printable

DEADLINE_S = 600.0
MOST_SHARE = 0.20
"""Of a check's time that one rule may take: the project's bar."""
LEAST_SHARE_SHOWN = 0.002
_STAGES = ("payload", "claims", "tokenizer", "moves", "layers", "planner")


class Run(NamedTuple):
    """One process, from start to end."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    path_mm: float
    """Path length of the beads, as the report has it."""


@dataclass(frozen=True, slots=True)
class Stages:
    """CPU seconds by stage, of one pass over a job."""

    seconds: dict[str, float]
    moves: int


def run_check(job: Path, *arguments: str) -> Run:
    """Check one job by ``layergate check`` in a process of its own.

    Raises:
        click.ClickException: the process could not judge the job or took longer than DEADLINE_S.
    """
    begin = time.perf_counter()
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-c", _CHECK, "check", "--format", "json", *arguments, str(job)]
    try:
        done = subprocess.run(command, capture_output=True, check=False, timeout=DEADLINE_S)  # noqa: S603 our own program
    except subprocess.TimeoutExpired as error:
        raise click.ClickException(f"the check of {job.name} took longer than {DEADLINE_S:.0f} s") from error
    wall = time.perf_counter() - begin
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    text = done.stderr.decode(errors="replace").strip().splitlines()
    if done.returncode not in (0, 1) or not text or not text[-1].startswith("peak_kb "):
        raise click.ClickException(f"the check of {job.name} failed: {text[-1] if text else 'no output'}")
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    path_mm = sum(json.loads(done.stdout)["layers"]["path_mm"])
    return Run(wall, cpu, float(text[-1].split()[1]) * 1024 / 1e6, path_mm)


# Reports its own peak: getrusage would give the peak of whoever started it, where that is larger (Linux, getrusage(2)).
# The peak of the process that reads ahead is added; what both share counts twice.
_CHECK = """
import atexit, sys
def peak():
    import resource
    unit = 1024 if sys.platform == "darwin" else 1
    try:
        with open("/proc/self/status") as status:
            kb = next(int(line.split()[1]) for line in status if line.startswith("VmHWM"))
    except OSError:
        kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // unit
    print("peak_kb", kb + resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss // unit, file=sys.stderr)
atexit.register(peak)
from layergate.cli.main import main
main()
"""


def time_stages(job: Path) -> Stages:
    """Pass one job through the engine's stages and clock each of them. Rules and report are not among them."""
    from layergate.gcode.blocks import read_blocks  # noqa: PLC0415 numpy is loaded only when it is needed
    from layergate.gcode.claims import Claims  # noqa: PLC0415
    from layergate.gcode.columns import read_columns  # noqa: PLC0415
    from layergate.gcode.dialect import DEFAULT_DIALECT  # noqa: PLC0415
    from layergate.layers.builder import LayerBuilder  # noqa: PLC0415
    from layergate.preflight.reading import PIECE_BYTES  # noqa: PLC0415
    from layergate.toolpath.moves import Moves, concatenate  # noqa: PLC0415
    from layergate.toolpath.planner import MotionLimits, Planner  # noqa: PLC0415
    from layergate.toolpath.reader import MoveReader  # noqa: PLC0415

    seconds = dict.fromkeys(_STAGES, 0.0)

    def clocked(stage: str, function: Callable[..., Any], *arguments: Any, **more: Any) -> Any:
        begin = time.process_time()
        result = function(*arguments, **more)
        seconds[stage] += time.process_time() - begin
        return result

    claims, reader, planner = Claims(), MoveReader(DEFAULT_DIALECT), Planner(MotionLimits())
    layers = LayerBuilder(2.405, lambda beads: None)
    count = size = 0
    piece: list[Moves] = []

    def work() -> None:
        nonlocal count
        if not piece:
            return
        moves = clocked("moves", concatenate, piece)
        piece.clear()
        count += len(moves)
        clocked("layers", layers.feed, moves)
        clocked("planner", planner.feed, moves)

    with job.open("rb") as stream:
        blocks: Iterator[Any] = read_blocks(stream, DEFAULT_DIALECT)
        while (block := clocked("payload", next, blocks, None)) is not None:
            clocked("claims", claims.read, block.raw, block.first_line, keys=False)
            columns = clocked("tokenizer", read_columns, block.payload, block.first_line)
            moves = clocked("moves", reader.read, columns)
            if len(moves):
                piece.append(moves)
            size += len(block.raw)
            if size >= PIECE_BYTES:
                work()
                size = 0
        work()
    clocked("layers", layers.finish)
    clocked("planner", planner.finish)
    return Stages(seconds, count)


class RuleTimes(NamedTuple):
    """CPU seconds of one check in this process, start-up apart: of the whole of it, and of each rule in it."""

    whole_s: float
    rules_s: dict[str, float]

    def shares(self) -> list[tuple[str, float]]:
        """Give each rule's share of the whole, the largest first."""
        return sorted(((rule, took / self.whole_s) for rule, took in self.rules_s.items()), key=lambda one: -one[1])


def time_rules(job: Path, times: int = 1) -> RuleTimes:
    """Check a job some times and give medians; a first check, which loads and warms, does not count."""
    from layergate.preflight.catalogue import load_rules  # noqa: PLC0415
    from layergate.preflight.examine import examine  # noqa: PLC0415
    from layergate.printer import UNSTATED  # noqa: PLC0415

    rules = load_rules([])
    wholes: list[float] = []
    runs: list[dict[str, float]] = []
    for _ in range(times + 1):
        with job.open("rb") as stream:
            begin = time.process_time()
            runs.append(examine(stream, job.name, UNSTATED, rules, "").rule_seconds)
            wholes.append(time.process_time() - begin)
    return RuleTimes(
        statistics.median(wholes[1:]), {rule: statistics.median(run[rule] for run in runs[1:]) for rule in runs[0]}
    )


def median_run(job: Path, times: int) -> Run:
    """Give the medians of several checks; the peak is the largest."""
    return medians([run_check(job) for _ in range(times)])


def medians(runs: list[Run]) -> Run:
    """Give the medians of several runs of one job; the peak is the largest."""
    return Run(
        statistics.median(run.wall_s for run in runs),
        statistics.median(run.cpu_s for run in runs),
        max(run.peak_mb for run in runs),
        runs[0].path_mm,
    )


@click.command("benchmark")
@click.option(
    "--megabytes", type=click.IntRange(1, 500), default=20, show_default=True, help="Size of the job that is written."
)
@click.option("--repeat", type=click.IntRange(1, 9), default=3, show_default=True, help="Runs that medians are of.")
@click.argument("job", required=False, type=click.Path(exists=True, dir_okay=False, path_type=Path))
def benchmark(megabytes: int, repeat: int, job: Path | None) -> None:
    """Print how fast this board checks jobs: a generated one, or JOB (a file, also *.gz)."""
    with tempfile.TemporaryDirectory(prefix="layergate-benchmark-") as folder:
        empty = Path(folder) / "empty.gcode"
        empty.touch()
        if job is None:
            from layergate.cli.benchmark_job import write_job  # noqa: PLC0415

            job = Path(folder) / "generated.gcode"
            try:
                with job.open("wb") as stream:
                    write_job(stream, megabytes * 1_000_000, relative_e=False)
            except OSError as error:
                raise click.ClickException(f"{folder}: the job can't be written: {error.strerror}") from error
        else:
            job = _plain(job, Path(folder))
        _print_figures(job, empty, repeat)


def _plain(job: Path, folder: Path) -> Path:
    """Give a job as plain text: what is timed and what is measured in bytes is the job, not how it is packed."""
    from layergate.cli.jobinput import JobInputError, open_job  # noqa: PLC0415

    unpacked = folder / job.name.removesuffix(".gz")
    try:
        with open_job(str(job)) as opened:
            if not opened.packed:
                return job
            with unpacked.open("wb") as stream:
                shutil.copyfileobj(opened.stream, stream)
    except JobInputError as error:
        raise click.ClickException(f"{printable(str(job))}: not readable: {error}") from error
    return unpacked


def _print_figures(job: Path, empty: Path, repeat: int) -> None:
    megabytes = job.stat().st_size / 1e6
    if not megabytes:
        raise click.ClickException(f"{job}: an empty job has no figures")
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else 0.0
    cores = os.cpu_count() or 1
    click.echo(f"{job.name}, {megabytes:.1f} MB; cores: {cores}, load {load:.1f}; medians of {repeat}")
    if load > cores / 2:
        click.echo("This machine is busy: trust CPU time, not wall time.")
    start, whole = median_run(empty, repeat), median_run(job, repeat)
    passes = [time_stages(job) for _ in range(repeat)]
    rules = time_rules(job, repeat)
    path_m = whole.path_mm / 1000
    click.echo()
    click.echo(f"{'stage (CPU time)':<28}{'s':>9}{'MB/s':>9}")
    for stage in _STAGES:
        _line(stage, statistics.median(one.seconds[stage] for one in passes), megabytes)
    _line("all rules", sum(rules.rules_s.values()), megabytes)
    _line("whole check, wall", whole.wall_s, megabytes)
    _line("whole check, CPU", whole.cpu_s, megabytes)
    _line("start-up (empty job), wall", start.wall_s)
    _line("start-up (empty job), CPU", start.cpu_s)
    click.echo()
    click.echo(f"{'peak memory':<28}{whole.peak_mb:9.0f} MB")
    click.echo(f"{'path laid':<28}{path_m:9.1f} m in {passes[0].moves:,} moves")
    if path_m:
        click.echo(f"{'CPU time per metre of path':<28}{1000 * (whole.cpu_s - start.cpu_s) / path_m:9.3f} ms")
    click.echo()
    print_shares(rules)


def print_shares(rules: RuleTimes) -> None:
    """Print what each rule takes of a check; the ones that take nothing to speak of together."""
    click.echo(f"{'rule (CPU time)':<28}{'s':>9}{'of the check':>15}")
    small = 0.0
    for rule, share in rules.shares():
        if share < LEAST_SHARE_SHOWN:
            small += share
        else:
            click.echo(
                f"{rule:<28}{rules.rules_s[rule]:9.3f}{share:14.1%} {'more than it should' if share > MOST_SHARE else ''}".rstrip()
            )
    click.echo(f"{'all others together':<28}{small * rules.whole_s:9.3f}{small:14.1%}")


def _line(name: str, seconds: float, megabytes: float | None = None) -> None:
    rate = f"{megabytes / seconds:9.1f}" if megabytes and seconds > 0 else ""
    click.echo(f"{name:<28}{seconds:9.3f}{rate}")


COMMANDS = [benchmark]
