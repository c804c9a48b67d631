"""not-a-print-job: nothing in the file lays material."""

from layergate.preflight.rule import Findings, JobFacts, LayerMap, Rule, counted


class NotAPrintJob(Rule):
    """What it looks for
        A file that never lays a bead: a router's outline, a page of text, a picture, an empty file.

    Why it matters
        A printer that is fed with it moves where nobody expects, with a tool that it does not have.

    How it decides and when it does not apply
        No move of the file pushes filament along a path, and no extruder is switched on while moving. A job that does
        all its printing inside macros of the printer, and has no move of its own, can't be judged.

    What to do
        Check that the right file was sent. A file that only heats, homes or levels can be released by name.
    """

    identifier = "not-a-print-job"
    severity = "block"

    def finish(self, layers: LayerMap, job: JobFacts) -> Findings:
        if len(layers):
            return
        if job.lines == 0:
            message = "The file is empty."
        elif job.commands == 0:
            message = f"There is no command in the {counted(job.lines, 'line')} of this file."
        else:
            message = f"Nothing in this file lays material ({counted(job.commands, 'command')})."
        yield self.finding(
            message,
            "Check that the right file was sent: a print job was expected.",
            evidence={"commands": job.commands, "filament_pushed_mm": job.pushed_mm},
        )
