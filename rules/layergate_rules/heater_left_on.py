"""heater-left-on: the end of the job leaves a heater on."""

from layergate.preflight.rule import Columns, Findings, HeatTimeline, JobFacts, NotApplicableError, Rule, Where
from layergate_rules.rare_commands import codes_of, rows_of, value_of

_WARM_C = 40.0  # what is no warmer can be touched and does no harm; some jobs set an unheated bed to room temperature
_CHAMBER = codes_of(["M141", "M191"])


class HeaterLeftOn(Rule):
    """What it looks for
        Hot ends, bed or chamber whose last target in the job is above 40 deg C.

    Why it matters
        The printer goes on heating when nobody is there any more. Filament that stays in a hot nozzle chars and clogs it.

    How it decides and when it does not apply
        The last target of each heater that the job itself sets. M81 (supply off) switches off everything. It does not apply
        where a macro of the printer stands behind the last bead, which may switch heaters off, and where the job has no end at
        all (another rule's matter). The gateway switches heaters off at the end of every job all the same, as far as the line
        to the printer allows.

    What to do
        Put M104 S0 and M140 S0 into the end block, for every tool.

    Source: meaning of the commands by the community G-code convention.
    """

    identifier = "heater-left-on"
    severity = "hold"

    def prepare(self) -> None:
        self._chamber: tuple[float, int] = (0.0, 0)

    def each_block(self, columns: Columns) -> None:
        for row in rows_of(columns, _CHAMBER).tolist():
            target = value_of(columns, row, "S")
            if target is not None:
                self._chamber = (target, int(columns.line[row]))

    def finish(self, heat: HeatTimeline, job: JobFacts) -> Findings:
        last = job.last_deposit_line
        if last is None:
            raise NotApplicableError("nothing is laid")
        after = [command for line, command in job.end_commands if line > last]
        if not after:
            raise NotApplicableError("the job has no end block at all")
        if "macro" in after:
            raise NotApplicableError("a macro of the printer stands behind the last bead; it may switch heaters off")
        if any(command.split(" ")[0] == "M81" for command in after):  # an unread line has no command
            return
        on = [(f"hot end {tool}", target) for tool, target in sorted(heat.targets_c.items()) if target > _WARM_C]
        if heat.bed_c and heat.bed_c > _WARM_C:
            on.append(("bed", heat.bed_c))
        if self._chamber[0] > _WARM_C:
            on.append(("chamber", self._chamber[0]))
        if on:
            named = ", ".join(f"{heater} at {target:.0f} deg C" for heater, target in on)
            yield self.finding(
                f"The job ends and leaves on: {named}.",
                "Put M104 S0 and M140 S0 into the end block, for every tool; the gateway switches heaters off after the job.",
                where=Where(lines=(last, job.lines)),
                evidence={f"{heater.replace(' ', '_').replace('-', '_')}_c": target for heater, target in on},
            )
