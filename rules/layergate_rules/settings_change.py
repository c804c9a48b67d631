"""settings-change: commands that change how the printer is set up, not just how this job is printed."""

from layergate.preflight.rule import Columns, Findings, JobFacts, LayerMap, Rule, Where, command_of
from layergate_rules.rare_commands import Sightings, codes_of, rows_of, value_of

# Command -> what it changes, beyond this job or beyond what the job's own numbers show (facts.md 1.4).
_HOLD = {
    "M92": "the steps per mm, which scale every move",
    "M206": "the home offset, which moves the whole print",
    "M218": "a tool's offset",
    "M301": "the hot end's heater tuning",
    "M303": "the heater tuning, by heating up on its own",
    "M304": "the bed's heater tuning",
    "M306": "the heater's thermal model",
    "M307": "the heater's thermal model",
    "M309": "the chamber's heater tuning",
    "M350": "the microstepping, which scales every move",
    "M428": "the home offset, which moves the whole print",
    "M500": "the stored settings: what is set now stays set after this job",
    "M666": "the end stop offsets",
    "M851": "the probe's offset, by which the first layer's height is found",
    "M906": "the motor currents",
}
_NOTE = {
    "M201": "acceleration limits",
    "M203": "speed limits",
    "M204": "accelerations",
    "M205": "corner speeds",
    "M207": "retraction",
    "M208": "retraction",
    "M220": "the speed factor",
    "M221": "the flow factor",
    "M501": "the settings, back to the stored ones",
    "M569": "the drivers' mode",
    "M572": "pressure advance",
    "M593": "input shaping",
    "M900": "pressure advance",
}
_SOMETIMES = ("M42", "M211", "M302")
_CODES = codes_of([*_HOLD, *_NOTE, *_SOMETIMES])
_PROBES = codes_of(["G29", "G30", "G32"])
_USUAL_GUARD_C = (
    150.0  # some filaments are printed from 150 deg C on; a guard there still keeps cold nozzles from pushing
)


class SettingsChange(Rule):
    """What it looks for
        Settings that stay after the job or move and scale the print behind its numbers: stored settings, steps per mm,
        offsets, heater tuning, motor current, soft end stops off, a lowered guard against cold extrusion, switched pins, the
        drivers' mode in the middle of the print.

    Why it matters
        The next job, too, prints with them. Offsets and steps move the part without any coordinate showing it; a pin may
        switch anything, a heater included.

    How it decides and when it does not apply
        By the command. Commands that only set speeds, accelerations, flow, retraction or pressure advance for this job are
        one note together, and so are: storing a bed measurement (M500 after G29 and before the first layer), soft end stops
        that are switched on again before the first layer, a query without words, a cold-extrusion limit of 150 deg C or more.

    What to do
        If you put the command there for this very printer, release the job: the release is remembered. If not, take it
        out.

    Source: table of commands of the community convention; what is held is common practice.
    """

    identifier = "settings-change"
    severity = "hold"

    def prepare(self) -> None:
        self._held: dict[tuple[str, str], Sightings] = {}
        self._notes: dict[str, Sightings] = {}
        self._probed: int | None = None
        self._stored: list[int] = []
        self._end_stops: list[tuple[int, bool]] = []

    def each_block(self, columns: Columns) -> None:
        if self._probed is None:
            probes = rows_of(columns, _PROBES)
            if len(probes):
                self._probed = int(columns.line[probes[0]])
        for row in rows_of(columns, _CODES).tolist():
            command, line = command_of(int(columns.code[row])), int(columns.line[row])
            if command == "M500":
                self._stored.append(line)
            elif command == "M211":
                s = value_of(columns, row, "S")
                if s is not None:
                    self._end_stops.append((line, s > 0))
            elif why := _held(command, columns, row):
                self._held.setdefault((command, why), Sightings()).see(line)
            elif command in _NOTE or (command == "M302" and _keeps_a_guard(columns, row)):
                self._notes.setdefault(command, Sightings()).see(line)

    def finish(self, layers: LayerMap, job: JobFacts) -> Findings:
        # Of the part: what fills and wipes the nozzle may well come before the bed is measured.
        first_bead = int(layers.first_line.min()) if len(layers) else job.lines + 1
        self._judge_stored(first_bead)
        self._judge_end_stops(first_bead)
        if "M569" in self._notes and self._notes["M569"].last > first_bead:
            why = "the drivers' mode while the motors run, which may lose steps"
            self._held["M569", why] = self._notes.pop("M569")
        for (command, why), seen in self._held.items():
            yield self.finding(
                f"{command} in {seen.text()} changes {why}.",
                "Release the job if you put the command there for this printer; otherwise take it out where the job is made.",
                where=Where(lines=(seen.lines[0], seen.lines[0])),
                evidence={"times": seen.count},
            )
        if self._notes:
            first = min(seen.lines[0] for seen in self._notes.values())
            last = max(seen.last for seen in self._notes.values())
            named = ", ".join(f"{command} ({_NOTE.get(command, 'settings')})" for command in sorted(self._notes))
            yield self.finding(
                f"The job sets for itself: {named}.",
                "Nothing to do, unless other jobs on this printer suddenly run at another speed or flow.",
                severity="note",
                where=Where(lines=(first, last)),
                evidence={"times": sum(seen.count for seen in self._notes.values())},
            )

    def _judge_stored(self, first_bead: int) -> None:
        for line in self._stored:
            if self._probed is not None and self._probed < line < first_bead and not self._held:
                self._notes.setdefault("M500", Sightings()).see(line)
            else:
                self._held.setdefault(("M500", _HOLD["M500"]), Sightings()).see(line)

    def _judge_end_stops(self, first_bead: int) -> None:
        for at, (line, on) in enumerate(self._end_stops):
            if on:
                continue
            again = next((after for after, state in self._end_stops[at + 1 :] if state), None)
            if again is not None and again < first_bead:
                self._notes.setdefault("M211", Sightings()).see(line)
            else:
                why = "the soft end stops to off: nothing keeps the axes from running into their ends"
                self._held.setdefault(("M211", why), Sightings()).see(line)


def _keeps_a_guard(columns: Columns, row: int) -> bool:
    """Say whether M302 leaves a guard standing; where it does not, forbidden-command names it."""
    s = value_of(columns, row, "S")
    return s is not None and s >= _USUAL_GUARD_C and not value_of(columns, row, "P")


def _held(command: str, columns: Columns, row: int) -> str | None:
    """Say what a command changes that a person must know of; None where it changes nothing of the kind."""
    if command in _HOLD:
        asks_only = not any(columns.has(letter)[row] for letter in "ABCDEFHIJKLPQRSTUVWXYZ")
        return None if asks_only and command not in ("M303", "M428") else _HOLD[command]
    s = value_of(columns, row, "S")
    if command == "M42":
        return f"a pin of the controller to {s:g}, which may drive anything" if s else None
    if command == "M302":
        p = value_of(columns, row, "P")
        if s is not None and 60.0 <= s < _USUAL_GUARD_C and not p:
            return f"the guard against cold extrusion to {s:.0f} deg C"
        return None
    if command == "M569" and value_of(columns, row, "P") is not None:
        return "how a motor driver works, its direction included"
    return None
