"""forbidden-command: commands that belong in no job."""

import re

from layergate.preflight.rule import Columns, Findings, Rule, Where, command_of
from layergate_rules.rare_commands import Sightings, argument_of, codes_of, rows_of, value_of

# Command -> what it does; the meaning is the community convention's (facts.md 1.4), and so is that jobs must not have it.
_ALWAYS = {
    "M23": "selects a file on the printer's own card",
    "M24": "starts a print from the printer's own card",
    "M26": "moves within a file on the printer's own card",
    "M28": "writes what follows to the printer's own card instead of printing it",
    "M29": "ends writing to the printer's own card",
    "M32": "starts a print from the printer's own card",
    "M928": "writes what follows to the printer's own card",
    "M110": "sets the line counter, by which the link notices lost lines",
    "M112": "shuts the printer down",
    "M143": "moves the limit at which the printer's thermal guard acts",
    "M502": "resets the printer to factory settings",
    "M559": "uploads a configuration file into the printer",
    "M560": "uploads a file into the printer",
    "M562": "clears a thermal fault, so that a guard that has acted is ignored",
    "M570": "moves the limits of the thermal guard",
    "M575": "changes the speed of the serial line",
    "M997": "starts a firmware update",
    "M998": "asks for lines again, as if one were lost",
    "M999": "restarts a printer that has stopped for a fault",
}
# These depend on their words.
_SOMETIMES = ("M30", "M37", "M111", "M118", "M302")
_CODES = codes_of([*_ALWAYS, *_SOMETIMES])

# How a host tells replies apart (facts.md 1.2): text echoed by the printer must not look like one.
_REPLY = re.compile(r"(?:ok|rs|resend|error|start|wait|echo|busy)\b|!!|(?:T|B)\s*:", re.IGNORECASE)
_M118_WORDS = re.compile(r"^(?:[AEP][0-9]\s+)*")
_DRY_RUN = 8  # bit of M111: moves are planned and not carried out
_COLD_BELOW_C = 60.0  # no filament is printed below: such a limit is none


class ForbiddenCommand(Rule):
    """What it looks for
        Firmware update, factory reset, writing to or starting from the printer's own card, change of baud rate or line
        counter, thermal guards off or moved, cold extrusion allowed, dry run, shutdown or restart, and text that would read
        like a reply of the printer.

    Why it matters
        Each of them takes the printer out of the hands of whoever watches it: its guards, its memory, or the protocol by
        which every line is known to have arrived. None lays material.

    How it decides and when it does not apply
        By the command and its words, wherever it stands. M30 counts only with a file name (without, it ends a program),
        M37 only with S1 (simulation), M111 only with the dry-run bit (8), M118 only where its text starts like a reply, M302
        only where it switches the guard off (no word, P1, or a limit below 60 deg C). What macros of the printer do inside
        is not seen.

    What to do
        Take the line out where the job is made, or find out who put it in. It can't be released.

    Source: common practice for jobs sent over a line; the purpose of PWG 5199.7-2019 (safe subset) is the same.
    """

    identifier = "forbidden-command"
    severity = "block"
    releasable = False

    def prepare(self) -> None:
        self._seen: dict[tuple[str, str], Sightings] = {}

    def each_block(self, columns: Columns) -> None:
        for row in rows_of(columns, _CODES).tolist():
            command = command_of(int(columns.code[row]))
            why = _ALWAYS.get(command) or _reason(command, columns, row)
            if why:
                self._seen.setdefault((command, why), Sightings()).see(int(columns.line[row]))

    def finish(self) -> Findings:
        for (command, why), seen in self._seen.items():
            yield self.finding(
                f"{command} in {seen.text()} {why}: this belongs in no print job.",
                "Take the line out where the job is made, or find out who put it in.",
                where=Where(lines=(seen.lines[0], seen.lines[0])),
                evidence={"times": seen.count},
            )


def _reason(command: str, columns: Columns, row: int) -> str | None:
    """Say what a command does that is forbidden only with some words; None where it is harmless."""
    s = value_of(columns, row, "S")
    if command == "M30":
        name = argument_of(columns, row)
        return f"deletes the file {name[:40]!r} on the printer's own card" if name else None
    if command == "M37":
        return "switches to simulation: nothing would be printed" if s else None
    if command == "M111":
        dry = s is not None and s >= 0 and int(s) & _DRY_RUN
        return "switches to dry run: commands are answered and not carried out" if dry else None
    if command == "M118":
        text = _M118_WORDS.sub("", argument_of(columns, row))
        return (
            f"makes the printer send {text[:40]!r}, which reads like one of its replies" if _REPLY.match(text) else None
        )
    p = value_of(columns, row, "P")
    off = (p is not None and p > 0) or (s is not None and s < _COLD_BELOW_C)
    if off or (p is None and s is None):
        return "switches off the guard against cold extrusion"
    return None
