"""The rule interface: everything that a rule may import, ask for and yield.

A rule is one class in one file. It says by the parameters of its methods what it needs; the engine hands out read-only
facts and collects findings. Rules do no I/O, read no clock and keep what they need between calls in themselves.

Methods (each optional, at least one) and the names that their parameters may have:

``each_block(block, columns, job)``
    for every block of lines, in order: as bytes (Block) and as words (Columns);
``each_moves(moves, heat, job)``
    for the moves of every piece of the job, in order (Moves, HeatTimeline up to there);
``each_layer(beads, job)``
    for every layer when it is complete, in the order of closing (Beads with the samples of their support);
``finish(layers, heat, job)``
    once, with the finished LayerMap and everything known of the job.
"""

import inspect
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from layergate.gcode.blocks import Block
from layergate.gcode.claims import Claims
from layergate.gcode.columns import MACRO, UNREAD, Columns, code_of, command_of
from layergate.layers.builder import Beads, Crossing
from layergate.layers.layermap import LayerMap
from layergate.layers.regions import cell_keys, connected_regions, neighbour_offsets, touching
from layergate.materials import density_g_cm3
from layergate.preflight.findings import Finding, Severity, Where
from layergate.printer import Printer
from layergate.toolpath.heat import HeatTimeline
from layergate.toolpath.moves import Moves, Unrebuilt

Stage = Literal["each_block", "each_moves", "each_layer", "finish"]

STAGES: dict[Stage, frozenset[str]] = {
    "each_block": frozenset({"block", "columns", "job"}),
    "each_moves": frozenset({"moves", "heat", "job"}),
    "each_layer": frozenset({"beads", "job"}),
    "finish": frozenset({"layers", "heat", "job"}),
}

_IDENTIFIER = re.compile(r"[a-z]+(-[a-z]+)*")


class NotApplicableError(Exception):
    """Raised by a rule that can't judge this job; the text says why and what would have to be stated."""


class RuleError(TypeError):
    """A rule's class or settings are wrong; the text names the rule and what is wrong."""


class Limits(BaseModel):
    """Base of a rule's limits. Field descriptions say unit and source; ``severity`` and ``enabled`` are settings of
    every rule and stand outside."""

    model_config = ConfigDict(extra="forbid", frozen=True)


@dataclass(slots=True)
class JobFacts:
    """What is known of the job as a whole; complete only in ``finish``."""

    name: str
    size_bytes: int = 0
    lines: int = 0
    commands: int = 0
    """Lines that go to the printer."""
    claims: Claims = field(default_factory=Claims)
    """What comments claim: the second witness."""
    unrebuilt: Unrebuilt = field(default_factory=lambda: Unrebuilt({}, {}))
    homed_line: int | None = None
    homed_heights: list[tuple[int, int]] = field(default_factory=list)
    """Lines from each homing of Z to the one that next states its height: nobody stated how high home is."""
    first_move_line: int | None = None
    first_extrusion_line: int | None = None
    extruder_mode_stated: bool = False
    first_deposit_line: int | None = None
    """Where material is first laid along a path, purges included."""
    last_deposit_line: int | None = None
    last_move_line: int | None = None
    macro_lines: list[int] = field(default_factory=list)
    """First and last line of macros, which the printer expands into commands that we can't see."""
    end_commands: list[tuple[int, str]] = field(default_factory=list)
    """The last commands of the job that are no moves: line and command, at most 64."""
    filament_area_mm2: float = 0.0
    """Cross-section of the filament, as stated, claimed or usual; known from the first moves on."""
    pushed_mm: float = 0.0
    """All filament pushed."""
    laid_mm: float = 0.0
    """Filament that leaves the nozzle, purges included."""
    purge_mm: float = 0.0
    """Filament laid before the first layer."""
    ends_with_line_end: bool = True
    last_line_text: bytes = b""
    crossings: list[Crossing] = field(default_factory=list)
    """Moves that go through what is already printed, in order, at most 200."""


class Rule:
    """Base class of all rules; subclass it in a file of its own and list it in the distribution's entry point.

    The docstring of the subclass is the rule's page. It has four parts, each after its heading line:
    ``What it looks for``, ``Why it matters``, ``How it decides and when it does not apply``, ``What to do``.
    A line ``Source:`` names where the limits come from.
    """

    identifier: ClassVar[str]
    """The trade's word for the fault, kebab-case."""
    severity: ClassVar[Severity]
    """Default severity; a finding may be weaker, and settings may change it."""
    releasable: ClassVar[bool] = True
    """Whether a named person may release a job that this rule blocks."""
    since: ClassVar[str] = "0.1"
    limits_model: ClassVar[type[Limits]] = Limits

    def __init__(self, printer: Printer, limits: Limits) -> None:
        self.printer = printer
        self.limits: Any = limits
        self.prepare()

    def prepare(self) -> None:
        """Set up what is kept between calls.

        Raises:
            NotApplicableError: the rule needs something that nobody stated.
        """

    def finding(
        self,
        message: str,
        advice: str,
        *,
        where: Where | None = None,
        evidence: dict[str, float] | None = None,
        severity: Severity | None = None,
    ) -> Finding:
        """Make a finding of this rule. Evidence is rounded to six significant digits, so that reports compare."""
        rounded = {name: float(f"{value:.6g}") for name, value in (evidence or {}).items()}
        return Finding(
            rule=self.identifier,
            severity=severity or self.severity,
            releasable=self.releasable,
            message=message,
            advice=advice,
            where=where or Where(),
            evidence=rounded,
        )


def counted(number: float, noun: str, plural: str | None = None) -> str:
    """Give a number with its noun, as a sentence has them: ``1 line``, ``1,200 lines``."""
    return f"{number:,.0f} {noun if number == 1 else plural or noun + 's'}"


def needs(rule: type[Rule]) -> dict[Stage, tuple[str, ...]]:
    """Say what a rule asks for, by stage, after checking its class.

    Raises:
        RuleError: the class is not a rule that the engine can run.
    """
    name = getattr(rule, "identifier", None)
    if not isinstance(name, str) or not _IDENTIFIER.fullmatch(name):
        raise RuleError(f"{rule.__module__}.{rule.__qualname__}: identifier must be kebab-case words, got {name!r}")
    if getattr(rule, "severity", None) not in ("block", "hold", "note"):
        raise RuleError(f"rule {name}: severity must be block, hold or note")
    if not (rule.__doc__ or "").strip():
        raise RuleError(f"rule {name}: has no docstring, which is its page")
    found: dict[Stage, tuple[str, ...]] = {}
    for stage, known in STAGES.items():
        method = getattr(rule, stage, None)
        if method is None:
            continue
        asked = tuple(inspect.signature(method).parameters)[1:]
        if unknown := [parameter for parameter in asked if parameter not in known]:
            raise RuleError(
                f"rule {name}: {stage} asks for {', '.join(unknown)}; it may ask for {', '.join(sorted(known))}"
            )
        found[stage] = asked
    if not found:
        raise RuleError(f"rule {name}: has none of the methods {', '.join(STAGES)}")
    return found


def limits_from(rule: type[Rule], settings: dict[str, Any]) -> Limits:
    """Read a rule's limits from its settings table, without ``severity`` and ``enabled``.

    Raises:
        RuleError: with every mistake.
    """
    own = {key: value for key, value in settings.items() if key not in ("severity", "enabled")}
    try:
        return rule.limits_model.model_validate(own)
    except ValidationError as error:
        mistakes = "; ".join(
            f"rules.{rule.identifier}.{'.'.join(str(part) for part in problem['loc'])}: {problem['msg']}"
            for problem in error.errors()
        )
        raise RuleError(mistakes) from error


Findings = Iterable[Finding]

__all__ = [
    "MACRO",
    "UNREAD",
    "Beads",
    "Block",
    "Claims",
    "Columns",
    "Crossing",
    "Finding",
    "Findings",
    "HeatTimeline",
    "JobFacts",
    "LayerMap",
    "Limits",
    "Moves",
    "NotApplicableError",
    "Printer",
    "Rule",
    "RuleError",
    "Severity",
    "Where",
    "cell_keys",
    "code_of",
    "command_of",
    "connected_regions",
    "counted",
    "density_g_cm3",
    "neighbour_offsets",
    "touching",
]
