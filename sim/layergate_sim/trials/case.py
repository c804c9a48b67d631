"""The cases of a trial and how each is scored against the checker's report. Runs nothing."""

from __future__ import annotations

import gzip
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

from layergate_sim.damage import (
    DAMAGE_KINDS,
    Damaged,
    DamageNotPossibleError,
    apply_damage,
    apply_damage_to_text,
)
from layergate_sim.specimens import SPECIMEN_KINDS, Specimen, make_specimen

LINES_NEAR = 50
LAYERS_NEAR = 1
FILAMENT_MM = 1.75  # of the printer that the trials' description states
_TRIES = 12  # specimens tried for one case before the damage counts as not possible with this seed


@dataclass(frozen=True, slots=True)
class Case:
    """One job to check. ``damage`` is empty for a good specimen."""

    specimen: str
    seed: int
    damage: str
    text: bytes
    what: str = ""
    changes_part: bool = False
    unseen: str = ""
    """Why a change of the part can't be seen in the file."""
    z_mm: tuple[float, float] | None = None
    step_mm: float = 0.0
    lines: tuple[int, int] | None = None


@dataclass(slots=True)
class Score:
    """How the cases of one damage, or the good specimens of one kind, came out."""

    cases: int = 0
    caught: int = 0
    placed: int = 0
    placeable: int = 0
    changing: int = 0
    changing_caught: int = 0
    unseen: dict[str, tuple[int, int]] = field(default_factory=dict)
    """By reason: cases whose change can't be seen, and how many are caught all the same."""
    rules: dict[str, int] = field(default_factory=dict)
    missed: list[str] = field(default_factory=list)


def good_cases(seeds: range) -> Iterator[Case]:
    """Yield every kind of specimen with every seed."""
    for kind in SPECIMEN_KINDS:
        for seed in seeds:
            yield Case(kind, seed, "", make_specimen(kind, seed).text)


def damaged_cases(kind: str, count: int, seed: int) -> Iterator[Case]:
    """Yield cases of one damage over specimens in random order; fewer where it is seldom possible."""
    random = Random(f"{kind}/{seed}")
    for number in range(count):
        for _ in range(_TRIES):
            specimen_seed = random.randrange(1, 10_000)
            specimen_kind = random.choice(list(SPECIMEN_KINDS))
            specimen = make_specimen(specimen_kind, specimen_seed)
            if kind == "other-machine-filament" and specimen.truth.filament_diameter_mm != FILAMENT_MM:
                continue  # it would become a job for the printer of these trials
            try:
                done = apply_damage(kind, specimen, seed * 1000 + number)
            except DamageNotPossibleError:
                continue
            yield _case(specimen_kind, specimen_seed, done, _step(specimen, done.layers))
            break


def job_cases(jobs: list[Path], kind: str, count: int, seed: int) -> Iterator[Case]:
    """Yield cases of one damage over jobs of unknown origin, as many of each; with an empty kind, each as it is."""
    if not kind:
        yield from (Case(job.name, 0, "", _bytes_of(job)) for job in jobs)
        return
    for at, job in enumerate(jobs):
        text = _bytes_of(job)  # the damages of one job after another: each is read once
        for number in range(at, count, len(jobs)):
            try:
                done = apply_damage_to_text(kind, text, seed * 1000 + number, name=job.name)
            except DamageNotPossibleError:
                continue
            yield _case(job.name, 0, done, 0.3)


def _bytes_of(job: Path) -> bytes:
    data = job.read_bytes()
    return gzip.decompress(data) if job.suffix == ".gz" else data


def _case(name: str, specimen_seed: int, done: Damaged, step_mm: float) -> Case:
    return Case(
        name,
        specimen_seed,
        done.kind,
        done.text,
        done.what,
        done.changes_part,
        done.unseen,
        done.z_mm,
        step_mm,
        done.lines,
    )


def damage_kinds() -> list[str]:
    """Give the names of all damages."""
    return list(DAMAGE_KINDS)


def _step(specimen: Specimen, layers: tuple[int, ...]) -> float:
    """Give the largest layer step around a damage, mm."""
    heights = sorted({layer.z_mm for layer in specimen.truth.layers})
    steps = [high - low for low, high in pairwise(heights)]
    return max(steps, default=0.3) if layers else 0.3


def stopping(report: dict[str, Any]) -> list[dict[str, Any]]:
    """Give the findings of a report that hold or block, but for those of rules that failed, which have seen nothing."""
    failed = crashes(report)
    return [f for f in report["findings"] if f["severity"] != "note" and f["message"] not in failed]


def crashes(report: dict[str, Any]) -> list[str]:
    """Give what a report says of rules that crashed or took too long: such a finding repeats why its rule did not apply."""
    why = {entry["why"] for entry in report["not_applied"]}
    return [finding["message"] for finding in report["findings"] if finding["message"] in why]


def is_placed(case: Case, findings: list[dict[str, Any]]) -> bool:
    """Say whether a finding names the place: within a layer of its heights, or within 50 lines of its lines."""
    for finding in findings:
        where = finding["where"]
        if case.lines and where["lines"]:
            (first, last), (found_first, found_last) = case.lines, where["lines"]
            if found_first - LINES_NEAR <= last and first <= found_last + LINES_NEAR:
                return True
        if case.z_mm and where["z_mm"]:
            near = LAYERS_NEAR * case.step_mm + 0.01
            (low, high), (found_low, found_high) = case.z_mm, where["z_mm"]
            if found_low - near <= high and low <= found_high + near:
                return True
    return False
