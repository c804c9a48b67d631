"""The moving and laying part: axes, modes, limits, nozzle. Words of a move in, blocks for the planner out, deposits.

Refuses to know lines, replies and waiting: whoever calls has made sure that the planner has room.
Positions in mm in machine coordinates; `offset` turns them into the coordinates that commands speak of.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

from layergate_sim.printer.planner import Block, Planner
from layergate_sim.printer.records import Deposit
from layergate_sim.printer.settings import PrinterSettings

AXES = ("X", "Y", "Z")


class Stroke(NamedTuple):
    """What a block lays when it has been run: where the axes were told to go, and the filament pushed (mm, signed)."""

    command: int
    x: float
    y: float
    z: float
    filament_mm: float


class Machine:
    """Axes and nozzle of one printer."""

    def __init__(self, settings: PrinterSettings, deposit: Callable[[Deposit], None]) -> None:
        self._settings = settings
        self._deposit = deposit
        motion = settings.motion
        self.planner = Planner(motion.planner_blocks, motion.junction_deviation_mm, motion.start_delay_s, self._ran)
        self.planner.chord_limit = motion.chord_limit
        self.filament_area_mm2 = math.pi * settings.filament_diameter_mm**2 / 4.0
        # What really is where; survives a reset.
        self.actual = [0.0, 0.0, 0.0]
        self.lag = [0.0, 0.0, 0.0]  # actual minus commanded: lost steps
        self.stuck = [False, False, False]
        self.flowing = 1.0  # share of the filament that comes out
        self.debt_mm = 0.0  # filament pulled back and not yet pushed forward again
        # Totals since power-on.
        self.pushed_mm = 0.0
        self.pulled_mm = 0.0
        self.laid_mm = 0.0
        self.deposits = 0
        self.clamped = 0
        self.blocks_abandoned = 0
        self.power_up()

    def power_up(self) -> None:
        """Modes and limits as after power-on. What is physically where stays."""
        motion = self._settings.motion
        self.position = [0.0, 0.0, 0.0]  # end of the last planned move
        self.lag = [actual - planned for actual, planned in zip(self.actual, self.position, strict=True)]
        self.offset = [0.0, 0.0, 0.0]
        self.e = 0.0  # logical E
        self.homed = [False, False, False]
        self.relative = False
        self.relative_e = False
        self.inch = 1.0
        self.feed_mm_s = 25.0  # practice
        self.speed_factor = 1.0
        self.flow_factor = 1.0
        self.volumetric_d_mm = 0.0
        self.max_speed = list(motion.max_speed_mm_s)
        self.max_accel = list(motion.max_accel_mm_s2)
        self.print_accel = motion.print_accel_mm_s2
        self.travel_accel = motion.travel_accel_mm_s2
        self.retract_accel = motion.retract_accel_mm_s2
        self.planner.deviation_mm = motion.junction_deviation_mm
        self.steps = list(self._settings.steps_per_mm)
        self.retract_mm, self.retract_mm_s, self.retract_lift_mm = 3.0, 45.0, 0.0  # practice
        self.recover_extra_mm, self.recover_mm_s = 0.0, 8.0  # practice
        self.retracted = False
        self.end_stops = self._settings.soft_end_stops
        volume, margin = self._settings.volume_mm, self._settings.margin_mm
        self.low = [-margin, -margin, 0.0]
        self.high = [volume[0] + margin, volume[1] + margin, volume[2]]
        self._rescale()

    def _rescale(self) -> None:
        """Filament mm per unit of E: flow factor, volumetric mode, steps per mm off the true value."""
        scale = self.flow_factor * self.steps[3] / self._settings.steps_per_mm[3]
        if self.volumetric_d_mm > 0:
            scale /= math.pi * self.volumetric_d_mm**2 / 4.0
        self.e_scale = scale

    def set_flow(self, *, factor: float | None = None, diameter_mm: float | None = None) -> None:
        """M221 and M200; without arguments it only takes M92's E into account."""
        self.flow_factor = self.flow_factor if factor is None else factor
        self.volumetric_d_mm = self.volumetric_d_mm if diameter_mm is None else diameter_mm
        self._rescale()

    # -- planning

    def target_of(self, words: dict[str, float | None]) -> tuple[list[float], float]:
        """Machine coordinates that a move's words name, and its E step in logical units (mm or mm3). Updates F."""
        target = self.position.copy()
        inch = self.inch
        de = 0.0
        for letter, value in words.items():
            if value is None:
                continue
            if letter == "E":
                de = value * inch if self.relative_e else value * inch - self.e
            elif letter == "F":
                if value > 0:
                    self.feed_mm_s = value * inch / 60.0
            elif letter in AXES:
                axis = ord(letter) - 88
                target[axis] = value * inch + (target[axis] if self.relative else self.offset[axis])
        if self.end_stops:
            for axis in (0, 1, 2):
                if self.homed[axis] and not self.low[axis] <= target[axis] <= self.high[axis]:
                    target[axis] = min(max(target[axis], self.low[axis]), self.high[axis])
                    self.clamped += 1
        return target, de

    def plan(self, target: list[float], de: float, *, cold: bool, command: int, t: float) -> None:
        """Queue one straight move to machine coordinates. `de` in logical E; a cold nozzle moves the axes only."""
        self.e += de
        self.stroke(target, 0.0 if cold else de * self.e_scale, self.feed_mm_s * self.speed_factor, command, t)

    def stroke(self, target: list[float], filament_mm: float, speed: float, command: int, t: float) -> None:
        """Queue one block at a speed in mm/s within the limits of every axis; nothing where nothing moves."""
        here = self.position
        dx, dy, dz = target[0] - here[0], target[1] - here[1], target[2] - here[2]
        distance = math.sqrt(dx * dx + dy * dy + dz * dz)
        push = filament_mm if filament_mm >= 0 else -filament_mm
        vmax, amax = self.max_speed, self.max_accel
        unit: tuple[float, float, float] | None
        if distance > 1e-7:
            ux, uy, uz = unit = (dx / distance, dy / distance, dz / distance)
            accel = self.print_accel if push else self.travel_accel
            for part, limit, climb in (
                (ux if ux >= 0 else -ux, vmax[0], amax[0]),
                (uy if uy >= 0 else -uy, vmax[1], amax[1]),
                (uz if uz >= 0 else -uz, vmax[2], amax[2]),
                (push / distance, vmax[3], amax[3]),
            ):
                if part * speed > limit:
                    speed = limit / part
                if part * accel > climb:
                    accel = climb / part
        elif push > 1e-9:
            distance, unit = push, None
            speed = min(speed, vmax[3])
            accel = min(self.retract_accel, amax[3])
        else:
            return
        self.position = target
        block = Block(distance, speed, accel, unit, Stroke(command, target[0], target[1], target[2], filament_mm))
        self.planner.add(block, t)

    # -- what the blocks do

    def _ran(self, stroke: Stroke, t: float) -> None:
        """A block has been run: the axes are (or should be) there, and filament has moved."""
        command, x, y, z, filament = stroke
        x0, y0, z0 = actual = self.actual
        lag = self.lag
        x1, y1, z1 = x + lag[0], y + lag[1], z + lag[2]
        if True in self.stuck:
            x1, y1, z1 = (
                old if stuck else new for old, new, stuck in zip(actual, (x1, y1, z1), self.stuck, strict=True)
            )
        self.actual = [x1, y1, z1]
        if filament == 0.0:
            return
        if filament < 0.0:
            self.pulled_mm -= filament
            self.debt_mm -= filament
            return
        self.pushed_mm += filament
        if self.debt_mm > 0.0:
            paid = min(self.debt_mm, filament)
            self.debt_mm -= paid
            filament -= paid
        filament *= self.flowing
        if filament > 1e-7:  # what remains of a prime is rounding
            self.laid_mm += filament
            self.deposits += 1
            self._deposit(Deposit(command, t, x0, y0, z0, x1, y1, z1, filament, filament * self.filament_area_mm2))

    def home(self, axes: list[int]) -> float:
        """Find the reference of these axes (all motion has ended); returns the seconds that it takes."""
        speeds = self._settings.motion.homing_speed_mm_s
        seconds = 0.0
        for axis in axes:
            seconds += abs(self.actual[axis]) / speeds[axis] + 1.0  # 1 s: back off, touch again (practice)
            self.position[axis] = 0.0
            self.offset[axis] = 0.0
            self.homed[axis] = True
            if self.stuck[axis]:
                self.lag[axis] = self.actual[axis]
            else:
                self.lag[axis] = 0.0
                self.actual[axis] = 0.0
        return seconds

    def loosen(self, axes: list[int]) -> None:
        """Motors off: the position is no longer known."""
        for axis in axes:
            self.homed[axis] = False

    def abandon(self) -> None:
        """Stop where we are and forget what is planned; the position is unknown afterwards (facts 1.3, M410)."""
        self.blocks_abandoned += self.planner.abandon()
        self.position = [actual - lag for actual, lag in zip(self.actual, self.lag, strict=True)]
        self.loosen([0, 1, 2])

    def stick(self, axis: int, *, stuck: bool) -> None:
        """An axis stops following (unnoticed), or follows again from where it is."""
        if self.stuck[axis] and not stuck:
            # The next stroke would jump back: whatever was missed stays missed.
            self.lag[axis] = self.actual[axis] - self.position[axis]
        self.stuck[axis] = stuck

    def logical(self, axis: int) -> float:
        """Planned coordinate as commands speak of it, mm."""
        return self.position[axis] - self.offset[axis]
