"""The part that was laid is the part that was checked: deposits of the simulated printer against the layer map.

A job is examined by the preflight worker, streamed by a real link process, and laid by the simulated printer, which
imports nothing of the daemon and plans motion, arcs and E with code of its own. The part is rebuilt from its deposits
alone: material by height, objects told apart by the height's going back down. The bar is of issue 5: volume per layer
within 0.1 %.

Where purges are counted: material laid before the first layer at a height of its own is no layer. In the report it is
``estimate.filament_mm`` less the sum over ``layers``; here it is whatever was laid before the height first went down.
"""

import json
from dataclasses import dataclass, field
from math import pi
from pathlib import Path
from typing import Any

import pytest
from tests.link.hosts import link_process
from tests.link.test_with_simulator import simulated

from layergate.preflight.worker import main as preflight
from layergate_sim.printer.records import Deposit, read_deposits
from layergate_sim.specimens.cli import specimens

VOLUME_SHARE = 0.001
HEIGHT_MM = 1e-3  # the report rounds heights to 1e-4 mm, the deposits too
FILAMENT_AREA_MM2 = pi * 1.75**2 / 4


@dataclass
class Rebuilt:
    """Objects in the order laid, each volume (mm3) by height (mm)."""

    objects: list[dict[float, float]] = field(default_factory=list)

    def add(self, deposit: Deposit) -> None:
        """Lay one piece."""
        height = round(deposit.z1, 3)
        if not self.objects or height < max(self.objects[-1]) - HEIGHT_MM:
            self.objects.append({})
        last = self.objects[-1]
        last[height] = last.get(height, 0.0) + deposit.volume_mm3


def by_object(layers: dict[str, list[float]]) -> list[dict[float, float]]:
    """Give the report's layer map in the same form."""
    found: list[dict[float, float]] = []
    for z_mm, volume_mm3 in zip(layers["z_mm"], layers["volume_mm3"], strict=True):
        if not found or z_mm < max(found[-1]) - HEIGHT_MM:
            found.append({})
        assert round(z_mm, 3) not in found[-1]
        found[-1][round(z_mm, 3)] = volume_mm3
    return found


def make_job(folder: Path, kind: str, style: str) -> Path:
    """Write a specimen."""
    specimens.main(["--kind", kind, "--style", style, "-o", str(folder)], standalone_mode=False)
    return folder / f"{kind}-1.gcode"


def examine(job: Path) -> tuple[dict[str, Any], Path]:
    """Check a job as the service does; give the report and the index's place."""
    report, index = job.with_suffix(".report.json"), job.with_suffix(".index.json")
    assert preflight(["--job", str(job), "--name", job.name, "--report", str(report), "--index", str(index)]) == 0
    return json.loads(report.read_text()), index


@pytest.mark.parametrize(
    ("kind", "style", "purge_mm", "objects", "what"),
    [
        ("bollard-cap", "points", 0.0, 1, b"M82"),
        ("cap-arcs", "plain", 30.16, 1, b"G3 "),
        ("e-relative", "plain", 0.0, 1, b"M83"),
        ("sequential", "plain", 30.16, 3, b"G1 "),
        ("z-hop", "feed-first", 0.0, 1, b"G1 "),
    ],
)
async def test_the_part_laid_is_the_part_in_the_report(
    tmp_path: Path, kind: str, style: str, purge_mm: float, objects: int, what: bytes
) -> None:
    """Volume by layer within 0.1 %, in order, nothing elsewhere; total filament and purge to a hundredth of a mm."""
    job = make_job(tmp_path, kind, style)
    assert what in job.read_bytes()
    report, index = examine(job)
    assert report["verdict"] == "clear", report["findings"]
    place = tmp_path / "deposits.csv"
    async with (
        simulated(tmp_path, "--time-scale", "inf", "--deposits", str(place)) as printer,
        link_process(tmp_path, printer.device) as link,
    ):
        await link.event("link-up")
        await link.client.start("run-1", job, index)
        ended = (await link.event("run-ended", 55)).data
        assert ended["outcome"] == "completed", ended
        totals = await printer.end()
    rebuilt = Rebuilt()
    for deposit in read_deposits(place):
        rebuilt.add(deposit)
    expected = by_object(report["layers"])
    purge = rebuilt.objects.pop(0) if len(rebuilt.objects) > len(expected) else {}
    assert len(expected) == len(rebuilt.objects) == objects
    for laid, planned in zip(rebuilt.objects, expected, strict=True):
        assert list(laid) == list(planned)
        for height, volume_mm3 in planned.items():
            assert laid[height] == pytest.approx(volume_mm3, rel=VOLUME_SHARE), f"at {height} mm"
    layers_mm = sum(report["layers"]["filament_mm"])
    purged_mm = sum(purge.values()) / FILAMENT_AREA_MM2
    assert purged_mm == pytest.approx(purge_mm, abs=0.01)
    assert report["estimate"]["filament_mm"] - layers_mm == pytest.approx(purged_mm, abs=0.02)
    assert totals["filament_laid_mm"] == pytest.approx(report["estimate"]["filament_mm"], abs=0.02)
