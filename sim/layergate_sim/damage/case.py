"""One job about to be damaged: its lines, its layers, its random numbers; and the choices that every damage makes.

Layers come from the truth of a specimen where there is one, else from a scan of the text.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from random import Random
from typing import TypeVar

from layergate_sim.specimens.truth import Truth

from .rebuild import Edits, Rebuilt, rebuild
from .result import DamageNotPossibleError
from .scan import Scan

__all__ = ["SMALLEST_SHARE", "Case", "Layer", "Outcome"]

T = TypeVar("T")
SMALLEST_SHARE = 0.2  # of the median path: layers shorter than this are left alone, little is to be seen there


@dataclass(frozen=True, slots=True)
class Layer:
    """Lines of one layer, from 0, both included; `z_line` is the move to its height."""

    index: int
    z: float
    z_line: int
    first: int
    last: int
    beads: tuple[int, ...]


@dataclass(slots=True)
class Outcome:
    """What a damage did, before it is measured. `lines` are numbers from 0 in the new text."""

    text: bytes
    what: str
    layers: tuple[int, ...] = ()
    lines: tuple[int, int] | None = None
    z_mm: tuple[float, float] | None = None
    box_mm: tuple[float, float, float, float] | None = None
    size: dict[str, float] = field(default_factory=dict)
    everywhere: bool = False  # every bead carries the same share of its filament, and nothing else differs


@dataclass
class Case:
    """A job, read, with its random numbers."""

    text: bytes
    scan: Scan
    truth: Truth | None
    rng: Random

    @cached_property
    def layers(self) -> list[Layer]:
        """Every layer in print order."""
        if self.truth is not None:
            bounds = [(t.z_mm, t.z_line - 1, t.first_line - 1, t.last_line - 1) for t in self.truth.layers]
        else:
            bounds = [(s.z, s.z_line, s.first, s.last) for s in self.scan.layers]
        return [
            Layer(i, z, z_line, first, last, tuple(n for n in range(first, last + 1) if self.scan.lines[n].bead))
            for i, (z, z_line, first, last) in enumerate(bounds)
        ]

    @cached_property
    def first_bead(self) -> int:
        """The first line that lays material, purge included."""
        return self.need(next((i for i, line in enumerate(self.scan.lines) if line.bead), None), "nothing is laid")

    @staticmethod
    def need(value: T | None, why: str) -> T:
        """The value, or DamageNotPossibleError."""
        if value is None:
            raise DamageNotPossibleError(why)
        return value

    def pick(self, candidates: Iterable[T], why: str) -> T:
        """One of them by chance, or DamageNotPossibleError."""
        found = list(candidates)
        if not found:
            raise DamageNotPossibleError(why)
        return self.rng.choice(found)

    def path(self, lines: Iterable[int]) -> float:
        """XY path of these lines, mm."""
        return sum(self.scan.lines[i].length for i in lines)

    def middle_layers(self, around: int = 2) -> list[Layer]:
        """Layers with `around` lower ones before and as many higher ones behind them, none of them nearly empty."""
        layers = self.layers
        paths = sorted(self.path(layer.beads) for layer in layers)
        least = SMALLEST_SHARE * paths[len(paths) // 2] if paths else 0.0
        out = []
        for i in range(around, len(layers) - around):
            near = layers[i - around : i + around + 1]
            rising = all(b.z > a.z for a, b in pairwise(near))
            if rising and self.path(layers[i].beads) >= least and layers[i].beads:
                out.append(layers[i])
        return out

    def box(self, lines: Iterable[int]) -> tuple[float, float, float, float] | None:
        """Bounds of the ends of these moves, mm."""
        ends = [(self.scan.lines[i].x, self.scan.lines[i].y) for i in lines]
        if not ends:
            return None
        xs, ys = [e[0] for e in ends], [e[1] for e in ends]
        return min(xs), min(ys), max(xs), max(ys)

    def rebuilt(self, edits: Edits) -> Rebuilt:
        """The job written again with these changes."""
        return rebuild(self.scan, edits)

    def new_lines(self, made: Rebuilt, first: int, last: int) -> tuple[int, int]:
        """Where the old lines first..last stand now; where all are gone, the lines on both sides of the gap."""
        kept = [n for n in made.new_number[first : last + 1] if n is not None]
        if kept:
            return kept[0], kept[-1]
        low = next((n for n in reversed(made.new_number[:first]) if n is not None), 0)
        high = next((n for n in made.new_number[last + 1 :] if n is not None), len(made.raw) - 1)
        return low, high


Damage = Callable[[Case], Outcome]
