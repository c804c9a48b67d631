"""Where the layer map can't tell what will be laid, and why: each as a reason, a sentence and lines.

Gathers what reader and builder noted; measures nothing itself and judges nothing. What a rule makes of it is the rule's
matter.
"""

from collections.abc import Iterable

import numpy as np

from layergate.layers.builder import Unsure
from layergate.layers.layermap import LayerMap
from layergate.layers.tolerances import TOLERANCES
from layergate.preflight.findings import Untold
from layergate.preflight.rule import JobFacts
from layergate.toolpath.moves import I64

_LINES_KEPT = 8

# Reasons of the move reader, with what they leave open.
_OF_LINES = {
    "spline": "{count} G5, followed as straight to where {it} end: the curve between is unknown",
    "arc": "{count} G2 or G3 whose words give no arc, followed as straight: the curve between is unknown",
    "work-offset": "{count} changing the origin to a place that the job does not state: heights and places after that may all "
    "be shifted",
    "tool-offset": "{count} setting a tool's offset: where that tool lays beside the others depends on the printer",
    "unknown-place": "{count} pushing filament on the way from a place that nothing has told, neither homing nor absolute "
    "coordinates: what {it} lay is in no layer",
    "absurd-number": "{count} with a number beyond any machine",
}


class MacrosWhileLaying:
    """Counts macros that stand between two beads, as the job comes; one before the first or after the last lays no part."""

    def __init__(self) -> None:
        self.lines: list[int] = []
        """First and last, empty if there is none."""
        self.count = 0
        self._new: list[I64] = []
        self._since_bead: tuple[int, int, int] | None = None  # first, last, how many

    def see(self, lines: I64) -> None:
        """Take the lines of macros of the next block."""
        if len(lines):
            self._new.append(lines)

    def settle(self, first_bead: int | None, last_bead: int | None) -> None:
        """Take the lines of the first and the last bead so far; call it after every piece of the job."""
        new = np.concatenate(self._new) if self._new else np.empty(0, np.int64)
        self._new = []
        if first_bead is None or last_bead is None:
            return
        if self._since_bead and self._since_bead[1] < last_bead:
            self._add(*self._since_bead)
            self._since_bead = None
        new = new[new > first_bead]
        between, after = new[new < last_bead], new[new > last_bead]
        if len(between):
            self._add(int(between[0]), int(between[-1]), len(between))
        if len(after):
            first, _, count = self._since_bead or (int(after[0]), 0, 0)
            self._since_bead = first, int(after[-1]), count + len(after)

    def _add(self, first: int, last: int, count: int) -> None:
        self.lines = [self.lines[0] if self.lines else first, last]
        self.count += count


def untold(job: JobFacts, layers: LayerMap, unsure: Iterable[Unsure], macros: MacrosWhileLaying) -> list[Untold]:
    """Say what of a job's layers can't be told; empty where all can.

    Args:
        job: complete facts.
        unsure: what the layer builder noted.
    """
    found = []
    if not len(layers):
        found.append(_no_layers(job))
    elif not layers.flow_known:
        found.append(
            _one(
                "flow-unknown",
                "the extruder is switched on and off and how much it lays is not said: beads have no size",
            )
        )
    for note in unsure:
        lines = [note.first_line, note.last_line]
        where = f"in line {lines[0]}" if lines[0] == lines[1] else f"in lines {lines[0]} to {lines[1]}"
        sentence = {
            "spiral": f"beads {where} climb all along: a step of height counts as a layer, and none is judged by itself",
            "not-planar": f"beads {where} go up and down along their way: they count to the layer of their highest point, and "
            "what they rest on is not judged",
            "far-away": f"beads {where} lie over {TOLERANCES.largest_extent_mm:.0f} mm from the first one: what they rest on is "
            "not measured",
        }[note.reason]
        found.append(Untold(reason=note.reason, message=sentence, lines=lines, count=note.beads))
    if macros.count:
        first, last = macros.lines
        named = f"a macro in line {first}" if macros.count == 1 else f"{macros.count} macros in lines {first} to {last}"
        sentence = f"{named}, while the part is laid: what the printer makes of {_it(macros.count)} is not seen"
        found.append(Untold(reason="macro", message=sentence, lines=macros.lines, count=macros.count))
    for reason, text in _OF_LINES.items():
        if count := job.unrebuilt.counts.get(reason):
            lines = job.unrebuilt.lines[reason]
            counted = f"line {lines[0]}" if count == 1 else f"{count} lines, the first being {lines[0]},"
            it = "it" if count == 1 else "they"
            message = (
                text.format(count=counted, it=it).replace("it end:", "it ends:").replace("it lay is", "it lays is")
            )
            found.append(Untold(reason=reason, message=message, lines=lines[:_LINES_KEPT], count=count))
    return found


def _no_layers(job: JobFacts) -> Untold:
    if job.first_extrusion_line is None:
        return _one("no-extrusion", "no command pushes filament: there are no layers")
    line = job.first_extrusion_line
    return Untold(
        reason="nothing-laid",
        message=f"filament is pushed from line {line} on, but never along a way of known place: there are no layers",
        lines=[line],
        count=1,
    )


def _one(reason: str, message: str) -> Untold:
    return Untold(reason=reason, message=message, lines=[], count=1)


def _it(count: int) -> str:
    return "it" if count == 1 else "them"
