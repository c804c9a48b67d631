"""no-heat-wait: the nozzle is set hot and nothing waits for it before the first bead."""

from pydantic import Field

from layergate.preflight.rule import (
    Columns,
    Findings,
    HeatTimeline,
    JobFacts,
    Limits,
    NotApplicableError,
    Rule,
    Where,
    command_of,
)
from layergate_rules.rare_commands import codes_of, rows_of, value_of

# Waits for heaters, and what waits for a person, who sees the temperature (facts.md 1.4).
_WAITS = codes_of(["M109", "M116", "M6", "M133", "M0", "M1", "M226", "M600", "M601", "G4"])


class NoHeatWaitLimits(Limits):
    least_dwell_s: float = Field(
        60.0,
        gt=0,
        description="s of dwell that count as a wait; small hot ends take one to three minutes (common practice)",
    )
    rise_after_wait_c: float = Field(
        30.0,
        gt=0,
        description="deg C that the target may be raised after the last wait; filaments print over some 30 deg C",
    )


class NoHeatWait(Rule):
    """What it looks for
        A hot-end temperature that is set, and a first bead that does not wait for it.

    Why it matters
        The first beads are laid with a cold nozzle: nothing comes out, the filament is ground, or the controller refuses to
        push and moves on. The first layer then fails to stick.

    How it decides and when it does not apply
        Before the first bead there must be a wait for the hot end (M109, M116; M6 and M133 in old dialects), a pause for a
        person, or a long dwell; and after the last such wait the target is not raised by more than ``rise_after_wait_c``.
        Waiting for the bed is no wait for the nozzle. It does not apply where the job sets no hot-end temperature (another
        rule's matter) or where a macro comes before the first bead, which may wait.

    What to do
        Look at the start block: is a waiting command (M109) missing or written as M104?

    Source: meaning of M104, M109 and M116 by the community G-code convention.
    """

    identifier = "no-heat-wait"
    severity = "hold"
    limits_model = NoHeatWaitLimits

    def prepare(self) -> None:
        self._waits: list[int] = []
        self._dwell: list[tuple[int, float]] = []

    def each_block(self, columns: Columns, job: JobFacts) -> None:
        if job.first_deposit_line is not None:
            return
        for row in rows_of(columns, _WAITS).tolist():
            line = int(columns.line[row])
            if command_of(int(columns.code[row])) != "G4":
                self._waits.append(line)
                continue
            s, p = value_of(columns, row, "S"), value_of(columns, row, "P")
            in_seconds = self.printer.dialect.g4_p_is_seconds
            self._dwell.append((line, s if s is not None else (p or 0.0) * (1.0 if in_seconds else 1e-3)))

    def finish(self, heat: HeatTimeline, job: JobFacts) -> Findings:
        first = job.first_deposit_line
        if first is None:
            raise NotApplicableError("nothing is laid")
        if heat.unknown_since is not None and heat.unknown_since < first:
            raise NotApplicableError(
                f"line {heat.unknown_since} is a macro of the printer, which may heat and wait where we can't see it"
            )
        targets = [e for e in heat.events if e.heater == "hot-end" and e.line < first]
        hot = [event for event in targets if event.target_c > 0]
        if not hot:
            raise NotApplicableError("the job sets no hot-end temperature before its first bead")
        waits = [line for line in self._waits if line < first]
        for line, _ in self._dwell:
            since = sum(seconds for at, seconds in self._dwell if hot[0].line < at <= line)
            if line < first and since >= self.limits.least_dwell_s:
                waits.append(line)
        last_wait = max(waits, default=0)
        target = hot[-1]
        waited = max((event.target_c for event in hot if event.line <= last_wait), default=None)
        if waited is not None and target.target_c <= waited + self.limits.rise_after_wait_c:
            return
        evidence = {"target_c": target.target_c}
        if waited is None:
            text = (
                f"The hot end is set to {target.target_c:.0f} deg C in line {target.line}, and nothing waits for it before the "
                f"first bead in line {first}."
            )
        else:
            evidence["waited_for_c"] = waited
            text = (
                f"The job waits for {waited:.0f} deg C, then sets {target.target_c:.0f} deg C in line {target.line} and does not "
                f"wait for it before the first bead in line {first}."
            )
        yield self.finding(
            text,
            "Put a waiting command (M109) before the first bead; release the job only if the nozzle is hot already.",
            where=Where(lines=(target.line, first)),
            evidence=evidence,
        )
