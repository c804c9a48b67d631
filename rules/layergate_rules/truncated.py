"""truncated: the job ends in the middle of laying material."""

from layergate.preflight.rule import Findings, HeatTimeline, JobFacts, LayerMap, NotApplicableError, Rule, Where

# What jobs have after their last bead, by the community convention: heaters, motors or supply off, the end of the
# program, homing, parking, a macro of the printer.
_ENDS = (
    "M104 S0",
    "M109 S0",
    "M140 S0",
    "M190 S0",
    "M141 S0",
    "M18",
    "M84",
    "M2",
    "M30",
    "M81",
    "G28",
    "G27",
    "M0",
    "M1",
    "macro",
)


class Truncated(Rule):
    """What it looks for
        A job that stops without an end: after the last bead nothing is switched off, parked or homed.

    Why it matters
        The rest of the part is not in the file. The printer stands still on the part, with its heaters on.

    How it decides and when it does not apply
        After the last bead there is none of the commands that end a job (heater, motors or supply off, end of program,
        homing or parking, a macro). It is blocked where the job itself had switched a heater on; where it never did, the
        file may be a piece of a larger work, and it is held. It does not apply to files that lay nothing.

    What to do
        Copy or make the job again and compare the sizes: the file was cut on its way. A cut file can't be released.
    """

    identifier = "truncated"
    severity = "block"
    releasable = False

    def finish(self, layers: LayerMap, heat: HeatTimeline, job: JobFacts) -> Findings:
        if not len(layers) or job.last_deposit_line is None:
            raise NotApplicableError("nothing is laid")
        after = [command for line, command in job.end_commands if line > job.last_deposit_line]
        if any(command == end or command.startswith(end + " ") for command in after for end in _ENDS):
            return
        if any(command.startswith("G10") for command in after):
            return
        heated = any(event.target_c > 0 for event in heat.events) or heat.unknown_since is not None
        announced, _ = job.claims.layer_count() or (None, None)
        evidence: dict[str, float] = {"layers": len(layers), "lines_after_last_bead": job.lines - job.last_deposit_line}
        claim = ""
        if announced and announced > len(layers):
            claim = f" Its comments announce {announced} layers, {len(layers)} are there."
            evidence["layers_announced"] = announced
        heaters = "no heater is switched off" if heated else "nothing is switched off or parked"
        yield self.finding(
            f"The job ends in line {job.lines} while layer {len(layers)} is being laid: {heaters}, and there "
            f"is no end block.{claim}",
            "Copy or make the job again and compare the sizes: the file was cut on its way.",
            severity="block" if heated else "hold",
            where=Where(
                layer=len(layers),
                z_mm=(float(layers.z_mm[-1]),) * 2,
                lines=(job.last_deposit_line, max(job.lines, job.last_deposit_line)),
            ),
            evidence=evidence,
        )
