"""Which Resends to believe. Replies have no checksum: a lost digit turns line 53 into line 5, and a printer that has
restarted asks for line 1. Knows no time.
"""

from enum import Enum, auto

from layergate.link.ledger import Ledger
from layergate.link.limits import Limits


class Verdict(Enum):
    """What to make of a number asked for that can't simply be believed."""

    DOUBTFUL = auto()
    """Damaged, most likely: ask again."""
    RESTARTED = auto()
    """The printer's counter is back at its beginning."""
    NONSENSE = auto()
    """It insists on a line that was never sent."""


class Plausibility:
    """Numbers asked for by one printer."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._suspect: int | None = None
        self._times = 0

    def clear(self) -> None:
        """Forget suspicions: lines are being accepted."""
        self._suspect = None

    def judge(self, asked: int, ledger: Ledger) -> int | Verdict:
        """Give the line that is meant, or what else it means.

        Lines near the last acknowledged one are believed at once; lines further back when asked for twice running;
        lines that can't be missing never, but asked for often enough they tell of a restart.
        """
        lowest = max(ledger.oldest(), ledger.acked + 1 - self._limits.reset_slack_lines)
        if ledger.acked >= self._limits.first_lines:
            lowest = max(lowest, 2)  # nobody who took lines still waits for the first, but one who has restarted
        number = ledger.resolve(asked, lowest)
        if number is not None and (number >= ledger.acked - self._limits.sure_slack_lines or asked == self._suspect):
            self._suspect = None
            return number
        self._times = self._times + 1 if asked == self._suspect else 1
        self._suspect = asked
        if self._times >= self._limits.reset_repeats and asked < lowest:
            return Verdict.RESTARTED
        return Verdict.NONSENSE if self._times > self._limits.same_line_resends else Verdict.DOUBTFUL
