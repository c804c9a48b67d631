"""two-jobs: a second job begins in the same file."""

import re

from layergate.preflight.rule import (
    MACRO,
    Columns,
    Findings,
    JobFacts,
    LayerMap,
    NotApplicableError,
    Rule,
    Where,
    command_of,
)
from layergate_rules.rare_commands import argument_of, codes_of, rows_of, value_of

_CODES = codes_of(["M2", "M30", "M81", "M84", "M18", "M140", "M190", "G28"])
_END_MACRO = re.compile(rb"(?:^|_)(?:END|STOP|FINISH)(?:_|\b)", re.IGNORECASE)
_START_MACRO = re.compile(rb"(?:^|_)(?:START|BEGIN)(?:_|\b)", re.IGNORECASE)
_OBJECT = re.compile(rb"OBJECT|LAYER", re.IGNORECASE)
_MOST_EVENTS = 4096


class TwoJobs(Rule):
    """What it looks for
        An end of a job (motors, bed or supply off, end of program) with a start behind it (homing) and more beads after that.

    Why it matters
        The second job begins where the first part still stands: the nozzle homes into it, or prints over it.

    How it decides and when it does not apply
        Beads, then an end, then homing, then beads again. Objects that are printed one after another neither end nor home in
        between. Of macros of the printer only those are read whose names say end and start. It does not apply to files that
        lay nothing.

    What to do
        If the file was put together on purpose, for a printer that clears its bed by itself, release it. Otherwise send the
        jobs one by one.

    Source: common practice of start and end blocks.
    """

    identifier = "two-jobs"
    severity = "hold"

    def prepare(self) -> None:
        self._events: list[tuple[int, bool]] = []
        """Line, and whether it is an end."""

    def each_block(self, columns: Columns) -> None:
        if len(self._events) >= _MOST_EVENTS:
            return
        found: list[tuple[int, bool]] = []
        for row in rows_of(columns, _CODES).tolist():
            line, command = int(columns.line[row]), command_of(int(columns.code[row]))
            if command == "G28":
                found.append((line, False))
            elif _is_end(command, columns, row):
                found.append((line, True))
        for row, odd in columns.odd.items():
            if odd.reading == "macro" and columns.code[row] == MACRO and not _OBJECT.search(odd.text):
                name = odd.text.split(maxsplit=1)[0]
                if _END_MACRO.search(name) or _START_MACRO.search(name):
                    found.append((int(columns.line[row]), _END_MACRO.search(name) is not None))
        self._events.extend(sorted(found))

    def finish(self, layers: LayerMap, job: JobFacts) -> Findings:
        if job.first_deposit_line is None or job.last_deposit_line is None or not len(layers):
            raise NotApplicableError("nothing is laid")
        starts: list[int] = []
        ended = False
        for line, is_end in self._events:
            if not job.first_deposit_line < line < job.last_deposit_line:
                continue
            if is_end:
                ended = True
            elif ended:
                starts.append(line)
                ended = False
        if starts:
            jobs = len(starts) + 1
            yield self.finding(
                f"The file holds {jobs} jobs: after an end, another one begins in line {starts[0]}.",
                "Send the jobs one by one; release the file only for a printer that clears its bed by itself.",
                where=Where(lines=(starts[0], job.lines)),
                evidence={"jobs": jobs},
            )


def _is_end(command: str, columns: Columns, row: int) -> bool:
    if command in ("M140", "M190"):
        return value_of(columns, row, "S") == 0
    if command in ("M84", "M18"):  # with a time it is set for later; of single axes only the extruder's is switched off
        words = {letter for letter in "SXYZE" if columns.has(letter)[row]}
        return not words or bool(words & {"X", "Y"})
    return command != "M30" or not argument_of(columns, row)
