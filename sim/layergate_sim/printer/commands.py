"""What each command does (facts 1.4). One method a command, found by its name: `g28` does G28.

A method that blocks is a generator of waits. Refuses to know about framing, acknowledgements and the wire: the host of
this class (the printer) carries time, texts and records.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator
from typing import Protocol

from layergate_sim.printer import arcs, replies
from layergate_sim.printer.machine import AXES, Machine
from layergate_sim.printer.settings import PrinterSettings
from layergate_sim.printer.thermal import Heater
from layergate_sim.printer.waits import Drained, Heat, Room, Until, User, Wait
from layergate_sim.printer.words import Command

Steps = Generator[Wait, None, None]

# Accepted without doing anything: progress, timers, tones, pressure advance, driver and probe settings...
QUIET = frozenset(
    ["G17", "G94"]
    + [f"M{n}" for n in (16, 73, 75, 76, 77, 78, 80, 85, 117, 120, 121, 122, 150, 206, 217, 250, 300, 301, 304, 355)]
    + [f"M{n}" for n in (401, 402, 412, 413, 420, 500, 501, 569, 572, 593, 900, 906, 907, 910, 914)]
)
# These need room in the planner before they can begin.
MOVES = frozenset(("G0", "G1", "G2", "G3", "G10", "G11"))


class Host(Protocol):
    """What commands need of the printer."""

    settings: PrinterSettings
    machine: Machine
    hotend: Heater
    bed: Heater
    t: float
    command_number: int
    unknown_commands: int
    cold_moves: int
    ack_extras: str
    keepalive_s: float
    auto_report_s: float
    fan: float

    def say(self, text: str) -> None:
        """Send one reply line."""

    def halt(self, reason: str) -> None:
        """Shut down: heaters off, motion abandoned, deaf until restarted."""

    def temperatures(self) -> str:
        """The temperature report."""


class Commands:
    """Carries out commands on one printer."""

    def __init__(self, host: Host) -> None:
        self._host = host
        self.allow_cold = False
        self._tool = 0
        self._targets: dict[int, float] = {}  # of each tool, C
        self.cold_limit_c = host.settings.cold_extrusion_c
        self._table: dict[str, Callable[[Command], Steps | None]] = {
            name.upper(): getattr(self, name) for name in dir(self) if name[0] in "gm" and name[1:].isdigit()
        }

    def run(self, command: Command) -> Steps | None:
        """Begin one command. A generator when it may have to wait, None when it is over."""
        method = self._table.get(command.code)
        if method is not None:
            return method(command)
        if command.code[:1] == "T" and command.code[1:].isdigit():
            self._change_tool(command)
            return None
        if command.code not in QUIET:
            self._host.unknown_commands += 1
            self._host.say(f'echo:Unknown command: "{command.text}"')
        return None

    # -- motion

    def _cold(self, de: float) -> bool:
        """True, with a remark, when this E step must not happen because the nozzle is too cold."""
        host = self._host
        if de == 0.0 or self.allow_cold or host.hotend.read_c(host.t) >= self.cold_limit_c:
            return False
        self._host.cold_moves += 1
        host.say("echo: cold extrusion prevented")
        return True

    def g1(self, command: Command) -> None:
        """Straight move."""
        host = self._host
        target, de = host.machine.target_of(command.words)
        host.machine.plan(target, de, cold=de != 0.0 and self._cold(de), command=host.command_number, t=host.t)

    g0 = g1

    def _arc(self, command: Command, *, clockwise: bool) -> Steps:
        host, machine = self._host, self._host.machine
        words = command.words
        x0, y0, z0 = machine.position
        target, de = machine.target_of(words)
        start, end = (x0, y0), (target[0], target[1])
        if words.get("R") is not None:
            centre = arcs.centre_from_radius(start, end, command.number("R", 0) * machine.inch, clockwise=clockwise)
        elif words.get("I") is None and words.get("J") is None:
            centre = None
        else:
            centre = (x0 + command.number("I", 0) * machine.inch, y0 + command.number("J", 0) * machine.inch)
        if centre is None:
            host.say("echo:arc without a usable centre, ignored")
            return
        motion = host.settings.motion
        turns = max(0, int(command.number("P", 0)) - 1)
        points = arcs.chords(
            start,
            end,
            centre,
            clockwise=clockwise,
            tolerance_mm=motion.arc_tolerance_mm,
            chord_max_mm=motion.arc_chord_max_mm,
            turns=turns,
        )
        cold = self._cold(de)
        count = len(points)
        before = machine.feed_mm_s
        # A chord's corners alone would allow more than the true curve: v^2 / r is the acceleration that it needs.
        radius = math.hypot(x0 - centre[0], y0 - centre[1])
        limit = math.sqrt((machine.print_accel if de else machine.travel_accel) * radius)
        for k, (x, y) in enumerate(points, 1):
            if machine.planner.full:
                yield Room()
            machine.feed_mm_s = min(before, limit / machine.speed_factor)
            z = z0 + (target[2] - z0) * k / count
            machine.plan([x, y, z], de / count, cold=cold, command=host.command_number, t=host.t)
            machine.feed_mm_s = before

    def g2(self, command: Command) -> Steps:
        """Arc, clockwise."""
        return self._arc(command, clockwise=True)

    def g3(self, command: Command) -> Steps:
        """Arc, counter-clockwise."""
        return self._arc(command, clockwise=False)

    def g4(self, command: Command) -> Steps:
        """Dwell: P ms or S s; S wins (facts 1.4)."""
        yield Drained()
        seconds = command.number("S", command.number("P", 0.0) / 1000.0)
        yield Until(self._host.t + max(0.0, seconds))

    def _firmware_retract(self, *, back: bool) -> Steps:
        host, machine = self._host, self._host.machine
        if machine.retracted == back or self._cold(1.0):
            return
        machine.retracted = back
        lift = machine.retract_lift_mm if back else -machine.retract_lift_mm
        length = machine.retract_mm if back else machine.retract_mm + machine.recover_extra_mm
        speed = machine.retract_mm_s if back else machine.recover_mm_s
        for filament, rise in ((-length, 0.0), (0.0, lift)) if back else ((0.0, lift), (length, 0.0)):
            if machine.planner.full:
                yield Room()
            x, y, z = machine.position
            machine.stroke([x, y, z + rise], filament, speed if filament else 10.0, host.command_number, host.t)

    def g10(self, command: Command) -> Steps | None:
        """Firmware retraction; in another dialect G10 P R/S sets a tool's temperature (facts 1.4), understood too."""
        if "P" in command.words:
            self.m104(command)
            return None
        return self._firmware_retract(back=True)

    def g11(self, _: Command) -> Steps:
        """Firmware recover."""
        return self._firmware_retract(back=False)

    def g20(self, _: Command) -> None:
        """Inches."""
        self._host.machine.inch = 25.4

    def g21(self, _: Command) -> None:
        """Millimetres."""
        self._host.machine.inch = 1.0

    def g28(self, command: Command) -> Steps:
        """Home the axes named, or all; numbers behind the letters are ignored."""
        yield Drained()
        named = [axis for axis, letter in enumerate(AXES) if letter in command.words]
        seconds = self._host.machine.home(named or [0, 1, 2])
        yield Until(self._host.t + seconds, "homing")

    def g29(self, _: Command) -> Steps:
        """Probe the bed: takes time, changes nothing here."""
        yield Drained()
        yield Until(self._host.t + 30.0, "probing")

    def g90(self, _: Command) -> None:
        """Absolute coordinates."""
        self._distance_mode(relative=False)

    def g91(self, _: Command) -> None:
        """Relative coordinates."""
        self._distance_mode(relative=True)

    def _distance_mode(self, *, relative: bool) -> None:
        self._host.machine.relative = relative
        if self._host.settings.g91_covers_e:
            self._host.machine.relative_e = relative

    def g92(self, command: Command) -> None:
        """Name the present position; nothing moves. Without words: all axes are 0."""
        machine = self._host.machine
        named = {letter: value for letter, value in command.words.items() if letter in ("X", "Y", "Z", "E")}
        for letter, value in (named or dict.fromkeys(("X", "Y", "Z", "E"), 0.0)).items():
            amount = (value or 0.0) * machine.inch
            if letter == "E":
                machine.e = amount
            else:
                axis = AXES.index(letter)
                machine.offset[axis] = machine.position[axis] - amount

    def m82(self, _: Command) -> None:
        """Absolute E."""
        self._host.machine.relative_e = False

    def m83(self, _: Command) -> None:
        """Relative E."""
        self._host.machine.relative_e = True

    def m17(self, _: Command) -> None:
        """Motors on."""

    def m18(self, command: Command) -> Steps | None:
        """Motors off (all, or those named); M84 S only sets an idle time-out."""
        return None if "S" in command.words else self._motors_off(command)

    def _motors_off(self, command: Command) -> Steps:
        yield Drained()
        named = [axis for axis, letter in enumerate(AXES) if letter in command.words]
        if named or "E" not in command.words:
            self._host.machine.loosen(named or [0, 1, 2])

    m84 = m18

    def m400(self, _: Command) -> Steps:
        """Wait until all motion has ended."""
        yield Drained()

    def m410(self, _: Command) -> None:
        """Quick stop."""
        self._host.machine.abandon()

    # -- heat

    def _set_heat(self, heater: Heater, command: Command) -> bool:
        target = command.words.get("S")
        if target is None:
            target = command.words.get("R")
        if target is None:
            return False
        if heater is self._host.hotend:
            # All tools share one nozzle here: a tool that is not active keeps its target until it becomes so.
            tool = int(command.number("T", command.number("P", self._tool) if command.code == "G10" else self._tool))
            if not 0 <= tool < self._host.settings.tools:
                self._host.say(f"echo:T{tool} is not a tool of this printer")
                return False
            self._targets[tool] = target
            if tool != self._tool:
                return False
        heater.set_target(target, self._host.t)
        return True

    def _wait_heat(self, heater: Heater, command: Command) -> Steps:
        if self._set_heat(heater, command):
            yield Heat(heater, cooling=command.words.get("S") is None)

    def m104(self, command: Command) -> None:
        """Hot-end target."""
        self._set_heat(self._host.hotend, command)

    def m109(self, command: Command) -> Steps:
        """Hot-end target and wait: S while heating only, R also while cooling."""
        return self._wait_heat(self._host.hotend, command)

    def m140(self, command: Command) -> None:
        """Bed target."""
        self._set_heat(self._host.bed, command)

    def m190(self, command: Command) -> Steps:
        """Bed target and wait."""
        return self._wait_heat(self._host.bed, command)

    def m105(self, _: Command) -> None:
        """Temperatures, on the acknowledgement in the common lineage, on a line of their own in the other."""
        if self._host.settings.lineage == "common":
            self._host.ack_extras = self._host.temperatures()
        else:
            self._host.say(self._host.temperatures())

    def m155(self, command: Command) -> None:
        """Report temperatures every S seconds; 0 ends it."""
        self._host.auto_report_s = min(60.0, max(0.0, command.number("S", 0.0)))

    def m302(self, command: Command) -> None:
        """Cold extrusion: P1 or S0 allows it."""
        if command.words.get("P") is not None:
            self.allow_cold = command.number("P", 0.0) != 0.0
        if command.words.get("S") is not None:
            self.cold_limit_c = command.number("S", 170.0)
            self.allow_cold = self.cold_limit_c <= 0

    def m106(self, command: Command) -> None:
        """Part fan on, S 0-255 (255 when absent)."""
        self._host.fan = min(255.0, max(0.0, command.number("S", 255.0))) / 255.0

    def m107(self, _: Command) -> None:
        """Part fan off."""
        self._host.fan = 0.0

    # -- protocol and persons

    def m0(self, command: Command) -> Steps | None:
        """Wait for a person, or P ms / S s. Without panel and emergency parser nobody could answer: ignored."""
        seconds = command.number("S", command.number("P", 0.0) / 1000.0)
        if seconds <= 0 and not self._host.settings.emergency_parser:
            return None
        return self._pause(seconds)

    def _pause(self, seconds: float) -> Steps:
        yield Drained()
        yield User(self._host.t + seconds if seconds > 0 else math.inf)

    m1 = m0

    def m108(self, _: Command) -> None:
        """Break a wait: acted on from the byte stream; in its turn there is nothing left to break."""

    def m110(self, _: Command) -> None:
        """Line number: the framing has seen to it already."""

    def m112(self, _: Command) -> None:
        """Shut down."""
        self._host.halt("stopped by M112")

    def m113(self, command: Command) -> None:
        """Keepalive period, s; 0 for none."""
        if command.words.get("S") is not None:
            self._host.keepalive_s = min(60.0, max(0.0, command.number("S", 2.0)))
        else:
            self._host.say(f"echo:M113 S{self._host.keepalive_s:g}")

    def m114(self, _: Command) -> None:
        """Planned position in work coordinates, and the axes' true motor position in steps."""
        host, machine = self._host, self._host.machine
        planned = " ".join(f"{letter}:{machine.logical(axis):.2f}" for axis, letter in enumerate(AXES))
        steps = " ".join(
            f"{letter}:{round((machine.actual[axis] - machine.lag[axis]) * machine.steps[axis])}"
            for axis, letter in enumerate(AXES)
        )
        host.say(f"{planned} E:{machine.e:.2f} Count {steps}")

    def m115(self, _: Command) -> None:
        """Identity and capabilities."""
        settings = self._host.settings
        for line in replies.capabilities(
            settings.lineage,
            settings.tools,
            emergency_parser=settings.emergency_parser,
            thermal_guards=settings.thermal_guards,
        ):
            self._host.say(line)

    def m118(self, command: Command) -> None:
        """Say a text: E1 with `echo:` in front, A1 with `//`."""
        text, prefix = command.text, ""
        while text[:2].upper() in ("E1", "A1", "E0", "A0", "P0") and text[2:3] in (" ", ""):
            prefix = {"E1": "echo:", "A1": "// "}.get(text[:2].upper(), prefix)
            text = text[2:].lstrip()
        self._host.say(prefix + text)

    def m119(self, _: Command) -> None:
        """End stops: nothing is ever at one, except an axis at 0."""
        self._host.say("Reporting endstops")
        for axis, letter in enumerate("xyz"):
            at_end = abs(self._host.machine.actual[axis]) < 0.01
            self._host.say(f"{letter}_min: {'TRIGGERED' if at_end else 'open'}")

    def m999(self, _: Command) -> None:
        """Restart after a stop (when not stopped: nothing)."""

    def _change_tool(self, command: Command) -> None:
        tool = int(command.code[1:])
        if tool >= self._host.settings.tools:
            self._host.say(f"echo:T{tool} is not a tool of this printer")
            return
        self._tool = tool
        target = self._targets.get(tool)
        if target is not None and target != self._host.hotend.target_c:
            self._host.hotend.set_target(target, self._host.t)

    # -- settings

    def _axes(self, command: Command, values: list[float], *, least: float) -> None:
        for axis, letter in enumerate("XYZE"):
            value = command.words.get(letter)
            if value is not None and value >= least:
                values[axis] = value

    def m92(self, command: Command) -> None:
        """Steps per mm. Only E has an effect here: the axes' are stored and reported."""
        self._axes(command, self._host.machine.steps, least=1e-6)
        self._host.machine.set_flow()

    def m200(self, command: Command) -> None:
        """E in mm3 from a filament diameter D; D0 or S0: in mm."""
        diameter = command.words.get("D")
        if command.words.get("S") == 0:
            diameter = 0.0
        self._host.machine.set_flow(diameter_mm=diameter)

    def m201(self, command: Command) -> None:
        """Highest accelerations, mm/s2."""
        self._axes(command, self._host.machine.max_accel, least=0.1)

    def m203(self, command: Command) -> None:
        """Highest speeds, mm/s (the main lineages' unit)."""
        self._axes(command, self._host.machine.max_speed, least=0.01)

    def m204(self, command: Command) -> None:
        """Accelerations, mm/s2: P printing, T travel, R retraction; S sets printing and travel."""
        machine = self._host.machine
        both = command.number("S", 0.0)
        machine.print_accel = command.number("P", both) or machine.print_accel
        machine.travel_accel = command.number("T", both) or machine.travel_accel
        machine.retract_accel = command.number("R", 0.0) or machine.retract_accel

    def m205(self, command: Command) -> None:
        """Corners: J junction deviation, mm. Corner speeds (X Y Z E) are of another planner: ignored."""
        deviation = command.words.get("J")
        if deviation is not None and 0 < deviation <= 0.5:
            self._host.machine.planner.deviation_mm = deviation

    def m207(self, command: Command) -> None:
        """Firmware retraction: S mm, F mm/min, Z lift mm."""
        machine = self._host.machine
        machine.retract_mm = command.number("S", machine.retract_mm)
        machine.retract_mm_s = command.number("F", machine.retract_mm_s * 60) / 60
        machine.retract_lift_mm = command.number("Z", machine.retract_lift_mm)

    def m208(self, command: Command) -> None:
        """Firmware recover: S extra mm, F mm/min."""
        machine = self._host.machine
        machine.recover_extra_mm = command.number("S", machine.recover_extra_mm)
        machine.recover_mm_s = command.number("F", machine.recover_mm_s * 60) / 60

    def m211(self, command: Command) -> None:
        """Soft end stops."""
        if command.words.get("S") is not None:
            self._host.machine.end_stops = command.number("S", 1.0) != 0.0

    def m220(self, command: Command) -> None:
        """Speed factor, %."""
        if command.number("S", 0.0) > 0:
            self._host.machine.speed_factor = command.number("S", 100.0) / 100.0

    def m221(self, command: Command) -> None:
        """Flow factor, %: multiplies real flow, not the E counter."""
        if command.number("S", 0.0) > 0:
            self._host.machine.set_flow(factor=command.number("S", 100.0) / 100.0)

    def m503(self, _: Command) -> None:
        """Settings report."""
        machine = self._host.machine

        def axes(values: list[float]) -> str:
            return " ".join(f"{letter}{value:.2f}" for letter, value in zip("XYZE", values, strict=True))

        d = machine.volumetric_d_mm
        for line in (
            "G21",
            f"M200 S{int(d > 0)} D{d or self._host.settings.filament_diameter_mm:.2f}",
            f"M92 {axes(machine.steps)}",
            f"M203 {axes(machine.max_speed)}",
            f"M201 {axes(machine.max_accel)}",
            f"M204 P{machine.print_accel:.2f} R{machine.retract_accel:.2f} T{machine.travel_accel:.2f}",
            f"M205 J{machine.planner.deviation_mm:.3f}",
            "M206 X0.00 Y0.00 Z0.00",
            f"M207 S{machine.retract_mm:.2f} F{machine.retract_mm_s * 60:.2f} Z{machine.retract_lift_mm:.2f}",
            f"M208 S{machine.recover_extra_mm:.2f} F{machine.recover_mm_s * 60:.2f}",
            f"M302 S{self.cold_limit_c:.0f} P{int(self.allow_cold)}",
        ):
            self._host.say(f"echo:  {line}")
