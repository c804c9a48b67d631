"""Real jobs, where they are at hand: every one is read, and only those that deserve it are stopped.

The samples are third-party data and no part of this repository; without them these tests are skipped. Set
LAYERGATE_SAMPLES to a folder that holds them.
"""

import gzip
import os
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from tests.oracles.examination import examined, found

from layergate.preflight.examine import Examination

SAMPLES = Path(os.environ.get("LAYERGATE_SAMPLES", "/work/shared/samples"))
NAMES = [
    "arcs-and-macros", "arcs-and-tools", "bare-layers", "bilingual-notes", "bom-and-coils", "bracket-tags-raft", "crlf-clip",
    "hop-and-supports", "labelled-cube", "labelled-plate", "large-plate", "no-comments", "odd-seat", "paths-as-comments",
    "plain-cube", "raft-small", "router-outline", "short-file", "spiral-tower", "spiral-tube", "start-macro", "three-m-prime",
]  # fmt: skip
# What deserves to be stopped: an empty layer, a file that is no print job, a file that was cut.
BLOCKED = {"large-plate": {"missing-layer"}, "router-outline": {"not-a-print-job"}, "short-file": {"truncated"}}

pytestmark = pytest.mark.skipif(not SAMPLES.is_dir(), reason=f"no samples in {SAMPLES}")


@cache
def judged(name: str) -> Examination:
    return examined(gzip.decompress((SAMPLES / f"{name}.gcode.gz").read_bytes()))


@pytest.mark.parametrize("name", NAMES)
def test_every_sample_is_read_and_only_three_are_blocked(name: str) -> None:
    """Without a printer description, as a newcomer would try it; findings are listed when the verdict is another."""
    report = judged(name).report
    blocks = {finding.rule for finding in report.findings if finding.severity == "block"}
    assert blocks == BLOCKED.get(name, set()), [finding.message for finding in report.findings]
    assert report.job.lines > 0
    assert not [finding for finding in report.findings if "failed and could not judge" in finding.message]


def test_the_missing_layer_of_the_large_plate_is_found_at_its_place() -> None:
    """Between Z 3.4 and 3.8 lies nothing."""
    findings = found(judged("large-plate").report, "missing-layer")
    assert findings
    assert findings[0].where.z_mm == pytest.approx((3.4, 3.8))


@pytest.mark.parametrize("name", sorted(set(NAMES) - set(BLOCKED)))
def test_every_good_sample_has_layers_with_heights_in_the_range_of_printers(name: str) -> None:
    """Layers of 0.04 to 1 mm, material and time: nothing was lost on the way."""
    examination = judged(name)
    layers = examination.layers
    assert len(layers) >= 2
    assert 0.04 <= float(np.median(layers.gap_mm[:, 2])) <= 1.0
    assert float(layers.path_mm.sum()) > 500
    assert examination.report.estimate.print_seconds > 60
