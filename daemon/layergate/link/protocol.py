"""The line protocol of printers as a state machine: bytes and time in, bytes and signals out.

No I/O, no clock, no asyncio. Knows lines, numbers and replies; knows nothing of jobs, layers and runs. States, their
transitions and the theory of operation are in states.py, reply forms in replies.py, bookkeeping in ledger.py.

What each source of truth is worth, best first: a Resend names the one line that the printer will accept next; an
acknowledgement with a line number, and the answer to M105 (recognised by its temperatures), name the line they belong
to; a plain ``ok`` belongs to the oldest line under way, as long as none was lost or doubled. Better truths correct the
count that the poorer ones led to.
"""

from collections.abc import Callable
from dataclasses import dataclass

from layergate.link import signals
from layergate.link.commands import Patience, patience
from layergate.link.framing import OVERHEAD_BYTES, SYNC_FRAME
from layergate.link.ledger import Ledger, Line
from layergate.link.replies import Kind, LineBuffer, Reply, WireError, read_reply, remark_kind
from layergate.link.signals import Signal
from layergate.link.states import LINK, Link, On

_PROBE = b"M105"
_OF_THE_WIRE = (WireError.NUMBER, WireError.CHECKSUM, WireError.FORM, WireError.DAMAGED)
_WAITS_FOR_PERSON = "paused for"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Times in seconds and counts of the line protocol, each with its reason."""

    boot_s: float = 2.5
    """Listen this long after opening. Opening may reset a board, whose bootloader takes 1-2 s (common practice)."""
    boot_quiet_s: float = 0.3
    """After a greeting the settings report follows; go on when it has paused this long."""
    sync_retry_s: float = 2.0
    """M110 unanswered: again. It moves nothing, so repeating it is harmless."""
    sync_silence_s: float = 30.0
    """Not one byte while synchronising: the connection counts as lost and is opened anew."""
    first_timeout_s: float = 1.0
    """Line time-out before any acknowledgement was timed."""
    shortest_timeout_s: float = 0.25
    """Not below: USB converters hold bytes back for 16 ms, busy hosts for longer. A time-out costs one probe."""
    longest_timeout_s: float = 10.0
    """Not above, for the first probe: longer moves than this are rare, and a probe too many is harmless."""
    longest_probe_interval_s: float = 30.0
    settle_s: float = 0.01
    """After a Resend, quiet this long means that all answers to lines under way are in."""
    trailing_ok_s: float = 0.25
    """Wait this long for the ``ok`` that one lineage sends right after a Resend, once it was seen to do so."""
    stray_wait_s: float = 0.2
    """A ``wait`` counts only if our newest line is older: it may have been sent before that line arrived."""
    error_judged_s: float = 0.5
    """An unknown ``Error:`` is the wire's if a Resend follows within this, else the machine's."""
    silence_s: float = 180.0
    """Nothing heard with prompt lines under way: lost. Slow single moves last minutes at most, and busy reports break
    the silence where there are any."""
    long_silence_s: float = 900.0
    """The same with heating, homing, probing or unknown macros under way, in firmware without busy reports."""
    no_progress_s: float = 900.0
    """The printer talks, but takes no line for so long, though none waits for a person: give up."""
    same_line_resends: int = 30
    """Resends of one line without progress. With 1 % of bytes damaged a third of all lines fail: 30 in a row are then
    less likely than 1e-13."""
    excess_base: int = 20
    excess_share: float = 0.25
    """Acknowledgements beyond lines: an error above base + share of the lines. With 1 % of bytes damaged both ways some
    10 % are miscounted (tests/link/test_damage.py); a printer that acknowledges everything twice reaches 100 %."""
    halted_s: float = 10.0
    """After a halt, see so often whether the printer can be synchronised again."""
    reset_slack_lines: int = 64
    """A Resend further behind the last acknowledged line than this can't come from miscounted acknowledgements."""
    sure_slack_lines: int = 4
    """One further behind than this is believed when it is repeated: replies have no checksum, and a lost digit turns
    line 53 into line 5."""
    reset_repeats: int = 4
    """One that can't be at all means a restart when it came so many times running."""
    proof_oks: int = 3
    """So many acknowledgements where a refusal is due: the printer does not mind repeated numbers, so there is no proof
    to be had."""
    long_memory_lines: int = 16
    """So many acknowledged lines may still wait in the printer's queues: a long command among them excuses silence."""
    plain_ring_bytes: int = 64
    """Receive ring assumed where only free slots are reported (facts.md 1.3)."""
    most_lines: int = 64
    """Lines under way at most, whatever rings and slots would allow."""


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
        self._heard_at = 0.0
        self._sent_at = 0.0
        self._waiting_since = 0.0
        self._settle_at: float | None = None
        self._overdue_at: float | None = None
        self._smoothed_s: float | None = None
        self._probes_in_row = 0
        self._last_long = 0
        self._last_person = 0
        self._query: int | None = None
        self._round = 0
        self._careful_until = 0
        self._same_line = 0
        self._rounds_in_row = 0
        self._trailing_since: float | None = None
        self._trailing_score = 0
        self._error: WireError | None = None
        self._unjudged: tuple[float, str] | None = None
        self._proving = False
        self._proof_oks = 0
        self._suspect: int | None = None
        self._same_suspect = 0
        self._certain = False
        self._was_ready = False
        self._handlers: dict[Kind, Callable[[Reply, float], None]] = {
            Kind.OK: self._on_ok,
            Kind.RESEND: self._on_resend,
            Kind.ERROR: self._on_error,
            Kind.FAULT: self._on_fault,
            Kind.BUSY: self._on_busy,
            Kind.WAIT: self._on_wait,
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
        self._heard_at = now
        self._settle_at = now + self.limits.boot_s

    def closed(self) -> None:
        """Note that the connection is gone; lines under way are of unknown fate."""
        self._forget()
        self._go(On.LOST)

    def receive(self, data: bytes, now: float) -> list[Signal]:
        """Take bytes from the printer."""
        acked = self.ledger.acked
        self._heard_at = now
        for line in self._buffer.feed(data):
            reply = read_reply(line)
            self._handlers[reply.kind](reply, now)
        if self.ledger.acked != acked and self.state is not Link.SYNCING:
            self._signals.append(signals.Acknowledged(self.ledger.acked))
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
        if self._is_silent(now):
            self._signals.append(
                signals.Unresponsive(f"nothing heard from the printer for {now - self._heard_at:.0f} s")
            )
            self._heard_at = now
        elif self._overdue_at is not None and now >= self._overdue_at:
            self._overdue(now)
        return self._take_signals()

    def deadline(self) -> float | None:
        """Give the time at which `tick` has something to do; None while there is nothing to wait for."""
        times = [self._settle_at, self._overdue_at, self._unjudged[0] if self._unjudged else None]
        if (limit := self._silence_limit()) is not None:
            times.append(self._heard_at + limit)
        return min((time for time in times if time is not None), default=None)

    def room(self, length: int) -> bool:
        """Tell whether a command of so many bytes may go out now."""
        if self.state is not Link.READY or self.ledger.cursor <= self.ledger.last or self._proving:
            return False
        return self._fits(length + OVERHEAD_BYTES + len(str(self.ledger.last)))

    def submit(self, command: bytes, now: float) -> int:
        """Send a command; only after `room` said yes. Give its line number."""
        query = command[:4] == _PROBE
        kind = patience(command)
        line = self.ledger.append(command, kind, query=query)
        if kind:
            self._last_long = line.number
            if kind is Patience.PERSON:
                self._last_person = line.number
        self._transmit(line, now)
        return line.number

    @property
    def doubtful(self) -> bool:
        """Something went wrong in this numbering, so that the count of acknowledgements may be off (see `prove`)."""
        ledger = self.ledger
        return self.numbered and bool(
            self.resends or self.stale_resends or self.lost_acks or self.probes or ledger.excess or self.garbled
        )

    def prove(self, now: float) -> None:
        """Have the printer state that it has taken every line; `Proved` follows. Only while nothing is under way.

        Repeats the last line, a query, under its number: it is refused, and the refusal names the next number. Should
        lines be missing, it names them, they are sent again, and the proof is tried anew.
        """
        if not self._proving:
            self._proving, self._proof_oks = True, 0
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
        if not self.ledger.flight:
            self._waiting_since = now
        self.ledger.depart(line)
        self._out.append(line.frame)
        self._sent_at = now
        if line.query:
            self._query = line.number
        self._set_overdue(now)

    def _send_again(self, now: float) -> None:
        ledger = self.ledger
        ledger.forget_ahead()
        while ledger.cursor <= ledger.last:
            line = ledger.line(ledger.cursor)
            if not self._fits(len(line.frame)):
                break
            self._transmit(line, now)

    def _set_overdue(self, now: float) -> None:
        limits, acked = self.limits, self.ledger.acked
        if not self.ledger.flight and not self._proving:
            self._overdue_at = None
        elif self._last_long > acked:
            # No line time-out, but see now and then whether a long command's acknowledgement was lost.
            self._overdue_at = now + limits.longest_timeout_s * 2**self._probes_in_row
            if self._last_person > acked:
                self._overdue_at = None
        else:
            first = limits.first_timeout_s
            if self._smoothed_s is not None:
                first = min(max(8 * self._smoothed_s, limits.shortest_timeout_s), limits.longest_timeout_s)
            self._overdue_at = now + min(first * 2**self._probes_in_row, limits.longest_probe_interval_s)

    def _overdue(self, now: float) -> None:
        if self.state is Link.SYNCING:
            self._go(On.OVERDUE)
            self._send_sync(now)
            return
        if self.state not in (Link.READY, Link.PROBING) or not (self.ledger.flight or self._proving):
            self._overdue_at = None
            return
        prompt = max(self._last_long, self._last_person) <= self.ledger.acked - self.limits.long_memory_lines
        if (prompt or not self._last_long) and now - self._waiting_since > self.limits.no_progress_s:
            self._fail(f"no line was acknowledged for {self.limits.no_progress_s:.0f} s", now)
            return
        self._go(On.OVERDUE)
        self._probes_in_row += 1
        self.probes += 1
        last = self.ledger.line(self.ledger.last)
        if not (last.query and (last.number > self.ledger.acked or self._proving)):
            last = self.ledger.append(_PROBE, Patience.PROMPT, query=True)
        self._transmit(last, now)

    # -- time -----------------------------------------------------------------------------------------------------

    def _silence_limit(self) -> float | None:
        if self.state is Link.SYNCING:
            return self.limits.sync_silence_s
        if not self.ledger.flight or self.state not in (Link.READY, Link.PROBING, Link.RECOVERING):
            return None
        remembered = self.ledger.acked - self.limits.long_memory_lines
        if self._last_person and self._last_person > remembered:
            return None
        if self._last_long and self._last_long > remembered:
            return self.limits.long_silence_s
        return self.limits.silence_s

    def _is_silent(self, now: float) -> bool:
        limit = self._silence_limit()
        return limit is not None and now >= self._heard_at + limit

    def _settled(self, now: float) -> None:
        if self.state in (Link.BOOTING, Link.HALTED):
            self._go(On.SETTLED)
            self._heard_at = now  # the printer owed us nothing until now
            self._begin_sync(now)
        elif self.state is Link.SYNCING:
            self._go(On.SETTLED)
            self._send_sync(now)
        elif self.state is Link.RECOVERING:
            if self._trailing_since is not None:
                self._trailing_since = None
                self._trailing_score = max(-3, self._trailing_score - 1)
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
        self._last_long = self._last_person = self._careful_until = self._same_line = self._probes_in_row = 0
        self._query = self._suspect = self._error = self._unjudged = self._trailing_since = None
        self._waiting_since = now
        self.resends = self.stale_resends = self.lost_acks = self.probes = self.garbled = self.ledger.excess = 0
        if self.numbered:
            self._send_sync(now)
        else:
            self._out.append(_PROBE + b"\n")
            self._overdue_at = now + self.limits.sync_retry_s

    def _send_sync(self, now: float) -> None:
        # The LF ends whatever half line a predecessor, or noise, may have left in the printer's ring.
        repeated = self._overdue_at is not None
        sync = SYNC_FRAME if self.numbered else _PROBE + b"\n"
        self._out.append(b"\n" + sync if repeated else sync)
        self._sent_at = now
        self._overdue_at = now + self.limits.sync_retry_s

    # -- replies --------------------------------------------------------------------------------------------------

    def _on_ok(self, reply: Reply, now: float) -> None:
        if reply.readings:
            self._signals.append(signals.Temperatures(reply.readings))
        if self.state is Link.READY or self.state is Link.PROBING or self.state is Link.RECOVERING:
            if self._trailing_since is not None and self._is_trailing(reply, now):
                if self.state is Link.RECOVERING:
                    self._recovering(now)
                return
            if self._error in _OF_THE_WIRE and self._trailing_score > 0 and reply.number is None:
                # A line was refused, and the Resend between that and this ``ok`` was not readable: ask again.
                self._error = None
                self._overdue_at = now + self.limits.settle_s
                return
            if self._proving and self.state is Link.PROBING:
                if self._is_proof(reply):
                    self._proved(now)
                return
            if reply.slots is not None:
                self._slots = max(1, reply.slots)
            self._credit(reply, now)
            self._error = None
        elif self.state is Link.SYNCING:
            if self._trailing_since is not None and self._is_trailing(reply, now):
                return
            self._go(On.ACKED)
            self._overdue_at = self._settle_at = None
            self._was_ready = True
            self._signals.append(signals.Synced())

    def _is_proof(self, reply: Reply) -> bool:
        """Tell whether an ``ok`` ends a proof: one with our last number, or too many of a printer that refuses nothing."""
        if reply.number is not None:
            return self.ledger.resolve(reply.number, self.ledger.last) == self.ledger.last
        self._proof_oks += 1
        return self._proof_oks > self.limits.proof_oks

    def _proved(self, now: float) -> None:
        self._proving = False
        self.ledger.assume_accepted(self.ledger.last)
        self._query = self._overdue_at = self._settle_at = None
        self._probes_in_row = 0
        self._waiting_since = now
        self._go(On.ACKED)
        self._signals.append(signals.Proved())

    def _credit(self, reply: Reply, now: float) -> None:
        ledger = self.ledger
        before, excess = ledger.acked, ledger.excess
        if self.state is Link.RECOVERING and reply.number is None and not reply.readings:
            # Not the one that trails a Resend: the line asked for was accepted after all, under way a second time.
            ledger.assume_accepted(self._round)
        elif reply.readings and reply.number is None and self._query is not None:
            query, self._query = self._query, None
            self.lost_acks += max(0, query - before - 1)
            ledger.assume_accepted(query)
        elif reply.number is not None and self.numbered:
            named = ledger.resolve(reply.number, before + 1)
            if reply.readings:
                self._query = None
            if named is not None and named < ledger.cursor:
                self.lost_acks += named - before - 1
                ledger.assume_accepted(named)
            elif ledger.resolve(reply.number, ledger.oldest()) is not None:
                ledger.excess += not reply.duplicate
            else:
                ledger.credit_oldest()  # a number that can't be: damaged, or something else than a line number
        else:
            line = ledger.credit_oldest()
            if line is not None and not line.patience:
                waited = now - self._waiting_since
                smoothed = self._smoothed_s
                self._smoothed_s = waited if smoothed is None else smoothed + (waited - smoothed) / 8
        if ledger.acked > before:
            self._probes_in_row = 0
            self._suspect = None
            if self.state is not Link.READY:
                self._go(On.ACKED)
                self._settle_at = None
        self._waiting_since = now
        self._set_overdue(now)
        allowed = self.limits.excess_base + self.limits.excess_share * max(ledger.acked, ledger.last)
        if ledger.excess > excess and ledger.excess > allowed:
            self._fail(f"{ledger.excess} acknowledgements more than there were lines", now)

    def _is_trailing(self, reply: Reply, now: float) -> bool:
        """Tell whether an ``ok`` is the one that some firmware sends right after a Resend (for the rejected line)."""
        since, self._trailing_since = self._trailing_since, None
        if since is None or reply.readings or (reply.number or 0) > self.ledger.acked:
            return False
        age = now - since
        if age <= self.limits.settle_s / 2:
            self._trailing_score = min(3, self._trailing_score + 1)
        elif self._trailing_score < 0:
            return False
        return age <= (self.limits.trailing_ok_s if self._trailing_score > 0 else self.limits.settle_s)

    def _on_resend(self, reply: Reply, now: float) -> None:
        error, self._error, self._unjudged = self._error, None, None
        self._trailing_since = None if reply.joined_ok else now
        if self.state is Link.SYNCING:
            self._go(On.ASKED_AGAIN)
            self._settle_at = now + self.limits.trailing_ok_s
            return
        if self.state not in (Link.READY, Link.PROBING, Link.RECOVERING) or not self.numbered:
            return
        ledger = self.ledger
        number = ledger.resolve(reply.number or 0, self._lowest_plausible())
        if number is None or (number < ledger.acked - self.limits.sure_slack_lines and number != self._suspect):
            self._implausible(reply, now)
            return
        self._suspect = None
        if self.state is Link.RECOVERING and number == self._round:
            self.stale_resends += 1
            ledger.drop_oldest()
            self._recovering(now)
            return
        if number > ledger.last:
            # All there is was accepted: some line went out twice, or acknowledgements were lost.
            self.lost_acks += number - 1 - ledger.acked
            ledger.assume_accepted(number - 1)
            self._query = None
            self._go(On.ACKED)
            self._settle_at = None
            self._probes_in_row = self._same_line = 0
            self._set_overdue(now)
            if self._proving:
                self._proved(now)
            return
        flight = ledger.flight
        if self.state is Link.READY and error is WireError.NUMBER and len(flight) == 1 and flight[0].number == number:
            self.stale_resends += 1  # the answer to a line that was accepted before: this one is still under way
            return
        self._new_round(number, error, now)

    def _lowest_plausible(self) -> int:
        ledger = self.ledger
        lowest = max(ledger.oldest(), ledger.acked + 1 - self.limits.reset_slack_lines)
        # Nobody who took lines still waits for the first, but one who has restarted.
        return max(lowest, 2) if ledger.acked >= 3 else lowest

    def _new_round(self, number: int, error: WireError | None, now: float) -> None:
        self._same_line = self._same_line + 1 if number == self._round else 1
        self._rounds_in_row = self._rounds_in_row + 1 if number == self._round + 1 else 0
        self._round = number
        self.resends += 1
        if self._same_line > self.limits.same_line_resends:
            self._fail(f"line {number} was asked for {self._same_line} times without being accepted", now)
            return
        self._signals.append(signals.ResendAsked(number))
        self.ledger.assume_accepted(number - 1)
        self.ledger.drop_oldest()
        self._query = None
        self._go(On.ASKED_AGAIN)
        self._overdue_at = None
        self._certain = error in (WireError.CHECKSUM, WireError.FORM)  # only a damaged line causes these
        self._recovering(now)

    def _recovering(self, now: float) -> None:
        """Decide how long to listen before going on from the line asked for."""
        if self._trailing_since is None and self._trailing_score > 0 and self._certain and not self.ledger.flight:
            self._resume(now)
            return
        expected = self._trailing_since is not None and self._trailing_score > 0
        quiet = self.limits.trailing_ok_s if expected else self.limits.settle_s
        # Rounds that march on by one line each are echoes of lines sent twice: listen longer, and they die out.
        self._settle_at = now + quiet * 2 ** min(self._rounds_in_row, 6)

    def _implausible(self, reply: Reply, now: float) -> None:
        """Take a Resend for a line that can't be missing: damaged digits, or a printer that has restarted."""
        self._same_suspect = self._same_suspect + 1 if self._suspect == reply.number else 1
        self._suspect = reply.number
        asked = reply.number or 0
        if self._same_suspect >= self.limits.reset_repeats and asked < self._lowest_plausible():
            self._reset(f"asks for line {asked} after line {self.ledger.acked}: it has restarted", now)
            return
        if self._same_suspect > self.limits.same_line_resends:
            self._fail(f"the printer asks for line {reply.number}, which was never sent", now)
            return
        if self.state is not Link.RECOVERING:
            self._overdue_at = now + self.limits.settle_s

    def _on_error(self, reply: Reply, now: float) -> None:
        self._error = reply.wire_error
        if reply.wire_error is WireError.MACHINE:
            self._on_fault(reply, now)
        elif reply.wire_error is WireError.UNKNOWN:
            self._unjudged = (now + self.limits.error_judged_s, reply.text)

    def _on_fault(self, reply: Reply, now: float) -> None:
        if self._halt(On.FAULTED, now) is Link.HALTED:
            self._signals.append(signals.MachineFault(reply.text))

    def _on_busy(self, reply: Reply, now: float) -> None:
        self._probes_in_row = 0
        self._waiting_since = now
        self._set_overdue(now)
        self._signals.append(signals.Busy(reply.text, _WAITS_FOR_PERSON in reply.text.lower()))

    def _on_wait(self, reply: Reply, now: float) -> None:
        idle = self.ledger.flight and now - self._sent_at > self.limits.stray_wait_s
        if idle and self.state in (Link.READY, Link.PROBING):
            self._overdue(now)

    def _on_greeting(self, reply: Reply, now: float) -> None:
        self._reset(reply.text, now)

    def _reset(self, text: str, now: float) -> None:
        if self._was_ready and self.state is not Link.HALTED:
            self._signals.append(signals.PrinterReset(text))
        self._was_ready = False
        self._forget()
        self._go(On.GREETED)
        self._settle_at = now + self.limits.boot_quiet_s

    def _on_echo(self, reply: Reply, now: float) -> None:
        if self.state is Link.BOOTING:
            self._settle_at = now + self.limits.boot_quiet_s
        else:
            self.garbled += reply.kind is Kind.OTHER
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
        self._go(trigger)
        if self.state is Link.HALTED:
            self._forget()
            self._settle_at = now + self.limits.halted_s
        return self.state

    def _fail(self, reason: str, now: float) -> None:
        self._halt(On.GAVE_UP, now)
        self._signals.append(signals.GaveUp(reason))

    def _forget(self) -> None:
        """Drop all that belongs to lines under way."""
        self._out.clear()
        self.ledger.rewind(self.ledger.last + 1)
        self._settle_at = self._overdue_at = self._trailing_since = self._query = self._unjudged = self._error = None
        self._slots = None
        self._proving = False
        self._probes_in_row = self._rounds_in_row = 0

    def _take_signals(self) -> list[Signal]:
        found, self._signals = self._signals, []
        return found
