"""The ``ok`` that one lineage sends right after a Resend: it belongs to the refused line and credits nothing.

Whether a printer does so is learned: an ``ok`` directly after a Resend speaks for it, none within the settling time
speaks against it. Knows no lines under way.
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
        if age_s <= self._limits.settle_s / 2:
            self._score = min(SURE, self._score + 1)
        elif self._score < 0:
            return False
        return age_s <= (self._limits.trailing_ok_s if self._score > 0 else self._limits.settle_s)
