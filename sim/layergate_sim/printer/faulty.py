"""Carries faults out on a simulated printer: what `scenario.py` names and `faults.py` schedules happens here.

A fault is counted when it happens, not when it is asked for. Refuses to know when a fault is due.
"""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING

from layergate_sim.printer.scenario import Instruction
from layergate_sim.printer.wire import BITS_PER_BYTE

if TYPE_CHECKING:
    from layergate_sim.printer.device import SimulatedPrinter

LINE_VERBS = frozenset(("corrupt", "drop", "drop-byte-of-line", "drop-ack", "double-ack"))
REPLY_VERBS = frozenset(("drop-reply", "half-line", "corrupt-reply"))


class FaultActs:
    """Faults of one printer that are under way. Times are host seconds."""

    def __init__(self, printer: SimulatedPrinter) -> None:
        self._printer = printer
        self._counts = printer.faults.counts
        self.mute_until = -math.inf
        self.stall_s = 0.0
        self.for_next_line: list[Instruction] = []
        self.on_replies: deque[str] = deque()
        self._slow_until = math.inf
        self._plug_at = math.inf
        self._reboot_on_plug = False

    def do(self, one: Instruction) -> None:
        """Begin one fault now; those of a line or a reply wait for the next one."""
        printer, arguments = self._printer, one.arguments
        if one.verb in LINE_VERBS:
            self.for_next_line.append(one)
            return
        if one.verb in REPLY_VERBS:
            self.on_replies.append(one.verb)
            return
        if one.verb == "busy":
            self.stall_s = max(self.stall_s, float(arguments[0]))
            return
        self._counts[one.verb] += 1
        match one.verb:
            case "garbage":
                noise = printer.faults.noise(int(arguments[0]))
                printer.emit(noise + (b"\n" if arguments[1] == "closed" else b""))
            case "mute":
                self.mute_until = max(self.mute_until, printer.now_s + float(arguments[0]))
            case "slow":
                self._begin_slow(float(arguments[0]), float(arguments[1]))
            case "reset":
                printer.reset()
            case "unplug":
                self._unplug(float(arguments[0]), reboot=arguments[1] == "reboot")
            case "clog":
                printer.machine.flowing = float(arguments[0])
            case "unclog":
                printer.machine.flowing = 1.0
            case "stuck-axis" | "free-axis":
                printer.machine.stick("XYZ".index(arguments[0]), stuck=one.verb == "stuck-axis")
            case "shift":
                printer.machine.lag["XYZ".index(arguments[0])] += float(arguments[1])
            case _:
                self._break_heater(one)

    def _break_heater(self, one: Instruction) -> None:
        printer = self._printer
        heater = printer.hotend if one.arguments[0] == "hotend" else printer.bed
        match one.verb:
            case "heater-lost":
                heater.fail(printer.t, lost=True)
            case "runaway":
                heater.fail(printer.t, stuck=True)
            case "sensor-open" | "sensor-short":
                heater.fail(printer.t, sensor=one.verb.removeprefix("sensor-"))
            case "mend":
                heater.fail(printer.t, lost=False, stuck=False, sensor="ok")
            case _:
                raise ValueError(f"nothing carries out the fault {one.verb!r}")

    # -- lines and replies

    def on_line(self, raw: bytes, number: int) -> tuple[bytes, int, bool] | None:
        """A line is about to be accepted as the number-th: its bytes, how often to acknowledge it, touched; None: lost."""
        printer = self._printer
        acks, touched, lost = 1, False, False
        due = [*self.for_next_line, *printer.faults.for_line(number)]
        self.for_next_line.clear()
        for one in due:
            match one.verb:
                case "corrupt":
                    raw, touched = printer.faults.damage_line(raw), True
                case "drop-byte-of-line":
                    raw, touched = printer.faults.shorten_line(raw), True
                case "drop":
                    lost = True
                case "drop-ack":
                    acks = 0
                case "double-ack":
                    acks = 2
                case _:
                    self.do(one)
                    lost = lost or printer.state != "running" or not printer.link_up
                    continue
            self._counts[one.verb] += 1
        return None if lost else (raw, acks, touched)

    def on_reply(self, data: bytes) -> bytes:
        """A reply line is about to leave: what is left of it."""
        verb = self.on_replies.popleft()
        self._counts[verb] += 1
        if verb == "drop-reply":
            return b""
        if verb == "half-line":
            return data[: len(data) // 2]
        return self._printer.faults.damage_line(data[:-1]) + b"\n"

    def take_stall(self) -> float:
        """Seconds that the command which begins now is held up."""
        stall, self.stall_s = self.stall_s, 0.0
        self._counts["busy"] += 1
        return stall

    # -- what lasts

    def next_event_s(self) -> float:
        """When something that lasts comes to its end; inf for nothing."""
        return min(self._slow_until, self._plug_at)

    def end_due(self) -> None:
        """End what is over by now."""
        printer = self._printer
        if printer.now_s >= self._plug_at:
            self._plug_at = math.inf
            printer.link_up = True
            if self._reboot_on_plug:
                printer.reset()
        if printer.now_s >= self._slow_until:
            self._slow_until = math.inf
            baud = printer.settings.baud
            printer.wire_out.byte_s = BITS_PER_BYTE / baud if baud else 0.0

    def _begin_slow(self, bytes_s: float, seconds: float) -> None:
        printer = self._printer
        for data in printer.out:
            printer.wire_out.push(data, printer.now_s)
        printer.out.clear()
        printer.wire_out.byte_s = 1.0 / bytes_s
        printer.paced_out = True
        self._slow_until = printer.now_s + seconds

    def _unplug(self, seconds: float, *, reboot: bool) -> None:
        printer = self._printer
        printer.link_up = False
        self._plug_at = printer.now_s + seconds
        self._reboot_on_plug = reboot
        printer.wire_in.clear()
        printer.wire_out.clear()
        printer.out.clear()
        printer.reader.clear()
