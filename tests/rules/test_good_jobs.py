"""No rule stops a good job: every kind of specimen, as a newcomer would try it and with a full description."""

from typing import Any

import pytest
from tests.oracles.effort import FACTOR
from tests.oracles.examination import BED_235, report_of
from tests.oracles.trial import drawn_job, habit_job

from layergate_sim.specimens import SPECIMEN_KINDS, make_specimen

FULL: dict[str, Any] = {
    **BED_235,
    "reach_mm": {"x": (-10, 245), "y": (-10, 245), "z": (-1, 260)},
    "maximum_hot_end_c": 280, "maximum_bed_c": 120, "lowest_extrusion_c": 170,
    "keep_out_mm": [{"x": (225, 235), "y": (225, 235), "z": (0, 20), "name": "clip"}],
}  # fmt: skip
# What a person is rightly asked about, and nothing more.
ASKED = {"heat-unsaid": {"cold-extrusion"}}


# Seeds that some rule once stopped: roofs over supports whose lines meet a wall, sparse layers between solid ones.
ONCE_STOPPED = [
    ("raft-and-support", 2),
    ("raft-and-support", 102),
    ("raft-and-support", 700),
    ("plate-two-sparse-layers", 201),
]


def cases() -> list[Any]:
    once = [pytest.param(kind, seed, id=f"{kind}-{seed}") for kind, seed in ONCE_STOPPED]
    return once + [
        pytest.param(kind, seed, id=f"{kind}-{seed}")
        for kind in sorted(SPECIMEN_KINDS)
        for seed in range(5, 5 + FACTOR)
    ]


@pytest.mark.parametrize(("kind", "seed"), cases())
def test_a_good_job_is_not_stopped(kind: str, seed: int) -> None:
    """Neither held nor blocked, with a description and without; the heat of a job that says none is asked about."""
    specimen = make_specimen(kind, seed)
    own: dict[str, Any] = {"filament_diameter_mm": specimen.truth.filament_diameter_mm}
    if kind == "xyz-relative":
        own["dialect"] = {"g90_g91_and_e": "never"}
    # Every second one with a full description, too; its rules see the same geometry.
    described = [{**FULL, **own}] if sorted(SPECIMEN_KINDS).index(kind) % 2 else []
    for printer in (own, *described):
        report = report_of(specimen.text, printer)
        stopping = {finding.rule for finding in report.findings if finding.severity != "note"}
        assert stopping == ASKED.get(kind, set()), [finding.message for finding in report.findings]


@pytest.mark.parametrize("kind", ["plate-solid", "tube", "bollard-cap", "hook-support"])
def test_a_good_job_has_few_notes(kind: str) -> None:
    """A first screen full of notes cries wolf (domain.md)."""
    specimen = make_specimen(kind, 5)
    report = report_of(specimen.text, FULL)
    assert len(report.findings) <= 2


def test_one_sparse_layer_between_solid_ones_is_not_a_lost_region() -> None:
    """Lines of infill that stand alone in the gap say that the rest of it is meant to be empty (a job of another maker)."""
    findings = report_of(drawn_job(5218).text).findings
    assert not [finding.message for finding in findings if finding.rule == "partial-layer"]


@pytest.mark.parametrize(
    "seed",
    [
        80064,  # a tee whose bar begins on supports that reach out as far
        90029,  # a spiral of two walls side by side that climb in turn
        90225,  # a spiral whose level end fills what the last turn left
    ],
)
def test_jobs_of_many_programs_habits_that_were_stopped_once_pass(seed: int) -> None:
    """Drawn jobs of the second outside maker, good by its own account."""
    assert [f.message for f in report_of(habit_job(seed)[1]).findings if f.severity != "note"] == []


@pytest.mark.parametrize(
    "seed",
    [
        3135,  # a flow at the edge of its class, which rounding parts from the flow beside it
        3351,  # scallops on two sides, drawn as arcs
        3377,  # a ring of supports with an outline, right under the edge of a cap
        4124,  # one sparse layer between floors of rings
        7426,  # the same supports beside a column
        73014,  # little air over a raft of layers as thick as the part's
        7441,  # sparse infill whose lines are as far apart in every layer
    ],
)
def test_jobs_of_another_maker_that_were_stopped_once_pass(seed: int) -> None:
    """Drawn jobs, good by the maker's own account."""
    assert [f.message for f in report_of(drawn_job(seed).text).findings if f.severity != "note"] == []
