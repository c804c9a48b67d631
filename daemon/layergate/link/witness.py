"""Position witness: what the printer says of its position, beside what the job's index plans there.

It sees what checksums can't (a changed coordinate that was accepted, lost homing, another origin). Pure; knows no wire.
"""

from collections import deque
from typing import Any

from layergate.jobindex import JobIndex
from layergate.link.signals import Position


class Witness:
    """Questions of one run (M114), each asked at the start of a block, before its first line."""

    def __init__(self, index: JobIndex) -> None:
        self._index = index
        self._asked: deque[tuple[int, list[float | None]]] = deque()
        self._layer = 0

    def is_due(self, layer: int) -> bool:
        """Tell whether another layer has begun since the last question."""
        return layer != self._layer

    def ask(self, block: int, layer: int) -> None:
        """Note that the question went out."""
        blocks = self._index.blocks
        self._layer = layer
        planned = [blocks.x_mm[block], blocks.y_mm[block], blocks.z_mm[block], blocks.e_mm[block]]
        self._asked.append((blocks.first_line[block], planned))

    def compare(self, answer: Position) -> dict[str, Any] | None:
        """Give the data of a position event; ``off_mm`` is the greatest difference of X, Y and Z, None where no axis is
        planned. None: nobody asked (the answer is to a question of the job's own)."""
        if not self._asked:
            return None
        line, planned = self._asked.popleft()
        reported = [answer.x_mm, answer.y_mm, answer.z_mm, answer.e_mm]
        off = [
            abs(at - plan)
            for at, plan in zip(reported[:3], planned[:3], strict=True)
            if at is not None and plan is not None
        ]
        return {
            "line": line,
            "reported_mm": reported,
            "planned_mm": planned,
            "off_mm": round(max(off), 4) if off else None,
        }
