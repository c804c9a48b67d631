"""Planned time against the simulated printer, which reads, plans and counts with code of its own and looks 16 moves ahead."""

import math

import pytest
from tests.oracles.examination import examined

from layergate.gcode.payload import payload
from layergate_sim.printer import MotionSettings, PrinterSettings, SimulatedPrinter
from layergate_sim.specimens import make_specimen

LIMITS = MotionSettings()


def executed_seconds(text: bytes) -> float:
    """Let a simulated printer execute a job, line by line, and give the seconds that its motion took."""
    settings = PrinterSettings(time_scale=math.inf, ring_bytes=0, max_line_bytes=4096, boot_s=0.0)
    printer = SimulatedPrinter(settings)
    now = 0.0
    printer.opened(now)
    printer.poll(now)
    for line in [*(line for line in payload(text).split(b"\n") if line), b"M400"]:
        printer.receive(line + b"\n", now)
        for _ in range(20_000):
            if b"ok" in printer.poll(now):
                break
            wakeup = printer.next_wakeup_s()
            now = max(now + 1e-4, wakeup if wakeup is not None and math.isfinite(wakeup) else now + 0.01)
        else:
            pytest.fail(f"no acknowledgement of {line!r}")
    report = printer.report()
    return float(report["motion_seconds"])


@pytest.mark.parametrize(
    "kind", ["bollard-cap", "cap-arcs", "tube-full-circles", "wipe-and-hop", "spiral", "adaptive-heights", "two-tools"]
)
def test_the_plan_takes_as_long_as_the_printer(kind: str) -> None:
    """Within 3 %, with the same limits stated to both."""
    specimen = make_specimen(kind, 3)
    axes = ("x", "y", "z", "e")
    planned = examined(
        specimen.text,
        {
            "maximum_speed_mm_s": dict(zip(axes, LIMITS.max_speed_mm_s, strict=True)),
            "maximum_acceleration_mm_s2": dict(zip(axes, LIMITS.max_accel_mm_s2, strict=True)),
        },
        rules=[],
    ).report.estimate.print_seconds
    assert planned == pytest.approx(executed_seconds(specimen.text), rel=0.03)
