"""The simulated printer without I/O: bytes and host time in, bytes and records out. Theory of operation:

    bytes -> [wire: baud, latency] -> [byte faults] -> [receive ring] -> framing -> command slots -> one command at a
    time -> planner; replies -> [reply faults] -> [wire] -> bytes

A command that has to wait is a generator; while it waits, lines keep filling the slots and the ring behind it, and no
`ok` leaves: that is the back-pressure. The clock runs `time_scale` times faster than the host's; with an infinite scale
it follows the host's and jumps over whatever a command would wait for.

Refuses to know about file descriptors and sleeping, and about everything in the daemon. `progress.py` holds the command in
progress, `faulty.py` carries the faults.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable
from typing import Any

from layergate_sim.printer import replies
from layergate_sim.printer.commands import Commands
from layergate_sim.printer.faults import Faults
from layergate_sim.printer.faulty import FaultActs
from layergate_sim.printer.framing import Line, LineReader
from layergate_sim.printer.machine import Machine
from layergate_sim.printer.progress import Progress
from layergate_sim.printer.records import MemoryRecords, Records
from layergate_sim.printer.report import report_of
from layergate_sim.printer.scenario import Instruction
from layergate_sim.printer.settings import PrinterSettings
from layergate_sim.printer.thermal import Heater
from layergate_sim.printer.waits import Heat, HostUntil, Until, User
from layergate_sim.printer.wire import BITS_PER_BYTE, Wire

IDLE_DRAIN_S = 0.2  # with an infinite scale: host seconds without input after which the planner's rest is run
IDLE_WAIT_S = 1.0  # the numbered lineage says `wait` this often while idle (facts 1.2)
_URGENT = re.compile(rb"(?:^|(?<=[\r\n]))[ \t]*(?:N-?\d+[ \t]*)?M(108|112|410|876|999)(?:[^\d\r\n][^\r\n]*)?(?=[\r\n])")


class SimulatedPrinter:
    """One printer. Call `receive` with bytes, `poll` for replies, and come back at `next_wakeup_s` at the latest.

    All `now_s` are host seconds of one monotonic clock, never running backwards; the first call switches it on.
    `records` defaults to lists in memory (`printer.records`). `report()` gives totals and fault counts.
    """

    def __init__(
        self,
        settings: PrinterSettings | None = None,
        *,
        faults: Iterable[Instruction] = (),
        records: Records | None = None,
    ) -> None:
        self.settings = settings or PrinterSettings()
        self.records: Records = MemoryRecords() if records is None else records
        self.faults = Faults(faults, self.settings.seed)
        self.machine = Machine(self.settings, self.records.deposit)
        self.hotend = Heater("hotend", self.settings.hotend, self.settings.room_c)
        self.bed = Heater("bed", self.settings.bed, self.settings.room_c)
        self.reader = LineReader(
            self.settings.ring_bytes, self.settings.max_line_bytes, numbered_only=self.settings.numbered_only
        )
        byte_s = BITS_PER_BYTE / self.settings.baud if self.settings.baud else 0.0
        self.wire_in = Wire(byte_s, self.settings.latency_s)
        self.wire_out = Wire(byte_s, self.settings.latency_s)
        self.paced_out = not self.wire_out.at_once
        self._now: float | None = None
        self._now0 = 0.0
        self._jumped = 0.0  # printer seconds skipped, with an infinite scale
        self.t = 0.0  # printer seconds since power-on
        self.link_up = True
        self.resets = 0
        self.accepted = 0  # commands accepted since power-on
        self.command_number = 0  # commands executed since power-on
        self.unknown_commands = self.cold_moves = 0
        self.refused: Counter[str] = Counter()
        self.seconds: dict[str, float] = dict.fromkeys(("heating", "dwell", "homing", "probing", "paused"), 0.0)
        self.bytes_in = self.bytes_out = self.bytes_unheard = 0
        self.out: list[bytes] = []
        self._ack_bytes = b"ok\n"
        self._plain_ack = self.settings.lineage == "common" and not self.settings.advanced_ok
        self.acts = FaultActs(self)
        self.progress = Progress(self)
        self._power_up()

    def _power_up(self) -> None:
        """State that a reset forgets."""
        self.state = "booting"  # booting, running, halted
        self._boot_until = self.t + (0.0 if self.settings.instant else self.settings.boot_s)
        self.commands = Commands(self)
        self.progress.forget()
        self.ack_extras = ""
        self.keepalive_s = self.settings.keepalive_s
        self.auto_report_s = 0.0
        self.fan = 0.0
        self._next_report = 0.0
        self.tick_at = math.floor(self.t) + 1.0
        self._urgent_tail = b""
        self._last_input_now = self._now if self._now is not None else 0.0
        self._idle_since = self.t
        self.reader.clear()
        self.reader.last_number = 0

    # -- time

    def _t_of(self, host_s: float) -> float:
        since = host_s - self._now0
        return since + self._jumped if self.settings.instant else since * self.settings.time_scale

    def _host_of(self, t: float) -> float:
        if self.settings.instant:
            return self._now0 + t - self._jumped
        return self._now0 + t / self.settings.time_scale

    @property
    def now_s(self) -> float:
        """Host time of the last call."""
        return self._now if self._now is not None else 0.0

    def _advance(self, now_s: float) -> None:
        """Let everything happen that is due by now, in order of time."""
        if self._now is None:
            self._now = self._now0 = self._last_input_now = now_s
        wire = self.wire_in
        while (arrival := wire.next_arrival_s()) <= now_s:
            self._run_to(max(arrival, self._now))
            data = wire.pull(arrival)
            if not data:
                break
            self._deliver(data)
        self._run_to(max(now_s, self._now))

    def _run_to(self, now_s: float) -> None:
        while True:
            t = self._next_event_t()
            event = self._next_host_event(t)
            if event > now_s:
                break
            self._now = max(event, self.now_s)
            self.t = max(self.t, self._t_of(self._now))
            if event >= self._host_of(t):
                self.t = max(self.t, t)  # exactly: to host time and back loses a last digit, and then nothing is due
            self._happen()
        self._now = now_s
        self.t = max(self.t, self._t_of(now_s))

    def _next_host_event(self, t: float) -> float:
        """Host time of the next thing that happens without further input, t being the printer's; inf for nothing."""
        event = self._host_of(t) if t < math.inf else math.inf
        event = min(event, self._now0 + self.faults.next_time_s())
        event = min(event, self.acts.next_event_s())
        if isinstance(self.progress.wait, HostUntil):
            event = min(event, self.progress.wait.host_s)
        if self.settings.instant and len(self.machine.planner):
            event = min(event, self._last_input_now + IDLE_DRAIN_S)
        return event

    def _next_event_t(self) -> float:
        if self.state == "booting":
            return self._boot_until
        planner = self.machine.planner
        t = planner.next_event() if not self.settings.instant else math.inf
        if self.hotend.needs_guard or self.bed.needs_guard:
            t = min(t, self.tick_at)
        if self.state != "running":
            return t
        if self.auto_report_s > 0:
            t = min(t, self._next_report)
        wait = self.progress.wait
        if wait is not None:
            if self.keepalive_s > 0 or isinstance(wait, Heat):
                t = min(t, self.progress.next_sign)
            if isinstance(wait, (Until, User)):
                t = min(t, wait.t)
            elif isinstance(wait, Heat):
                t = min(t, max(wait.next_event(self.t), self.t + 0.001))
        elif self.settings.lineage == "numbered":
            t = min(t, self._idle_since + IDLE_WAIT_S)
        partial = self.settings.partial_line_timeout_s
        if partial is not None and self.reader.pending and wait is None:
            t = min(t, self._t_of(self._last_input_now) + partial)
        return t

    def _happen(self) -> None:
        """Something is due at this moment."""
        for one in self.faults.due(self.now_s - self._now0):
            self.acts.do(one)
        self.acts.end_due()
        if self.state == "booting" and self.t >= self._boot_until:
            self.state = "running"
            self._idle_since = self.t
            for text in replies.greeting(self.settings.lineage):
                self.say(text)
        if not self.settings.instant:
            self.machine.planner.advance(self.t)
        elif len(self.machine.planner) and self.now_s >= self._last_input_now + IDLE_DRAIN_S:
            while len(self.machine.planner):
                self.run_block()
        self._passed()
        partial = self.settings.partial_line_timeout_s
        if (
            partial is not None
            and self.reader.pending
            and self.progress.wait is None
            and self.state == "running"
            and self.t >= self._t_of(self._last_input_now) + partial - 1e-9
        ):
            self.reader.clear()
            self.refused["partial-line"] += 1
        self.progress.pump()

    def _passed(self) -> None:
        """Time has passed: guards, temperature reports, signs of life."""
        while self.tick_at <= self.t:
            self._tick()
        if self.state != "running":
            return
        if self.auto_report_s > 0 and self.t >= self._next_report:
            self.say(self.temperatures())
            self._next_report = self.t + self.auto_report_s
        wait = self.progress.wait
        if wait is None:
            if self.settings.lineage == "numbered" and self.t >= self._idle_since + IDLE_WAIT_S:
                if not self.progress.slots and not self.reader.pending:
                    self.say("wait")
                self._idle_since = self.t
        elif self.t >= self.progress.next_sign:
            if isinstance(wait, Heat):
                self.say(f"{self.temperatures()} W:{wait.seconds_left(self.t)}")
                self.progress.next_sign = self.t + 1.0
            elif self.keepalive_s > 0:
                self.say(
                    replies.busy(self.settings.lineage, "paused for user" if isinstance(wait, User) else "processing")
                )
                self.progress.next_sign = self.t + self.keepalive_s

    def _tick(self) -> None:
        """The thermal guards look once a second, also at seconds that a jump passes over."""
        at = self.tick_at
        heaters = [heater for heater in (self.hotend, self.bed) if heater.needs_guard]
        if not heaters:
            self.tick_at = math.floor(self.t) + 1.0
            return
        begun = min(heater.changed_at for heater in heaters)
        if at < begun:  # nothing was on until then
            self.tick_at = math.floor(begun) + 1.0
            return
        self.tick_at = at + 1.0
        if self.settings.thermal_guards and self.state == "running":
            for heater in heaters:
                reason = heater.trip(at)
                if reason and self.state == "running":
                    self.halt(reason)

    def jump(self, t: float) -> None:
        """With an infinite scale: this moment is now."""
        self.machine.planner.advance(t)
        self._jumped += max(0.0, t - self.t)
        self.t = max(self.t, t)
        self._passed()

    def run_block(self) -> None:
        """With an infinite scale: the oldest block is at its end now."""
        end = self.machine.planner.run_one(self.t)
        self._jumped += end - self.t
        self.t = end
        if (
            end >= self.tick_at
            or (self.auto_report_s > 0 and end >= self._next_report)
            or self.progress.wait is not None
        ):
            self._passed()

    # -- bytes

    def receive(self, data: bytes, now_s: float) -> None:
        """Bytes from the host, at host time now_s."""
        self._advance(now_s)
        self.bytes_in += len(data)
        if not self.link_up:
            self.bytes_unheard += len(data)
        elif self.wire_in.at_once:
            self._deliver(data)
        else:
            self.wire_in.push(data, now_s)

    def poll(self, now_s: float) -> bytes:
        """Bytes for the host by host time now_s. Records are flushed before."""
        self._advance(now_s)
        self.records.flush()
        if self.paced_out:
            data = self.wire_out.pull(now_s)
            self.paced_out = not self.wire_out.at_once
        else:
            data = b"".join(self.out)
            self.out.clear()
            if self.faults.bytes_out and data:
                data, _ = self.faults.mangle(data, "out")
        self.bytes_out += len(data)
        return data

    def next_wakeup_s(self) -> float | None:
        """Host time by which to call `poll` again even without input; None for never."""
        if self._now is None or self.out:
            return self.now_s
        event = min(
            self._next_host_event(self._next_event_t()), self.wire_in.next_arrival_s(), self.wire_out.next_arrival_s()
        )
        return None if math.isinf(event) else event

    def _deliver(self, data: bytes) -> None:
        """Bytes have reached the printer's end of the wire."""
        self._last_input_now = self._idle_now()
        touched: list[int] = []
        if self.faults.bytes_in:
            data, touched = self.faults.mangle(data, "in")
        if self.state == "booting":
            self.bytes_unheard += len(data)
            return
        if self.settings.emergency_parser or self.state == "halted":
            self._look_for_urgent(data)
            if self.state == "booting":
                return
        if self.state == "halted":
            self.bytes_unheard += len(data)
            return
        done = 0
        while done < len(data):
            if self.state != "running":  # a fault has reset it in the middle of these bytes
                self.bytes_unheard += len(data) - done
                return
            room = self.reader.room()
            # What does not fit after the reader has taken all it can is lost: the rest goes in at once and is counted.
            end = done + room if 0 < room < len(data) - done else len(data)
            self.reader.feed(data[done:end], [place - done for place in touched if done <= place < end])
            done = end
            self.progress.pump()

    def _idle_now(self) -> float:
        self._idle_since = self.t
        return self.now_s

    def _look_for_urgent(self, data: bytes) -> None:
        """The emergency parser: some commands act as soon as their line has arrived (facts 1.3)."""
        text = self._urgent_tail + data
        newest = max(text.rfind(b"\n"), text.rfind(b"\r"))
        # Keep the unfinished line, and what ended before it only as far as its line end.
        self._urgent_tail = text[newest + 1 :][-120:]
        if b"M" not in text:
            return
        for match in _URGENT.finditer(text):
            code = int(match[1])
            if code == 999 and self.state == "halted":
                self.reset()
                return
            if self.state != "running" or not self.settings.emergency_parser:
                continue
            if code == 112:
                self.halt("stopped by M112")
            elif code == 108 and isinstance(self.progress.wait, (Heat, User)):
                self.progress.broken = True
            elif code == 410:
                self.machine.abandon()

    # -- replies

    def acknowledge(self, line: Line, acks: int) -> None:
        self._idle_since = self.t
        if acks == 1 and self._plain_ack and not self.ack_extras and not self.acts.on_replies and not self.paced_out:
            if self.now_s >= self.acts.mute_until and self.link_up:
                self.out.append(self._ack_bytes)
            return
        extras, self.ack_extras = self.ack_extras, ""
        if self.settings.advanced_ok:
            free = self.machine.planner.size - len(self.machine.planner)
            number = f"N{line.number} " if line.number is not None else ""
            extras = f"{number}P{free} B{self.settings.command_slots - len(self.progress.slots)} {extras}".rstrip()
        for _ in range(acks):
            self.say(replies.acknowledgement(self.settings.lineage, line.number, extras))

    def say(self, text: str) -> None:
        """Send one reply line, through whatever fault is waiting for one."""
        data = text.encode("latin-1", "replace") + b"\n"
        if self.acts.on_replies:
            data = self.acts.on_reply(data)
        self.emit(data)

    def emit(self, data: bytes) -> None:
        """Bytes leave the printer, unless it is mute or unplugged."""
        if not self.link_up:
            return
        if self.now_s < self.acts.mute_until:
            self.faults.counts["muted-bytes"] += len(data)
            return
        if not self.paced_out:
            self.out.append(data)
            return
        if self.faults.bytes_out:
            data, _ = self.faults.mangle(data, "out")
        self.wire_out.push(data, self.now_s)

    def temperatures(self) -> str:
        """The temperature report (facts 1.2), heater outputs 0-127."""
        t, hotend, bed = self.t, self.hotend, self.bed
        return (
            f"T:{hotend.read_c(t):.2f} /{hotend.target_c:.2f} B:{bed.read_c(t):.2f} /{bed.target_c:.2f} "
            f"@:{hotend.duty(t) * 127:.0f} B@:{bed.duty(t) * 127:.0f}"
        )

    # -- what ends a state

    def halt(self, reason: str) -> None:
        """Shut down: heaters off, motion abandoned, deaf until M999, reset or power cycle."""
        self.machine.abandon()
        for heater in (self.hotend, self.bed):
            heater.set_target(0.0, self.t)
        self.faults.counts["halted"] += 1
        self.progress.forget()
        self.reader.clear()
        self.state = "halted"
        for text in replies.fatal(self.settings.lineage, reason):
            self.say(text)

    def reset(self) -> None:
        """Restart as by the reset button: everything not physical is forgotten; greets after its boot time."""
        self.resets += 1
        self.machine.abandon()
        for heater in (self.hotend, self.bed):
            heater.set_target(0.0, self.t)
        self.machine.power_up()
        self._power_up()

    def opened(self, now_s: float) -> None:
        """The host has opened the port."""
        self._advance(now_s)
        if self.settings.reset_on_open:
            self.reset()

    def report(self) -> dict[str, Any]:
        """Totals since power-on, in printer seconds, mm and mm3, and the number of each fault that happened."""
        return report_of(self)
