"""below-bed: material laid at heights below zero."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Columns, Findings, JobFacts, Limits, Moves, NotApplicableError, Rule, Where
from layergate.toolpath.moves import DEPOSIT
from layergate_rules.rare_commands import codes_of, rows_of

_OF_AXES = ("G10", "G92", "M206", "M851")
_BY_AXIS = codes_of(_OF_AXES)
_OFFSETS = codes_of([*_OF_AXES, "M428", "M290", "G54", "G55", "G56", "G57", "G58", "G59"])


class BelowBedLimits(Limits):
    tolerance_mm: float = Field(0.01, ge=0, description="mm below zero that rounding may explain (own choice)")
    deepest_unstated_mm: float = Field(
        1.0,
        gt=0,
        description="mm; depth that blocks where no nozzle diameter is known: wider than usual nozzles (common practice)",
    )


class BelowBed(Rule):
    """What it looks for
        Beads at heights below that of the bed.

    Why it matters
        The nozzle is pressed into the bed: it ploughs the surface, bends the gantry, or stalls the axis.

    How it decides and when it does not apply
        The bed is at height zero. Deeper than the nozzle's diameter (of the description, else as the job's comments claim)
        nobody can have meant it, and the job is blocked. Less deep, or where the job itself moves the zero of Z (G92 Z, work or
        probe offsets), it is held: some printers keep an offset that puts their bed lower. Moves that lay nothing are not
        judged, and jobs whose height is never told.

    What to do
        Check the height of the first layer, and any offset in the start block.

    Source: common practice: the bed is at Z 0, and a first bead at or below it is an error.
    """

    identifier = "below-bed"
    severity = "block"
    releasable = False
    limits_model = BelowBedLimits

    def prepare(self) -> None:
        self._offset: int | None = None
        self._lowest = 0.0
        self._at: tuple[float, float] = (0.0, 0.0)
        self._lines: tuple[int, int] | None = None
        self._path_mm = 0.0

    def each_block(self, columns: Columns, job: JobFacts) -> None:
        if self._offset is not None:
            return
        rows = rows_of(columns, _OFFSETS)
        if not len(rows):
            return
        rows = rows[columns.has("Z")[rows] | ~np.isin(columns.code[rows], _BY_AXIS)]
        if len(rows):
            self._offset = int(columns.line[rows.min()])

    def each_moves(self, moves: Moves) -> None:
        if min(moves.z0.min(), moves.z1.min()) >= -self.limits.tolerance_mm:
            return
        low = np.minimum(moves.z0, moves.z1)
        below = np.flatnonzero((low < -self.limits.tolerance_mm) & (moves.kind == DEPOSIT))
        if not len(below):
            return
        low = low[below]
        at = int(below[np.argmin(low)])
        if float(low.min()) < self._lowest:
            self._lowest, self._at = float(low.min()), (float(moves.x1[at]), float(moves.y1[at]))
        first = self._lines[0] if self._lines else int(moves.line[below[0]])
        self._lines = (first, int(moves.line[below[-1]]))
        self._path_mm += float(moves.xy_mm[below].sum())

    def finish(self, job: JobFacts) -> Findings:
        if job.first_deposit_line is None:
            raise NotApplicableError("nothing is laid")
        if self._lines is None:
            return
        claimed = job.claims.number("nozzle_diameter", "nozzle diameter")
        nozzle = self.printer.nozzle_diameter_mm or claimed or self.limits.deepest_unstated_mm
        offset = self._offset is not None and self._offset < self._lines[1]
        deep = -self._lowest > nozzle
        x, y = (round(value, 3) for value in self._at)
        moved = f" Line {self._offset} moves the zero of Z." if offset else ""
        yield self.finding(
            f"{self._path_mm:.0f} mm of beads are laid below the bed, the lowest {-self._lowest:.2f} mm deep at X {x:.1f} "
            f"Y {y:.1f}.{moved}",
            "Check the height of the first layer and the offsets of the start block; release only if its bed lies lower.",
            severity="block" if deep and not offset else "hold",
            where=Where(lines=self._lines, z_mm=(self._lowest, 0.0), box_mm=(x, y, x, y)),
            evidence={"depth_mm": -self._lowest, "path_mm": self._path_mm, "nozzle_mm": nozzle},
        )
