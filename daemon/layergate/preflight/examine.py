"""The preflight of one job: bytes -> columns -> moves -> layers -> rules -> report and job index, as a stream.

Memory does not grow with the job: it is read in blocks of about 64 KiB, worked on in pieces of about half a megabyte.
Reads the stream it is given and nothing else; writes nothing.
"""

import ctypes
from collections import deque
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import dataclass, fields
from hashlib import sha256
from typing import Any, BinaryIO

import numpy as np

import layergate
from layergate.gcode.blocks import Block, read_blocks
from layergate.gcode.columns import MACRO, Columns, code_of, command_of, read_columns
from layergate.jobindex import JobIndex, LayerTable, Spans
from layergate.layers.builder import Beads, LayerBuilder, laid_whole
from layergate.layers.layermap import LayerMap, layer_map
from layergate.materials import density_g_cm3
from layergate.preflight.blocknotes import BlockNotes
from layergate.preflight.catalogue import LoadedRule, rules_version, settings_of
from layergate.preflight.findings import Coverage, Estimate, JobIdentity, Report, verdict_of
from layergate.preflight.places import placed
from layergate.preflight.rule import JobFacts
from layergate.preflight.runner import RuleRunner
from layergate.preflight.untold import MacrosWhileLaying, untold
from layergate.printer import Printer, PrinterDescription
from layergate.toolpath.heating import heating_seconds
from layergate.toolpath.moves import DEPOSIT, Moves, concatenate
from layergate.toolpath.planner import (
    DEFAULT_ACCELERATION_MM_S2,
    DEFAULT_JUNCTION_DEVIATION_MM,
    MotionLimits,
    Planned,
    Planner,
)
from layergate.toolpath.reader import MoveReader

PIECE_BYTES = 256 * 1024
_PIECES_BETWEEN_TRIMS = 20  # small things that stay would else hold ever more freed memory between them
_CLAIM_BLOCKS = 4  # claims of key and value stand within this many blocks from the start and end of a job
_END_COMMANDS = 64
_SPLINE = code_of("G5")
_DEFAULT_FILAMENT_MM = 1.75

Ticks = Callable[[Callable[[], None]], AbstractContextManager[None]]
"""Gives a context in which a function is called from time to time."""


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
) -> Examination:
    """Examine one job.

    Args:
        stream: the job, plain bytes, read once from start to end.
        name: how the job is called in texts.
        description: of the printer that it is for; ``UNSTATED`` where nobody said.
        rules: see layergate.preflight.catalogue.load_rules.
        checked_at: time of the check for the report, UTC, RFC 3339.
        on_progress: called with the bytes read so far, about every half megabyte.
        ticks: see layergate.cputicks; without it a rule that never ends is never stopped.

    Raises:
        UnreadableJobError: the job can't be cut into lines.
        RuleError: the description's settings of rules are wrong.
        OSError: the stream can't be read.
    """
    runner = RuleRunner(rules, settings_of(rules, description), description.printer)
    preflight = _Preflight(name, description.printer, runner)
    with ticks(runner.look) if ticks else nullcontext():
        for block in read_blocks(stream, description.printer.dialect.dialect()):
            preflight.take(block)
            if on_progress and preflight.piece_bytes == 0:
                on_progress(block.offset + len(block.raw))
        return preflight.finish(description, rules, checked_at)


class _Preflight:
    """The running state of one preflight."""

    def __init__(self, name: str, printer: Printer, runner: RuleRunner) -> None:
        self.printer = printer
        self.runner = runner
        self.job = JobFacts(name)
        self.piece_bytes = 0
        self._digest = sha256()
        self._dialect = printer.dialect.dialect()
        self._reader: MoveReader | None = None
        self._layers: LayerBuilder | None = None
        self._planner = Planner(_limits_of(printer))
        self._piece: list[Moves] = []
        self._blocks = BlockNotes()
        self._marks: deque[int] = deque()  # first lines of blocks whose planned time is not settled yet
        self._span_lines: list[int] = []
        self._span_layers: list[int] = []
        self._seconds = np.zeros(64)  # planned, by layer identifier
        self._tail: deque[Block] = deque(maxlen=_CLAIM_BLOCKS)
        self._end: deque[tuple[int, str]] = deque(maxlen=_END_COMMANDS)
        self._diameter = printer.filament_diameter_mm
        self._macros = MacrosWhileLaying()
        self._pieces = 0

    def take(self, block: Block) -> None:
        """Take the next block of the job."""
        job = self.job
        head = len(self._blocks) < _CLAIM_BLOCKS
        job.claims.read(block.raw, block.first_line, keys=head)
        if not head:
            self._tail.append(block)
        reader, layers = self._readers()
        self._digest.update(block.raw)
        self._note_block(block, reader)
        job.size_bytes += len(block.raw)
        job.lines += block.lines
        job.ends_with_line_end = block.raw.endswith((b"\n", b"\r"))
        job.last_line_text = block.raw.rstrip(b"\r\n").rpartition(b"\n")[2][-200:]
        columns = read_columns(block.payload, block.first_line)
        self._run("each_block", block=block, columns=columns)
        moves = reader.read(columns)
        self._note_commands(columns)
        if len(moves):
            self._piece.append(moves)
        self.piece_bytes += len(block.raw)
        if self.piece_bytes >= PIECE_BYTES:
            self._work(layers)

    def _readers(self) -> tuple[MoveReader, LayerBuilder]:
        """Make the readers when the first block has told what its comments claim of the filament."""
        if self._reader is None or self._layers is None:
            claimed = self.job.claims.number("filament_diameter", "filament diameter", "filamentdiameter")
            if self._diameter is None:
                self._diameter = claimed if claimed and 1.0 < claimed < 4.0 else _DEFAULT_FILAMENT_MM
            self._reader = MoveReader(self._dialect, self._diameter)
            wanted = self.runner.wants("each_layer")
            self._layers = LayerBuilder(self._filament_area(), self._see_layer if wanted else None)
        return self._reader, self._layers

    def _filament_area(self) -> float:
        diameter = self._diameter or _DEFAULT_FILAMENT_MM
        return float(np.pi * diameter**2 / 4)

    def _run(self, stage: Any, **facts: Any) -> None:
        facts["job"] = self.job
        self.runner.run(stage, facts, self.job.size_bytes / 1e6)

    def _see_layer(self, beads: Beads) -> None:
        self._run("each_layer", beads=beads)

    def _note_block(self, block: Block, reader: MoveReader) -> None:
        self._blocks.add(block, reader)
        self._marks.append(block.first_line)

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

    def _work(self, layers: LayerBuilder, *, final: bool = False) -> None:
        """Work on the moves gathered so far."""
        self._lay_piece(layers, final=final)
        self._pieces += 1
        if self._pieces % _PIECES_BETWEEN_TRIMS == 0:
            _give_freed_memory_back()
        self._macros.settle(self.job.first_deposit_line, self.job.last_deposit_line)

    def _lay_piece(self, layers: LayerBuilder, *, final: bool) -> None:
        self.piece_bytes = 0
        if not self._piece:
            return
        moves = concatenate(self._piece)
        whole = len(moves) if final else laid_whole(moves)
        self._piece = [moves.take(slice(whole, None))] if whole < len(moves) else []
        moves = moves.take(slice(whole)) if self._piece else moves
        if not len(moves):
            return
        for column in fields(Moves):
            getattr(moves, column.name).flags.writeable = False
        job, reader = self.job, self._reader
        assert reader is not None
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
        limits = [change for change in reader.limit_changes if final or change.line <= int(moves.line[-1])]
        reader.limit_changes = reader.limit_changes[len(limits) :]
        self._note_times(self._planner.feed(moves, identifiers, limits))
        self._run("each_moves", moves=moves, heat=reader.heat)

    def _note_times(self, planned: Planned) -> None:
        if not len(planned.line):
            return
        per_layer = np.bincount(planned.owner, planned.seconds)
        if len(per_layer) > len(self._seconds):
            grown = np.zeros(2 * len(per_layer))
            grown[: len(self._seconds)] = self._seconds
            self._seconds = grown
        self._seconds[: len(per_layer)] += per_layer
        last = int(planned.line[-1])
        while self._marks and self._marks[0] <= last:
            at = int(np.searchsorted(planned.line, self._marks.popleft()))
            self._blocks.add_time(float(planned.start_s[at]))

    def finish(self, description: PrinterDescription, rules: list[LoadedRule], checked_at: str) -> Examination:
        """End the job: judge the whole and write the report and the job index."""
        reader, layers = self._readers()
        self._work(layers, final=True)
        self._note_times(self._planner.finish())
        for _ in self._marks:
            self._blocks.add_time(self._planner.clock_s)
        job = self.job
        for block in self._tail:
            job.claims.read(block.raw, block.first_line, keys=True, marks=False)
        job.commands = reader.commands
        job.unrebuilt = reader.unrebuilt
        job.homed_line, job.first_move_line = reader.homed_line, reader.first_move_line
        job.first_extrusion_line, job.extruder_mode_stated = reader.first_extrusion_line, reader.extruder_mode_stated
        job.end_commands = list(self._end)
        rows, numbers = layers.finish()
        job.crossings = layers.crossings
        job.purge_mm = layers.purge_filament_mm
        by_number = {number: identifier for identifier, number in numbers.items() if number}
        seconds = [float(self._seconds[by_number[n]]) for n in range(1, len(rows) + 1)]
        made = layer_map(rows, layers.gaps, seconds, self._filament_area(), layers.flow_known)
        for column in fields(LayerMap):
            value = getattr(made, column.name)
            if isinstance(value, np.ndarray):
                value.flags.writeable = False
        self._run("finish", layers=made, heat=reader.heat)

        findings = [placed(finding, made) for finding in self.runner.findings()]
        self._piece = []
        _give_freed_memory_back()
        judged = len(rules) - len(self.runner.not_applied)
        report = Report(
            tool_version=layergate.__version__,
            rules_version=rules_version(rules),
            printer_sha256=description.sha256(),
            checked_at=checked_at,
            job=JobIdentity(name=job.name, sha256=self._digest.hexdigest(), bytes=job.size_bytes, lines=job.lines),
            verdict=verdict_of(findings),
            coverage=Coverage(judged=judged, rules=len(rules)),
            findings=findings,
            not_applied=self.runner.not_applied_list(),
            estimate=self._estimate(made, reader),
            layers=made.columns(),
            layers_untold=untold(job, made, layers.unsure(), self._macros),
            unread=dict(sorted(reader.unrebuilt.counts.items())),
            unread_lines=dict(sorted(reader.unrebuilt.lines.items())),
            rules={rule.identifier: f"{rule.distribution} {rule.version}" for rule in rules},
        )
        return Examination(report, made, dict(self.runner.seconds), lambda: self._index(made, numbers, report))

    def _estimate(self, made: LayerMap, reader: MoveReader) -> Estimate:
        volume = self.job.laid_mm * self._filament_area()
        density = density_g_cm3(self.printer.material, self.job.claims)
        dwell = self._planner.dwell_s
        heating = round(heating_seconds(reader.heat.events), 1)
        first, macros = self.job.first_deposit_line, self.job.macro_lines
        hidden = bool(macros) and first is not None and macros[0] < first  # a macro may heat
        return Estimate(
            print_seconds=round(self._planner.clock_s - dwell, 2),
            heating_seconds=None if hidden and not heating else heating,
            dwell_seconds=round(dwell, 2),
            filament_mm=round(self.job.laid_mm, 3),
            filament_g=None if density is None else round(volume * density / 1000, 3),
            volume_mm3=round(volume, 3),
            layers=len(made),
            height_mm=round(float(made.z_mm.max()), 4) if len(made) else 0.0,
        )

    def _index(self, made: LayerMap, numbers: dict[int, int], report: Report) -> JobIndex:
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
            dialect=self._dialect,
            blocks=self._blocks.blocks(),
            layers=table,
            spans=spans,
            print_seconds=round(self._planner.clock_s, 3),
            heating_seconds=report.estimate.heating_seconds or 0.0,
            commands=self.job.commands,
        )
        index.blocks.layer = [index.layer_at(line) for line in index.blocks.first_line]
        return index


def _give_freed_memory_back() -> None:
    """Let the C library return what the arrays of earlier pieces took; a few milliseconds."""
    with suppress(OSError, AttributeError, TypeError):  # another C library, which has no such function
        ctypes.CDLL(None).malloc_trim(0)


def _limits_of(printer: Printer) -> MotionLimits:
    def per_axis(axes: Any) -> tuple[float | None, float | None, float | None, float | None]:
        return (axes.x, axes.y, axes.z, axes.e) if axes else (None, None, None, None)

    return MotionLimits(
        acceleration_mm_s2=printer.print_acceleration_mm_s2 or DEFAULT_ACCELERATION_MM_S2,
        junction_deviation_mm=printer.junction_deviation_mm or DEFAULT_JUNCTION_DEVIATION_MM,
        maximum_speed_mm_s=per_axis(printer.maximum_speed_mm_s),
        maximum_acceleration_mm_s2=per_axis(printer.maximum_acceleration_mm_s2),
    )
