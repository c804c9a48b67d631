"""not-a-print-job: nothing in the file lays material."""

from layergate.preflight.rule import Findings, JobFacts, LayerMap, Rule


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
        if job.commands == 0:
            message = (
                f"There is no command in the {job.lines} lines of this file." if job.lines else "The file is empty."
            )
        else:
            message = f"None of the {job.commands} commands in this file lays material."
        yield self.finding(
            message,
            "Check that the right file was sent. If it is meant to do something else than print, release it by name.",
            evidence={"commands": job.commands, "filament_pushed_mm": job.pushed_mm},
        )
