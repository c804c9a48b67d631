"""What a job sets of the machine's limits: accelerations by kind of move, and bounds of speed, acceleration, corners.

Reads M201, M203, M204 and M205 J. Corner speeds (M205 X Y Z E) belong to another kind of planner and are left out.
"""

from collections.abc import Callable
from typing import Literal

import numpy as np

from layergate.gcode.columns import I32, Columns, code_of
from layergate.gcode.dialect import Dialect
from layergate.toolpath.modes import F64, I64, MM_PER_INCH, Held
from layergate.toolpath.moves import LIFT, PRIME, RETRACT, TRAVEL, U8, LimitChange

LIMIT_CODES: dict[int, Literal["speed", "acceleration", "junction"]] = {
    code_of("M201"): "acceleration",
    code_of("M203"): "speed",
    code_of("M205"): "junction",
}
_M204 = code_of("M204")


class Accelerations:
    """Commanded accelerations, mm/s2: printing (M204 P), travel (T), retraction (R); S sets the first two."""

    def __init__(self) -> None:
        self._held = {letter: Held(np.nan) for letter in "PTR"}

    def by_kind(self, columns: Columns, others: I64, code: I32, count: int) -> Callable[[I64, U8], F64]:
        """Give what tells the acceleration of chosen rows of the block by their kinds.

        Args:
            others: rows of the block that are no moves, with their ``code``.
            count: rows of the block.
        """
        rows = others[code == _M204]
        held: dict[str, F64 | float] = {letter: state.value for letter, state in self._held.items()}
        if len(rows):
            s = columns.word("S")[rows]
            for letter, state in self._held.items():
                own = columns.word(letter)[rows]
                values = own if letter == "R" else np.where(np.isfinite(own), own, s)
                ok = np.isfinite(values) & (values > 0)
                held[letter] = state.over(count, rows[ok], values[ok])

        def of(chosen: I64, kind: U8) -> F64:
            printing, travel, retraction = (
                value[chosen] if isinstance(value, np.ndarray) else np.full(len(chosen), value)
                for value in held.values()
            )
            standing = (kind == RETRACT) | (kind == PRIME)
            return np.where((kind == TRAVEL) | (kind == LIFT), travel, np.where(standing, retraction, printing))

        return of


def limit_changes(columns: Columns, others: I64, code: I32, inches: F64, dialect: Dialect) -> list[LimitChange]:
    """Give what a block changes of the limits, in order.

    Args:
        others: rows of the block that are no moves, with their ``code``.
        inches: (n,) float64 over the rows of the block, above 0 where G20 is in force.
    """
    changes = []
    for row in others[np.isin(code, list(LIMIT_CODES))].tolist():
        what = LIMIT_CODES[int(columns.code[row])]
        scale = MM_PER_INCH if inches[row] > 0 else 1.0
        if what == "speed" and dialect.m203_is_mm_per_minute:
            scale /= 60
        for axis, letter in enumerate("J" if what == "junction" else "XYZE"):
            value = float(columns.word(letter)[row]) * scale
            if np.isfinite(value) and value > 0:
                changes.append(LimitChange(int(columns.line[row]), what, axis, value))
    return changes
