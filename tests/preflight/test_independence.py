"""Results do not depend on how the job is cut into blocks and pieces: report, findings, layers, times."""

import math
import random
from functools import cache, partial
from typing import Any

import pytest
from tests.oracles.effort import seeds
from tests.oracles.examination import BED_235, examined

from layergate.gcode.blocks import read_blocks
from layergate.preflight import examine as examine_module
from layergate.preflight import reading
from layergate.preflight.examine import Examination
from layergate.preflight.rule import JobFacts
from layergate_sim.damage import apply_damage
from layergate_sim.specimens import make_specimen

GOOD = [
    "spiral",
    "sequential",
    "hook-support",
    "two-tools",
    "tube-arcs",
    "infill-every-third",
    "wipe-and-hop",
    "no-e",
    "heat-g10",
]
DAMAGED = [
    "layer-lost", "half-layer-lost", "layer-starved-30", "stray-bead", "blob", "plunge", "retraction-unpaid",
    "heat-cut-off", "heat-wait-missing", "forbidden-command", "block-zeroed", "point-gone", "truncated", "layer-dry",
]  # fmt: skip
SIZES = [(1500, 1), (7_000, 20_000), (64 * 1024, 512 * 1024)]


@cache
def job(name: str) -> bytes:
    if name in GOOD:
        return make_specimen(name, 5).text
    return apply_damage(name, make_specimen("plate-sparse", 3), 2).text


def cut(text: bytes, block: int, piece: int) -> Examination:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading, "read_blocks", partial(read_blocks, block_bytes=block))
        patch.setattr(reading, "PIECE_BYTES", piece)
        return examined(text, BED_235)


def plain(examination: Examination) -> dict[str, Any]:
    """A report without what must differ: numbers stay numbers, to be compared with their rounding."""
    return examination.report.model_dump()


def compare(left: Any, right: Any, where: str = "report", rel: float = 1e-4) -> None:
    """The same members and texts; numbers within the last digit that reports carry."""
    if isinstance(left, dict):
        assert left.keys() == right.keys(), where
        for key in left:
            compare(left[key], right[key], f"{where}.{key}", rel)
    elif isinstance(left, list | tuple):
        assert len(left) == len(right), where
        for index, (a, b) in enumerate(zip(left, right, strict=True)):
            compare(a, b, f"{where}[{index}]", rel)
    elif isinstance(left, float) and isinstance(right, float):
        assert left == pytest.approx(right, rel=rel, abs=0.011 if "seconds" in where else 2e-3), where
    else:
        assert left == right, where


@pytest.mark.parametrize("name", [*GOOD, *DAMAGED])
def test_the_report_is_the_same_however_the_job_is_cut(name: str) -> None:
    """Blocks of 1500 bytes worked on one by one, of 7 kB, and as in use: one report, findings included."""
    text = job(name)
    reports = [plain(cut(text, block, piece)) for block, piece in SIZES]
    if name in DAMAGED:
        assert reports[-1]["findings"]
    # Beads that rise are measured in runs of little rise, and a run may end with a piece: gaps then move by a bin or two.
    rel = 0.02 if name == "spiral" else 1e-4
    for report in reports[:-1]:
        compare(report, reports[-1], rel=rel)


@pytest.mark.parametrize("seed", seeds(6))
def test_random_cuts_of_random_jobs(seed: int) -> None:
    """Any block and piece size."""
    rng = random.Random(seed)
    text = job(rng.choice([name for name in (*GOOD, *DAMAGED) if name != "spiral"]))
    block, piece = rng.choice((333, 4096, 20_000)), rng.choice((1, 1000, 100_000))
    compare(plain(cut(text, block, piece)), plain(cut(text, *SIZES[-1])))


def test_claims_of_a_long_job_are_taken_once() -> None:
    """Blocks at the end are looked at again for keys, and their layer marks count once."""
    text = b"".join(b"; layer %d\nG1 X1 Y%d\n" % (n, n) for n in range(400)) + b"; total layers: 400\n"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading, "read_blocks", partial(read_blocks, block_bytes=500))
        seen: list[JobFacts] = []

        def facts(name: str) -> JobFacts:
            seen.append(JobFacts(name))
            return seen[-1]

        patch.setattr(examine_module, "JobFacts", facts)
        examined(text, rules=[])
    claims = seen[0].claims
    assert [number for _, number in claims.layer_marks] == list(range(400))
    assert claims.layer_count() == (400, 801)


@pytest.mark.parametrize(("pad_kb", "diameter_mm"), [(0, 2.85), (80, 1.75)])
def test_one_filament_diameter_holds_for_reading_and_laying(pad_kb: int, diameter_mm: float) -> None:
    """The first block's claim, else the commonest: a claim behind it comes too late for both halves of the preflight."""
    job_text = (
        b"; a picture\n" * (pad_kb * 1024 // 12)
        + b"; filament_diameter = 2.85\n"
        + make_specimen("plate-solid", 3).text
    )
    estimate = examined(job_text, rules=[]).report.estimate
    assert estimate.volume_mm3 / estimate.filament_mm == pytest.approx(math.pi * diameter_mm**2 / 4, rel=1e-4)


@pytest.mark.parametrize("block", [200, 333, 1000])
def test_a_spiral_with_level_pieces_has_the_same_layers_however_it_is_cut(block: int) -> None:
    """Turns that end with a level bead of 0.2 mm, as some jobs write them: a cut before it makes no layer of it."""
    lines = [
        "G28",
        "M83",
        "G1 Z0.2 F900",
        *(f"G1 X{x} Y{y} E0.65" for x, y in ((120, 100), (120, 120), (100, 120), (100, 100))),
    ]
    for turn in range(1, 60):
        z = 0.2 * turn
        corners = ((100.2, 100, 0.0), (120, 100, 0.05), (120, 120, 0.1), (100, 120, 0.15), (100, 100.2, 0.2))
        lines += [f"G1 X{x} Y{y} Z{z + up:.2f} E0.65" for x, y, up in corners[1:]]
        lines += [f"G1 Z{z + 0.2:.2f}", f"G1 X100 Y100 Z{z + 0.2:.2f} E0.007"]
    text = "\n".join(lines).encode() + b"\n"
    whole, parts = (cut(text, size, 1).layers for size in (10**6, block))
    assert parts.z_mm == pytest.approx(whole.z_mm)
    assert parts.path_mm == pytest.approx(whole.path_mm)
