"""claims-differ: what the comments say of the job is not what its commands do."""

import re
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from pydantic import Field

from layergate.preflight.rule import (
    Claims,
    Finding,
    Findings,
    JobFacts,
    LayerMap,
    Limits,
    NotApplicableError,
    Rule,
    Where,
)

_COUNT_WORDS = frozenset(
    ["total", "layer", "layers", "count", "number", "num", "of", "in", "this", "the", "job", "print", "file"]
)
_COUNTING = frozenset(["layers", "count", "number", "num", "total"])
_FILAMENT = re.compile(
    r"^(?:total )?(?:filament|plastic|spool)[ _]?(?:used|need|needed|usage|length)$|^(?:extruded|used) filament$"
)
_FILAMENT_IN_MM = re.compile(r"^(?:total )?filament (?:used|length) \[mm\]$")
_LENGTH = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*(mm|m)(?![A-Za-z0-9^])")
_HEIGHT = re.compile(
    r"^(?:max[ _]?z(?:[ _]height)?|max[ _]layer[ _]z|tallest point|(?:total|object|model|part) height)$"
)


class ClaimsDifferLimits(Limits):
    filament_missing_share: float = Field(
        0.08,
        gt=0,
        lt=1,
        description="share of the claimed filament that may be missing; good jobs: below 0.01 (measured)",
    )
    filament_more_share: float = Field(0.15, gt=0, description="share that may be laid beyond the claim (own choice)")
    filament_more_mm: float = Field(
        200.0,
        ge=0,
        description="mm beyond that; primes and flushes are rarely in the claim and push up to some 100 mm (seen)",
    )
    layers_missing: int = Field(
        2,
        ge=1,
        description="layers that must be missing; claims are often one off, by the first or an empty last one (seen)",
    )
    layers_missing_share: float = Field(0.02, gt=0, lt=1, description="and the share of the claimed ones (own choice)")
    layers_empty: int = Field(
        3, ge=1, description="announced layers in a row in which nothing is laid; real jobs announce one or two (seen)"
    )
    height_missing_mm: float = Field(
        0.8, gt=0, description="mm below the claimed height: two thick layers; claims are often one layer off (seen)"
    )
    height_missing_share: float = Field(0.05, gt=0, lt=1, description="and the share of it (own choice)")


@dataclass(frozen=True, slots=True)
class _Claim:
    """A number that a comment states, above zero, and its line."""

    value: float
    line: int


class ClaimsDiffer(Rule):
    """What it looks for
        Comments that state the number of layers, the filament used or the height, and geometry that differs.

    Why it matters
        The comments were written when the job was made. If they do not fit, something of the job was lost, added or changed
        since.

    How it decides and when it does not apply
        Comments are a second witness, of any job that says ``key = value`` or ``key: value``. Held is what is missing: layers,
        filament, height, and beads in announced layers; and filament well beyond the claim, purges allowed for. More layers or
        height than claimed are let through, as rafts and supports are counted differently. Layer comments whose numbers skip
        once or twice, though they go on by one else, are a note. It does not apply where comments claim none of these; the
        turns of spirals are not counted.

    What to do
        Make or copy the job again and compare sizes. If the claims come from the job's maker and always differ, raise the
        limit for this printer.

    Source: claims of real jobs agreed within 3 %, purges apart (measured).
    """

    identifier = "claims-differ"
    severity = "hold"
    limits_model = ClaimsDifferLimits

    def finish(self, layers: LayerMap, job: JobFacts) -> Findings:
        if not len(layers):
            raise NotApplicableError("nothing is laid")
        count, filament, height = _layer_count(job.claims), _filament_mm(job.claims), _height_mm(job.claims)
        skips = _skips(job.claims)
        if count is None and filament is None and height is None and not job.claims.layer_marks:
            raise NotApplicableError("no comment claims layers, filament or height")
        limits = self.limits
        # Turns of a spiral have no height of their own: how many they are is not told.
        lacking = count.value - len(layers) if count and not layers.ramp.any() else 0
        if count and lacking >= max(limits.layers_missing, limits.layers_missing_share * count.value):
            yield self._differs("layers", count, len(layers), "layers", ".0f")
        if filament and layers.flow_known:
            missing = filament.value - job.laid_mm > limits.filament_missing_share * filament.value
            more = job.laid_mm - filament.value > limits.filament_more_share * filament.value + limits.filament_more_mm
            if missing or more:
                yield self._differs("filament_mm", filament, job.laid_mm, "mm of filament", ".0f")
        tall = float(layers.z_mm.max())
        if height and height.value - tall > max(limits.height_missing_mm, limits.height_missing_share * height.value):
            yield self._differs("height_mm", height, tall, "mm of height", ".2f")
        for (from_line, lowest), (to_line, highest) in _empty(job.claims, layers, limits.layers_empty):
            yield self.finding(
                f"The comments announce layers {lowest} to {highest}, and nothing is laid in them.",
                "Something of the job was lost or changed since it was made: make or copy it again and compare sizes.",
                where=Where(lines=(from_line, to_line)),
                evidence={"layers_empty": highest - lowest + 1},
            )
        for line, last, first in skips:
            yield self.finding(
                f"Layer comments go from {last} to {first} at line {line}; elsewhere they go on by one.",
                "Look at the layers there: lines may be missing.",
                severity="note",
                where=Where(lines=(line, line)),
                evidence={"numbers_skipped": first - last - 1},
            )

    def _differs(self, name: str, claimed: _Claim, found: float, unit: str, form: str) -> Finding:
        return self.finding(
            f"The comments claim {claimed.value:{form}} {unit}; the commands make {found:{form}}.",
            "Something of the job was lost or changed since it was made: make or copy it again and compare sizes.",
            where=Where(lines=(claimed.line, claimed.line)),
            evidence={
                f"claimed_{name}": claimed.value,
                f"found_{name}": found,
                "found_over_claimed": found / claimed.value,
            },
        )


def _layer_count(claims: Claims) -> _Claim | None:
    for key, value in claims.values.items():
        words = set(re.split(r"[ _\-]+", key))
        if (
            words <= _COUNT_WORDS
            and words & {"layer", "layers"}
            and words & _COUNTING
            and re.fullmatch(r"\d{1,6}", value.strip())
        ):
            return _claim(int(value), claims.lines[key])
    counted = claims.layer_count()
    return _claim(*counted) if counted else None


def _filament_mm(claims: Claims) -> _Claim | None:
    for key, value in claims.values.items():
        if _FILAMENT_IN_MM.match(key):
            parts = [part.strip() for part in value.split(",")]
            if all(re.fullmatch(r"\d+(?:\.\d+)?", part) for part in parts):
                return _claim(sum(float(part) for part in parts), claims.lines[key])
        if _FILAMENT.match(key) and _LENGTH.match(value):
            # One length a tool: the sum is claimed.
            lengths = [found for part in value.split(",") if (found := _LENGTH.match(part))]
            total_mm = sum(float(found[1]) * (1000 if found[2] == "m" else 1) for found in lengths)
            return _claim(total_mm, claims.lines[key])
    return None


def _height_mm(claims: Claims) -> _Claim | None:
    for key, value in claims.values.items():
        if _HEIGHT.match(key) and (number := re.match(r"\d+(?:\.\d+)?(?=\s*(?:mm)?$)", value.strip())):
            return _claim(float(number[0]), claims.lines[key])
    return None


def _claim(value: float, line: int) -> _Claim | None:
    """Give what a line claims; None for zero, which is a form not filled in."""
    return _Claim(value, line) if value else None


def _empty(claims: Claims, layers: LayerMap, least: int) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Give the first and the last mark, each line and number, of rows of announced layers in which nothing is laid."""
    marks = claims.layer_marks
    if len(marks) <= least:
        return []
    lines, numbers = np.array(marks).T
    ends = np.append(lines[1:], np.iinfo(np.int64).max)
    # Every layer that has begun before the next mark had ended before this one.
    begun = np.searchsorted(np.sort(layers.first_line), ends)
    empty = begun == np.searchsorted(np.sort(layers.last_line), lines)
    # A list at the end of the job begins to count anew.
    counts_on = np.append(False, np.diff(numbers) == 1)
    rows = np.flatnonzero(empty & counts_on & (begun > 0))
    runs = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)
    return [(marks[run[0]], marks[run[-1]]) for run in runs if len(run) >= least and not empty[run[0] - 1]]


def _skips(claims: Claims) -> list[tuple[int, int, int]]:
    """Give the places where layer comments skip numbers: line, number before, number after; none if it is a habit."""
    marks = claims.layer_marks
    steps = [after[1] - before[1] for before, after in pairwise(marks)]
    if sum(step == 1 for step in steps) < 5:
        return []
    found = [
        (marks[at + 1][0], marks[at][1], marks[at + 1][1])
        for at in range(1, len(steps) - 1)
        # Rafts are numbered below zero, by rules of their own.
        if steps[at] > 1 and steps[at - 1] in (0, 1) and steps[at + 1] in (0, 1) and marks[at][1] >= 0
    ]
    return found if len(found) <= 2 else []
