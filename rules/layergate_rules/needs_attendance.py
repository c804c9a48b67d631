"""needs-attendance: the job waits for a person in its course."""

import re

from layergate.preflight.rule import Columns, Findings, JobFacts, NotApplicableError, Rule, Where, command_of
from layergate_rules.rare_commands import Sightings, codes_of, rows_of

_WAITS = {
    "M0": "pause",
    "M1": "pause",
    "M25": "pause",
    "M125": "pause",
    "M226": "wait for a pin",
    "M600": "change of filament",
    "M601": "pause",
    "M701": "loading of filament",
    "M702": "unloading of filament",
}
_CODES = codes_of(_WAITS)
_MACRO = re.compile(rb"^(?:PAUSE|M600|FILAMENT_CHANGE|CHANGE_FILAMENT)\b", re.IGNORECASE)


class NeedsAttendance(Rule):
    """What it looks for
        Pauses and changes of filament between the first bead and the last one.

    Why it matters
        The job stops there, with the nozzle hot, until someone comes. Overnight that is hours, in which filament chars in the
        nozzle and the part cools and may come off.

    How it decides and when it does not apply
        By the command, between the first and the last bead: a pause before or after the print holds up nothing. Macros are
        known only by plain names. It does not apply to files that lay nothing.

    What to do
        Be there at that time, or take the pause out.

    Source: meaning of the commands by the community G-code convention.
    """

    identifier = "needs-attendance"
    severity = "note"

    def prepare(self) -> None:
        self._seen: list[tuple[int, str]] = []

    def each_block(self, columns: Columns) -> None:
        found = [
            (int(columns.line[row]), command_of(int(columns.code[row]))) for row in rows_of(columns, _CODES).tolist()
        ]
        for row, odd in columns.odd.items():
            if odd.reading == "macro" and (match := _MACRO.match(odd.text)):
                found.append((int(columns.line[row]), match[0].decode().upper()))
        self._seen.extend(sorted(found))

    def finish(self, job: JobFacts) -> Findings:
        if job.first_deposit_line is None or job.last_deposit_line is None:
            raise NotApplicableError("nothing is laid")
        kinds: dict[str, Sightings] = {}
        for line, command in self._seen:
            if job.first_deposit_line < line < job.last_deposit_line:
                kinds.setdefault(command, Sightings()).see(line)
        for command, seen in kinds.items():
            yield self.finding(
                f"{command} in {seen.text()} waits for a person ({_WAITS.get(command, 'macro of that name')}).",
                "Be there at that time, or take the pause out where the job is made.",
                where=Where(lines=(seen.lines[0], seen.last)),
                evidence={"times": seen.count},
            )
