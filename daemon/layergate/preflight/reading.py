"""The first half of a preflight: bytes -> blocks -> columns -> moves -> times, in pieces; nothing is laid or judged here.

It needs nothing of what the second half finds, so it may run ahead of it, in another process (layergate.ahead): all that
it gives can be pickled. Memory does not grow with the job.
"""

from collections.abc import Generator
from dataclasses import dataclass
from hashlib import sha256
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from layergate.gcode.blocks import Block, read_blocks
from layergate.gcode.claims import Claims
from layergate.gcode.columns import Columns, read_columns
from layergate.preflight.blocknotes import BlockNotes
from layergate.printer import Printer
from layergate.toolpath.heat import HeatTimeline
from layergate.toolpath.moves import Moves, Unrebuilt, concatenate, no_moves
from layergate.toolpath.planner import (
    DEFAULT_ACCELERATION_MM_S2,
    DEFAULT_JUNCTION_DEVIATION_MM,
    MotionLimits,
    Planner,
)
from layergate.toolpath.reader import MoveReader

PIECE_BYTES = 256 * 1024
"""Size of a piece, but for the first ones, which are smaller."""
_DEFAULT_FILAMENT_MM = 1.75


@dataclass(frozen=True, slots=True)
class Piece:
    """Some blocks of the job, about a quarter of a megabyte in all but the first."""

    filament_diameter_mm: float
    """As stated, else as the job's first block claims, else the commonest: of the whole job."""
    blocks: list[tuple[Block, Columns]]
    moves: Moves
    planned_s: npt.NDArray[np.float64]
    """Seconds that moves take, of the next ones in order for which it is settled: of earlier pieces, too."""
    heat: HeatTimeline
    """As it stands after these blocks, with the events of these blocks only: see ``HeatTimeline.go_on``."""


@dataclass(frozen=True, slots=True)
class Ending:
    """What is known when all is read."""

    filament_diameter_mm: float
    sha256: str
    """Of the job."""
    notes: BlockNotes
    planned_s: npt.NDArray[np.float64]
    """Seconds of the last moves, after those of the pieces."""
    clock_s: float
    """Planned seconds of the whole, dwells included."""
    dwell_s: float
    commands: int
    unrebuilt: Unrebuilt
    homed_line: int | None
    homed_heights: list[tuple[int, int]]
    first_move_line: int | None
    first_extrusion_line: int | None
    extruder_mode_stated: bool


def _filament_diameter_mm(printer: Printer, first: Block) -> float:
    if printer.filament_diameter_mm is not None:
        return printer.filament_diameter_mm
    claims = Claims()
    claims.read(first.raw, first.first_line, keys=True)
    claimed = claims.number("filament_diameter", "filament diameter", "filamentdiameter")
    return claimed if claimed and 1.0 < claimed < 4.0 else _DEFAULT_FILAMENT_MM


def read_pieces(stream: BinaryIO, printer: Printer) -> Generator[Piece | Ending, None, None]:
    """Read a job from start to end; the last item, and no other, is the ending.

    Args:
        stream: the job, plain bytes, read once.
        printer: its dialect says what lines mean.

    Raises:
        UnreadableJobError: the job can't be cut into lines.
        OSError: the stream can't be read.
    """
    reading = _Reading(printer)
    for block in read_blocks(stream, reading.dialect):
        reading.take(block)
        # The first is a block, and they double from there: whoever lays them shall not wait for a whole one.
        if reading.size >= min(PIECE_BYTES, block.offset):
            yield reading.piece()
    if reading.size:
        yield reading.piece()
    yield reading.ending()


class _Reading:
    """The running state of one reading."""

    def __init__(self, printer: Printer) -> None:
        self.dialect = printer.dialect.dialect()
        self.size = 0
        """Bytes taken since the last piece."""
        self._printer = printer
        self._filament_diameter_mm = _DEFAULT_FILAMENT_MM
        self._reader: MoveReader | None = None
        self._planner = Planner(motion_limits(printer))
        self._digest, self._notes = sha256(), BlockNotes()
        self._blocks: list[tuple[Block, Columns]] = []
        self._moves: list[Moves] = []
        self._events = 0

    def take(self, block: Block) -> None:
        if self._reader is None:
            self._filament_diameter_mm = _filament_diameter_mm(self._printer, block)
            self._reader = MoveReader(self.dialect, self._filament_diameter_mm)
        self._digest.update(block.raw)
        self._notes.add(block, self._reader)
        columns = read_columns(block.payload, block.first_line)
        self._blocks.append((block, columns))
        moves = self._reader.read(columns)
        if len(moves):
            self._moves.append(moves)
        self.size += len(block.raw)

    def piece(self) -> Piece:
        reader = self._reader
        assert reader is not None
        moves = concatenate(self._moves) if self._moves else no_moves()
        planned = self._planner.feed(moves, reader.limit_changes)
        self._notes.plan(planned)
        heat = reader.heat.since(self._events)
        piece = Piece(self._filament_diameter_mm, self._blocks, moves, planned.seconds, heat)
        self._events = len(reader.heat.events)
        reader.limit_changes = []
        self._blocks, self._moves, self.size = [], [], 0
        return piece

    def ending(self) -> Ending:
        reader, planner = self._reader or MoveReader(self.dialect), self._planner
        planned = planner.finish()
        self._notes.plan(planned)
        self._notes.end_plan(planner.clock_s)
        return Ending(
            filament_diameter_mm=self._filament_diameter_mm,
            sha256=self._digest.hexdigest(),
            notes=self._notes,
            planned_s=planned.seconds,
            clock_s=planner.clock_s,
            dwell_s=planner.dwell_s,
            commands=reader.commands,
            unrebuilt=reader.unrebuilt,
            homed_line=reader.homed_line,
            homed_heights=reader.homed_heights,
            first_move_line=reader.first_move_line,
            first_extrusion_line=reader.first_extrusion_line,
            extruder_mode_stated=reader.extruder_mode_stated,
        )


def motion_limits(printer: Printer) -> MotionLimits:
    """Give what bounds the planned speeds: as stated, else common values."""

    def per_axis(axes: Any) -> tuple[float | None, float | None, float | None, float | None]:
        return (axes.x, axes.y, axes.z, axes.e) if axes else (None, None, None, None)

    return MotionLimits(
        acceleration_mm_s2=printer.print_acceleration_mm_s2 or DEFAULT_ACCELERATION_MM_S2,
        junction_deviation_mm=printer.junction_deviation_mm or DEFAULT_JUNCTION_DEVIATION_MM,
        maximum_speed_mm_s=per_axis(printer.maximum_speed_mm_s),
        maximum_acceleration_mm_s2=per_axis(printer.maximum_acceleration_mm_s2),
    )
