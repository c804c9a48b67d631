"""Work coordinate systems: which point of the machine the job calls zero. RS-274/NGC 3.5.5, 3.5.12, 3.5.13, 3.5.18.

Works on the axes' state between two lines, one command at a time: such commands are rare. Knows where a system's origin
lies only if the job said so (G10 L2, L20); what a controller has stored is not guessed, apart from the first system
(G54), whose frame is the machine's own here.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from layergate.gcode.columns import Columns, code_of
from layergate.toolpath.modes import I64, Axis

G53, G10 = code_of("G53"), code_of("G10")
_SYSTEMS = {
    code_of(name): number
    for number, name in enumerate(("G54", "G55", "G56", "G57", "G58", "G59", "G59.1", "G59.2", "G59.3"), 1)
}
_CANCEL, _SUSPEND, _RESUME = (code_of(name) for name in ("G92.1", "G92.2", "G92.3"))
FRAME_CODES = frozenset([*_SYSTEMS, _CANCEL, _SUSPEND, _RESUME, G53])
_LETTERS = "XYZ"


def frame_rows(columns: Columns, present: frozenset[int]) -> I64:
    """Give the rows of a block, rising, after which the frame may be another: (k,) int64."""
    if FRAME_CODES.isdisjoint(present) and G10 not in present:
        return np.empty(0, np.int64)
    stated = np.isin(columns.code, list(FRAME_CODES))
    # Without L, G10 is retraction, or tool temperatures and offsets.
    return np.flatnonzero(stated | ((columns.code == G10) & columns.has("L")))


class Frames:
    """The coordinate systems of one machine; lengths in mm."""

    def __init__(self) -> None:
        self._origins: dict[int, dict[str, float]] = {1: dict.fromkeys(_LETTERS, 0.0)}
        self._active = 1
        self._saved = dict.fromkeys(_LETTERS, 0.0)

    def apply(self, code: int, words: Mapping[str, float], scale: float, axes: Sequence[Axis]) -> bool:
        """Carry out one command; say whether it could be rebuilt. The machine stands still, its place gets other names.

        Args:
            words: the line's words; NaN for a letter without a number.
            scale: mm per unit of the words.
            axes: X, Y and Z.
        """
        by_letter = dict(zip(_LETTERS, axes, strict=True))
        if code in _SYSTEMS:
            number = _SYSTEMS[code]
            if number != self._active and not all(letter in self._origins.get(number, {}) for letter in _LETTERS):
                return False
            self._active = number
            for letter, axis in by_letter.items():
                axis.move_origin(self._origins[number][letter])
            return True
        if code == G53:
            return False  # alone on its line, it moves nothing
        if code == G10:
            return self._set_origin(words, scale, by_letter)
        for letter, axis in by_letter.items():
            if code == _RESUME:
                if not axis.shift:  # otherwise it is in force, or a later G92 took its place
                    axis.rename_by(self._saved[letter])
            else:
                # G92.1 forgets the offset of G92, G92.2 keeps it for G92.3.
                self._saved[letter] = axis.shift if code == _SUSPEND else 0.0
                axis.rename_by(-axis.shift)
        return True

    def _set_origin(self, words: Mapping[str, float], scale: float, by_letter: Mapping[str, Axis]) -> bool:
        kind, number = words.get("L"), words.get("P", 0.0)
        if kind not in (2.0, 20.0) or number not in range(10):
            return False
        number = int(number) or self._active  # P0: the system in force
        origins = self._origins.setdefault(number, {})
        for letter, axis in by_letter.items():
            value = words.get(letter, float("nan")) * scale
            if not np.isfinite(value):
                continue
            # L20 names the present place, L2 the origin's in the machine.
            origins[letter] = value if kind == 2.0 else axis.logical + axis.origin - value
            if number == self._active:
                axis.move_origin(origins[letter])
        return True
