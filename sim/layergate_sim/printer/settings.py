"""What the simulated printer is: sizes, limits, heaters and habits, as frozen dataclasses.

Refuses to know how any of it is used. Figures carry their origin: "facts n" is the project's fact sheet, section n;
"practice" is a usual value of small printers, written from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

Lineage = Literal["common", "numbered"]


@dataclass(frozen=True, slots=True)
class HeaterSettings:
    """One heater: a lumped heat capacity with losses to the room (facts 5).

    Units: W, J/K, W/K, degrees C, s. `window_c` and `residency_s` say when a wait (M109, M190) is over.
    """

    power_w: float
    capacity_j_k: float
    loss_w_k: float
    min_c: float = 5.0  # below this the sensor is taken for open (practice)
    max_c: float = 275.0  # above this the sensor is taken for short, or the heater for stuck on (practice)
    window_c: float = 1.0  # practice
    residency_s: float = 2.0  # practice: some wait 10 s; reported as W:
    watch_gain_c: float = 2.0  # heating watch: this gain within watch_s (facts 5)
    watch_s: float = 20.0
    runaway_c: float = 4.0  # runaway guard: this far below the target for runaway_s (facts 5)
    runaway_s: float = 40.0


HOTEND = HeaterSettings(power_w=40.0, capacity_j_k=13.0, loss_w_k=0.08)  # facts 5
BED = HeaterSettings(  # facts 5: 235 x 235 mm, 3 mm aluminium + 4 mm glass
    power_w=250.0, capacity_j_k=865.0, loss_w_k=1.6, max_c=125.0, runaway_c=2.0, runaway_s=60.0, watch_s=60.0
)


@dataclass(frozen=True, slots=True)
class MotionSettings:
    """Limits of motion at power-on; M201, M203, M204 and M205 change copies of them. mm, mm/s, mm/s2; axes X Y Z E."""

    max_speed_mm_s: tuple[float, float, float, float] = (300.0, 300.0, 12.0, 60.0)
    max_accel_mm_s2: tuple[float, float, float, float] = (3000.0, 3000.0, 1000.0, 10000.0)
    print_accel_mm_s2: float = 1000.0
    travel_accel_mm_s2: float = 1000.0
    retract_accel_mm_s2: float = 1000.0
    junction_deviation_mm: float = 0.05
    chord_limit: bool = False  # cap corners of short chords by the radius that they suggest (facts 4, the trap)
    planner_blocks: int = 16  # facts 4
    start_delay_s: float = 0.1  # practice: the first block waits a little for company, so that it can look ahead
    homing_speed_mm_s: tuple[float, float, float] = (50.0, 50.0, 5.0)  # practice
    arc_tolerance_mm: float = 0.01  # largest sagitta of a chord (facts 2.3 gives the formula)
    arc_chord_max_mm: float = 1.0  # practice


@dataclass(frozen=True, slots=True)
class PrinterSettings:
    """Everything that a simulated printer is told before it is switched on.

    `time_scale` is printer seconds per host second; `math.inf` runs as fast as input arrives (waits cost nothing).
    `baud` and `latency_s` belong to the wire and so to host time, whatever the scale.
    """

    time_scale: float = 1.0
    lineage: Lineage = "common"
    ring_bytes: int = 128  # receive ring; what does not fit is lost (facts 1.3: 64-128); 0 means no limit
    command_slots: int = 4  # facts 1.3
    max_line_bytes: int = 96  # practice; what is longer is cut, so its checksum fails
    flush_on_error: bool = False  # some lose the ring's content when they ask for a resend
    numbered_only: bool = False  # refuse lines without number and checksum (M110 to M112, M105 excepted: never refused)
    partial_line_timeout_s: float | None = None  # forget an unterminated line after this (facts 1.2)
    advanced_ok: bool = False  # `ok N.. P.. B..`: line, free planner blocks, free command slots
    emergency_parser: bool = True
    boot_s: float = 1.0
    keepalive_s: float = 2.0  # facts 1.2, M113
    baud: int | None = None
    latency_s: float = 0.0  # each way
    seed: int = 0
    room_c: float = 25.0  # facts 5
    hotend: HeaterSettings = HOTEND
    bed: HeaterSettings = BED
    thermal_guards: bool = True
    cold_extrusion_c: float = 170.0  # facts 3.3
    motion: MotionSettings = field(default_factory=MotionSettings)
    volume_mm: tuple[float, float, float] = (235.0, 235.0, 250.0)
    margin_mm: float = 5.0  # how far the nozzle can go beyond the volume in X and Y
    soft_end_stops: bool = True
    filament_diameter_mm: float = 1.75
    steps_per_mm: tuple[float, float, float, float] = (80.0, 80.0, 400.0, 93.0)
    tools: int = 1
    g91_covers_e: bool = True  # dialect (facts 1.4): G90/G91 switch E too, until the next M82/M83
    reset_on_open: bool = False  # boards whose DTR line resets them (facts 6.1)

    def __post_init__(self) -> None:
        """Refuse what no printer can be, naming the setting."""
        if not self.time_scale > 0:
            raise ValueError(f"time_scale must be above 0 (inf for as fast as possible), got {self.time_scale}")
        if self.ring_bytes < 0 or 0 < self.ring_bytes < 16:
            raise ValueError(f"ring_bytes must be 0 (no limit) or at least 16, got {self.ring_bytes}")
        if self.baud is not None and self.baud < 300:
            raise ValueError(f"baud must be at least 300, got {self.baud}")
        if self.lineage not in ("common", "numbered"):
            raise ValueError(f"lineage must be 'common' or 'numbered', got {self.lineage!r}")
        if self.command_slots < 1 or self.motion.planner_blocks < 2 or self.max_line_bytes < 16:
            raise ValueError("command_slots must be >= 1, planner_blocks >= 2, max_line_bytes >= 16")
        if self.latency_s < 0 or self.filament_diameter_mm <= 0:
            raise ValueError("latency_s must not be negative, filament_diameter_mm must be above 0")

    @property
    def instant(self) -> bool:
        """True when waits cost no host time."""
        return math.isinf(self.time_scale)
