"""How long to wait for a printer: line time-outs, probes, liveness. Time is an argument; nothing is sent here.

A line time-out never means "send it again": it means "probe". Commands that heat, home, probe or are unknown have no
line time-out, only a liveness condition; commands that wait for a person have neither (commands.py).
"""

from layergate.link.commands import Patience
from layergate.link.ledger import Line
from layergate.link.limits import Limits


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
        self._last_long = 0
        self._last_person = 0

    def restart(self, now: float) -> None:
        """Begin a new numbering."""
        self._last_long = self._last_person = self._probes_in_row = 0
        self._waiting_since = now

    def sent(self, line: Line, now: float, *, alone: bool) -> None:
        """Note that a line went out; ``alone``: nothing else was under way."""
        self.sent_at = now
        if alone:
            self._waiting_since = now
        if line.patience is not Patience.PROMPT:
            self._last_long = line.number
            if line.patience is Patience.PERSON:
                self._last_person = line.number

    def measure(self, now: float) -> None:
        """Learn from the acknowledgement of a prompt line how long they take (smoothed as in RFC 6298, gain 1/8)."""
        waited = now - self._waiting_since
        smoothed = self._smoothed_s
        self._smoothed_s = waited if smoothed is None else smoothed + (waited - smoothed) / 8

    def answered(self, now: float, *, progress: bool) -> None:
        """Note an acknowledgement or a sign of work; ``progress`` ends the growing of probe intervals."""
        self._waiting_since = now
        if progress:
            self._probes_in_row = 0

    def probed(self) -> None:
        """Note a probe: the next one comes later."""
        self._probes_in_row += 1

    def arm(self, now: float, acked: int, *, waiting: bool) -> None:
        """Set when an acknowledgement is overdue; ``waiting``: one is due at all."""
        limits = self._limits
        if not waiting or self._last_person > acked:
            self.overdue_at = None
        elif self._last_long > acked:
            # No line time-out, but see now and then whether a long command's acknowledgement was lost.
            self.overdue_at = now + limits.longest_timeout_s * 2.0**self._probes_in_row
        else:
            first_s = limits.first_timeout_s
            if self._smoothed_s is not None:
                first_s = min(max(8 * self._smoothed_s, limits.shortest_timeout_s), limits.longest_timeout_s)
            self.overdue_at = now + min(first_s * 2.0**self._probes_in_row, limits.longest_probe_interval_s)

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
