"""Columns -> moves: what each command makes of the machine's state, block by block.

Keeps the modal state from block to block: distance modes, units, offsets, extruder, retraction debt, feed, factors.
What can't be rebuilt is counted with its lines, never guessed. Knows no layer and no limit of a machine; what the
commands mean is the community convention's, and RS-274/NGC's where both agree. Some 500 lines, since the modes of one
machine belong together.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from layergate.gcode.columns import MACRO, UNREAD, Columns, code_of
from layergate.gcode.dialect import Dialect
from layergate.toolpath.arcs import AXES_OF_PLANE, Arcs, arcs_from_words
from layergate.toolpath.chords import with_chords
from layergate.toolpath.extruders import RETRACTION_CODES, FirmwareRetraction, Flow
from layergate.toolpath.frames import G53, Frames, frame_rows
from layergate.toolpath.heat import BED_CODES, HOT_END_CODES, HeatTimeline, bed_over, fan_over, read_heat
from layergate.toolpath.limits import LIMIT_CODES, Accelerations, limit_changes
from layergate.toolpath.modes import MM_PER_INCH, Axis, Held
from layergate.toolpath.moves import (
    LimitChange,
    Moves,
    Unrebuilt,
    concatenate,
    kinds_of,
    no_moves,
)

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
I32 = npt.NDArray[np.int32]
U8 = npt.NDArray[np.uint8]
Bool = npt.NDArray[np.bool_]

_G0, _G1, _G2, _G3 = (code_of(c) for c in ("G0", "G1", "G2", "G3"))
_SPLINES = frozenset(code_of(c) for c in ("G5", "G5.1", "G5.2", "G5.3"))
_G4, _G10, _G28, _G92 = (code_of(c) for c in ("G4", "G10", "G28", "G92"))
_MODES = {name: code_of(name) for name in ("G17", "G18", "G19", "G20", "G21", "G90", "G91", "M82", "M83")}
_DRAINS = np.array(
    [
        code_of(c)
        for c in ("G28", "G29", "G4", "M400", "M0", "M1", "M109", "M190", "M191", "M116", "M600", "M601", "M226")
    ],
    np.int32,
)
# Commands that move the frame of reference in ways not rebuilt here.
_WORK_OFFSETS = np.array([code_of(c) for c in ("M206", "M428")], np.int32)
_DRAIN_CODES = frozenset(_DRAINS.tolist())
_WORK_OFFSET_CODES = frozenset(_WORK_OFFSETS.tolist())
_HEAT_CODES = frozenset([*HOT_END_CODES, *BED_CODES, _G10, code_of("M116"), MACRO])
_M101, _M103, _M200, _M218 = (code_of(c) for c in ("M101", "M103", "M200", "M218"))
_LARGEST_NUMBER = 1e8  # no coordinate, filament or feed of any machine
_LEAST_LAID_MM = 1e-7
_DEFAULT_FEED_MM_S = 25.0  # before any F word: what common controllers start with (common practice)
_AREA_175 = np.pi * 1.75**2 / 4

LAST_LINE = 1 << 62
"""Beyond every line of a job: up to its end."""

_MOST_HOMINGS = 1000


class MoveReader:
    """Turns the columns of one job, block by block, into moves."""

    def __init__(self, dialect: Dialect, filament_diameter_mm: float | None = None) -> None:
        self._dialect = dialect
        self.x, self.y, self.z, self.e = Axis(), Axis(), Axis(), Axis()
        self.frames = Frames()
        self.heat = HeatTimeline()
        self.unrebuilt = Unrebuilt({}, {})
        self.commands = 0
        """Lines read so far that go to the printer."""
        self.extruder_word: str | None = None
        """The letter that moves the extruder in this job: E, or A or B; None before any did."""
        self.extruder_mode_stated = False
        """Whether M82 or M83 came before the first extrusion."""
        self.first_extrusion_line: int | None = None
        self.homed_line: int | None = None
        self.homed_heights: list[tuple[int, int]] = []
        """Lines from each homing of Z to the one that next states its height: how high home is, is the machine's own matter."""
        self.first_move_line: int | None = None
        self._filament_area = np.pi * filament_diameter_mm**2 / 4 if filament_diameter_mm else _AREA_175
        self._xyz_relative, self._e_relative, self._inches = Held(0.0), Held(0.0), Held(0.0)
        self._e_in_g91 = Held(0.0)
        self._plane, self._feed, self._speed_factor, self._flow = Held(17.0), Held(np.nan), Held(1.0), Flow()
        self._volumetric_area = Held(0.0)  # filament area by M200, 0 where E is a length
        self._diameter_area = self._filament_area
        self._accelerations = Accelerations()
        self.limit_changes: list[LimitChange] = []
        """What the job changes of the machine's limits, in order, until someone takes it away."""
        self._extruder_on = Held(0.0)  # M101/M103
        self._retraction = FirmwareRetraction()
        self._debts_mm: dict[int, float] = {}
        self._hot_end, self._tool = Held(np.nan), Held(0.0)
        self._bed, self._fan = Held(np.nan), Held(np.nan)
        self._present: frozenset[int] = frozenset()  # codes in the block that are no moves; most are in no block

    @property
    def modes(self) -> tuple[bool, bool]:
        """Whether XYZ and E words are relative after the last block, before G91's hold over E is counted."""
        return bool(self._xyz_relative.value), bool(self._e_relative.value)

    def position(self) -> tuple[float | None, float | None, float | None]:
        """Give the nozzle's position after the last block, mm, machine frame; None where it can't be known."""
        return tuple(  # type: ignore[return-value]
            axis.logical + axis.offset if axis.located else None for axis in (self.x, self.y, self.z)
        )

    def read(self, columns: Columns) -> Moves:
        """Read one block; blocks must come in order."""
        rows = frame_rows(columns, columns.rare()[1])
        if not len(rows):
            return self._read(columns)
        moves_there = (columns.code[rows] == G53) & _any_of(columns, "XYZE")[rows]
        if moves_there.all() and self._in_machine_frame(columns.rare()[1]):
            return self._move_in_machine_frame(columns.part(0, len(columns)), rows)
        # Between two rows the frame is the same, and so it is along a run of moves in the machine's own.
        joined = moves_there[1:] & moves_there[:-1] & (np.diff(rows) == 1)
        parts, done = [], 0
        for run, there in zip(
            np.split(rows, np.flatnonzero(~joined) + 1), moves_there[np.r_[True, ~joined]], strict=True
        ):
            start, stop = int(run[0]), int(run[-1]) + 1
            lines = columns.part(start, stop)
            parts.append(self._read(columns.part(done, start)))
            parts.append(self._move_in_machine_frame(lines, run - start) if there else self._change_frame(lines))
            done = stop
        parts.append(self._read(columns.part(done, len(columns))))
        return concatenate(parts)

    def _in_machine_frame(self, present: frozenset[int]) -> bool:
        """Say whether the job's zero is the machine's and stays so, so that moves in either frame are the same."""
        at_zero = all(axis.offset == 0 for axis in (self.x, self.y, self.z)) and not self._xyz_relative.value
        return at_zero and present.isdisjoint((_G92, _MODES["G91"]))

    def _move_in_machine_frame(self, lines: Columns, rows: I64) -> Moves:
        """Carry out G53: an absolute move while the origin is the machine's, for its line only (RS-274/NGC 3.5.12)."""
        axes = (self.x, self.y, self.z)
        before = [axis.offset for axis in axes]
        relative, self._xyz_relative.value = self._xyz_relative.value, 0.0
        for axis in axes:
            axis.rename_by(-axis.offset)
        lines.code[rows] = _G1
        moves = self._read(lines)
        for axis, offset in zip(axes, before, strict=True):
            axis.rename_by(offset)
        self._xyz_relative.value = relative
        return moves

    def _change_frame(self, line: Columns) -> Moves:
        """Carry out one line that changes the frame."""
        code = int(line.code[0])
        axes = (self.x, self.y, self.z)
        self.commands += 1
        words = {letter: float(line.word(letter)[0]) for letter in "XYZLP" if line.has(letter)[0]}
        if not self.frames.apply(code, words, MM_PER_INCH if self._inches.value else 1.0, axes):
            self.unrebuilt.note("work-offset", line.line)
        return no_moves()

    def _read(self, columns: Columns) -> Moves:
        count = len(columns)
        self.commands += count
        if not count:
            return no_moves()
        code = columns.code
        is_line = (code == _G0) | (code == _G1)
        is_arc = (code == _G2) | (code == _G3)
        is_move = is_line | is_arc
        others, present = columns.rare()
        if splines := present & _SPLINES:
            is_spline = np.isin(code, list(splines))
            self.unrebuilt.note("spline", columns.line[is_spline])
            is_move |= is_spline
            others, present = others[~is_spline[others]], present - splines
        other_code = code[others]
        self._present = present
        self._note_unread(columns, others)

        # Modes in force at each row; a block without the command costs one fill.
        inches = self._switch(self._inches, others, other_code, count, {"G20": 1, "G21": 0})
        xyz_relative = self._switch(self._xyz_relative, others, other_code, count, {"G90": 0, "G91": 1}) > 0
        if self.first_extrusion_line is None and (_MODES["M82"] in present or _MODES["M83"] in present):
            self.extruder_mode_stated = True
        scope = self._dialect.g90_g91_and_e
        e_switch = {"M82": 0, "M83": 1} | ({"G90": 0, "G91": 1} if scope == "until-stated" else {})
        e_relative = self._switch(self._e_relative, others, other_code, count, e_switch) > 0
        if scope == "while-relative":
            shift = self._switch(self._e_in_g91, others, other_code, count, {"G90": 0, "G91": 1, "M82": 0})
            e_relative = e_relative | (shift > 0)
        plane = self._switch(self._plane, others, other_code, count, {"G17": 17, "G18": 18, "G19": 19})
        scale = np.where(inches > 0, MM_PER_INCH, 1.0) if inches.any() else None
        if not present.isdisjoint(_HEAT_CODES) or any(other >> 16 == ord("T") for other in present):
            hot_rows, hot_values, tool_rows, tool_values = read_heat(columns, others, self.heat)
            hot_end = self._hot_end.over(count, hot_rows, hot_values)
            tool = self._tool.over(count, tool_rows, tool_values)
        else:
            hot_end, tool = np.full(count, self._hot_end.value), np.full(count, self._tool.value)

        bed = bed_over(self._bed, columns, others, other_code)
        fan = fan_over(self._fan, columns, others, other_code)

        # Positions before and after each row.
        g92 = code == _G92
        home = code == _G28
        words = {letter: self._word(columns, letter, scale) for letter in "XYZ"}
        e_word = self._extruder_words(columns, is_move, scale)
        bare_g92 = g92
        if _G92 in present:
            bare_g92 = g92 & ~np.isfinite(words["X"]) & ~np.isfinite(words["Y"]) & ~np.isfinite(words["Z"])
            bare_g92 &= ~np.isfinite(e_word)
        any_home = home & ~(columns.has("X") | columns.has("Y") | columns.has("Z")) if home.any() else home
        spots = {
            letter: self._machine_positions(
                axis, words[letter], is_move, g92, bare_g92, home & (columns.has(letter) | any_home), xyz_relative
            )
            for letter, axis in (("X", self.x), ("Y", self.y), ("Z", self.z))
        }
        push = self._pushes(columns, e_word, is_move, g92, bare_g92, e_relative, others, other_code, tool)
        running = self._switched_extruder(others, other_code, count)

        feed_word = self._word(columns, "F", scale)
        with_feed = np.flatnonzero(is_move & np.isfinite(feed_word) & (feed_word > 0))
        feed = self._feed.over(count, with_feed, feed_word[with_feed]) / 60
        feed[np.isnan(feed)] = _DEFAULT_FEED_MM_S
        feed *= self._factor(self._speed_factor, columns, others, other_code, "M220", count)
        for row, speed in self._retraction.take_speeds():
            feed[row] = speed
        acceleration = self._accelerations.by_kind(columns, others, other_code, count)
        if not present.isdisjoint(LIMIT_CODES):
            self.limit_changes += limit_changes(columns, others, other_code, inches, self._dialect)

        z_home = home & (columns.has("Z") | any_home)
        if z_home.any() or (self.homed_heights and self.homed_heights[-1][1] == LAST_LINE):
            self._note_homed_heights(columns.line, z_home, is_move & np.isfinite(words["Z"]) & ~xyz_relative)

        is_wait = np.zeros(count, np.bool_)
        if not present.isdisjoint(_DRAIN_CODES):
            is_wait[others[np.isin(other_code, _DRAINS)]] = True
        wait_s = self._dwells(columns, is_wait)
        if home.any() and self.homed_line is None:
            self.homed_line = int(columns.line[np.flatnonzero(home)[0]])
        # G10 and G11 push without being moves.
        chosen = np.flatnonzero(is_move | is_wait | (push != 0))
        if not len(chosen):
            return no_moves()
        moving = np.flatnonzero(is_move)
        if len(moving) and self.first_move_line is None:
            self.first_move_line = int(columns.line[moving[0]])
        (x0, x1), (y0, y1), (z0, z1) = ((before[chosen], after[chosen]) for before, after in spots.values())
        waits = is_wait[chosen]
        # Homing is no path: where it leads and how is the machine's own matter.
        x0, y0, z0 = (np.where(waits, end, begin) for begin, end in ((x0, x1), (y0, y1), (z0, z1)))
        unknown = ~np.isfinite(x0 + y0 + z0)
        dx, dy, dz = x1 - x0, y1 - y0, z1 - z0
        if unknown.any():
            self._note_unknown_places(columns, chosen[unknown & (push[chosen] > 0)])
            x0, y0, z0 = (np.where(np.isfinite(start), start, end) for start, end in ((x0, x1), (y0, y1), (z0, z1)))
        xy = np.hypot(dx, dy)
        laid = self._laid(push[chosen], tool[chosen])
        dz = np.where(unknown, 0.0, dz)
        length = np.sqrt(xy * xy + dz * dz)
        if not np.isfinite(length).all():
            xy, length = np.nan_to_num(xy), np.nan_to_num(length)
        arcs = np.flatnonzero(is_arc[chosen] & ~unknown)
        in_plane = xy
        if len(arcs):
            shape = self._arc_shapes(
                ((x0, x1), (y0, y1), (z0, z1)), arcs, columns, chosen, scale, plane[chosen[arcs]].astype(np.int64)
            )
            # A full circle ends where it starts, and an arc in XZ may end above its start: they move all the same.
            in_plane = xy.copy()
            in_plane[arcs[shape.judged]] = np.maximum(1.0, xy[arcs[shape.judged]])
        kind = kinds_of(in_plane, dz, push[chosen], (laid > 0) | running[chosen], waits, unknown)
        moves = Moves(
            line=columns.line[chosen],
            kind=kind,
            x0=x0, y0=y0, z0=z0, x1=x1, y1=y1, z1=z1, xy_mm=xy, length_mm=length,
            push_mm=push[chosen], laid_mm=laid, feed_mm_s=feed[chosen],
            acceleration_mm_s2=acceleration(chosen, kind), radius_mm=np.full(len(chosen), np.inf), dwell_s=wait_s[chosen],
            hot_end_c=hot_end[chosen], bed_c=bed[chosen],
            fan_share=fan[chosen], tool=tool[chosen].astype(np.uint8),
        )  # fmt: skip
        self.unrebuilt.note("arc", moves.line[is_arc[chosen] & unknown])
        if len(arcs):
            self.unrebuilt.note("arc", moves.line[arcs[~shape.judged]])
            self.unrebuilt.note("arc-off-circle", moves.line[arcs[shape.ends_beside()]])
            moves = with_chords(moves, arcs, shape)
        return moves

    def _note_unread(self, columns: Columns, others: I64) -> None:
        code = columns.code[others]
        present = self._present
        if UNREAD in present:
            self.unrebuilt.note("unread", columns.line[others[code == UNREAD]])
        if MACRO in present:
            self.unrebuilt.note("macro", columns.line[others[code == MACRO]])
        if not present.isdisjoint(_WORK_OFFSET_CODES):
            self.unrebuilt.note("work-offset", columns.line[others[np.isin(code, _WORK_OFFSETS)]])
        if _M218 in present or _G10 in present:
            moved = columns.has("X") | columns.has("Y") | columns.has("Z")
            sets = (columns.code == _M218) | ((columns.code == _G10) & columns.has("P"))
            self.unrebuilt.note("tool-offset", columns.line[moved & sets])
        for row, odd in columns.odd.items():
            if odd.reading in ("several-commands", "repeated-word"):
                self.unrebuilt.note(odd.reading, columns.line[row : row + 1])

    def _note_unknown_places(self, columns: Columns, rows: I64) -> None:
        """Note rows that push on a way which nobody can know; standing still, a prime may well come before homing."""
        goes = (columns.has("X") | columns.has("Y") | columns.has("Z"))[rows]
        self.unrebuilt.note("unknown-place", columns.line[rows[goes]])

    def _switch(self, held: Held, others: I64, code: I32, count: int, values: dict[str, int]) -> F64:
        rows, states = [], []
        for name, value in values.items():
            if _MODES[name] in self._present:
                found = others[code == _MODES[name]]
                rows.append(found)
                states.append(np.full(len(found), float(value)))
        if not rows:
            return np.full(count, held.value)
        at = np.concatenate(rows)
        order = np.argsort(at)
        return held.over(count, at[order], np.concatenate(states)[order])

    def _word(self, columns: Columns, letter: str, scale: F64 | None) -> F64:
        values = columns.word(letter)
        if (beyond := np.abs(values) > _LARGEST_NUMBER).any():
            # Damage; followed only so far that nothing overflows, and counted.
            self.unrebuilt.note("absurd-number", columns.line[beyond])
            values = np.clip(values, -_LARGEST_NUMBER, _LARGEST_NUMBER)
        return values if scale is None else values * scale

    def _extruder_words(self, columns: Columns, where: Bool, scale: F64 | None) -> F64:
        """Give the extruder's words; some machines have it on axis A (and B)."""
        e = self._word(columns, "E", scale)
        if self.extruder_word in (None, "A"):
            if self.extruder_word is None and np.isfinite(e[where]).any():
                self.extruder_word = "E"
                return e
            a, b = self._word(columns, "A", scale), self._word(columns, "B", scale)
            either = np.where(np.isfinite(a), a, b)
            if np.isfinite(either[where]).any():
                self.extruder_word = "A"
                return np.where(np.isfinite(e), e, either)
        return e

    def _note_homed_heights(self, line: I64, homes: Bool, tells: Bool) -> None:
        told = line[tells]
        if self.homed_heights and self.homed_heights[-1][1] == LAST_LINE and len(told):
            self.homed_heights[-1] = self.homed_heights[-1][0], int(told[0])
        for homed in line[homes].tolist():
            if len(self.homed_heights) < _MOST_HOMINGS and (
                not self.homed_heights or homed > self.homed_heights[-1][1]
            ):
                after = int(np.searchsorted(told, homed))
                self.homed_heights.append((homed, int(told[after]) if after < len(told) else LAST_LINE))

    def _machine_positions(
        self, axis: Axis, word: F64, is_move: Bool, g92: Bool, bare_g92: Bool, home: Bool, relative: Bool
    ) -> tuple[F64, F64]:
        """Give an axis' machine position before and after each row; NaN before anything told where it is."""
        stated = np.isfinite(word)
        moves_there = stated & is_move
        sets_g92 = (stated & g92) | bare_g92
        special = bool(sets_g92.any() or home.any())
        adds = np.where(moves_there & relative, word, 0.0) if relative.any() else None
        sets = moves_there & ~relative if adds is not None else moves_there
        values = word
        if special:
            sets = sets | sets_g92 | home
            values = np.where(home, -axis.origin, np.where(bare_g92, 0.0, word))
        located_before = axis.located
        tells = (sets & ~sets_g92) if special else sets
        logical_after, logical_before = axis.logical_over(sets, values, adds)
        if not special:
            after, before = logical_after + axis.offset, logical_before + axis.offset
        else:
            # G92 renames the place where the axis stands (RS-274/NGC 3.5.19); homing ends any renaming.
            shift = np.where(sets_g92, logical_before - logical_after, 0.0)
            total = np.cumsum(shift) + axis.offset
            if home.any():
                last_home = np.maximum.accumulate(np.where(home, np.arange(len(home)), -1))
                total = np.where(last_home >= 0, total - total[last_home] + axis.origin, total)
            after = logical_after + total
            before = np.empty_like(after)
            before[1:] = after[:-1]
            before[0] = logical_before[0] + axis.offset
            axis.offset = float(total[-1])
        if not located_before:
            known = np.maximum.accumulate(tells)
            axis.located = bool(known[-1])
            after = np.where(known, after, np.nan)
            before = np.where(np.concatenate(([False], known[:-1])), before, np.nan)
        return before, after

    def _pushes(
        self, columns: Columns, word: F64, is_move: Bool, g92: Bool, bare_g92: Bool, relative: Bool, others: I64, code: I32,
        tool: F64,
    ) -> F64:  # fmt: skip
        """Give the filament pushed by each row, mm of filament after flow factor and volumetric mode: (n,) float64."""
        count = len(word)
        stated = np.isfinite(word)
        moves_there = stated & is_move
        adds = np.where(moves_there & relative, word, 0.0) if relative.any() else None
        sets = (moves_there & ~relative) if adds is not None else moves_there
        g92_sets = (stated & g92) | bare_g92
        values = word
        if g92_sets.any():
            sets = sets | g92_sets
            values = np.where(bare_g92, 0.0, word)
        after, before = self.e.logical_over(sets, values, adds)
        push = np.where(moves_there, after - before, 0.0)
        if _M200 in self._present or self._volumetric_area.value:
            rows = others[code == _M200]
            areas = self._volumetric_areas(columns.word("D")[rows], columns.word("S")[rows])
            volumetric = self._volumetric_area.over(count, rows, areas)
            push = np.where(volumetric > 0, push / np.where(volumetric > 0, volumetric, 1.0), push)
        push = push * self._flow.over(columns, others, code, tool)
        push[np.abs(push) < _LEAST_LAID_MM] = 0.0  # noise of subtractions, here and in jobs, is no wipe and no prime
        if self.first_extrusion_line is None and (push > 0).any():
            self.first_extrusion_line = int(columns.line[np.flatnonzero(push > 0)[0]])
        if self._dialect.g10_is_retraction and not self._present.isdisjoint(RETRACTION_CODES):
            self._retraction.push(columns, others, code, tool, push)
        return push

    def _volumetric_areas(self, diameter_mm: F64, switch: F64) -> F64:
        """Give what lines with M200 make of E: the filament area, or 0 where E is a length. S0 and S1 switch, D0 too."""
        areas, area = [], self._volumetric_area.value
        for d, s in zip(diameter_mm.tolist(), switch.tolist(), strict=True):
            if d > 0:
                self._diameter_area = np.pi * d**2 / 4
            if d == 0 or s == 0:
                area = 0.0
            elif d > 0 or s > 0:
                area = self._diameter_area
            areas.append(area)
        return np.array(areas)

    def _switched_extruder(self, others: I64, code: I32, count: int) -> Bool:
        """Say at which rows M101 (until M103) lets filament out, in jobs that have no extruder words."""
        if _M101 not in self._present and _M103 not in self._present:
            running = self._extruder_on.value > 0 and self.extruder_word is None
            return np.full(count, running, np.bool_)
        on, off = others[code == _M101], others[code == _M103]
        rows = np.concatenate((on, off))
        order = np.argsort(rows)
        values = np.concatenate((np.ones(len(on)), np.zeros(len(off))))[order]
        switched = self._extruder_on.over(count, rows[order], values) > 0
        return switched if self.extruder_word is None else np.zeros(count, np.bool_)

    def _laid(self, push: F64, tool: F64) -> F64:
        """Give what each row pushes beyond the retraction debt of its tool: (n,) float64.

        The debt is max(0, debt - push) after each row, a running sum reflected at zero: it has the closed form
        p - min(0, running minimum of p) with p the negative running sum of pushes.
        """
        laid = np.zeros(len(push))
        one_tool = not len(tool) or tool.min() == tool.max()
        for number in tool[:1] if one_tool else np.unique(tool):
            rows: Any = slice(None) if one_tool else np.flatnonzero(tool == number)
            owed = self._debts_mm.get(int(number), 0.0)
            path = owed - np.cumsum(push[rows])
            debt = path - np.minimum(0.0, np.minimum.accumulate(path))
            before = np.concatenate(([owed], debt[:-1]))
            laid[rows] = np.maximum(0.0, push[rows] - before)
            self._debts_mm[int(number)] = float(debt[-1])
        laid[laid < _LEAST_LAID_MM] = 0.0
        return laid

    def _factor(self, held: Held, columns: Columns, others: I64, code: I32, name: str, count: int) -> F64 | float:
        if (wanted := code_of(name)) not in self._present:
            return held.value
        rows = others[code == wanted]
        percent = columns.word("S")[rows]
        usable = np.isfinite(percent) & (percent > 0)
        if not usable.any():
            return held.value
        return held.over(count, rows[usable], percent[usable] / 100)

    def _dwells(self, columns: Columns, is_wait: Bool) -> F64:
        seconds = np.zeros(len(is_wait))
        if _G4 in self._present:
            rows = np.flatnonzero(columns.code == _G4)
            p = columns.word("P")[rows] * (1.0 if self._dialect.g4_p_is_seconds else 1e-3)
            s = columns.word("S")[rows]
            seconds[rows] = np.maximum(0.0, np.nan_to_num(np.where(np.isfinite(s), s, p)))
        return seconds

    def _arc_shapes(
        self, spans: Sequence[tuple[F64, F64]], arcs: I64, columns: Columns, chosen: I64, scale: F64 | None, plane: I64
    ) -> Arcs:  # fmt: skip
        """Give the geometry of the arcs among the chosen rows, each in the plane in force there.

        Args:
            spans: start and end of the chosen rows along X, Y and Z.
            plane: 17, 18 or 19 of each arc.
        """
        source = chosen[arcs]
        starts, ends = ([span[at][arcs] for span in spans] for at in (0, 1))
        centres = [self._word(columns, letter, scale)[source] for letter in "IJK"]
        first, second = (np.array([axes[at] for axes in AXES_OF_PLANE])[plane - 17] for at in (0, 1))
        return arcs_from_words(
            (np.choose(first, starts), np.choose(second, starts)), (np.choose(first, ends), np.choose(second, ends)),
            (np.choose(first, centres), np.choose(second, centres)), self._word(columns, "R", scale)[source],
            columns.code[source] == _G2, columns.word("P")[source], plane,
        )  # fmt: skip


def _any_of(columns: Columns, letters: str) -> Bool:
    """Say which lines have a word of any of these letters: (n,) bool."""
    found: Bool = np.logical_or.reduce([columns.has(letter) for letter in letters])
    return found
