"""Outside trial of the checker: jobs of the independent path generator, good ones and harmed ones. A command, no test:

    python -m tests.oracles.trial --seeds 40            # good jobs: which are stopped, and by what
    python -m tests.oracles.trial --seeds 20 --harms    # every harm on each: caught, placed, missed
    python -m tests.oracles.trial --seeds 1 --first 65 --keep FOLDER    # one job again, to look at
    python -m tests.oracles.trial --maker habits --seeds 100    # good jobs of the second maker, with habits that the first lacks
    python -m tests.oracles.trial --maker customs --seeds 100   # of the third, with customs that both lack
    python -m tests.oracles.trial --maker calibrations          # jobs that set up a printer

A good job that is stopped is a false alarm, or the generator's own fault: look before believing either.
"""

import argparse
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

from tests.oracles.calibrations import CALIBRATIONS
from tests.oracles.custom_scribe import CustomScribe, CustomStyle
from tests.oracles.customs import drawn_custom_bed
from tests.oracles.dialects import Writer
from tests.oracles.examination import report_of
from tests.oracles.habit_plates import Bed, drawn_bed
from tests.oracles.harms import HARMS, Harm, Subject
from tests.oracles.manners import Manner
from tests.oracles.plates import Plate, drawn_plate
from tests.oracles.scribe import Scribe
from tests.oracles.styles import Style

from layergate.preflight.findings import Finding

BEDS = ((0.0, 0.0, 220.0, 220.0), (-110.0, -110.0, 110.0, 110.0), (0.0, 0.0, 250.0, 210.0))
NEAR_LINES, NEAR_MM = 60, 0.7  # a finding this close to a harm is placed
LARGEST_HARMED = 1_200_000  # bytes; larger jobs take too long, harm by harm


@dataclass
class Job:
    seed: int
    bed: tuple[float, float, float, float]
    plate: Plate
    manner: Manner
    writer: Writer
    text: bytes


def drawn_job(seed: int) -> Job:
    """Everything of a job drawn from a seed."""
    r = Random(seed)
    bed = r.choice(BEDS)
    plate = drawn_plate(r, bed)
    return written(seed, bed, plate, Manner.drawn(r))


def written(seed: int, bed: tuple[float, float, float, float], plate: Plate, manner: Manner) -> Job:
    writer = Writer(plate, manner, Random(seed + 7), bed)
    return Job(seed, bed, plate, manner, writer, writer.text())


def habit_job(seed: int) -> tuple[str, bytes]:
    """A job of the second maker, everything drawn from a seed, and what it prints."""
    return _scribed(seed, drawn_bed, Style.drawn, Scribe)


def custom_job(seed: int) -> tuple[str, bytes]:
    """A job of the third maker, everything drawn from a seed, and what it prints."""
    return _scribed(seed, drawn_custom_bed, CustomStyle.drawn_custom, CustomScribe)


def _scribed(
    seed: int,
    drawn: Callable[[Random, tuple[float, float]], Bed],
    styled: Callable[[Random], Any],
    scribe: Callable[..., Scribe],
) -> tuple[str, bytes]:
    r = Random(seed)
    size = r.choice(BEDS)
    bed = drawn(r, ((size[0] + size[2]) / 2, (size[1] + size[3]) / 2))
    style = styled(r)
    return f"{', '.join(solid.name for solid in bed.solids)}, {bed.said}", scribe(bed, style, r, size).text()


def calibration_job(seed: int) -> tuple[str, bytes]:
    made = CALIBRATIONS[seed % len(CALIBRATIONS)]
    return made.__name__, made(Random(seed))


MAKERS = {"habits": habit_job, "customs": custom_job, "calibrations": calibration_job}


def only_good(make: Callable[[int], tuple[str, bytes]], seeds: range, keep: Path | None) -> None:
    """Check good jobs, and print those that are stopped."""
    stopped = 0
    for seed in seeds:
        name, text = make(seed)
        findings = stopping(text)
        if findings:
            stopped += 1
            print(f"  stopped: job {seed}, {name}: {findings[0].severity}, {findings[0].rule}: {findings[0].message}")
        if keep and (findings or len(seeds) == 1):
            (keep / f"{seed}.gcode").write_bytes(text)
    print(f"{len(seeds)} good jobs, {stopped} stopped")


def stopping(text: bytes) -> list[Finding]:
    """What holds or blocks a job. A rule that failed has seen nothing: it ends the trial."""
    report = report_of(text)
    why = {item.why for item in report.not_applied}
    for finding in report.findings:
        if finding.message in why:
            raise SystemExit(finding.message)
    return [finding for finding in report.findings if finding.severity != "note"]


def placed(harm: Harm, findings: list[Finding]) -> bool:
    """Whether one of some findings points at the harm; where a harm has no one place, any does."""
    for finding in findings:
        lines, z = finding.where.lines, finding.where.z_mm
        if harm.lines and lines and lines[0] - NEAR_LINES <= harm.lines[1] and lines[1] + NEAR_LINES >= harm.lines[0]:
            return True
        if harm.z_mm and z and z[0] - NEAR_MM <= harm.z_mm[1] and z[1] + NEAR_MM >= harm.z_mm[0]:
            return True
    return not harm.lines and not harm.z_mm and bool(findings)


def harmed(job: Job, good: set[str], counts: dict[str, Counter[str]], keep: Path | None) -> None:
    """Do every harm to a job and count what comes of it; what the good job was stopped by counts for nothing."""
    r = Random(job.seed * 31 + 1)
    subject = Subject(job.plate, job.writer, job.text, lambda p: written(job.seed, job.bed, p, job.manner).text)
    for make in HARMS:
        harm = make(subject, r)
        if harm is None or harm.text == job.text:
            continue
        findings = [finding for finding in stopping(harm.text) if finding.rule not in good]
        count = counts.setdefault(harm.kind, Counter())
        count["harms"] += 1
        count["caught"] += bool(findings)
        count["placed"] += bool(findings) and placed(harm, findings)
        if not findings:
            print(f"  missed {harm.kind} of job {job.seed}: {harm.note} at Z {harm.z_mm}, lines {harm.lines}")
            if keep:
                (keep / f"{job.seed}-{harm.kind}.gcode").write_bytes(harm.text)


def main() -> None:
    parser = argparse.ArgumentParser(description="Outside trial of the checker.")
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--maker", choices=["plates", *MAKERS], default="plates")
    parser.add_argument("--harms", action="store_true")
    parser.add_argument("--keep", type=Path, help="folder for good jobs that are stopped and harms that are missed")
    chosen = parser.parse_args()
    if chosen.keep:
        chosen.keep.mkdir(parents=True, exist_ok=True)
    if chosen.maker != "plates":
        only_good(MAKERS[chosen.maker], range(chosen.first, chosen.first + chosen.seeds), chosen.keep)
        return
    stopped, counts, jobs = 0, dict[str, Counter[str]](), 0
    for seed in range(chosen.first, chosen.first + chosen.seeds):
        job = drawn_job(seed)
        if chosen.harms and (len(job.text) > LARGEST_HARMED or len(job.plate.layers) < 14):
            continue
        jobs += 1
        findings = stopping(job.text)
        if findings:
            stopped += 1
            print(f"  stopped: job {seed}, {', '.join(job.plate.names)}: {findings[0].rule}: {findings[0].message}")
        if chosen.keep and (findings or chosen.seeds == 1):
            (chosen.keep / f"{seed}.gcode").write_bytes(job.text)
        if chosen.harms:
            harmed(job, {finding.rule for finding in findings}, counts, chosen.keep)
    print(f"{jobs} good jobs, {stopped} stopped")
    for kind, count in sorted(counts.items()):
        print(f"{kind:20} {count['harms']:4} harms {count['caught']:4} caught {count['placed']:4} placed")


if __name__ == "__main__":
    main()
