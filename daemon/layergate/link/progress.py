"""Progress of a run along its job: which line, command and layer the printer has accepted, and how long layers took.

Pure; time is an argument. Counts acknowledgements, which run ahead of motion by what the printer has queued. Knows no
protocol and no printer.
"""

from collections import deque

from layergate.jobindex import JobIndex


class Progress:
    """Position of one run. Never goes back, even where acknowledgements turn out to have been too many."""

    def __init__(self, index: JobIndex, now: float) -> None:
        self.line = 0
        """Line of the job, from 1, of the last acknowledged command; 0 before the first."""
        self.commands = 0
        self.layer = 0
        self._spans = index.spans
        self._next_span = 0
        self._sent: deque[tuple[int, int]] = deque()
        self._layer_since = now
        self._layer_seconds: dict[int, float] = {}
        self._paused_at: float | None = None

    def sent(self, number: int, line: int) -> None:
        """Note that the command of a line of the job went out under a number."""
        self._sent.append((number, line))

    def job_line(self, number: int | None) -> int | None:
        """Give the line of the job that went out under a number and is not acknowledged yet; None if there is none."""
        return next((line for sent, line in self._sent if sent == number), None)

    def acknowledged(self, number: int, now: float) -> bool:
        """Take numbers up to this one as accepted; tell whether another layer has begun."""
        sent = self._sent
        line = 0
        while sent and sent[0][0] <= number:
            line = sent.popleft()[1]
            self.commands += 1
        if line:
            self.line = line
        changed = False
        first_line = self._spans.first_line
        while self._next_span < len(first_line) and first_line[self._next_span] <= self.line:
            layer = self._spans.layer[self._next_span]
            self._next_span += 1
            if layer != self.layer:
                self._close(now)
                self.layer, changed = layer, True
        return changed

    def paused(self, now: float) -> None:
        """Stop the clock of the layer."""
        if self._paused_at is None:
            self._paused_at = now

    def resumed(self, now: float) -> None:
        """Let the clock of the layer go on."""
        if self._paused_at is not None:
            self._layer_since += now - self._paused_at
            self._paused_at = None

    def layer_seconds(self, now: float) -> dict[str, float]:
        """Give measured seconds by layer number, pauses left out; the layer under way counts up to now."""
        self.resumed(now)
        self._close(now)
        return {str(layer): round(seconds, 3) for layer, seconds in sorted(self._layer_seconds.items())}

    def _close(self, now: float) -> None:
        if self.layer:
            self._layer_seconds[self.layer] = self._layer_seconds.get(self.layer, 0.0) + now - self._layer_since
        self._layer_since = now
