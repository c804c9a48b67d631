"""The preflight of one job: bytes -> columns -> moves -> layers -> rules -> report and job index, as a stream.

Memory does not grow with the job: it is read in blocks of about 64 KiB, worked on in pieces of about a quarter of a
megabyte. Reads the stream it is given and nothing else; writes nothing.
"""

import ctypes
from collections import deque
from collections.abc import Callable, Generator
from contextlib import AbstractContextManager, closing, nullcontext, suppress
from dataclasses import dataclass, fields
from typing import Any, BinaryIO

import numpy as np

import layergate
from layergate.gcode.blocks import Block
from layergate.gcode.columns import MACRO, Columns, code_of, command_of
from layergate.jobindex import JobIndex, LayerTable, Spans
from layergate.layers.builder import Beads, LayerBuilder, laid_whole
from layergate.layers.layermap import LayerMap, layer_map
from layergate.materials import density_g_cm3
from layergate.preflight.catalogue import LoadedRule, rules_version, settings_of
from layergate.preflight.findings import Coverage, Estimate, JobIdentity, Report, verdict_of
from layergate.preflight.layertimes import LayerTimes
from layergate.preflight.places import placed
from layergate.preflight.reading import Ending, Piece, read_pieces
from layergate.preflight.rule import JobFacts
from layergate.preflight.runner import RuleRunner
from layergate.preflight.untold import MacrosWhileLaying, untold
from layergate.printer import Printer, PrinterDescription
from layergate.toolpath.heat import HeatTimeline
from layergate.toolpath.heating import heating_seconds
from layergate.toolpath.moves import DEPOSIT, Moves, concatenate, no_moves

_PIECES_BETWEEN_TRIMS = 20  # small things that stay would else hold ever more freed memory between them
_CLAIM_BLOCKS = 4  # claims of key and value stand within this many blocks from the start and end of a job
_END_COMMANDS = 64
_SPLINE = code_of("G5")

Ticks = Callable[[Callable[[], None]], AbstractContextManager[None]]
"""Gives a context in which a function is called from time to time."""
Ahead = Callable[[Generator[Piece | Ending, None, None]], Generator[Piece | Ending, None, None]]
"""Gives the items of an iterator, made elsewhere or not."""


@dataclass(frozen=True, slots=True)
class Examination:
    """What a preflight gives."""

    report: Report
    layers: LayerMap
    rule_seconds: dict[str, float]
    """CPU time that each rule took, for the benchmark."""
    _make_index: Callable[[], JobIndex]

    @property
    def index(self) -> JobIndex:
        """The job index, made when it is asked for: a check without a printer needs none."""
        return self._make_index()


def examine(
    stream: BinaryIO,
    name: str,
    description: PrinterDescription,
    rules: list[LoadedRule],
    checked_at: str,
    on_progress: Callable[[int], None] | None = None,
    ticks: Ticks | None = None,
    ahead: Ahead | None = None,
) -> Examination:
    """Examine one job.

    Args:
        stream: the job, plain bytes, read once from start to end.
        name: how the job is called in texts.
        description: of the printer that it is for; ``UNSTATED`` where nobody said.
        rules: see layergate.preflight.catalogue.load_rules.
        checked_at: time of the check for the report, UTC, RFC 3339.
        on_progress: called with the bytes read so far, about every quarter of a megabyte.
        ticks: see layergate.cputicks; without it a rule that never ends is never stopped.
        ahead: see layergate.ahead; without it one core does all.

    Raises:
        UnreadableJobError: the job can't be cut into lines.
        RuleError: the description's settings of rules are wrong.
        OSError: the stream can't be read; ChildProcessError: what reads it was ended from outside.
    """
    runner = RuleRunner(rules, settings_of(rules, description), description.printer)
    preflight = _Preflight(name, description.printer, runner)
    pieces = read_pieces(stream, description.printer)
    with ticks(runner.look) if ticks else nullcontext(), closing(ahead(pieces) if ahead else pieces) as items:
        for item in items:
            if isinstance(item, Ending):
                return preflight.finish(item, description, rules, checked_at)
            preflight.take(item)
            if on_progress:
                on_progress(preflight.job.size_bytes)
    raise AssertionError("the pieces of a job end with its ending")


class _Preflight:
    """The running state of one preflight."""

    def __init__(self, name: str, printer: Printer, runner: RuleRunner) -> None:
        self.printer = printer
        self.runner = runner
        self.job = JobFacts(name)
        self._layers: LayerBuilder | None = None
        self._waiting: Moves | None = None  # the last moves, until their loop is whole
        self._heat = HeatTimeline()
        self._blocks = 0
        self._span_lines: list[int] = []
        self._span_layers: list[int] = []
        self._times = LayerTimes()
        self._tail: deque[Block] = deque(maxlen=_CLAIM_BLOCKS)
        self._end: deque[tuple[int, str]] = deque(maxlen=_END_COMMANDS)
        self._macros = MacrosWhileLaying()
        self._pieces = 0

    def take(self, piece: Piece) -> None:
        """Take the next piece of the job."""
        for block, columns in piece.blocks:
            self._take_block(block, columns)
        self._heat.go_on(piece.heat)
        self._lay(piece.moves, self._builder(piece.filament_diameter_mm))
        self._times.planned(piece.planned_s)
        self._pieces += 1
        if self._pieces % _PIECES_BETWEEN_TRIMS == 0:
            _give_freed_memory_back()
        self._macros.settle(self.job.first_deposit_line, self.job.last_deposit_line)

    def _take_block(self, block: Block, columns: Columns) -> None:
        job = self.job
        head = self._blocks < _CLAIM_BLOCKS
        job.claims.read(block.raw, block.first_line, keys=head)
        if not head:
            self._tail.append(block)
        self._blocks += 1
        job.size_bytes += len(block.raw)
        job.lines += block.lines
        job.ends_with_line_end = block.raw.endswith((b"\n", b"\r"))
        job.last_line_text = block.raw.rstrip(b"\r\n").rpartition(b"\n")[2][-200:]
        self._run("each_block", block=block, columns=columns)
        self._note_commands(columns)

    def _builder(self, filament_diameter_mm: float) -> LayerBuilder:
        """Give the layer builder, made when it is first asked for."""
        if self._layers is None:
            self.job.filament_area_mm2 = float(np.pi * filament_diameter_mm**2 / 4)
            wanted = self.runner.wants("each_layer")
            self._layers = LayerBuilder(self.job.filament_area_mm2, self._see_layer if wanted else None)
        return self._layers

    def _run(self, stage: Any, **facts: Any) -> None:
        facts["job"] = self.job
        self.runner.run(stage, facts, self.job.size_bytes / 1e6)

    def _see_layer(self, beads: Beads) -> None:
        self._run("each_layer", beads=beads)

    def _note_commands(self, columns: Columns) -> None:
        others, present = columns.rare()
        for row in others[-_END_COMMANDS:].tolist():
            code = int(columns.code[row])
            if code == _SPLINE:
                continue
            text = "macro" if code == MACRO else command_of(code)
            value = columns.word("S")[row]
            self._end.append((int(columns.line[row]), text + (f" S{value:g}" if np.isfinite(value) else "")))
        if MACRO in present:
            macros = columns.line[others[columns.code[others] == MACRO]]
            self._macros.see(macros)
            lines = self.job.macro_lines
            self.job.macro_lines = [lines[0] if lines else int(macros[0]), int(macros[-1])]

    def _lay(self, moves: Moves, layers: LayerBuilder, *, final: bool = False) -> None:
        """Lay the next moves, but for those at the end that wait for what follows."""
        if self._waiting is not None:
            moves = concatenate([self._waiting, moves])
        whole = len(moves) if final else laid_whole(moves)
        self._waiting = moves.take(slice(whole, None)) if whole < len(moves) else None
        moves = moves.take(slice(whole)) if self._waiting is not None else moves
        if not len(moves):
            return
        for column in fields(Moves):
            getattr(moves, column.name).flags.writeable = False
        job = self.job
        pushes = moves.push_mm[moves.push_mm > 0]
        job.pushed_mm += float(pushes.sum())
        job.laid_mm += float(moves.laid_mm.sum())
        deposits = np.flatnonzero(moves.kind == DEPOSIT)
        if len(deposits):
            if job.first_deposit_line is None:
                job.first_deposit_line = int(moves.line[deposits[0]])
            job.last_deposit_line = int(moves.line[deposits[-1]])
        job.last_move_line = int(moves.line[-1])
        before = layers.current
        identifiers = layers.feed(moves)
        changes = np.flatnonzero(np.diff(identifiers, prepend=before))
        self._span_lines.extend(moves.line[changes].tolist())
        self._span_layers.extend(identifiers[changes].tolist())
        self._times.laid(identifiers)
        self._run("each_moves", moves=moves, heat=self._heat)

    def finish(
        self, ending: Ending, description: PrinterDescription, rules: list[LoadedRule], checked_at: str
    ) -> Examination:
        """End the job: judge the whole and write the report and the job index."""
        job, layers = self.job, self._builder(ending.filament_diameter_mm)
        self._lay(no_moves(), layers, final=True)
        self._macros.settle(job.first_deposit_line, job.last_deposit_line)
        self._times.planned(ending.planned_s)
        for block in self._tail:
            job.claims.read(block.raw, block.first_line, keys=True, marks=False)
        job.commands = ending.commands
        job.unrebuilt = ending.unrebuilt
        job.homed_line, job.first_move_line = ending.homed_line, ending.first_move_line
        job.homed_heights = ending.homed_heights
        job.first_extrusion_line, job.extruder_mode_stated = ending.first_extrusion_line, ending.extruder_mode_stated
        job.end_commands = list(self._end)
        rows, numbers = layers.finish()
        job.crossings = layers.crossings
        job.purge_mm = layers.purge_filament_mm
        by_number = {number: identifier for identifier, number in numbers.items() if number}
        seconds = [self._times.seconds(by_number[n]) for n in range(1, len(rows) + 1)]
        made = layer_map(rows, layers.gaps, seconds, job.filament_area_mm2, layers.flow_known)
        for column in fields(LayerMap):
            value = getattr(made, column.name)
            if isinstance(value, np.ndarray):
                value.flags.writeable = False
        self._run("finish", layers=made, heat=self._heat)

        findings = [placed(finding, made) for finding in self.runner.findings()]
        _give_freed_memory_back()
        judged = len(rules) - len(self.runner.not_applied)
        report = Report(
            tool_version=layergate.__version__,
            rules_version=rules_version(rules),
            printer_sha256=description.sha256(),
            checked_at=checked_at,
            job=JobIdentity(name=job.name, sha256=ending.sha256, bytes=job.size_bytes, lines=job.lines),
            verdict=verdict_of(findings),
            coverage=Coverage(judged=judged, rules=len(rules)),
            findings=findings,
            not_applied=self.runner.not_applied_list(),
            estimate=self._estimate(made, ending),
            layers=made.columns(),
            layers_untold=untold(job, made, layers.unsure(), self._macros),
            unread=dict(sorted(ending.unrebuilt.counts.items())),
            unread_lines=dict(sorted(ending.unrebuilt.lines.items())),
            rules={rule.identifier: f"{rule.distribution} {rule.version}" for rule in rules},
        )
        return Examination(report, made, dict(self.runner.seconds), lambda: self._index(made, numbers, report, ending))

    def _estimate(self, made: LayerMap, ending: Ending) -> Estimate:
        volume = self.job.laid_mm * self.job.filament_area_mm2
        density = density_g_cm3(self.printer.material, self.job.claims)
        heating = round(heating_seconds(self._heat.events), 1)
        first, macros = self.job.first_deposit_line, self.job.macro_lines
        hidden = bool(macros) and first is not None and macros[0] < first  # a macro may heat
        return Estimate(
            print_seconds=round(ending.clock_s - ending.dwell_s, 2),
            heating_seconds=None if hidden and not heating else heating,
            dwell_seconds=round(ending.dwell_s, 2),
            filament_mm=round(self.job.laid_mm, 3),
            filament_g=None if density is None else round(volume * density / 1000, 3),
            volume_mm3=round(volume, 3),
            layers=len(made),
            height_mm=round(float(made.z_mm.max()), 4) if len(made) else 0.0,
        )

    def _index(self, made: LayerMap, numbers: dict[int, int], report: Report, ending: Ending) -> JobIndex:
        spans = Spans()
        for line, identifier in zip(self._span_lines, self._span_layers, strict=True):
            number = numbers.get(identifier, 0)
            if not spans.layer or spans.layer[-1] != number:
                spans.first_line.append(line)
                spans.layer.append(number)
        table = LayerTable(
            z_mm=np.round(made.z_mm, 4).tolist(),
            first_line=made.first_line.tolist(),
            last_line=made.last_line.tolist(),
            planned_s=np.round(made.planned_s, 3).tolist(),
            filament_mm=np.round(made.laid_mm, 4).tolist(),
        )
        index = JobIndex(
            name=self.job.name,
            sha256=report.job.sha256,
            size_bytes=report.job.bytes,
            lines=report.job.lines,
            dialect=self.printer.dialect.dialect(),
            blocks=ending.notes.blocks(),
            layers=table,
            spans=spans,
            print_seconds=round(ending.clock_s, 3),
            heating_seconds=report.estimate.heating_seconds or 0.0,
            commands=self.job.commands,
        )
        index.blocks.layer = [index.layer_at(line) for line in index.blocks.first_line]
        return index


def _give_freed_memory_back() -> None:
    """Let the C library return what the arrays of earlier pieces took; a few milliseconds."""
    with suppress(OSError, AttributeError, TypeError):  # another C library, which has no such function
        ctypes.CDLL(None).malloc_trim(0)
