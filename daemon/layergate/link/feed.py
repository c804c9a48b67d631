"""Feed of a run: verified blocks of a job in order, a few ahead of the printer. Pure bookkeeping; reads no file."""

from collections import deque

from layergate.link.jobfile import Commands

AHEAD_BLOCKS = 2
"""Blocks held ready: one being sent, one read ahead, so that a slow card never starves the printer."""


class Feed:
    """The blocks of one run."""

    def __init__(self, blocks: int) -> None:
        self._total = blocks
        self._ready: deque[Commands] = deque()
        self._offered = 0
        self._asked: int | None = None
        self.block = 0
        """Number of the block being sent, from 0."""
        self.at = 0
        """Next command within it."""

    @property
    def commands(self) -> Commands | None:
        """The block being sent; None while it has not been read."""
        return self._ready[0] if self._ready else None

    @property
    def exhausted(self) -> bool:
        """Every block was sent."""
        return not self._ready and self._offered >= self._total

    def next_block(self) -> None:
        """Go on to the next block."""
        self._ready.popleft()
        self.block += 1
        self.at = 0

    def wanted(self) -> int | None:
        """Give the number of the block to read now, once; None while there are enough."""
        if self._asked is not None or len(self._ready) >= AHEAD_BLOCKS or self._offered >= self._total:
            return None
        self._asked = self._offered
        return self._asked

    def offer(self, block: int, commands: Commands) -> None:
        """Take a block that was wanted."""
        if block == self._asked:
            self._asked = None
            self._offered += 1
            self._ready.append(commands)
