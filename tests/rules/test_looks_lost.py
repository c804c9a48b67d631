"""Good jobs that look as if something were lost, and the same jobs with a loss. Written here, one line at a time."""

import math

import pytest
from tests.oracles.examination import report_of
from tests.oracles.harbour import E_PER_MM, job, ring

from layergate.preflight.findings import Finding

LOSSES = {"missing-layer", "partial-layer", "starved-layer"}


def losses(*layers: list[str]) -> list[Finding]:
    return [finding for finding in report_of(job(*layers)).findings if finding.rule in LOSSES]


def line(x0: float, y0: float, x1: float, y1: float) -> list[str]:
    """A travel and a bead."""
    long = math.dist((x0, y0), (x1, y1))
    return [f"G1 X{x0:.3f} Y{y0:.3f} F6000", f"G1 X{x1:.3f} Y{y1:.3f} E{long * E_PER_MM:.5f} F1800"]


def hatch(x0: float, y0: float, x1: float, y1: float, pitch: float, *, across: bool) -> list[str]:
    """Parallel lines over a rectangle, along X, or across it along Y."""
    low, high = (x0, x1) if across else (y0, y1)
    at = [low + pitch * k for k in range(int((high - low) / pitch) + 1)]
    return [word for v in at for word in (line(v, y0, v, y1) if across else line(x0, v, x1, v))]


def lift(z: float) -> list[str]:
    return [f"G1 Z{z:.3f} F600"]


def on_a_raft(x: float, *, without: int = -1) -> list[str]:
    """Three layers of close lines, a layer of air, and fourteen rings, of which one may be missing."""
    made: list[str] = []
    for n in range(1, 4):
        made += lift(0.2 * n) + hatch(x - 4, 46, x + 24, 74, 0.5, across=n % 2 == 0)
    for n in range(5, 19):
        made += ring(0.2 * n, x) if n != without else []
    return made


def test_each_of_several_objects_has_a_raft_of_its_own() -> None:
    """Printed one after another, each begins over the air above its raft; a layer that is lost in the second is found."""
    between = ["G1 Z10 F600"]
    assert losses(on_a_raft(30), between, on_a_raft(90)) == []
    (found,) = losses(on_a_raft(30), between, on_a_raft(90, without=12))
    assert (found.rule, found.severity) == ("missing-layer", "block")
    assert found.where.z_mm == pytest.approx((2.2, 2.6))
