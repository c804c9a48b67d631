"""over-temperature: a target above what the machine stands."""

from layergate.preflight.rule import Findings, HeatTimeline, NotApplicableError, Rule, Where


class OverTemperature(Rule):
    """What it looks for
        Hot-end and bed targets above the highest temperatures that the description states.

    Why it matters
        Liners of hot ends decompose and give off harmful fumes (from about 260 deg C on), insulation and mounts melt. Heat is
        how printers set fire.

    How it decides and when it does not apply
        Every target that the job sets, whether it is waited for or not. What macros of the printer set is not seen. It does
        not apply where the description states neither ``maximum_hot_end_c`` nor ``maximum_bed_c``.

    What to do
        Find out why the job asks for so much: another material, another machine, a wrong digit? The printer's own thermal
        protection stays on in any case. It can't be released.

    Source: the limits are the description's; PTFE liners decompose from some 260 deg C on (common practice, public
    reports).
    """

    identifier = "over-temperature"
    severity = "block"
    releasable = False

    def prepare(self) -> None:
        self._limits = {"hot-end": self.printer.maximum_hot_end_c, "bed": self.printer.maximum_bed_c}
        if not any(self._limits.values()):
            raise NotApplicableError("neither maximum_hot_end_c nor maximum_bed_c of the printer is stated")

    def finish(self, heat: HeatTimeline) -> Findings:
        for heater, limit in self._limits.items():
            over = [e for e in heat.events if e.heater == heater and limit is not None and e.target_c > limit]
            if not over or limit is None:
                continue
            worst = max(over, key=lambda event: event.target_c)
            name = "hot end" if heater == "hot-end" else "bed"
            yield self.finding(
                f"The {name} is set to {worst.target_c:.0f} deg C in line {worst.line}; this printer stands {limit:.0f} deg C.",
                "Check that the job was made for this printer and material; do not raise the limit to get it through.",
                where=Where(lines=(over[0].line, over[-1].line)),
                evidence={"target_c": worst.target_c, "highest_c": limit, "times": len(over)},
            )
