"""What a preflight notes of each block for the job index, in compact columns: a job of 400 MB has some 6,400 blocks."""

from array import array
from hashlib import sha256

import numpy as np

from layergate.gcode.blocks import Block
from layergate.jobindex import Blocks
from layergate.toolpath.planner import Planned
from layergate.toolpath.reader import MoveReader

_DIGEST_BYTES = 32
_NOWHERE = float("nan")


class BlockNotes:
    """Columns of the blocks read so far, in file order."""

    def __init__(self) -> None:
        self._offset, self._size, self._first_line = array("q"), array("q"), array("q")
        self._digests = bytearray()
        self._place = array("d")  # x, y, z, e of each block
        self._modes = bytearray()
        self._planned_s = array("d")

    def __len__(self) -> int:
        return len(self._offset)

    def add(self, block: Block, reader: MoveReader) -> None:
        """Note a block and the state of the machine before it."""
        self._offset.append(block.offset)
        self._size.append(len(block.raw))
        self._first_line.append(block.first_line)
        self._digests += sha256(block.payload).digest()
        self._place.extend(_NOWHERE if value is None else value for value in reader.position())
        self._place.append(reader.e.logical)
        xyz_relative, e_relative = reader.modes
        self._modes.append(xyz_relative | e_relative << 1)

    def plan(self, planned: Planned) -> None:
        """Note when blocks start by plan; times become known after the blocks."""
        if not len(planned.line):
            return
        last = int(planned.line[-1])
        while len(self._planned_s) < len(self) and (first := self._first_line[len(self._planned_s)]) <= last:
            self._planned_s.append(float(planned.start_s[int(np.searchsorted(planned.line, first))]))

    def end_plan(self, clock_s: float) -> None:
        """Note that the blocks without a time have no moves and start when all is done."""
        self._planned_s.extend([clock_s] * (len(self) - len(self._planned_s)))

    def blocks(self) -> Blocks:
        """Give the columns of the job index, without the layers."""
        x, y, z, e = (self._place[axis::4] for axis in range(4))
        return Blocks(
            offset=self._offset.tolist(),
            size=self._size.tolist(),
            first_line=self._first_line.tolist(),
            digest=[self._digests[at : at + _DIGEST_BYTES].hex() for at in range(0, len(self._digests), _DIGEST_BYTES)],
            planned_s=[round(value, 3) for value in self._planned_s],
            x_mm=_known(x),
            y_mm=_known(y),
            z_mm=_known(z),
            e_mm=[round(value, 5) for value in e],
            xyz_relative=[bool(modes & 1) for modes in self._modes],
            e_relative=[bool(modes & 2) for modes in self._modes],
        )


def _known(values: "array[float]") -> list[float | None]:
    return [None if value != value else round(value, 5) for value in values]  # noqa: PLR0124 NaN differs from itself
