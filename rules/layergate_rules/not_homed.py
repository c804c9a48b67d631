"""not-homed: beads are laid before the printer knows where it stands."""

import numpy as np

from layergate.preflight.rule import (
    Columns,
    Findings,
    JobFacts,
    Moves,
    NotApplicableError,
    Rule,
    Where,
    command_of,
)
from layergate.toolpath.moves import DEPOSIT
from layergate_rules.rare_commands import codes_of, rows_of

_HOMES = {"G28", "G161", "G162"}  # the latter two in an old dialect, to one end each
_PROBES = {"G29", "G30", "G32"}
_PERSON = {"M0", "M1", "M226", "M600", "M601"}
_OFF = {"M18", "M84"}
_CODES = codes_of(_HOMES | _PROBES | _PERSON | _OFF)
_RENAMES = codes_of(["G92"])


class NotHomed(Rule):
    """What it looks for
        Beads before the axes were homed, and beads after the motors were switched off without homing again.

    Why it matters
        A printer that does not know its position goes to the wrong place: the nozzle runs into the bed, a clip, or the end of
        an axis.

    How it decides and when it does not apply
        Before the first bead every axis must be homed (the height may be found by probing). A job that never does it is held:
        someone may have homed by hand, and there are good jobs that count on it. It is blocked where the job itself has
        switched the motors off before its first bead, and where it does so in between and lays on without homing. It does
        not apply where a macro comes first, which may home, or where nothing is laid.

    What to do
        Put G28 at the start of the job. Release it if you have homed the printer by hand and its motors are still on.

    Source: what G28 does, and that motors that are off lose their place, is the community G-code convention.
    """

    identifier = "not-homed"
    severity = "block"

    def prepare(self) -> None:
        self._homed: list[tuple[int, set[str]]] = []
        self._person: int | None = None
        self._off: list[int] = []
        self._laid_after: dict[int, int] = {}

    def each_block(self, columns: Columns, job: JobFacts) -> None:
        for row in rows_of(columns, _CODES).tolist():
            line, command = int(columns.line[row]), command_of(int(columns.code[row]))
            axes = {axis for axis in "XYZ" if columns.has(axis)[row]}
            if command in _HOMES:
                self._homed.append((line, axes or set("XYZ")))
            elif command in _PROBES:
                self._homed.append((line, {"Z"}))
            elif command in _PERSON:
                self._person = self._person or line
            elif not any(columns.has(letter)[row] for letter in "SE") or axes & {"X", "Y"}:
                self._off.append(line)
        if job.first_deposit_line is None and self._person is None:
            for row in rows_of(columns, _RENAMES).tolist():
                if any(columns.has(axis)[row] for axis in "XYZ"):
                    self._person = int(columns.line[row])
                    break

    def each_moves(self, moves: Moves) -> None:
        waiting = [line for line in self._off if line not in self._laid_after]
        if waiting:
            laid = moves.line[moves.kind == DEPOSIT]
            for line in waiting:
                at = int(np.searchsorted(laid, line, "right"))
                if at < len(laid):
                    self._laid_after[line] = int(laid[at])

    def finish(self, job: JobFacts) -> Findings:
        # Relative moves from an unknown place lay nothing that could be placed.
        first = job.first_deposit_line or job.first_extrusion_line
        if first is None:
            raise NotApplicableError("nothing is laid")
        for off, laid in self._laid_after.items():
            again = [line for line, axes in self._homed if off < line < laid and {"X", "Y"} & axes]
            if off > first and not again:
                yield self.finding(
                    f"Line {off} switches the motors off, and line {laid} lays on without homing: the position is lost between.",
                    "Take the line out, or home before going on; the rest would be printed somewhere else.",
                    where=Where(lines=(off, laid)),
                    evidence={"lines_between": laid - off},
                )
        homed = set().union(*(axes for line, axes in self._homed if line < first)) if self._homed else set()
        missing = sorted(set("XYZ") - homed)
        if not missing:
            return
        if job.macro_lines and job.macro_lines[0] < first:
            raise NotApplicableError(f"line {job.macro_lines[0]} is a macro of the printer, which may home")
        person = self._person is not None and self._person < first
        off_before = max((line for line in self._off if line < first), default=None)
        yield self.finding(
            f"The first bead, in line {first}, comes before "
            + ("any axis is homed." if len(missing) == 3 else f"{' and '.join(missing)} is homed.")
            + (f" Line {self._person} lets a person set the position." if person else "")
            + (f" Line {off_before} switches the motors off." if off_before is not None else ""),
            "Put G28 at the start; release the job only if the printer was homed by hand and its motors are still on.",
            severity="block" if off_before is not None and not person and len(missing) == 3 else "hold",
            where=Where(lines=(1, first)),
            evidence={"axes_not_homed": len(missing)},
        )
