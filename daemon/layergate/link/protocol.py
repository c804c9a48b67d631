"""The line protocol of printers as a state machine: bytes and time in, bytes and signals out.

No I/O, no clock, no asyncio. Knows lines, numbers and replies; knows nothing of jobs, layers and runs. States, their
transitions and the theory of operation are in states.py; limits.py holds the figures, replies.py reads, ledger.py keeps
the lines, timing.py the clocks; trailing.py and plausibility.py judge the two kinds of reply that can mislead.

Longer than other files (some 700 lines): this is the one place where replies meet states, and it is read as a whole.

What each source of truth is worth, best first: a Resend names the one line that the printer will accept next; an
acknowledgement with a line number, and the answer to M105 (recognised by its temperatures), name the line they belong
to; a plain ``ok`` belongs to the oldest line under way, as long as none was lost or doubled. Better truths correct the
count that the poorer ones led to.
"""

from collections.abc import Callable
from dataclasses import replace

from layergate.link import signals
from layergate.link.commands import Patience, patience
from layergate.link.framing import OVERHEAD_BYTES, SYNC_FRAME, gap_frame
from layergate.link.ledger import Ledger, Line
from layergate.link.limits import Limits
from layergate.link.plausibility import Plausibility, Verdict
from layergate.link.queries import Queries
from layergate.link.replies import PLAIN_OK, Kind, LineBuffer, Reply, WireError, read_reply, remark_kind
from layergate.link.signals import Signal
from layergate.link.states import LINK, Link, On
from layergate.link.timing import Timing
from layergate.link.trailing import TrailingOk

_OK_ALONE = b"ok\n"
_PROBE = b"M105"
_OF_THE_WIRE = (WireError.NUMBER, WireError.CHECKSUM, WireError.FORM, WireError.DAMAGED)
_STREAMING = (Link.READY, Link.PROBING, Link.RECOVERING)
_WAITS_FOR_PERSON = "paused for"
_ECHO_ROUNDS = 3
"""So many rounds, each for the next line, are echoes of lines sent twice, whatever reason the printer gives."""
_MOST_DOUBLINGS = 6
"""Settling after a Resend grows to 2**6 times its length, 0.64 s."""


class LineProtocol:
    """One connection's line protocol.

    Feed it with `receive` and `tick`; send with `submit` when there is `room`; fetch bytes with `take_output` after
    each call.
    """

    def __init__(self, *, numbered: bool = True, ring_bytes: int | None = None, limits: Limits | None = None) -> None:
        """Take ``ring_bytes`` only where the printer's receive ring is known; without, one line is under way at a
        time."""
        self.state = Link.CLOSED
        self.limits = limits or Limits()
        self.ledger = Ledger(numbered=numbered)
        self.numbered = numbered
        self.resends = 0
        """Rounds of resending, of this numbering."""
        self.stale_resends = 0
        self.lost_acks = 0
        """Acknowledgements found to be missing."""
        self.probes = 0
        self.garbled = 0
        """Replies that can't be read."""
        self._ring = ring_bytes
        self._slots: int | None = None
        self._buffer = LineBuffer()
        self._out: list[bytes] = []
        self._signals: list[Signal] = []
        self._timing = Timing(self.limits)
        self._trailing = TrailingOk(self.limits)
        self._plausibility = Plausibility(self.limits)
        self._settle_at: float | None = None
        self._settle_by = 0.0
        """When a printer that never stops talking counts as booted."""
        self._half_heard = False
        """A reply has begun, and nothing was made of that yet."""
        self._queries = Queries(self.limits.reset_slack_lines)
        self._told_acked = 0
        self._round = -1
        """The line that the last Resend asked for."""
        self._careful_until = 0
        self._same_line = 0
        self._rounds_in_row = 0
        self._error: WireError | None = None
        self._unjudged: tuple[float, str] | None = None
        self._last_remark = "", 0.0
        self._credited_at: float | None = None
        """When an ``ok`` that names no line came last."""
        self._refused_at: float | None = None
        """When the last Resend came."""
        self._probe_repeats = 0
        """How often the newest line, a probe, went out again."""
        self._proving = False
        self._proof_oks = 0
        self._proof_tries = 0
        self._proof_heard = False
        """Something came in answer to the last try."""
        self._echoes = 0
        """Answers still due to lines that went out twice; all of them ask for the line after."""
        self._skipped: int | None = None
        """The line that the next ``ok`` says was there before."""
        self._certain_to = 0
        """Highest number whose acknowledgement showed what it belongs to."""
        self._answers_show = False
        """The printer answers M105 with ``ok T:``."""
        self._sync_oks = self._sync_silences = 0
        self._sync_doubtful = False
        """M110 was repeated or refused, so that acknowledgements may be another's."""
        self._refusals = self._wanted = 0
        """How often M110 was refused in a row, and for which line."""
        self._certain = False
        """This round's Resend came with an error that only a damaged line can cause."""
        self._was_ready = False
        self._handlers: dict[Kind, Callable[[Reply, float], None]] = {
            Kind.OK: self._on_ok,
            Kind.RESEND: self._on_resend,
            Kind.ERROR: self._on_error,
            Kind.FAULT: self._on_fault,
            Kind.BUSY: self._on_busy,
            Kind.WAIT: self._on_wait,
            Kind.SKIP: self._on_skip,
            Kind.GREETING: self._on_greeting,
            Kind.ECHO: self._on_echo,
            Kind.OTHER: self._on_echo,
            Kind.ACTION: self._on_action,
            Kind.TEMPERATURE: self._on_temperature,
            Kind.POSITION: self._on_position,
            Kind.IDENTITY: self._on_identity,
        }

    # -- what the owner calls -------------------------------------------------------------------------------------

    def opened(self, now: float) -> None:
        """Begin: a connection was made."""
        self._forget()
        self._buffer.clear()
        self._was_ready = False
        self._go(On.OPENED)
        self._timing.heard_at = now
        self._settle_at = now + self.limits.boot_s
        self._settle_by = now + self.limits.boot_longest_s

    def closed(self) -> None:
        """Note that the connection is gone; lines under way are of unknown fate."""
        self._forget()
        self._go(On.LOST)

    def receive(self, data: bytes, now: float) -> list[Signal]:
        """Take bytes from the printer."""
        self._timing.heard_at = now
        if data == _OK_ALONE and not self._buffer.unfinished:
            self._on_ok(PLAIN_OK, now)  # nearly all that a printer says; the same as below, sooner
        else:
            for line in self._buffer.feed(data):
                reply = read_reply(line)
                self._handlers[reply.kind](reply, now)
            self._half_heard = self._buffer.unfinished
        self._tell_acked()
        if self.state is Link.READY and self.ledger.cursor <= self.ledger.last:
            self._send_again(now)
        if self._proving and self.quiet:
            self.prove(now)
        return self._take_signals()

    def tick(self, now: float) -> list[Signal]:
        """Let time pass; call at `deadline` or later."""
        if self._unjudged and now >= self._unjudged[0]:
            text, self._unjudged = self._unjudged[1], None
            self._halt(On.FAULTED, now)
            self._signals.append(signals.MachineFault(text))
        if self._settle_at is not None and now >= self._settle_at:
            self._settle_at = None
            self._settled(now)
        timing, limit_s = self._timing, self._silence_limit_s()
        if self._half_heard and now >= timing.heard_at + self.limits.stray_wait_s:
            self._half_heard = False
            if self.state in (Link.READY, Link.PROBING):
                timing.hurry(now, self.ledger)  # its end was lost: an answer that can't be read
        if limit_s is not None and now >= timing.heard_at + limit_s:
            self._signals.append(signals.Unresponsive(f"nothing was heard from the printer for {limit_s:.0f} s"))
            timing.heard_at = now
        elif timing.overdue_at is not None and now >= timing.overdue_at:
            self._overdue(now)
        return self._take_signals()

    def deadline(self) -> float | None:
        """Give the time at which `tick` has something to do; None while there is nothing to wait for."""
        # Asked for with every line, so no list is made of what there may be.
        limit_s = self._silence_limit_s()
        if self._half_heard:
            limit_s = self.limits.stray_wait_s
        first = None if limit_s is None else self._timing.heard_at + limit_s
        for time in (self._settle_at, self._timing.overdue_at, self._unjudged[0] if self._unjudged else None):
            if time is not None and (first is None or time < first):
                first = time
        return first

    def room(self, length: int) -> bool:
        """Tell whether a command of so many bytes may go out now."""
        ledger = self.ledger
        if self.state is not Link.READY or ledger.cursor <= ledger.last or self._proving:
            return False
        return not ledger.flight or self._fits(length + OVERHEAD_BYTES + len(str(ledger.last)))

    def submit(self, command: bytes, now: float) -> int:
        """Send a command; only after `room` said yes. Give its line number."""
        line = self.ledger.append(command, patience(command), query=command[:4] == _PROBE)
        self._transmit(line, now)
        return line.number

    def look_ahead(self, command: bytes) -> None:
        """Frame a command that will most likely be the next, while the printer is busy with the last."""
        self.ledger.look_ahead(command)

    @property
    def query_due(self) -> bool:
        """The answer to an M105 is still to come: a second one now could not be told from it."""
        return self._queries.is_due_after(self.ledger.acked)

    @property
    def doubtful(self) -> bool:
        """Something went wrong in this numbering, so that the count of acknowledgements may be off (see `prove`)."""
        ledger = self.ledger
        return self.numbered and bool(
            self.resends or self.stale_resends or self.lost_acks or self.probes or ledger.excess
        )

    def is_certain(self, number: int) -> bool:
        """Tell whether a line's acknowledgement is beyond doubt: nothing went wrong in this numbering, and where the
        printer's answers to M105 show what they belong to, this line's did."""
        shown = self._answers_show and not self._queries.tell_nothing
        return not self.doubtful and (self._certain_to >= number or not shown)

    def prove(self, now: float) -> None:
        """Have the printer state that it has taken every line; `Proved` follows. Only while nothing is under way.

        Repeats the last line, a query, under its number: it is refused, and the refusal names the next number. Should
        lines be missing, it names them, they are sent again, and the proof is tried anew.
        """
        if not self._proving:
            self._proving, self._proof_oks, self._proof_tries = True, 0, 0
        self._go(On.OVERDUE)
        self._transmit(self.ledger.line(self.ledger.last), now)

    def send_raw(self, command: bytes) -> None:
        """Send a command outside the numbering, whatever the state; no answer is expected for it."""
        self._out.append(b"\n" + command + b"\n")

    def stop_request(self, now: float) -> bytes:
        """Halt, and give the bytes that must go ahead of everything: LF, M112, LF; unnumbered (facts.md 1.3)."""
        self._out.clear()
        self._halt(On.STOPPED, now)
        return b"\nM112\n"

    def give_up(self, now: float) -> None:
        """Halt: nothing numbered is sent any more."""
        self._halt(On.GAVE_UP, now)

    def renumber(self, now: float) -> None:
        """Begin a new numbering at 1; `Synced` follows. Only while nothing is under way."""
        if self._go(On.RENUMBER) is Link.SYNCING:
            self._begin_sync(now)

    def take_output(self) -> bytes:
        """Give the bytes to send."""
        if not self._out:
            return b""
        out = self._out[0] if len(self._out) == 1 else b"".join(self._out)
        self._out.clear()
        return out

    @property
    def quiet(self) -> bool:
        """Nothing is under way and nothing to be sent again."""
        return self.state is Link.READY and not self.ledger.flight and self.ledger.cursor > self.ledger.last

    @property
    def long_under_way(self) -> bool:
        """A line is under way that may take as long as it likes."""
        return any(line.patience for line in self.ledger.flight)

    @property
    def long_lately(self) -> bool:
        """A line that may take as long as it likes is under way, or may still wait in the printer's queues."""
        return self._timing.silence_limit_s(self.ledger.acked) != self.limits.silence_s

    # -- sending --------------------------------------------------------------------------------------------------

    def _fits(self, size: int) -> bool:
        flight = self.ledger.flight
        if not flight:
            return True
        if self.ledger.acked < self._careful_until or len(flight) >= self.limits.most_lines:
            return False
        if self._ring is not None:
            return self.ledger.flight_bytes + size < self._ring
        if self._slots is not None:
            return len(flight) < self._slots and self.ledger.flight_bytes + size < self.limits.plain_ring_bytes
        return False

    def _transmit(self, line: Line, now: float) -> None:
        ledger = self.ledger
        self._timing.sent(line, now, alone=not ledger.flight)
        ledger.depart(line)
        self._trailing.line_out()
        self._out.append(line.frame)
        if line.query:
            self._queries.sent(line.number, ledger.acked)
        self._arm(now)

    def _send_again(self, now: float) -> None:
        ledger = self.ledger
        ledger.forget_ahead()
        while ledger.cursor <= ledger.last:
            line = ledger.line(ledger.cursor)
            if not self._fits(len(line.frame)):
                break
            self._transmit(line, now)

    def _arm(self, now: float) -> None:
        self._timing.arm(now, self.ledger, waiting=bool(self.ledger.flight) or self._proving)

    def _overdue(self, now: float) -> None:
        if self.state is Link.SYNCING:
            self._go(On.OVERDUE)
            self._sync_oks = 0
            self._sync_silences += 1
            self._sync_doubtful = True
            self._send_sync(now)
            return
        if self.state not in (Link.READY, Link.PROBING) or not (self.ledger.flight or self._proving):
            self._timing.overdue_at = None
            return
        if self._timing.is_stuck(now, self.ledger.acked):
            self._fail(f"no line was acknowledged for {self.limits.no_progress_s:.0f} s", now)
            return
        self._go(On.OVERDUE)
        if not self._proving or self._proof_tries >= self.limits.proof_tries:
            self._timing.probed()  # during a proof nothing is under way that could take its time
        self.probes += 1
        self._echoes = 0
        self._trailing.acknowledgement_missing()
        if self._buffer.unfinished and now >= self._timing.heard_at + self.limits.stray_wait_s:
            self._buffer.clear()  # its end was lost; else it would spoil the answer to the probe too
            self.garbled += 1
        ledger, limits = self.ledger, self.limits
        last = ledger.line(ledger.last)
        again = last.query and last.number > ledger.acked
        if self._proving:
            self._proof_tries += not self._proof_heard
            self._proof_heard = False
            tired = self._proof_tries >= limits.proof_tries
        else:
            tired = again and self._probe_repeats >= limits.probe_repeats
        self._careful_until = max(self._careful_until, ledger.last)  # nothing new before it is known where we are
        if tired and self.numbered:
            self._ask_by_gap(now)
            return
        if not self._proving:
            self._probe_repeats = self._probe_repeats + 1 if again else 0
            if not again or tired:
                ledger.forget_repeats()
                last = ledger.append(_PROBE, Patience.PROMPT, query=True)
        self._careful_until = max(self._careful_until, last.number)
        self._transmit(last, now)

    def _ask_by_gap(self, now: float) -> None:
        """Send a query under a number too far on: it is refused, and the refusal names the line that is wanted. It
        finds out also where repeated numbers are dropped without a word."""
        ledger = self.ledger
        ledger.depart(ledger.line(ledger.last))  # it will be refused like one more of these
        self._out.append(gap_frame(ledger.last))
        self._arm(now)

    # -- time -----------------------------------------------------------------------------------------------------

    def _silence_limit_s(self) -> float | None:
        if self.state is Link.SYNCING:
            return self.limits.sync_silence_s
        if not self.ledger.flight or self.state not in _STREAMING:
            return None
        return self._timing.silence_limit_s(self.ledger.acked)

    def _settled(self, now: float) -> None:
        if self.state in (Link.BOOTING, Link.HALTED):
            self._go(On.SETTLED)
            self._timing.heard_at = now  # the printer owed us nothing until now
            self._begin_sync(now)
        elif self.state is Link.SYNCING:
            if self._sync_oks >= self.limits.sync_oks:
                self._agreed()
                return
            self._go(On.SETTLED)
            self._send_sync(now)
        elif self.state is Link.RECOVERING:
            self._trailing.missed()
            self._resume(now)

    def _resume(self, now: float) -> None:
        self._settle_at = None
        self._go(On.SETTLED)
        self.ledger.rewind(self._round)
        self._careful_until = self._round
        self._send_again(now)

    # -- numbering ------------------------------------------------------------------------------------------------

    def _begin_sync(self, now: float) -> None:
        self.ledger.restart()
        self._timing.restart(now)
        self._trailing.forget()
        self._plausibility.clear()
        self._sync_oks = self._sync_silences = self._certain_to = self._refusals = self._echoes = 0
        self._sync_doubtful = False
        self._careful_until = self._same_line = self._told_acked = 0
        self._round = -1
        self._queries.clear()
        self._error = self._unjudged = None
        self.resends = self.stale_resends = self.lost_acks = self.probes = self.garbled = self.ledger.excess = 0
        self._send_sync(now)

    def _send_sync(self, now: float) -> None:
        # The LF ends whatever half line a predecessor, or noise, may have left in the printer's ring.
        sync = SYNC_FRAME if self.numbered else _PROBE + b"\n"
        if self.numbered and self._sync_silences >= self.limits.sync_silences and self._sync_silences % 2:
            sync = gap_frame(0)  # M110 may be unknown, and its number one that is dropped without a word
        self._out.append(sync if self._timing.overdue_at is None else b"\n" + sync)
        self._timing.overdue_at = now + self.limits.sync_retry_s

    # -- replies --------------------------------------------------------------------------------------------------

    def _on_ok(self, reply: Reply, now: float) -> None:
        if self._skipped is not None:
            reply, self._skipped = replace(reply, number=self._skipped, duplicate=True), None
        if reply is not PLAIN_OK:
            self._pass_on(reply)
        if self.state in _STREAMING:
            if self._trailing.due and self._is_trailing(reply, now):
                if self.state is Link.RECOVERING:
                    self._recovering(now)
                return
            if self._error in _OF_THE_WIRE and self._trailing.usual and reply.number is None:
                # A line was refused, and the Resend between that and this ``ok`` was not readable: ask again.
                self._error = None
                self._timing.overdue_at = now + self.limits.settle_s
                return
            if self._proving and self.state is Link.PROBING:
                self._proof_heard = True
                if self._is_proof(reply):
                    self._proved(now)
                else:
                    self._timing.hurry(now, self.ledger)  # it listens: ask again at once
                return
            if reply.slots is not None:
                self._slots = max(1, reply.slots)
            self._credit(reply, now)
            self._error = None
        elif self.state is Link.SYNCING:
            if reply.readings and self.numbered:
                self._queries.unasked()
            if self._trailing.due and self._is_trailing(reply, now):
                return
            if reply.duplicate and self.numbered:
                # It keeps counting, and has dropped M110: ask for the number wanted by a line too far on.
                self._sync_oks, self._sync_doubtful, self._sync_silences = 0, True, self.limits.sync_silences
                self._settle_at = now + self.limits.settle_s
                return
            # Twice, because the first ok may be a late or doubled one of before while M110 itself was lost; then the
            # counters would disagree unnoticed. Setting the counter again changes nothing.
            self._sync_oks += 1
            if self._sync_oks < self.limits.sync_oks:
                self._timing.overdue_at = None
                self._send_sync(now)
                return
            if not self._sync_doubtful:
                self._agreed()
                return
            # Some say ok before the Resend, and to blank lines: the refusal may be still to come.
            self._timing.overdue_at = None
            self._settle_at = now + self.limits.trailing_ok_s

    def _is_trailing(self, reply: Reply, now: float) -> bool:
        answers = bool(reply.readings) and not self._queries.tell_nothing
        return self._trailing.is_this(reply, self.ledger.acked, now, answers=answers)

    def _pass_on(self, reply: Reply) -> None:
        """Tell what an acknowledgement says besides."""
        if reply.readings:
            self._signals.append(signals.Temperatures(reply.readings))
        if reply.position_mm is not None:
            self._signals.append(signals.Position(*reply.position_mm))
        if reply.firmware is not None or reply.capabilities:
            self._signals.append(signals.Identity(reply.firmware, reply.capabilities))

    def _is_proof(self, reply: Reply) -> bool:
        """Tell whether an ``ok`` ends a proof: one with our last number, or too many of a printer that refuses
        nothing."""
        if reply.number is not None:
            return self.ledger.resolve(reply.number, self.ledger.last) == self.ledger.last
        self._proof_oks += 1
        return self._proof_oks > self.limits.proof_oks

    def _proved(self, now: float) -> None:
        self._proving = False
        self.ledger.assume_accepted(self.ledger.last)
        self._queries.clear()
        self._timing.overdue_at = self._settle_at = None
        self._timing.answered(now, progress=True)
        self._go(On.ACKED)
        self._signals.append(signals.Proved())

    def _credit(self, reply: Reply, now: float) -> None:
        ledger = self.ledger
        before, excess, stray = ledger.acked, ledger.excess, False
        plain = reply is PLAIN_OK and self.state is Link.READY
        repeats = 0 if plain else ledger.repeats
        query = None
        if reply.readings and reply.number is None:
            query = self._queries.answered(before)
        if plain:
            self._credit_plain(now)
        elif (
            self.state is Link.RECOVERING
            and reply.number is None
            and (not reply.readings or self._queries.tell_nothing)
        ):
            # Not the one that trails a Resend: the line asked for was accepted after all, under way a second time.
            ledger.assume_accepted(self._round)
        elif query is not None:
            self._certain_to, self._answers_show = query, True
            self.lost_acks += max(0, query - before - 1)
            ledger.assume_accepted(query)
        elif reply.number is not None and self.numbered:
            named = ledger.resolve(reply.number, before + 1)
            if reply.readings:
                self._queries.clear()
            elif named is not None:
                self._queries.accepted(named)
            if reply.duplicate and named is not None and ledger.repeated < named < ledger.cursor:
                # It went out once, so what was there before was another's, and this one is lost.
                self._fail(f"the printer says that line {named} was there before: its line counter is not ours", now)
                return
            if named is not None and named < ledger.cursor:
                self.lost_acks += named - before - 1
                self._certain_to = named
                if ledger.flight and ledger.flight[0].number == named and not ledger.flight[0].patience:
                    self._timing.measure(now, sure=named > ledger.repeated)
                ledger.assume_accepted(named)
            elif ledger.resolve(reply.number, ledger.oldest()) is not None:
                ledger.excess += not reply.duplicate
                stray = True
            else:
                ledger.credit_oldest()  # a number that can't be: damaged, or something else than a line number
        else:
            self._credit_plain(now)
        if ledger.acked > before:
            self._echoes = 0 if plain else max(0, repeats - ledger.repeats)
            self._plausibility.clear()
            self._timing.accepted()
            if self.state is not Link.READY:
                self._go(On.ACKED)
                self._settle_at = None
        self._timing.answered(now, progress=ledger.acked > before)
        self._arm(now)
        if stray and ledger.flight:
            self._timing.hurry(now, ledger)  # it may be the number of the line under way, with a digit lost
        if ledger.excess > excess:
            allowed = self.limits.excess_base + self.limits.excess_share * max(ledger.acked, ledger.last)
            if ledger.excess > allowed:
                self._fail(f"{ledger.excess} acknowledgements more than there were lines", now)
        if self._timing.seems_behind() and ledger.flight and self.state is Link.READY:
            self._overdue(now)

    def _credit_plain(self, now: float) -> None:
        self._credited_at = now
        line = self.ledger.credit_oldest()
        if line is not None and line.patience is Patience.PROMPT:
            # A probe may bring about temperatures or a Resend, but not this, where answers to it show by their form.
            shows = self._answers_show and not self._queries.tell_nothing
            self._timing.measure(now, sure=shows and not line.query)

    def _on_resend(self, reply: Reply, now: float) -> None:
        error, self._error, self._unjudged, self._refused_at = self._error, None, None, now
        self._trailing.after_resend(reply, now)
        if self.state is Link.SYNCING:
            self._go(On.ASKED_AGAIN)
            self._sync_oks, self._sync_doubtful = 0, True
            self._settle_at = now + self.limits.trailing_ok_s
            self._sync_refused(reply.number or 0)
            return
        if self.state not in _STREAMING or not self.numbered:
            return
        ledger = self.ledger
        if follows := self._follows_its_ok(now):
            self._trailing.forget()
        number = self._plausibility.judge(reply.number or 0, ledger)
        if isinstance(number, Verdict):
            self._implausible(number, reply, now)
            return
        if self.state is Link.RECOVERING and number == self._round:
            self.stale_resends += 1
            ledger.drop_oldest()
            self._recovering(now)
            return
        if number > ledger.last:
            # All there is was accepted: some line went out twice, or acknowledgements were lost.
            self.lost_acks += number - 1 - ledger.acked
            self._echoes = max(self._echoes, ledger.repeats) - 1
            ledger.assume_accepted(number - 1)
            self._queries.clear()
            self._go(On.ACKED)
            self._settle_at = None
            self._same_line = 0
            self._timing.answered(now, progress=True)
            self._arm(now)
            if self._proving:
                self._proved(now)
            return
        if self._is_echo(number):
            self.stale_resends += 1
            self._trailing.line_out()
            return
        flight = ledger.flight
        echo = error is WireError.NUMBER or self._rounds_in_row >= _ECHO_ROUNDS
        if self.state is Link.READY and echo and len(flight) == 1 and flight[0].number == number:
            self.stale_resends += 1  # the answer to a line that was accepted before: this one is still under way
            self._rounds_in_row = 0
            self._timing.hurry(now, ledger)  # or it was refused, by a printer that gives no better reason
            return
        if follows and number == ledger.acked:
            ledger.excess -= 1  # what is taken back here was no acknowledgement too many
        self._new_round(number, error, now)

    def _follows_its_ok(self, now: float) -> bool:
        """Tell whether the ``ok`` of a refusal came before the Resend, against the convention: both together, and nothing
        was under way any more that could have been refused."""
        return (
            not self.ledger.flight and self._credited_at is not None and now <= self._credited_at + self.limits.settle_s
        )

    def _is_echo(self, number: int) -> bool:
        """Tell whether a Resend answers a line that went out twice: in the order sent, such answers come before that
        to the line which they name."""
        ledger = self.ledger
        if self.state is Link.RECOVERING or number != ledger.acked + 1 or not ledger.flight or number >= ledger.cursor:
            return False
        if ledger.flight[0].number < number:
            ledger.drop_oldest()
            return True
        self._echoes -= 1
        return self._echoes >= 0

    def _sync_refused(self, number: int) -> None:
        """Take note that M110 was refused; where it always is, go on from the number that the printer wants instead."""
        self._refusals = self._refusals + 1 if number == self._wanted else 1
        self._wanted = number
        if self._refusals < self.limits.sync_refusals:
            return
        self.ledger.restart(number)
        self._told_acked = self.ledger.acked
        self._agreed()

    def _agreed(self) -> None:
        self._go(On.ACKED)
        self._timing.overdue_at = self._settle_at = None
        self._was_ready = True
        self._signals.append(signals.Synced())

    def _new_round(self, number: int, error: WireError | None, now: float) -> None:
        self._same_line = self._same_line + 1 if number == self._round else 1
        self._rounds_in_row = self._rounds_in_row + 1 if number == self._round + 1 else 0
        self._round = number
        self.resends += 1
        if self._same_line > self.limits.same_line_resends:
            length = len(self.ledger.line(number).frame)
            reason = f"line {number} ({length} bytes) was asked for {self._same_line} times without being accepted"
            self._fail(reason, now, refused=number)
            return
        self._signals.append(signals.ResendAsked(number))
        self.ledger.assume_accepted(number - 1)
        self.ledger.drop_oldest()
        self._queries.clear()
        self._timing.overdue_at = None
        self._go(On.ASKED_AGAIN)
        self._certain = error in (WireError.CHECKSUM, WireError.FORM)
        self._recovering(now)

    def _recovering(self, now: float) -> None:
        """Decide how long to listen before going on from the line asked for."""
        trailing = self._trailing
        if trailing.usual and not trailing.due and self._certain and not self.ledger.flight:
            self._resume(now)
            return
        # Rounds that march on by one line each are echoes of lines sent twice: listen longer, and they die out.
        quiet_s = self.limits.settle_s * 2 ** min(self._rounds_in_row, _MOST_DOUBLINGS)
        if trailing.usual and trailing.due:
            quiet_s = max(quiet_s, self.limits.trailing_ok_s)
        self._settle_at = now + quiet_s

    def _implausible(self, verdict: Verdict, reply: Reply, now: float) -> None:
        if verdict is Verdict.RESTARTED:
            self._reset(f"asks for line {reply.number} after line {self.ledger.acked}: it has restarted", now)
        elif verdict is Verdict.NONSENSE:
            self._fail(f"the printer asks for line {reply.number}, which was never sent", now)
        elif self.state is not Link.RECOVERING:
            self._timing.overdue_at = now + self.limits.settle_s  # a probe has it ask again

    def _on_error(self, reply: Reply, now: float) -> None:
        self._error = reply.wire_error
        if reply.wire_error is WireError.MACHINE:
            self._on_fault(reply, now)
        elif reply.wire_error is WireError.UNKNOWN and (self.state not in _STREAMING or self._just_refused(now)):
            # Of a boot report, as a rule; or the reason for a Resend, given after it.
            self._signals.append(signals.Remark(reply.text, "other"))
        elif reply.wire_error is WireError.UNKNOWN:
            self._unjudged = (now + self.limits.error_judged_s, reply.text)

    def _just_refused(self, now: float) -> bool:
        return self._refused_at is not None and now - self._refused_at <= self.limits.reason_after_s

    def _on_fault(self, reply: Reply, now: float) -> None:
        if self.state is not Link.HALTED and self._halt(On.FAULTED, now) is Link.HALTED:
            # One lineage gives the reason as a remark, right before the bare sign.
            said, at = self._last_remark
            text = (
                f"{reply.text} {said}" if reply.text == "!!" and now - at <= self.limits.reason_after_s else reply.text
            )
            self._signals.append(signals.MachineFault(text))

    def _on_busy(self, reply: Reply, now: float) -> None:
        self._timing.answered(now, progress=True)
        self._arm(now)
        self._timing.busy(now)
        self._signals.append(signals.Busy(reply.text, _WAITS_FOR_PERSON in reply.text.lower()))

    def _on_wait(self, reply: Reply, now: float) -> None:
        idle = self.ledger.flight and now - self._timing.sent_at > self.limits.stray_wait_s
        if idle and self.state in (Link.READY, Link.PROBING):
            self._overdue(now)

    def _on_skip(self, reply: Reply, now: float) -> None:
        self._skipped = reply.number

    def _on_greeting(self, reply: Reply, now: float) -> None:
        self._reset(reply.text, now)

    def _reset(self, text: str, now: float) -> None:
        self._tell_acked()
        if self._was_ready and self.state is not Link.HALTED:
            self._signals.append(signals.PrinterReset(text))
        self._was_ready = False
        self._forget()
        self._go(On.GREETED)
        self._settle_at = now + self.limits.boot_quiet_s
        self._settle_by = now + self.limits.boot_longest_s

    def _on_echo(self, reply: Reply, now: float) -> None:
        if self.state is Link.BOOTING:
            self._settle_at = min(now + self.limits.boot_quiet_s, self._settle_by)
        else:
            if reply.kind is Kind.OTHER and not self.ledger.is_under_way(reply.text):
                self.garbled += 1
                if self.state in (Link.READY, Link.PROBING):
                    self._timing.hurry(now, self.ledger)
            else:
                self._last_remark = reply.text, now
            self._signals.append(signals.Remark(reply.text, remark_kind(reply.text)))

    def _on_action(self, reply: Reply, now: float) -> None:
        self._signals.append(signals.Action(reply.text))

    def _on_temperature(self, reply: Reply, now: float) -> None:
        self._signals.append(signals.Temperatures(reply.readings))

    def _on_position(self, reply: Reply, now: float) -> None:
        if reply.position_mm is not None:
            self._signals.append(signals.Position(*reply.position_mm))

    def _on_identity(self, reply: Reply, now: float) -> None:
        self._signals.append(signals.Identity(reply.firmware, reply.capabilities))

    # -- ends -----------------------------------------------------------------------------------------------------

    def _go(self, trigger: On) -> Link:
        self.state = LINK[self.state][trigger]
        return self.state

    def _halt(self, trigger: On, now: float) -> Link:
        self._tell_acked()
        self._go(trigger)
        if self.state is Link.HALTED:
            self._forget()
            self._settle_at = now + self.limits.halted_s
        return self.state

    def _fail(self, reason: str, now: float, *, refused: int | None = None) -> None:
        self._halt(On.GAVE_UP, now)
        self._signals.append(signals.GaveUp(reason, refused))

    def _forget(self) -> None:
        """Drop all that belongs to lines under way."""
        self._out.clear()
        self.ledger.rewind(self.ledger.last + 1)
        self._queries.clear()
        self._settle_at = self._timing.overdue_at = self._unjudged = self._error = self._slots = None
        self._trailing.forget()
        self._skipped = None
        self._proving = False
        self._rounds_in_row = 0

    def _tell_acked(self) -> None:
        """Tell how far lines were accepted: once per piece received, and before anything that ends it all."""
        if self.ledger.acked != self._told_acked:
            self._told_acked = self.ledger.acked
            self._signals.append(signals.Acknowledged(self._told_acked))

    def _take_signals(self) -> list[Signal]:
        found, self._signals = self._signals, []
        return found
