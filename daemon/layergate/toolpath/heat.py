"""Heat and fan as the job commands them: targets of hot ends and bed, waits, fan, in order of the lines.

Where a macro may have set a temperature, the target is unknown, not absent. Reads no clock and knows no heater.
"""

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from layergate.gcode.columns import I32, MACRO, Columns, code_of
from layergate.toolpath.modes import Held

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

HOT_END_CODES = {code_of("M104"): False, code_of("M109"): True}
BED_CODES = {code_of("M140"): False, code_of("M190"): True}
_G10 = code_of("G10")
_M106, _M107 = code_of("M106"), code_of("M107")
_WAIT_FOR_ALL = code_of("M116")
_OFF_BELOW_C = 60.0  # no filament is printed with a lower target
_TOOLS = 16  # tool words above are no tools (T255, T1000)


@dataclass(frozen=True, slots=True)
class HeatEvent:
    """One command that sets a temperature."""

    line: int
    heater: str
    """``bed`` or ``hot-end``."""
    tool: int
    target_c: float
    waits: bool


@dataclass(slots=True)
class HeatTimeline:
    """Targets up to the line read so far, and every event: a job has few, the list is capped."""

    tool: int = 0
    targets_c: dict[int, float] = field(default_factory=dict)
    """Hot-end target by tool; absent where never stated, and where it was off when a macro came."""
    bed_c: float | None = None
    unknown_since: int | None = None
    """Line of the first macro or other unknown command that may have set a temperature; None if there was none."""
    events: list[HeatEvent] = field(default_factory=list)
    events_dropped: int = 0

    def active_c(self) -> float:
        """Give the active tool's target; NaN where unknown. One target serves all tools until a second is named."""
        if self.tool in self.targets_c:
            return self.targets_c[self.tool]
        return self.targets_c.get(0, float("nan")) if len(self.targets_c) == 1 else float("nan")

    def since(self, events: int) -> "HeatTimeline":
        """Give a copy as it stands, without the first so many events."""
        return replace(self, targets_c=dict(self.targets_c), events=self.events[events:])

    def go_on(self, later: "HeatTimeline") -> None:
        """Become what ``later`` is, which has only the events since this one."""
        self.tool, self.targets_c, self.bed_c = later.tool, later.targets_c, later.bed_c
        self.unknown_since, self.events_dropped = later.unknown_since, later.events_dropped
        self.events += later.events


_MOST_EVENTS = 4096


def read_heat(columns: Columns, rows: I64, state: HeatTimeline) -> tuple[I64, F64, I64, F64]:
    """Read the heat commands among some rows of a block, in order.

    Args:
        columns: the block.
        rows: (k,) the rows that are no moves, rising.
        state: carried from block to block, changed here.

    Returns:
        rows at which the active hot-end target changes (m,), the targets from there on (m,), rows at which the tool
        changes (t,), the tools from there on (t,).
    """
    at: list[int] = []
    targets: list[float] = []
    tool_at: list[int] = []
    tools: list[float] = []
    codes = columns.code[rows]
    wanted = (
        np.isin(codes, [*HOT_END_CODES, *BED_CODES, _G10, MACRO, _WAIT_FOR_ALL]) | ((codes >> 16) == ord("T"))
    )  # fmt: skip
    if not wanted.any():
        return np.empty(0, np.int64), np.empty(0), np.empty(0, np.int64), np.empty(0)
    s_word, r_word, t_word, p_word = (columns.word(letter) for letter in "SRTP")
    for row, code in zip(rows[wanted].tolist(), codes[wanted].tolist(), strict=True):
        line = int(columns.line[row])
        if code == MACRO:
            if state.unknown_since is None:
                state.unknown_since = line
            # A macro may have heated what was off; that it cooled what was hot would show in no job seen.
            off = [tool for tool, target in state.targets_c.items() if target < _OFF_BELOW_C]
            for tool in off:
                del state.targets_c[tool]
            if off:
                at.append(row)
                targets.append(state.active_c())
            continue
        if code >> 16 == ord("T"):
            tool = (code & 0xFFFF) // 10
            if tool < _TOOLS and tool != state.tool:
                state.tool = tool
                tool_at.append(row)
                tools.append(tool)
                at.append(row)
                targets.append(state.active_c())
            continue
        value = s_word[row] if np.isfinite(s_word[row]) else r_word[row]
        if not np.isfinite(value):
            continue
        if code in BED_CODES:
            state.bed_c = float(value)
            _note(state, HeatEvent(line, "bed", 0, float(value), BED_CODES[code]))
            continue
        named = p_word[row] if code == _G10 else t_word[row]
        if code == _G10 and not np.isfinite(named):
            continue  # bare G10 is firmware retraction
        tool = int(named) if np.isfinite(named) and 0 <= named < _TOOLS else state.tool
        state.targets_c[tool] = float(value)
        _note(state, HeatEvent(line, "hot-end", tool, float(value), HOT_END_CODES.get(code, False)))
        at.append(row)
        targets.append(state.active_c())
    return np.asarray(at, np.int64), np.asarray(targets), np.asarray(tool_at, np.int64), np.asarray(tools)


def _note(state: HeatTimeline, event: HeatEvent) -> None:
    if len(state.events) < _MOST_EVENTS:
        state.events.append(event)
    else:
        state.events_dropped += 1


def bed_over(held: Held, columns: Columns, others: I64, code: I32) -> F64:
    """Give the bed's target at each row; a macro may have heated a bed that was off."""
    count = len(columns)
    present = columns.rare()[1]
    if present.isdisjoint(BED_CODES) and MACRO not in present:
        return np.full(count, held.value)
    rows = others[np.isin(code, [*BED_CODES, MACRO])]
    s, r = columns.word("S")[rows], columns.word("R")[rows]
    values = np.where(np.isfinite(s), s, r)
    macro = columns.code[rows] == MACRO
    stated = np.isfinite(values) & ~macro
    # What was on stays known through a macro.
    last = Held(held.value).over(len(rows), np.flatnonzero(stated), values[stated])
    off = macro & ~(last > 0)
    keep = stated | off
    return held.over(count, rows[keep], np.where(off, np.nan, values)[keep])


def fan_over(held: Held, columns: Columns, others: I64, code: I32) -> F64:
    """Give the part fan's share at each row: M106 S 0 to 255 (full without S), M107; other fans (P1..) left out."""
    count = len(columns)
    if columns.rare()[1].isdisjoint((_M106, _M107, MACRO)):
        return np.full(count, held.value)
    rows = others[np.isin(code, (_M106, _M107, MACRO))]
    kind = columns.code[rows]
    s = columns.word("S")[rows]
    values = np.where(kind == _M106, np.clip(np.where(np.isfinite(s), s, 255.0), 0, 255) / 255, 0.0)
    values[kind == MACRO] = np.nan
    p = columns.word("P")[rows]
    own = ~(np.isfinite(p) & (p != 0)) | (kind == MACRO)
    return held.over(count, rows[own], values[own])
