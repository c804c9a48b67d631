"""Streamer: one printer's runs over the line protocol, from the first line to the safe end.

No I/O and no clock: bytes, blocks of a verified job and time in; bytes and events (as messages.py names them) out.
Knows no sockets, no files and nothing of what a job means, apart from the heaters that it must switch off at the end.

A run ends in exactly one way, by `_finish`. Before that, where the wire still works, heaters are switched off; where
the protocol can't go on, the same commands go out unnumbered, and again as soon as the printer answers anew.

Longer than other files (some 540 lines): the ways a run can end cross all that it does, and are read together.
"""

import re
from collections import deque
from collections.abc import Iterable
from typing import Any, Literal

from layergate.jobindex import JobIndex
from layergate.link import signals
from layergate.link.feed import Feed
from layergate.link.jobfile import Commands
from layergate.link.messages import EventType
from layergate.link.notices import Notices
from layergate.link.progress import Progress
from layergate.link.protocol import LineProtocol
from layergate.link.safe_end import Heaters
from layergate.link.settings import Settings
from layergate.link.signals import Signal
from layergate.link.states import RUN, Do, Link, Run
from layergate.link.witness import Witness

Outcome = Literal["completed", "canceled", "aborted"]
Outgoing = tuple[EventType, dict[str, Any]]

_QUERY = b"M105"
_POSITION = b"M114"
_G = ord("G")
_CODE = re.compile(r"[GMT]\d")


class Refused(Exception):  # noqa: N818  (it is an answer, not a fault)
    """A command that can't be done now; the text is a sentence for a person."""


class Streamer:
    """One printer: its connection's protocol, and the run in progress if any."""

    def __init__(self, protocol: LineProtocol, settings: Settings | None = None) -> None:
        self.protocol = protocol
        self.settings = settings or Settings()
        self.state = Run.IDLE
        self.run: str | None = None
        self.ready = False
        """The printer has answered and said who it is."""
        self.reopen: str | None = None
        """Set where the connection should be taken as lost; the reason."""
        self.firmware: str | None = None
        self.capabilities: dict[str, bool] = {}
        self._events: list[Outgoing] = []
        self._urgent = b""
        self._chores: deque[tuple[bytes, str]] = deque()
        self._pending: deque[tuple[int, str]] = deque()
        self._connected = False
        self._identity_at: float | None = None
        self._prove_due = False
        self._polled_at = 0.0
        self._owes_heaters_off: list[bytes] = []
        self._notices = Notices(self.settings)
        self._clear_run()

    def _clear_run(self) -> None:
        self._index: JobIndex | None = None
        self._progress: Progress | None = None
        self._heaters = Heaters()
        self._feed: Feed | None = None
        self._witness: Witness | None = None
        self._since_certain = 0
        self._renumber_due = False
        self._dwelled = False
        self._printer_waits = False
        self._resends = 0
        self._started_at = 0.0
        self._progress_at = 0.0
        self._end: tuple[Outcome, str] | None = None
        self._end_by: float | None = None
        self._pause_ends_at: float | None = None
        self._pause_told = False

    # -- the connection -------------------------------------------------------------------------------------------

    def opened(self, now: float) -> None:
        """Begin: a connection was made."""
        self.reopen = None
        self._connected = True
        self._forget_link()
        self.protocol.opened(now)

    def lost(self, reason: str, now: float) -> None:
        """End: the connection is gone. A run in progress is aborted; its heaters are switched off on return."""
        was, self._connected = self._connected, False
        self._forget_link()
        self.protocol.closed()
        if was:
            self._emit("link-lost", reason=reason)
        self._abort_now(f"link lost: {reason}", now)

    def receive(self, data: bytes, now: float) -> None:
        """Take bytes from the printer."""
        self._handle(self.protocol.receive(data, now), now)
        self._pump(now)

    def tick(self, now: float) -> None:
        """Let time pass; call at `deadline` or later."""
        self._handle(self.protocol.tick(now), now)
        if self._identity_at is not None and now >= self._identity_at:
            self._identified(now)
        if self._end_by is not None and now >= self._end_by and self._end is not None:
            outcome, reason = self._end
            self._finish(outcome, f"{reason}; heaters-off was sent, but is not acknowledged yet", now)
        if self._pause_ends_at is not None:
            self._look_at_pause(self._pause_ends_at, now)
        self._pump(now)

    def deadline(self) -> float | None:
        """Give the time at which `tick` has something to do."""
        first = self.protocol.deadline()
        polls = self.ready and not self._prove_due and self._may_ask()  # a proof goes first, see `_pump`
        poll_at = self._polled_at + self._poll_interval() if polls else None
        for time in (self._identity_at, self._end_by, poll_at, self._pause_due_at):
            if time is not None and (first is None or time < first):
                first = time
        return first

    @property
    def owes_heaters_off(self) -> bool:
        """A run has ended without the printer's word that its heaters are off; it is told so as soon as it answers."""
        return bool(self._owes_heaters_off)

    def take_output(self) -> bytes:
        """Give the bytes to send."""
        return self.protocol.take_output()

    def take_urgent(self) -> bytes:
        """Give bytes that must go ahead of all that waits in any buffer."""
        urgent, self._urgent = self._urgent, b""
        return urgent

    def take_events(self) -> list[Outgoing]:
        """Give what happened since the last call."""
        if not self._events:
            return []
        events, self._events = self._events, []
        return events

    def look_ahead(self) -> None:
        """Frame the next command of the job, now that the printer has something to do."""
        feed = self._feed
        if feed is not None and (commands := feed.commands) is not None and feed.at < len(commands):
            self.protocol.look_ahead(commands[feed.at][1])

    def status(self) -> dict[str, Any]:
        """Give where things stand: ``state`` of the run, ``ready`` of the printer, ``line``, ``commands``,
        ``layer``."""
        progress, ledger = self._progress, self.protocol.ledger
        return {
            "state": self.state.value,
            "run": self.run,
            "line": progress.line if progress else 0,
            "commands": progress.commands if progress else 0,
            "layer": progress.layer if progress else 0,
            "connected": self._connected,
            "ready": self.ready,
            "link": self.protocol.state.value,
            "firmware": self.firmware,
            "resends": self._resends,
            "stale_resends": self.protocol.stale_resends,
            "lost_acknowledgements": self.protocol.lost_acks,
            "excess_acknowledgements": ledger.excess,
            "probes": self.protocol.probes,
        }

    # -- commands of the service ----------------------------------------------------------------------------------

    def start(self, run: str, index: JobIndex, now: float) -> None:
        """Begin a run; blocks are asked for by `wanted_block`. Raises Refused."""
        if self.state is not Run.IDLE:
            raise Refused(f"run {self.run} is in progress on this printer")
        if not self.ready:
            raise Refused("the printer does not answer: check cable, power and whether it has halted")
        if self._owes_heaters_off or self.protocol.long_under_way:
            raise Refused("the printer is still busy with the end of the last run: try again when it has settled")
        self._clear_run()
        self.run, self._index = run, index
        self._progress = Progress(index, now)
        self._feed = Feed(len(index.blocks.offset))
        self._witness = Witness(index) if self.settings.position_witness else None
        self._started_at = self._progress_at = now
        self._renumber_due = True
        self._go(Do.START)
        self._emit("run-started", run=run)
        self._pump(now)

    def pause(self, by: Literal["service", "printer"], now: float) -> None:
        """Stop feeding; position and heaters stay, for ``paused_limit_s`` at most. Raises Refused."""
        if self.state is not Run.PRINTING:
            raise Refused(f"nothing to pause: the run is {self.state.value}")
        self._go(Do.PAUSE)
        if self._progress:
            self._progress.paused(now)
        self._pause_ends_at, self._pause_told = now + self.settings.paused_limit_s, False
        self._emit("paused", run=self.run, by=by)

    def resume(self, now: float) -> None:
        """Go on feeding. Raises Refused."""
        if self.state is not Run.PAUSED:
            raise Refused(f"nothing to resume: the run is {self.state.value}")
        self._go(Do.RESUME)
        self._pause_ends_at = None
        if self._progress:
            self._progress.resumed(now)
        self._emit("resumed", run=self.run)
        self._pump(now)

    @property
    def _pause_due_at(self) -> float | None:
        """When something is to be said or done about a pause."""
        if self._pause_ends_at is None:
            return None
        limit_s = self.settings.paused_limit_s
        return self._pause_ends_at - (0.0 if self._pause_told else min(self.settings.paused_notice_s, limit_s / 2))

    def _look_at_pause(self, ends_at: float, now: float) -> None:
        if now >= ends_at:
            self.abort(f"paused for {self.settings.paused_limit_s:.0f} s, and nobody resumed it: heaters off", now)
        elif not self._pause_told and now >= (self._pause_due_at or ends_at):
            self._pause_told = True
            self._emit("pause-ends", run=self.run, in_s=round(ends_at - now))

    def cancel(self, reason: str, now: float) -> None:
        """Send no more lines, then the safe end. Raises Refused."""
        if self.state in (Run.IDLE, Run.ENDING):
            raise Refused(f"nothing to cancel: the run is {self.state.value}")
        self._wind_up("canceled", reason, now)

    def abort(self, reason: str, now: float) -> None:
        """End the run as aborted, in order, while the wire works."""
        if self.state not in (Run.IDLE, Run.ENDING):
            self._wind_up("aborted", reason, now)

    def stop(self, now: float) -> None:
        """Stop request: M112 ahead of everything, run or no run. Not a safety function: the firmware must read it."""
        if not self._connected:
            raise Refused("no connection to the printer: switch it off at the mains")
        # Without an emergency parser M112 waits its turn like any line; so the heaters-off behind it may still help.
        self._urgent = self.protocol.stop_request(now) + self._raw_heaters_off()
        self._out_of_service("stop request: the printer has halted", now)
        self._abort_now("stop request", now)

    # -- blocks of the job ----------------------------------------------------------------------------------------

    @property
    def wanted_block(self) -> int | None:
        """Number of the block to read next; asked for once."""
        if self._feed is None or self.state not in (Run.NUMBERING, Run.PRINTING, Run.PAUSED):
            return None
        return self._feed.wanted()

    def offer(self, run: str, block: int, commands: Commands, now: float) -> None:
        """Take a block whose payload has been verified."""
        if run == self.run and self._feed is not None:  # else it is of a run that has ended meanwhile
            self._feed.offer(block, commands)
            self._pump(now)

    # -- signals of the protocol ----------------------------------------------------------------------------------

    def _handle(self, found: Iterable[Signal], now: float) -> None:
        for signal in found:
            match signal:
                case signals.Acknowledged():
                    self._on_acknowledged(signal.number, now)
                case signals.Temperatures():
                    if data := self._notices.temperature(signal, now):
                        self._emit("temperature", **data)
                case signals.Proved():
                    if self._prove_due:
                        self._barrier_passed(now)
                case signals.Synced():
                    self._on_synced()
                case signals.Identity():
                    self.firmware = signal.firmware or self.firmware
                    self.capabilities.update(signal.capabilities)
                case signals.ResendAsked():
                    self._on_resend(signal.number, now)
                case signals.Busy():
                    self._on_busy(signal, now)
                case signals.Remark():
                    self._on_remark(signal.text, signal.kind, now)
                case signals.Action():
                    self._on_action(signal.name, now)
                case signals.MachineFault():
                    self._emit("printer-error", text=signal.text)
                    self._fail(f"the printer reported a fault: {signal.text}", now)
                case signals.GaveUp():
                    self._fail(self._explained(signal), now)
                case signals.PrinterReset():
                    self._emit("printer-reset", text=signal.text)
                    self._forget_link()
                    self._abort_now("the printer has restarted; position and temperatures are lost", now)
                case signals.Unresponsive():
                    self.reopen = signal.reason
                case signals.Position():
                    if self._witness is not None and (data := self._witness.compare(signal)):
                        self._emit("position", run=self.run, **data)

    def _explained(self, signal: signals.GaveUp) -> str:
        """Give the reason of the end, with the line of the job where one is to blame, and what may be done."""
        line = self._progress.job_line(signal.refused) if self._progress else None
        if line is None or signal.refused is None:
            return signal.reason
        why = "the wire damages it: look at cable and plugs"
        if len(self.protocol.ledger.line(signal.refused).frame) > self.protocol.limits.plain_ring_bytes:
            why = (
                "it is longer than the controller takes: state longest_line_bytes in the description's [printer.dialect], "
                f"so that such jobs are held. Or {why}"
            )
        return f"{signal.reason}. It is line {line} of the job, and {why}"

    def _on_synced(self) -> None:
        if self.state is Run.NUMBERING:
            self._go(Do.SYNCED)
        elif not self.ready:
            for command in self._owes_heaters_off:
                self._chores.append((command, ""))
            if self._owes_heaters_off:
                self._chores.append((_QUERY, "barrier"))
            self._chores.append((b"M115", "identity"))

    def _on_acknowledged(self, number: int, now: float) -> None:
        progress = self._progress
        if progress is not None:
            changed = progress.acknowledged(number, now)
            if changed or now >= self._progress_at + self.settings.progress_s:
                self._emit_progress(now)
        if self._printer_waits:
            self._printer_waits = False
            self._emit("resumed", run=self.run)
        while self._pending and self._pending[0][0] <= number:
            self._done(*self._pending.popleft(), now)

    def _done(self, number: int, chore: str, now: float) -> None:
        if chore == "identity":
            if self.firmware is None and self._identity_at is None:
                self._identity_at = now + self.settings.identity_s
            else:
                self._identified(now)
        elif chore == "barrier":
            # Doubled acknowledgements may have passed for those still due: have the printer itself say where it is.
            if self.protocol.is_certain(number):
                self._barrier_passed(now)
            else:
                self._prove_due = True

    def _barrier_passed(self, now: float) -> None:
        self._prove_due = False
        if self._owes_heaters_off:
            self._owes_heaters_off = []
            if self.state is Run.ENDING and self._end is not None:
                outcome, reason = self._end
                self._finish(outcome, reason, now)
        elif self.state is Run.DRAINING:
            self._go(Do.DRAINED)
            reason = "every line was acknowledged and motion has ended"
            self._end = ("completed", reason)
            if self._heaters.any_on:
                self._switch_heaters_off(now)
            else:
                self._finish("completed", reason, now)

    def _identified(self, now: float) -> None:
        self._identity_at = None
        if self.ready:
            return
        self.ready = True
        self._polled_at = now
        if self.capabilities.get("AUTOREPORT_TEMP"):
            self._chores.append((b"M155 S%d" % self.settings.report_s, ""))
        self._emit("link-up", firmware=self.firmware, capabilities=dict(self.capabilities))

    def _on_resend(self, number: int, now: float) -> None:
        self._resends += 1
        if self.run is not None and self._notices.resend(now):
            line = self._progress.line if self._progress else 0
            self._emit("resend", run=self.run, line=line, count=self._resends, number=number)

    def _on_busy(self, signal: signals.Busy, now: float) -> None:
        if signal.waits_for_person and not self._printer_waits and self.run is not None:
            self._printer_waits = True
            self._emit("paused", run=self.run, by="printer")
        if self._notices.busy(now):
            self._emit("busy", text=signal.text)

    def _on_remark(self, text: str, kind: str, now: float) -> None:
        if (
            kind == "unknown-command"
            and self.state is Run.DRAINING
            and not self._dwelled
            and ("M400" in text or not _CODE.search(text))
        ):
            # Dwelling empties the motion queue too (facts.md 1.4), in firmware that knows no M400.
            self._dwelled = True
            self._chores = deque([(b"G4 P1", ""), (_QUERY, "barrier")])
            self._void_pending()
        if kind == "endstop" and self.protocol.long_lately:
            kind = "other"  # homing and probing are meant to end there
        if data := self._notices.remark(text, kind, now):
            self._emit("remark", **data)

    def _on_action(self, name: str, now: float) -> None:
        self._emit("remark", text=name[:60], kind="action")
        if name not in self.settings.actions:
            return
        if name in ("pause", "paused") and self.state is Run.PRINTING:
            self.pause("printer", now)
        elif name in ("resume", "resumed") and self.state is Run.PAUSED:
            self.resume(now)
        elif name == "cancel" and self.state not in (Run.IDLE, Run.ENDING):
            self.cancel("canceled at the printer", now)

    # -- sending --------------------------------------------------------------------------------------------------

    def _pump(self, now: float) -> None:
        """Send what may be sent."""
        protocol = self.protocol
        if self._renumber_due:
            if protocol.quiet and self.state is Run.NUMBERING:
                self._renumber_due = False
                self._pending.clear()
                protocol.renumber(now)
            return
        if protocol.state is not Link.READY:
            return
        while self._chores and self._may_send(self._chores[0][0]):
            command, chore = self._chores.popleft()
            number = protocol.submit(command, now)
            if command == _QUERY:
                self._polled_at, self._since_certain = now, 0
            if chore:
                self._pending.append((number, chore))
        if self._chores:
            return
        if self._prove_due:
            if protocol.quiet:
                protocol.prove(now)
            return
        if self.ready and now >= self._polled_at + self._poll_interval() and self._may_ask():
            self._query(now)
        if self.state is Run.PRINTING:
            self._send_job(now)

    def _may_send(self, command: bytes) -> bool:
        # The safe end does not wait behind a heat-up: it goes into the printer's own queue, which has room for it.
        past = self.state is Run.ENDING and self.protocol.long_under_way and len(self.protocol.ledger.flight) <= 6
        return past or self.protocol.room(len(command))

    def _send_job(self, now: float) -> None:
        """Send commands of the job while there is room: the hot path."""
        protocol, progress, feed = self.protocol, self._progress, self._feed
        if progress is None or feed is None:
            return
        while (commands := feed.commands) is not None:
            at, count = feed.at, len(commands)
            if at == 0 and self._witness is not None and not self._ask_position(feed.block, now):
                return
            while at < count:
                line, command = commands[at]
                if self._since_certain >= self.settings.certain_every_lines and self._may_ask():
                    self._query(now)
                if not protocol.room(len(command)):
                    feed.at = at
                    return
                if command[0] != _G and not self._note(line, command, now):
                    return
                progress.sent(protocol.submit(command, now), line)
                self._since_certain += 1
                at += 1
            feed.next_block()
        if feed.exhausted:
            self._go(Do.EXHAUSTED)
            # The answer to M105 comes after M400 is done and can't be mistaken for a doubled acknowledgement.
            self._chores.extend([(b"M400", ""), (_QUERY, "barrier")])
            self._pump(now)

    def _note(self, line: int, command: bytes, now: float) -> bool:
        """Look at a command that may set a heater, choose a tool or set the line counter; False where it can't be
        sent."""
        if command[:4].upper() == b"M110" and self.protocol.numbered:
            self.abort(f"line {line} of the job sets the line counter (M110), which belongs to the link", now)
            return False
        self._heaters.see(command)
        return True

    def _ask_position(self, block: int, now: float) -> bool:
        """Ask where the nozzle is, before the first block of a layer; False while there is no room for the question."""
        witness, layer = self._witness, self._progress.layer if self._progress else 0
        if witness is None or not witness.is_due(layer):
            return True
        if not self.protocol.room(len(_POSITION)):
            return False
        witness.ask(block, layer)
        self.protocol.submit(_POSITION, now)
        return True

    def _may_ask(self) -> bool:
        return not self.protocol.query_due and self.protocol.room(len(_QUERY))

    def _query(self, now: float) -> None:
        self._polled_at, self._since_certain = now, 0
        self.protocol.submit(_QUERY, now)

    def _void_pending(self) -> None:
        self._pending = deque((number, "") for number, _ in self._pending)
        self._prove_due = False

    def _poll_interval(self) -> float:
        return self.settings.heartbeat_s if self.capabilities.get("AUTOREPORT_TEMP") else self.settings.poll_s

    # -- ends -----------------------------------------------------------------------------------------------------

    def _wind_up(self, outcome: Outcome, reason: str, now: float) -> None:
        """Send no more lines of the job; switch heaters off; then the run ends."""
        self._go(Do.END)
        self._end = (outcome, reason)
        self._pause_ends_at = None
        self._feed = None
        self._chores.clear()
        self._void_pending()
        self._renumber_due = False
        parser = self.settings.emergency_parser
        if parser is None:
            parser = self.capabilities.get("EMERGENCY_PARSER", False)
        if parser and self.protocol.long_under_way:
            self.protocol.send_raw(b"M108")  # breaks a heat-up off; otherwise heaters-off waits behind it
        self._switch_heaters_off(now)

    def _switch_heaters_off(self, now: float) -> None:
        self._owes_heaters_off = self._heaters.off()
        self._end_by = now + self.settings.safe_end_s
        self._chores.extend((command, "") for command in self._owes_heaters_off)
        self._chores.append((_QUERY, "barrier"))
        self._pump(now)

    def _raw_heaters_off(self) -> bytes:
        return b"".join(command + b"\n" for command in self._heaters.off())

    def _fail(self, reason: str, now: float) -> None:
        """The protocol has halted: heaters off as far as the wire allows, unnumbered."""
        if self.run is not None:
            for command in self._heaters.off():
                self.protocol.send_raw(command)
        self._out_of_service(reason, now)
        self._abort_now(reason, now)

    def _out_of_service(self, reason: str, now: float) -> None:
        was = self.ready
        self._forget_link()
        if was:
            self._emit("link-lost", reason=reason)

    def _forget_link(self) -> None:
        self.ready = False
        self.firmware, self.capabilities = None, {}
        self._identity_at = None
        self._chores.clear()
        self._pending.clear()
        self._prove_due = False

    def _abort_now(self, reason: str, now: float) -> None:
        """End a run without asking the printer; it owes heaters off as soon as the printer answers again."""
        if self.state is Run.IDLE:
            return
        self._owes_heaters_off = self._heaters.off()
        if self._end is not None:
            outcome, why = self._end
            self._finish(outcome, f"{why}; but heaters-off could not be confirmed: {reason}", now)
        else:
            self._finish("aborted", reason, now)

    def _finish(self, outcome: Outcome, reason: str, now: float) -> None:
        self._go(Do.ENDED)
        progress, run = self._progress, self.run
        self._emit_progress(now)
        self._emit(
            "run-ended",
            run=run,
            outcome=outcome,
            reason=reason,
            line=progress.line if progress else 0,
            commands=progress.commands if progress else 0,
            resends=self._resends,
            seconds=round(now - self._started_at, 3),
            layer_seconds=progress.layer_seconds(now) if progress else {},
        )
        self._clear_run()
        self.run = None

    def _emit_progress(self, now: float) -> None:
        progress = self._progress
        if progress is not None:
            self._progress_at = now
            self._emit("progress", run=self.run, line=progress.line, commands=progress.commands, layer=progress.layer)

    def _emit(self, event: EventType, /, **data: Any) -> None:
        self._events.append((event, data))

    def _go(self, trigger: Do) -> None:
        self.state = RUN[self.state][trigger]
