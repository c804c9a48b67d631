"""extrusion-mode-unset: the job never says whether E is absolute or relative."""

import numpy as np
import numpy.typing as npt
from pydantic import Field

from layergate.preflight.rule import Columns, Findings, JobFacts, Limits, Moves, NotApplicableError, Rule, Where

F64 = npt.NDArray[np.float64]
_MOST_LOOKED_AT = 20_000  # moves from the start; how E is meant does not change later


class ExtrusionModeUnsetLimits(Limits):
    falling_share: float = Field(
        0.2,
        gt=0,
        lt=1,
        description="share of paths with falling E that no absolute job has; wipes make few (own choice)",
    )
    even_spread: float = Field(
        0.3,
        gt=0,
        description="spread (of the logarithm) of E per mm below which beads are even; own choice",
    )


class ExtrusionModeUnset(Rule):
    """What it looks for
        Jobs that push filament and never say whether E counts up through the job (M82, absolute) or tells each move's own
        length (M83, relative).

    Why it matters
        What the printer does then depends on what the last job left behind. Read the wrong way, every bead gets far too much
        or far too little.

    How it decides and when it does not apply
        Controllers start with absolute E (M82), and the job is judged so. That alone is a note: many good jobs never say it.
        It is held where E does not look absolute: it falls along many paths, and taken as relative it gives evener beads. It
        does not apply to jobs that push nothing, or where a macro comes before the first push.

    What to do
        Put M82 or M83 into the start block, as the job was made.

    Source: by the community G-code convention, a printer starts with M82.
    """

    identifier = "extrusion-mode-unset"
    severity = "note"
    limits_model = ExtrusionModeUnsetLimits

    def prepare(self) -> None:
        self._words: list[tuple[npt.NDArray[np.int64], F64]] = []
        self._steps: list[F64] = []  # columns: E as written, E as pushed, path
        self._count = 0

    def each_block(self, columns: Columns) -> None:
        if self._count < _MOST_LOOKED_AT:
            word = columns.word("E")
            rows = np.flatnonzero(np.isfinite(word) & (columns.has("X") | columns.has("Y")))
            self._words.append((columns.line[rows], word[rows]))

    def each_moves(self, moves: Moves) -> None:
        if not self._words:
            return
        lines = np.concatenate([line for line, _ in self._words])
        words = np.concatenate([word for _, word in self._words])
        self._words = []
        if self._count >= _MOST_LOOKED_AT or not len(lines):
            return
        at = np.minimum(np.searchsorted(lines, moves.line), len(lines) - 1)
        rows = np.flatnonzero((lines[at] == moves.line) & (moves.xy_mm > 0.05) & (moves.push_mm != 0))
        self._steps.append(np.column_stack((words[at[rows]], moves.push_mm[rows], moves.xy_mm[rows])))
        self._count += len(rows)

    def finish(self, job: JobFacts) -> Findings:
        if job.first_extrusion_line is None:
            raise NotApplicableError("no filament is pushed")
        if job.extruder_mode_stated:
            return
        if job.macro_lines and job.macro_lines[0] < job.first_extrusion_line:
            raise NotApplicableError(
                f"line {job.macro_lines[0]} is a macro of the printer, which may say how E is meant"
            )
        falling, as_relative, as_absolute = self._readings()
        even = as_relative < max(as_absolute, self.limits.even_spread)
        doubtful = falling > self.limits.falling_share and even
        evidence = {"share_of_falling_e": falling}
        if doubtful:
            evidence |= {"spread_if_relative": as_relative, "spread_if_absolute": as_absolute}
        yield self.finding(
            "The job never says whether E is absolute or relative (M82, M83)"
            + (
                f", and it does not look absolute: E falls along {100 * falling:.0f} % of the paths, and taken as relative its "
                "beads are evener."
                if doubtful
                else "; it was read as absolute, as controllers start, and that fits."
            ),
            "Put M82 or M83 into the start block, as the job was made.",
            severity="hold" if doubtful else "note",
            where=Where(lines=(job.first_extrusion_line, job.first_extrusion_line)),
            evidence=evidence,
        )

    def _readings(self) -> tuple[float, float, float]:
        """Give the share of falling E along paths, and the spread (of the logarithm) of E per mm under both readings."""
        if not self._steps:
            return 0.0, 0.0, 0.0
        word, push, path = np.concatenate(self._steps).T
        if len(word) < 8:
            return 0.0, 0.0, 0.0
        return float((push < 0).mean()), _spread(word / path), _spread(push / path)


def _spread(per_mm: F64) -> float:
    """Give half the range of the middle half, in logarithm; infinite where hardly any is positive."""
    positive = per_mm[per_mm > 0]
    if len(positive) < 0.25 * len(per_mm):
        return float("inf")
    low, high = np.quantile(np.log(positive), (0.25, 0.75))
    return float(high - low) / 2
