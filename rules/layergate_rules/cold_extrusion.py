"""cold-extrusion: material laid with a hot end that the job itself leaves cold."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import (
    Findings,
    HeatTimeline,
    JobFacts,
    LayerMap,
    Limits,
    Moves,
    NotApplicableError,
    Rule,
    Where,
)
from layergate.toolpath.moves import DEPOSIT


class ColdExtrusionLimits(Limits):
    off_below_c: float = Field(
        60.0, description="deg C; a lower target is no printing temperature of any filament (own choice)"
    )
    usual_lowest_c: float = Field(
        170.0,
        description="deg C; usual guard of controllers since 2012 (public change record); used only to ask, not to block",
    )
    least_path_mm: float = Field(
        100.0,
        description="mm of path; wipes after switching off are shorter, and a nozzle stays hot for some seconds (own choice)",
    )


class ColdExtrusion(Rule):
    """What it looks for
        Beads laid while the target of the active hot end is off or below the lowest extrusion temperature.

    Why it matters
        Cold filament does not flow: the drive grinds it, or the controller refuses and moves on without laying anything.

    How it decides and when it does not apply
        Path laid at a stated target below ``lowest_extrusion_c`` of the description (block), at a target that means off
        (block), or, where nothing is stated, below the usual guard of controllers (hold: some filaments melt below it).
        A job that lays material and never speaks of hot-end heat is held, as someone may have heated by hand; where a
        macro comes before the first bead, heat is unknown and the rule does not apply.

    What to do
        Look at the lines named: is a temperature command missing, or does a switch-off stand too early?

    Source: the guard of 170 deg C is the default of the commonest lineage of controllers (public change record).
    """

    identifier = "cold-extrusion"
    severity = "block"
    releasable = False
    limits_model = ColdExtrusionLimits

    def prepare(self) -> None:
        self._cold = _Stretch()
        self._cool = _Stretch()
        self._unspoken_mm = 0.0
        self._first_unspoken = 0

    def each_moves(self, moves: Moves, heat: HeatTimeline) -> Findings:
        deposits = np.flatnonzero(moves.kind == DEPOSIT)
        target = moves.hot_end_c[deposits]
        lowest = self.printer.lowest_extrusion_c or self.limits.off_below_c
        self._cold.add(moves, deposits[target < lowest])
        if self.printer.lowest_extrusion_c is None:
            cool = (target >= self.limits.off_below_c) & (target < self.limits.usual_lowest_c)
            self._cool.add(moves, deposits[cool])
        unspoken = deposits[np.isnan(target)]
        if len(unspoken):
            self._first_unspoken = self._first_unspoken or int(moves.line[unspoken[0]])
            self._unspoken_mm += float(moves.xy_mm[unspoken].sum())
        return ()

    def finish(self, layers: LayerMap, heat: HeatTimeline, job: JobFacts) -> Findings:
        macro_first = heat.unknown_since is not None
        if not len(layers):
            raise NotApplicableError("nothing is laid")
        if self._unspoken_mm > self.limits.least_path_mm and macro_first and not self._cold.path_mm:
            raise NotApplicableError(
                f"line {heat.unknown_since} is a macro of the printer, which may set a temperature that we can't see"
            )
        for stretch, limit, severity in (
            (self._cold, self.printer.lowest_extrusion_c, "block"),
            (self._cool, self.limits.usual_lowest_c, "hold"),
        ):
            if stretch.path_mm <= self.limits.least_path_mm:
                continue
            off = stretch.lowest_c < self.limits.off_below_c
            state = "switched off" if off else f"set to {stretch.lowest_c:.0f} deg C"
            guard = "" if limit is None or off else f", below the {limit:.0f} deg C that extrusion needs at least"
            yield self.finding(
                f"The hot end is {state}{guard} while {stretch.path_mm / 1000:.2f} m of beads are laid, from line {stretch.first}.",
                "Find the temperature command before that line: one is missing, or a switch-off stands too early.",
                severity=severity,  # type: ignore[arg-type]
                where=Where(lines=(stretch.first, stretch.last), z_mm=(stretch.low_z, stretch.high_z)),
                evidence={"target_c": stretch.lowest_c, "path_mm": stretch.path_mm},
            )
        if self._unspoken_mm > self.limits.least_path_mm and not macro_first:
            yield self.finding(
                f"The job lays {self._unspoken_mm / 1000:.2f} m of beads and never sets a hot-end temperature before them.",
                "Release it if you heat by hand or at the printer; otherwise the start of the job is missing.",
                severity="hold",
                where=Where(lines=(self._first_unspoken, self._first_unspoken)),
                evidence={"path_mm": self._unspoken_mm},
            )


class _Stretch:
    """Path laid under one condition."""

    def __init__(self) -> None:
        self.path_mm = 0.0
        self.first = self.last = 0
        self.lowest_c = self.low_z = np.inf
        self.high_z = -np.inf

    def add(self, moves: Moves, rows: np.ndarray) -> None:
        if not len(rows):
            return
        self.first = self.first or int(moves.line[rows[0]])
        self.last = int(moves.line[rows[-1]])
        self.path_mm += float(moves.xy_mm[rows].sum())
        self.lowest_c = min(self.lowest_c, float(moves.hot_end_c[rows].min()))
        self.low_z = min(self.low_z, float(moves.z1[rows].min()))
        self.high_z = max(self.high_z, float(moves.z1[rows].max()))
