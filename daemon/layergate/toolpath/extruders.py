"""What belongs to each tool: flow factor (M221) and firmware retraction (G10 and G11 with M207 and M208).

That controllers keep both for each tool is the community convention (from memory). Knows no position and no E word.
"""

import numpy as np

from layergate.gcode.columns import I32, Columns, code_of
from layergate.toolpath.modes import F64, I64

_G10, _G11, _M207, _M208, _M221 = (code_of(c) for c in ("G10", "G11", "M207", "M208", "M221"))
RETRACTION_CODES = frozenset((_G10, _G11, _M207, _M208))
_DEFAULT_LENGTH_MM = 1.0  # where the job never says it, the printer has it stored; what G11 returns is the same anyway


class Flow:
    """The flow factor of each tool, 1 where never set; 0 is a factor, too: nothing comes out."""

    def __init__(self) -> None:
        self._of_tool: dict[int, float] = {}

    def over(self, columns: Columns, others: I64, code: I32, tool: F64) -> F64 | float:
        """Give the factor at each row: (n,) float64, or one number for all of them.

        Args:
            others: rows that are no moves, rising, with their ``code``.
            tool: (n,) float64, the tool in use.
        """
        sets = _M221 in columns.rare()[1]
        if not sets and not self._of_tool:
            return 1.0
        changes = np.flatnonzero(np.diff(tool)) + 1
        if not sets and not len(changes):
            return self._of_tool.get(int(tool[0]), 1.0) if len(tool) else 1.0
        rows = others[code == _M221]
        percent, named = columns.word("S")[rows], columns.word("T")[rows]
        words = dict(zip(rows.tolist(), zip(percent.tolist(), named.tolist(), strict=True), strict=True))
        edges = sorted({0, *changes.tolist(), *words})
        result = np.empty(len(tool))
        for begin, end in zip(edges, [*edges[1:], len(tool)], strict=True):
            if begin in words:
                value, of = words[begin]
                if value >= 0:  # NaN is not
                    self._of_tool[int(of) if of >= 0 else int(tool[begin])] = value / 100
            result[begin:end] = self._of_tool.get(int(tool[begin]), 1.0)
        return result


class FirmwareRetraction:
    """G10 pulls back, G11 returns as much and what M208 adds; each only when the other came before, tool by tool."""

    def __init__(self) -> None:
        self._length_mm, self._extra_mm = _DEFAULT_LENGTH_MM, 0.0
        self._speed_mm_s: dict[int, float] = {}  # by the code that it is for
        self._pulled_mm: dict[int, float] = {}  # by tool
        self._speeds: list[tuple[int, float]] = []

    def push(self, columns: Columns, others: I64, code: I32, tool: F64, push: F64) -> None:
        """Write what the rows with G10 and G11 push into ``push``, (n,) float64, mm of filament.

        With P or L, G10 sets temperatures or origins.
        """
        for row in others[np.isin(code, list(RETRACTION_CODES))].tolist():
            what, of = int(columns.code[row]), int(tool[row])
            if what in (_M207, _M208):
                self._set(what, float(columns.word("S")[row]), float(columns.word("F")[row]))
            elif columns.has("P")[row] or columns.has("L")[row]:
                continue
            elif what == _G10 and of not in self._pulled_mm:
                self._pulled_mm[of] = self._length_mm
                push[row] = -self._length_mm
            elif what == _G11 and of in self._pulled_mm:
                push[row] = max(0.0, self._pulled_mm.pop(of) + self._extra_mm)
            if push[row] and what in self._speed_mm_s:
                self._speeds.append((row, self._speed_mm_s[what]))

    def take_speeds(self) -> list[tuple[int, float]]:
        """Give rows of the last block that push at a speed of their own, with that speed in mm/s."""
        speeds, self._speeds = self._speeds, []
        return speeds

    def _set(self, what: int, length_mm: float, feed_mm_min: float) -> None:
        if np.isfinite(length_mm):
            if what == _M207:
                self._length_mm = length_mm
            else:
                self._extra_mm = length_mm
        if feed_mm_min > 0:
            self._speed_mm_s[_G10 if what == _M207 else _G11] = feed_mm_min / 60
