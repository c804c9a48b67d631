"""``layergate-sim trials``: how many damages the checker catches and places, and how many good jobs it stops."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from pathlib import Path
from typing import Any

import click

from layergate_sim.trials.case import (
    FILAMENT_MM,
    Case,
    Score,
    crashes,
    damage_kinds,
    damaged_cases,
    good_cases,
    is_placed,
    job_cases,
    stopping,
)

_BATCH = 24  # jobs given to one run of the checker: its start-up is shared among them
_DESCRIPTION = f"""\
[printer]
build_volume_mm = {{ x = [0, 220], y = [0, 220], z = [0, 250] }}
reach_mm = {{ x = [-10, 230], y = [-10, 230], z = [-1, 255] }}
nozzle_diameter_mm = 0.4
filament_diameter_mm = {FILAMENT_MM}
maximum_hot_end_c = 290
maximum_bed_c = 120
lowest_extrusion_c = 170
"""


class CheckerError(click.ClickException):
    """The checker could not be run."""


@click.command("trials")
@click.option("--cases", type=click.IntRange(min=1), default=2000, show_default=True, help="Damaged jobs in all.")
@click.option("--good", type=click.IntRange(min=0), default=5, show_default=True, help="Seeds of each good specimen.")
@click.option("--seed", type=int, default=1, show_default=True, help="Same seed, same jobs, same table.")
@click.option("--damage", "chosen", multiple=True, metavar="KIND", help="Only this damage; may be repeated.")
@click.option("--workers", type=click.IntRange(1, 16), default=2, show_default=True)
@click.option("--missed", is_flag=True, help="Name every damaged job that was not caught.")
@click.option(
    "--jobs",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Damage the jobs of this folder (*.gcode, *.gcode.gz) instead of specimens; nothing is stated of their printers.",
)
@click.option("--checker", default=str(Path(sys.executable).with_name("layergate")), help="The program to try.")
def trials(
    *,
    cases: int,
    good: int,
    seed: int,
    chosen: tuple[str, ...],
    workers: int,
    missed: bool,
    jobs: Path | None,
    checker: str,
) -> None:
    """Run specimens and damages through the checker and print what came of them."""
    kinds = list(chosen) or damage_kinds()
    if unknown := set(kinds) - set(damage_kinds()):
        raise click.BadParameter(f"no damage {', '.join(sorted(unknown))}", param_hint="--damage")
    found = sorted(job for end in ("*.gcode", "*.gcode.gz") for job in jobs.glob(end)) if jobs else []
    if jobs and not found:
        raise click.BadParameter(f"no *.gcode or *.gcode.gz in {jobs}", param_hint="--jobs")
    each = max(1, cases // len(kinds))
    with tempfile.TemporaryDirectory(prefix="layergate-trials-") as folder:
        description = Path(folder) / "printer.toml"
        description.write_text(_DESCRIPTION, encoding="utf-8")
        run = _Runner(checker, None if jobs else description, Path(folder), workers)
        expected = _good(run, job_cases(found, "", 0, seed) if jobs else good_cases(range(seed, seed + good)))

        def damaged(kind: str) -> Iterator[Case]:
            return job_cases(found, kind, each, seed) if jobs else damaged_cases(kind, each, seed)

        _damaged(run, kinds, damaged, expected, show_missed=missed)
    if run.crashes:
        raise click.ClickException(f"{run.crashes} times a rule failed, which counts as no catch: see above")


def _good(run: _Runner, cases: Iterable[Case]) -> set[tuple[str, str]]:
    """Check good jobs; give the rules that stop some kind by what it is, as (kind, rule)."""
    verdicts = {"clear": 0, "hold": 0, "block": 0}
    stopped: dict[tuple[str, str, str], int] = {}
    for case, report in run.reports(cases):
        verdicts[report["verdict"]] += 1
        for finding in stopping(report):
            key = (case.specimen, finding["severity"], finding["rule"])
            stopped[key] = stopped.get(key, 0) + 1
    total = sum(verdicts.values())
    click.echo(f"good jobs: {total}: " + ", ".join(f"{count} {name}" for name, count in verdicts.items()))
    for (kind, severity, rule), count in sorted(stopped.items()):
        click.echo(f"  {kind:28} {severity:6} {rule:24} {count}")
    return {(kind, rule) for kind, _, rule in stopped}


def _damaged(
    run: _Runner,
    kinds: list[str],
    damaged: Callable[[str], Iterable[Case]],
    expected: set[tuple[str, str]],
    *,
    show_missed: bool,
) -> None:
    click.echo(f"\n{'damage':24} {'cases':>5} {'caught':>7} {'placed':>7}   of those that change the part, caught   by")
    scores = {}
    for kind in kinds:
        score = scores[kind] = Score()
        for case, report in run.reports(damaged(kind)):
            found = [f for f in stopping(report) if (case.specimen, f["rule"]) not in expected]
            _count(score, case, found)
        by = ", ".join(f"{rule} {n}" for rule, n in sorted(score.rules.items(), key=lambda item: -item[1])[:4])
        changing = f"{score.changing_caught}/{score.changing}" if score.changing else "-"
        click.echo(
            f"{kind:24} {score.cases:5} {_percent(score.caught, score.cases)} {_percent(score.placed, score.placeable)}"
            f"   {changing:>11} {_percent(score.changing_caught, score.changing)}   {by}"
        )
        for reason, (count, caught) in score.unseen.items():
            click.echo(f"{'':24} can't be seen, and not counted there: {count}, of which caught {caught}: {reason}")
        if show_missed:
            for text in score.missed:
                click.echo(f"    missed: {text}")
    total = list(scores.values())
    altered, caught = sum(s.changing for s in total), sum(s.changing_caught for s in total)
    placed, placeable = sum(s.placed for s in total), sum(s.placeable for s in total)
    hidden = sum(count for s in total for count, _ in s.unseen.values())
    click.echo(
        f"\n{sum(s.cases for s in total)} damaged jobs; {hidden} change the part in a way that can't be seen; of {altered} "
        f"others that change it by more than a bead, {caught} ({_percent(caught, altered).strip()}) are caught; "
        f"{_percent(placed, placeable).strip()} of all that are caught are placed"
    )


def _count(score: Score, case: Case, found: list[dict[str, Any]]) -> None:
    score.cases += 1
    if case.unseen:
        count, caught = score.unseen.get(case.unseen, (0, 0))
        score.unseen[case.unseen] = (count + 1, caught + bool(found))
    tells = case.changes_part and not case.unseen
    score.changing += tells
    if not found:
        note = f" [{case.unseen}]" if case.unseen else "" if tells else " [part same]"
        score.missed.append(f"{case.specimen} (seed {case.seed}): {case.what}{note}")
        return
    score.caught += 1
    score.changing_caught += tells
    if case.lines or case.z_mm:
        score.placeable += 1
        score.placed += is_placed(case, found)
    for rule in {finding["rule"] for finding in found}:
        score.rules[rule] = score.rules.get(rule, 0) + 1


def _percent(part: int, whole: int) -> str:
    return f"{100 * part / whole:6.1f}%" if whole else "      -"


class _Runner:
    """Runs the checker on batches of jobs, some at once, and gives the reports in order."""

    def __init__(self, checker: str, description: Path | None, folder: Path, workers: int) -> None:
        self._command = [checker, "check", "--format", "json"]
        self._command += ["--printer", str(description)] if description else []
        self._folder = folder
        self._workers = workers
        self._number = 0
        self.crashes = 0
        """Times that a rule crashed or took too long."""

    def reports(self, cases: Iterable[Case]) -> Iterator[tuple[Case, dict[str, Any]]]:
        """Yield each case with its report."""
        source = iter(cases)
        with ThreadPoolExecutor(self._workers) as pool:
            while batches := [batch for _ in range(self._workers) if (batch := list(islice(source, _BATCH)))]:
                for batch, found in zip(batches, pool.map(self._check, batches), strict=True):
                    for case, report in zip(batch, found, strict=True):
                        for message in crashes(report):
                            self.crashes += 1
                            click.echo(
                                f"{case.specimen} (seed {case.seed}), {case.damage or 'good'}: {message}", err=True
                            )
                        yield case, report

    def _check(self, batch: list[Case]) -> list[dict[str, Any]]:
        paths = []
        for case in batch:
            self._number += 1
            path = self._folder / f"{self._number}-{id(case)}.gcode"
            path.write_bytes(case.text)
            paths.append(path)
        done = subprocess.run(  # noqa: S603  # the program that is on trial
            [*self._command, *map(str, paths)], capture_output=True, text=True, check=False, timeout=600
        )
        for path in paths:
            path.unlink()
        reports = [json.loads(line) for line in done.stdout.splitlines()]
        if len(reports) != len(batch):
            raise CheckerError(f"{len(batch)} jobs gave {len(reports)} reports: {done.stderr.strip()}")
        return reports
