"""How long to wait for a printer: line time-outs, probes, liveness. Time is an argument; nothing is sent here.

A line time-out never means "send it again": it means "probe". Commands that heat, home, probe or are unknown have no
line time-out, only a liveness condition; commands that wait for a person have neither (commands.py).

Probes come at growing intervals while the printer is silent, for it may be slow and its ring is small. A line that can't
be read while an answer is due is most likely that answer, damaged: then the printer is not slow, and the next probe comes
at once. So a bad wire costs tenths of a second, not the half minutes that growing intervals come to.
"""

from layergate.link.commands import Patience
from layergate.link.ledger import Ledger, Line
from layergate.link.limits import Limits

EVEN_PROBES = 1
"""So many further probes of a long command come at the first interval, before intervals grow."""


class Timing:
    """Clocks of one connection, in seconds of the owner's monotonic clock."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self.heard_at = 0.0
        """When anything was heard last."""
        self.sent_at = 0.0
        self.overdue_at: float | None = None
        """When an acknowledgement becomes overdue."""
        self._waiting_since = 0.0
        self._smoothed_s: float | None = None
        self._probes_in_row = 0
        self._hurried = 0
        self._last_long = 0
        self._last_person = 0
        self._in_mid_wait = False
        """The last line went out while an answer was awaited that did not come."""
        self._lagging = 0

    def restart(self, now: float) -> None:
        """Begin a new numbering."""
        self._last_long = self._last_person = self._probes_in_row = self._hurried = 0
        self._waiting_since = now
        self._in_mid_wait, self._lagging = False, 0

    def sent(self, line: Line, now: float, *, alone: bool) -> None:
        """Note that a line went out; ``alone``: nothing else was under way."""
        self.sent_at = now
        if alone:
            self._waiting_since = now
        self._in_mid_wait = now > self._waiting_since + self._limits.stray_wait_s
        if line.patience is not Patience.PROMPT:
            self._last_long = line.number
            if line.patience is Patience.PERSON:
                self._last_person = line.number

    def measure(self, now: float, *, sure: bool = False) -> None:
        """Learn from the acknowledgement of a prompt line how long they take (smoothed as in RFC 6298, gain 1/8).

        Nothing is learned from an answer that a probe, or a poll sent in the middle of the wait, may have brought about
        (the idea of Karn's rule, section 3 there); but one that comes long after it is of a slow printer, and must be
        learned from, or it would be probed for ever. ``sure``: it can't come of one.
        """
        interrupted = self._probes_in_row or self._in_mid_wait
        if not sure and interrupted and now - self.sent_at < self._limits.stray_wait_s:
            return
        waited = min(now - self._waiting_since, self._limits.longest_timeout_s)
        smoothed = self._smoothed_s
        self._smoothed_s = waited if smoothed is None else smoothed + (waited - smoothed) / 8

    def answered(self, now: float, *, progress: bool) -> None:
        """Note an acknowledgement or a sign of work; ``progress`` ends the growing of probe intervals."""
        if self._in_mid_wait:
            self._lagging = self._lagging + 1 if progress and now - self.sent_at < self._limits.stray_wait_s else 0
            self._in_mid_wait = False
        self._waiting_since = now
        if progress:
            self._probes_in_row = 0

    def seems_behind(self) -> bool:
        """Tell, once, whether answers seem to be one line behind: time and again the one that was awaited came as soon as
        something else went out. An acknowledgement was lost then, and polls would hide that for ever."""
        if self._lagging < self._limits.lagging_answers:
            return False
        self._lagging = 0
        return True

    def accepted(self) -> None:
        """Note that lines were accepted: unreadable answers are counted anew."""
        self._hurried = 0

    def probed(self) -> None:
        """Note a probe: the next one comes later."""
        self._probes_in_row += 1

    def hurry(self, now: float, ledger: Ledger) -> None:
        """Have the next probe come soon, for something unreadable was heard while an answer is due. Bounded, since
        what can't be read may also be a report of firmware unknown to us, with a line still waiting behind it."""
        limits = self._limits
        most = limits.hurried_probes_long if self._patience(ledger) else limits.hurried_probes
        if self.overdue_at is None or self._hurried >= most:
            return
        soon = now + limits.shortest_timeout_s
        if soon < self.overdue_at:
            self._hurried += 1
            self._probes_in_row = 0
            self.overdue_at = soon

    def busy(self, now: float) -> None:
        """Note a sign of work: until the next is due, there is nothing to ask, and a full ring to spare."""
        if self.overdue_at is not None:
            self.overdue_at = max(self.overdue_at, now + self._limits.busy_holds_s)

    def arm(self, now: float, ledger: Ledger, *, waiting: bool) -> None:
        """Set when an acknowledgement is overdue; ``waiting``: one is due at all."""
        if not waiting:
            self.overdue_at = None
            return
        limits = self._limits
        of_lines = self._patience(ledger)
        growth = 2.0 ** min(self._probes_in_row, 10) if self._probes_in_row else 1.0
        if of_lines is Patience.PERSON and self._probes_in_row >= limits.person_probes:
            self.overdue_at = None
        elif of_lines:
            # No line time-out, but see now and then whether the command or its acknowledgement was lost. The first probes
            # come evenly, for the wire may have swallowed one of them too.
            longer = growth / 2**EVEN_PROBES if self._probes_in_row > EVEN_PROBES else 1.0
            self.overdue_at = now + min(limits.longest_timeout_s * longer, limits.longest_probe_interval_long_s)
        else:
            first_s = limits.first_timeout_s
            if self._smoothed_s is not None:
                first_s = min(max(8 * self._smoothed_s, limits.shortest_timeout_s), limits.longest_timeout_s)
            self.overdue_at = now + min(first_s * growth, limits.longest_probe_interval_s)

    def _patience(self, ledger: Ledger) -> Patience:
        """Give the greatest patience of the lines that may be under way; one that was refused and waits its turn again
        excuses nothing."""
        if self._last_long <= ledger.acked:
            return Patience.PROMPT
        if self._last_long < ledger.cursor:
            return Patience.PERSON if self._last_person > ledger.acked else Patience.LONG
        return max((line.patience for line in ledger.flight), default=Patience.PROMPT)

    def silence_limit_s(self, acked: int) -> float | None:
        """Give how long nothing need be heard; None: for ever. Counts lines that were acknowledged, but may still wait
        in the printer's queues."""
        remembered = acked - self._limits.long_memory_lines
        if self._last_person and self._last_person > remembered:
            return None
        if self._last_long and self._last_long > remembered:
            return self._limits.long_silence_s
        return self._limits.silence_s

    def is_stuck(self, now: float, acked: int) -> bool:
        """Tell whether the printer, though it talks, has taken no line for too long, and nothing excuses it."""
        if self.silence_limit_s(acked) != self._limits.silence_s:
            return False
        return now - self._waiting_since > self._limits.no_progress_s
