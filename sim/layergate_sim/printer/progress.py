"""The command in progress: lines into slots, one command at a time, its waits, its acknowledgement.

A command that blocks is a generator of waits. In finite time the printer calls `pump` whenever something may have ended
a wait; with an infinite scale the waits are jumped over here. Refuses to know bytes and faults of the wire.
"""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING

from layergate_sim.printer import replies
from layergate_sim.printer.commands import MOVES, Steps
from layergate_sim.printer.framing import Line, Refused
from layergate_sim.printer.waits import Drained, Heat, HostUntil, Room, Until, User, Wait
from layergate_sim.printer.words import Command, parse

if TYPE_CHECKING:
    from layergate_sim.printer.device import SimulatedPrinter

GUARDS_ACT_WITHIN_S = 600.0  # printer seconds; far longer than any guard's time


class Progress:
    """Slots and running command of one printer. `wait` is what the running command waits for, None when none runs."""

    def __init__(self, printer: SimulatedPrinter) -> None:
        self._printer = printer
        self.forget()

    def forget(self) -> None:
        """Lose the running command and those in the slots (reset, shutdown)."""
        self.slots: deque[tuple[Line, int]] = deque()
        self._running: Steps | None = None
        self._current: tuple[Line, int] | None = None
        self.wait: Wait | None = None
        self._wait_since = 0.0
        self.next_sign = 0.0  # printer time of the next sign of life
        self.broken = False  # somebody has broken the wait

    def _fill(self) -> None:
        """Read lines from the ring into free command slots; answer those that the framing refuses."""
        reader, slots = self._printer.reader, self.slots
        while len(slots) < self._printer.settings.command_slots:
            raw = reader.next_raw()
            if raw is None:
                return
            damaged, acks = reader.damaged, 1
            if self._printer.faults.per_line or self._printer.acts.for_next_line:
                verdict = self._printer.acts.on_line(raw, self._printer.accepted + 1)
                if verdict is None:
                    if self._printer.state != "running":
                        return
                    continue
                raw, acks, hit = verdict
                damaged = damaged or hit
            line = reader.accept(raw, damaged=damaged)
            if line is None:
                continue
            if isinstance(line, Refused):
                self._printer.refused[line.kind] += 1
                for text in replies.resend(self._printer.settings.lineage, line.text, line.last_number + 1):
                    self._printer.say(text)
                if self._printer.settings.flush_on_error:
                    reader.clear()
                continue
            if line.damaged:
                self._printer.faults.counts["touched-yet-accepted"] += 1
            self._printer.accepted += 1
            slots.append((line, acks))

    def pump(self) -> None:
        """Carry commands out until one has to wait or none is left."""
        while self._printer.state == "running":
            if self._running is not None:
                if self._resume():
                    continue
                self._fill()
                return
            self._fill()
            if not self.slots or self._printer.state != "running":
                return
            line, acks = self.slots.popleft()
            self._begin(line, acks)

    def _begin(self, line: Line, acks: int) -> None:
        command = parse(line.payload.decode("latin-1"))
        if self._printer.acts.stall_s > 0:
            self._start(
                self._later(HostUntil(self._printer.now_s + self._printer.acts.take_stall()), line, command), line, acks
            )
        elif command.code in MOVES and self._printer.machine.planner.full:
            if self._printer.settings.instant:
                self._printer.run_block()
                if self._printer.state == "running":
                    self._carry_out(line, acks, command)
            else:
                self._start(self._later(Room(), line, command), line, acks)
        else:
            self._carry_out(line, acks, command)

    def _carry_out(self, line: Line, acks: int, command: Command) -> None:
        self._printer.command_number += 1
        self._printer.records.command(line.payload)
        steps = self._printer.commands.run(command)
        if steps is not None:
            self._start(steps, line, acks)
        elif self._printer.state == "running":
            self._printer.acknowledge(line, acks)

    def _later(self, wait: Wait, line: Line, command: Command) -> Steps:
        """A command that has to wait before it can begin: it counts as executed only from then on."""
        yield wait
        if command.code in MOVES and self._printer.machine.planner.full:
            yield Room()
        self._printer.command_number += 1
        self._printer.records.command(line.payload)
        steps = self._printer.commands.run(command)
        if steps is not None:
            yield from steps

    def _start(self, steps: Steps, line: Line, acks: int) -> None:
        self._running, self._current = steps, (line, acks)
        self._step()

    def _step(self) -> None:
        """Go on with the running command until it waits again or is over."""
        running, current = self._running, self._current
        assert running is not None
        assert current is not None
        wait = next(running, None)
        if self._running is not running:  # it halted or reset the printer
            return
        if wait is None:
            self._running = self._current = self.wait = None
            self._printer.acknowledge(*current)
            return
        if self.wait is None:
            self.next_sign = self._printer.t + (1.0 if isinstance(wait, Heat) else self._printer.keepalive_s)
        self.wait, self._wait_since, self.broken = wait, self._printer.t, False
        if isinstance(wait, (Drained, Room)):
            self._printer.machine.planner.hurry(self._printer.t)
            if not self._printer.settings.instant:
                self._printer.machine.planner.advance(self._printer.t)

    def _resume(self) -> bool:
        """True when the running command could go on (or has ended)."""
        if not self._over() and self._printer.settings.instant:
            self._skip()
            if self._running is None:
                return self._printer.state == "running"
        wait = self.wait
        if not self._over():
            return False
        if isinstance(wait, Heat):
            self._printer.seconds["heating"] += self._printer.t - self._wait_since
        elif isinstance(wait, Until):
            self._printer.seconds[wait.account] += self._printer.t - self._wait_since
        elif isinstance(wait, User):
            self._printer.seconds["paused"] += self._printer.t - self._wait_since
        self._step()
        return True

    def _over(self) -> bool:
        match self.wait:
            case Room():
                return not self._printer.machine.planner.full
            case Drained():
                return not len(self._printer.machine.planner)
            case Until(t=t):
                return self._printer.t >= t - 1e-9
            case User(t=t):
                return self.broken or self._printer.t >= t - 1e-9
            case HostUntil(host_s=host_s):
                return self._printer.now_s >= host_s - 1e-9
            case Heat() as heat:
                return self.broken or heat.over(self._printer.t)
            case _:
                return True

    def _skip(self) -> None:
        """With an infinite scale: jump to the end of the wait, if it has one."""
        printer, wait = self._printer, self.wait
        give_up = printer.t + (GUARDS_ACT_WITHIN_S if printer.settings.thermal_guards else 0.0)
        while self.wait is wait and not self._over():
            if isinstance(wait, (Room, Drained)):
                printer.run_block()
            elif isinstance(wait, (Until, User)):
                if math.isinf(wait.t):
                    return
                printer.jump(wait.t)
            elif isinstance(wait, Heat):
                event = wait.next_event(printer.t)
                if math.isinf(event):
                    # Something is broken: a guard will see it soon. If none does, it waits in the host's time.
                    if wait.heater.sound or printer.t >= give_up:
                        return
                    event = printer.tick_at
                printer.jump(max(event, printer.t + 0.001))
            else:
                return
