"""The developers' benchmark: ``python tests/benchmarks/run.py``. Prints the engine's figures beside references.

Everything runs in rounds, each thing once a round, so that a passing load meets all alike; figures are medians, ratios
are made within a round. Jobs are generated into a temporary directory and removed. Exit status: 0 if every bar is met.

The references: a C reader of the same columns (reader.c, gcc -O2), whose values are compared with the engine's bit by
bit; ``wc -l``; two general-purpose G-code reading libraries, where installed:
``python -m venv DIR && DIR/bin/pip install pygcode gcodeparser``, then ``--libraries DIR/bin/python``.
"""

import argparse
import gzip
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from layergate.cli.benchmark import MOST_SHARE, Run, Stages, medians, print_shares, run_check, time_rules
from layergate.cli.benchmark_job import GeneratedJob, write_job

HERE = Path(__file__).parent
DEADLINE_S = 1200
SMALL_MB, MIDDLE_MB, MAIN_MB, LARGE_MB = 10, 50, 100, 400
STAGES_MB = 20
LIBRARY_BYTES = {"pygcode": 300_000, "gcodeparser": 2_000_000}

STRTOD, LOOP = "C reader, strtod", "C reader, own loop"

# Bars of the project: engine and layers. Speeds in MB/s, memory in MB (10**6 bytes).
LEAST_MB_S = 12.0
AIM_MB_S = 25.0
MOST_PEAK_MB = 300.0
MOST_START_S = 0.6
MOST_REAL_S = 1.0
MOST_MEMORY_GROWTH = 1.20
MOST_TIME_SPREAD = 1.15
MOST_TIMES_SLOWER = 5.0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeat", type=int, default=5, help="rounds (default 5)")
    parser.add_argument("--large-repeat", type=int, help="rounds with the 400 MB job (default: all)")
    parser.add_argument("--libraries", default=sys.executable, help="a Python that has the two libraries")
    parser.add_argument("--samples", type=Path, help="directory of real jobs (*.gcode or *.gcode.gz) to time, too")
    parser.add_argument("--real", default="large-plate", help="the sample that the bar of real jobs is for")
    parser.add_argument("--stages", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--examine", type=Path, nargs="+", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.stages:
        return _print_stages(given.stages)
    if given.examine:
        return _print_examinations(given.examine, given.repeat)
    with tempfile.TemporaryDirectory(prefix="layergate-benchmark-") as folder:
        return _Benchmark(Path(folder), given).run()


class _Benchmark:
    """One run; everything measured is a list, one entry a round."""

    def __init__(self, folder: Path, given: argparse.Namespace) -> None:
        self.folder = folder
        self.given = given
        self.jobs: dict[str, Path] = {}
        self.made: dict[str, GeneratedJob] = {}
        self.checks: dict[str, list[Run]] = {}
        self.samples: dict[str, Path] = {}
        self.stages: list[Stages] = []
        self.compiled_s: dict[str, list[float]] = {STRTOD: [], LOOP: []}
        self.count_lines_s: list[float] = []
        self.library_s: dict[str, list[float]] = {}
        self.met = True

    def run(self) -> int:
        self._make_jobs()
        reader = self._compile()
        self._compare(reader)
        repeat, large = self.given.repeat, self.given.large_repeat or self.given.repeat
        load = os.getloadavg()[0]  # before it is our own
        for number in range(repeat):
            print(f"round {number + 1} of {repeat}", file=sys.stderr)
            for name, job in self.jobs.items():
                if name != "400 MB" or number < large:
                    self.checks.setdefault(name, []).append(run_check(job))
            stages_job = self.folder / "stages.gcode"
            for name, seconds in self.compiled_s.items():
                command = [str(reader)] + (["strtod"] if name == STRTOD else [])
                seconds.append(float(_output(command, stages_job).split()[0]))
            # The clock of other processes steps by 10 ms on some systems: the largest job, and its share.
            share = self.made["stages"].size_bytes / self.made["400 MB"].size_bytes
            self.count_lines_s.append(share * _cpu_of(["wc", "-l"], self.jobs["400 MB"]))
            self.stages.append(self._time_stages(stages_job))
            self._time_libraries(stages_job)
        self._print(load)
        return 0 if self.met else 1

    def _make_jobs(self) -> None:
        (self.folder / "empty.gcode").touch()
        self.jobs["empty"] = self.folder / "empty.gcode"
        for name, megabytes, relative in (
            ("10 MB", SMALL_MB, False),
            ("50 MB", MIDDLE_MB, False),
            ("100 MB", MAIN_MB, False),
            ("100 MB relative E", MAIN_MB, True),
            ("400 MB", LARGE_MB, False),
            ("stages", STAGES_MB, False),
        ):
            path = self.folder / f"{name.replace(' ', '-')}.gcode"
            begin = time.perf_counter()
            with path.open("wb") as stream:
                made = write_job(stream, megabytes * 1_000_000, relative_e=relative)
            print(f"{name}: {made.lines:,} lines, written in {time.perf_counter() - begin:.1f} s", file=sys.stderr)
            self.made[name] = made
            if name != "stages":
                self.jobs[name] = path
        if self.given.samples:
            for sample in sorted(self.given.samples.glob("*.gcode*")):
                path = self.folder / f"sample-{sample.name.removesuffix('.gz')}"
                data = sample.read_bytes()
                path.write_bytes(gzip.decompress(data) if sample.suffix == ".gz" else data)
                name = path.name.removeprefix("sample-").removesuffix(".gcode")
                self.samples[name] = path
                if name == self.given.real:
                    self.jobs[name] = path

    def _compile(self) -> Path:
        program = self.folder / "reader"
        subprocess.run(
            ["gcc", "-O2", "-Wall", "-Wextra", "-o", str(program), str(HERE / "reader.c"), "-lm"],
            check=True,
            timeout=60,
        )
        return program

    def _compare(self, reader: Path) -> None:
        """Check that the compiled reader and the tokenizer read the same numbers from the same lines."""
        from layergate.gcode.blocks import read_blocks
        from layergate.gcode.columns import read_columns
        from layergate.gcode.dialect import DEFAULT_DIALECT

        job = self.jobs["10 MB"]
        rows = 0
        counts = dict.fromkeys("ABCDEFGHIJKLMNOPQRSTUVWXYZ", 0)
        patterns = {letter: np.uint64(0) for letter in counts}
        with job.open("rb") as stream:
            for block in read_blocks(stream, DEFAULT_DIALECT):
                columns = read_columns(block.payload, block.first_line)
                rows += len(columns)
                for letter in counts:
                    values = columns.word(letter)
                    values = values[np.isfinite(values)]
                    counts[letter] += len(values)
                    patterns[letter] ^= np.bitwise_xor.reduce(values.view(np.uint64), initial=np.uint64(0))
        ours = [f"{letter} {counts[letter]} {int(patterns[letter]):016x}" for letter in counts if counts[letter]]
        for arguments in ([], ["strtod"]):
            first, *theirs = _output([str(reader), *arguments], job).splitlines()
            if theirs != ours or int(first.split()[1]) != rows:
                raise SystemExit(f"the compiled reader and the tokenizer differ:\n{theirs}\n{ours}")

    def _time_stages(self, job: Path) -> Stages:
        # In a process of its own: this one's memory and caches shall not count.
        text = _output([sys.executable, str(HERE / "run.py"), "--stages", str(job)], None)
        pairs = [line.split() for line in text.splitlines()]
        seconds = {name: float(value) for name, value in pairs if name != "moves-count"}
        return Stages(seconds, int(dict(pairs)["moves-count"]))

    def _time_libraries(self, job: Path) -> None:
        for name, size in LIBRARY_BYTES.items():
            part = self.folder / f"part-{name}.gcode"
            if not part.exists():
                with job.open("rb") as stream:
                    part.write_bytes(stream.read(size).rpartition(b"\n")[0] + b"\n")
            try:
                text = _output([self.given.libraries, str(HERE / "libraries.py"), name], part)
            except subprocess.CalledProcessError:
                continue  # told as not installed in the table
            self.library_s.setdefault(name, []).append(float(text.split()[0]))

    def _print(self, load: float) -> None:
        busy = load > 0.7
        print(f"\nmedians of {self.given.repeat} rounds; {os.cpu_count()} cores, load {load:.1f}; MB are 10**6 bytes")
        print(
            f"{'whole check':<30}{'wall s':>8}{'CPU s':>8}{'MB/s wall':>11}{'MB/s CPU':>10}{'peak MB':>9}{'ms/m CPU':>10}"
        )
        whole = {name: medians(runs) for name, runs in self.checks.items()}
        start = whole["empty"]
        for name, run in whole.items():
            megabytes = self.jobs[name].stat().st_size / 1e6
            path_m = run.path_mm / 1000
            rates = f"{megabytes / run.wall_s:>11.1f}{megabytes / run.cpu_s:>10.1f}" if megabytes else f"{'':>21}"
            per_m = f"{1000 * (run.cpu_s - start.cpu_s) / path_m:>10.3f}" if path_m else ""
            print(f"{name:<30}{run.wall_s:>8.2f}{run.cpu_s:>8.2f}{rates}{run.peak_mb:>9.0f}{per_m}")

        if self.samples:
            print(f"\n{'real jobs, without start-up':<30}{'MB':>8}{'path m':>8}{'CPU s':>8}{'MB/s':>11}{'ms/m':>10}")
            paths = [str(path) for path in self.samples.values()]
            command = [sys.executable, str(HERE / "run.py"), "--repeat", str(self.given.repeat), "--examine", *paths]
            for name, line in zip(self.samples, _output(command, None).splitlines(), strict=True):
                seconds, path_m = (float(value) for value in line.split())
                size = self.samples[name].stat().st_size / 1e6
                per_m = f"{1000 * seconds / path_m:>10.3f}" if path_m else ""
                print(f"{name:<30}{size:>8.2f}{path_m:>8.1f}{seconds:>8.3f}{size / seconds:>11.1f}{per_m}")

        megabytes = self.made["stages"].size_bytes / 1e6
        compiled = {name: statistics.median(seconds) for name, seconds in self.compiled_s.items()}
        print(f"\n{'stage, CPU time':<30}{'MB/s':>8}{'times ' + STRTOD:>26}{'times ' + LOOP:>26}")
        lines = {
            stage: statistics.median(one.seconds[stage] for one in self.stages) for stage in self.stages[0].seconds
        }
        for name, seconds in {**lines, **compiled, "wc -l": statistics.median(self.count_lines_s)}.items():
            print(
                f"{name:<30}{megabytes / seconds:>8.1f}", *(f"{seconds / other:>25.2f}" for other in compiled.values())
            )
        reading = [one.seconds["tokenizer"] + one.seconds["payload"] for one in self.stages]
        for name in LIBRARY_BYTES:
            if name not in self.library_s:
                print(f"{name:<30}not installed")
                continue
            size = (self.folder / f"part-{name}.gcode").stat().st_size / 1e6
            rate = size / statistics.median(self.library_s[name])
            faster = statistics.median(
                (theirs / size) / (ours / megabytes) for theirs, ours in zip(self.library_s[name], reading, strict=True)
            )
            print(f"{name:<30}{rate:>8.3f}   payload and tokenizer are {faster:.0f} times faster")

        slower = {
            name: statistics.median(o.seconds["tokenizer"] / t for o, t in zip(self.stages, theirs, strict=True))
            for name, theirs in self.compiled_s.items()
        }
        kind = "CPU" if busy else "wall"
        times = {name: run.cpu_s if busy else run.wall_s for name, run in whole.items()}
        # By CPU time: a second process that reads ahead has to begin first, which by the wall is not of the job's size.
        per_mb = {
            name: (whole[name].cpu_s - start.cpu_s) / self.made[name].size_bytes
            for name in ("10 MB", "50 MB", "100 MB", "400 MB")
        }
        print(f"\nbars, by {kind} time" + (" since the machine is busy" if busy else ""))
        for name in ("100 MB", "100 MB relative E"):
            rate = self.made[name].size_bytes / 1e6 / times[name]
            self._bar(f"{name}: MB/s, aim {AIM_MB_S:.0f}", rate, LEAST_MB_S, at_least=True)
            self._bar(f"{name}: peak memory, MB", whole[name].peak_mb, MOST_PEAK_MB)
        self._bar("start-up, s", times["empty"], MOST_START_S)
        self._bar("memory, 400 MB against 50 MB", whole["400 MB"].peak_mb / whole["50 MB"].peak_mb, MOST_MEMORY_GROWTH)
        self._bar(
            "CPU s per MB, largest against smallest", max(per_mb.values()) / min(per_mb.values()), MOST_TIME_SPREAD
        )
        for name, ratio in slower.items():
            self._bar(f"tokenizer against {name}", ratio, MOST_TIMES_SLOWER)
        if self.given.real in times:
            self._bar(f"{self.given.real}, s", times[self.given.real], MOST_REAL_S)
        self._print_rules()

    def _print_rules(self) -> None:
        """Print what each rule takes of a check: of the generated job, and the largest share in each real one."""
        print()
        rules = time_rules(self.folder / "stages.gcode", self.given.repeat)
        print_shares(rules)
        print()
        for name, job in {"generated": None, **self.samples}.items():
            rule, share = (rules if job is None else time_rules(job, self.given.repeat)).shares()[0]
            self._bar(f"{name}: {rule}, %", 100 * share, 100 * MOST_SHARE)

    def _bar(self, name: str, value: float, bar: float, *, at_least: bool = False) -> None:
        met = value >= bar if at_least else value <= bar
        self.met &= met
        print(
            f"{name:<46}{value:>9.2f}   {'at least' if at_least else 'at most'} {bar:g}: {'met' if met else 'NOT MET'}"
        )


def _print_stages(job: Path) -> int:
    from layergate.cli.benchmark import time_stages

    stages = time_stages(job)
    for name, seconds in stages.seconds.items():
        print(name, f"{seconds:.6f}")
    print("moves-count", stages.moves)
    return 0


def _print_examinations(jobs: list[Path], repeat: int) -> int:
    """Print the CPU seconds of a preflight in this process, median of ``repeat``, and the metres of path, job by job."""
    from layergate.preflight.catalogue import load_rules
    from layergate.preflight.examine import examine
    from layergate.printer import UNSTATED

    rules = load_rules([])
    for job in jobs:
        seconds = []
        for _ in range(repeat + 1):  # the first one warms up and does not count
            begin = time.process_time()
            with job.open("rb") as stream:
                made = examine(stream, job.name, UNSTATED, rules, "").layers
            seconds.append(time.process_time() - begin)
        print(statistics.median(seconds[1:]), float(made.path_mm.sum()) / 1000)
    return 0


def _output(command: list[str], job: Path | None) -> str:
    with (job or Path(os.devnull)).open("rb") as stream:
        return subprocess.run(
            command, stdin=stream, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, check=True, timeout=DEADLINE_S
        ).stdout.decode()


def _cpu_of(command: list[str], job: Path) -> float:
    before = os.times()
    _output(command, job)
    after = os.times()
    used = after.children_user + after.children_system - before.children_user - before.children_system
    return max(used, 1e-3)


if __name__ == "__main__":
    sys.exit(main())
