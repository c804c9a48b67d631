"""The ``ok`` that one lineage sends right after a Resend: it belongs to the refused line and credits nothing.

Whether a printer does so is learned: an ``ok`` directly after a Resend speaks for it, none within the settling time
speaks against it. Where a line is under way that was not refused, an ``ok`` may be its, and speaks for nothing; should no
other come in time, it was. Knows no lines.
"""

from layergate.link.limits import Limits
from layergate.link.replies import Reply

SURE = 3
"""Observations beyond this many change nothing: printers do not change their lineage, but replies get lost."""


class TrailingOk:
    """What was learned of one printer, and whether such an ``ok`` is due now."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._since: float | None = None
        self._line_out = False
        """A line is under way that the printer has not refused."""
        self._taken = False
        """The last ``ok`` taken for a trailing one may have been that line's."""
        self._score = 0

    @property
    def due(self) -> bool:
        """A Resend came and no ``ok`` since."""
        return self._since is not None

    @property
    def usual(self) -> bool:
        """The printer is known to send one."""
        return self._score > 0

    def after_resend(self, reply: Reply, now: float) -> None:
        """Note a Resend; one whose line end was lost may hold its ``ok`` already."""
        self._since = None if reply.joined_ok else now
        self._line_out = False

    def line_out(self) -> None:
        """Note that a line is under way that may be acknowledged."""
        self._line_out = True

    def acknowledgement_missing(self) -> None:
        """Note that none came in time for a line under way."""
        if self._taken:
            self._taken = False
            self._score = max(-SURE, self._score - 1)

    def forget(self) -> None:
        """Expect none any more."""
        self._since = None

    def missed(self) -> None:
        """Note that none came within the settling time."""
        if self._since is not None:
            self._since = None
            self._score = max(-SURE, self._score - 1)

    def is_this(self, reply: Reply, acked: int, now: float, *, answers: bool) -> bool:
        """Tell whether an ``ok`` is the one that is due; it is due once. ``answers``: it answers a question."""
        since, self._since = self._since, None
        if since is None or answers or (reply.number or 0) > acked:
            return False
        age_s = now - since
        if age_s <= self._limits.settle_s / 2 and not self._line_out:
            self._score = min(SURE, self._score + 1)
        elif self._score < 0:
            return False
        is_this = age_s <= (self._limits.trailing_ok_s if self._score > 0 else self._limits.settle_s)
        self._taken = is_this and self._line_out
        return is_this
