"""Bed and fan per move, and what a macro leaves unknown (facts.md 1.4: M104-M109, M106/M107, M140/M190)."""

import numpy as np
import pytest

from layergate.gcode.columns import read_columns
from layergate.gcode.dialect import DEFAULT_DIALECT
from layergate.toolpath.moves import KIND_NAMES, Moves
from layergate.toolpath.reader import MoveReader

JOB = """\
G28
M140 S60
G1 X1 Y1 Z1
M106 S127
G1 X2
M106 P1 S255
G1 X3
START_FAN A=1
G1 X4
M107
M140 S0
G1 X5
HEAT_BED
G1 X6
M106
G1 X7
"""


def moves_of(text: str, lines_a_block: int) -> Moves:
    reader = MoveReader(DEFAULT_DIALECT)
    lines = text.splitlines(keepends=True)
    parts = [
        reader.read(read_columns("".join(lines[at : at + lines_a_block]).encode(), at + 1))
        for at in range(0, len(lines), lines_a_block)
    ]
    names = Moves.__dataclass_fields__
    return Moves(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


@pytest.mark.parametrize("lines_a_block", [1, 3, 100])
def test_bed_and_fan_stand_beside_each_move(lines_a_block: int) -> None:
    """A stated bed stays known through a macro, one that was off does not; a macro leaves the fan unknown; M106 P1 is
    another fan; M106 alone is full."""
    moves = moves_of(JOB, lines_a_block)
    nan = float("nan")
    assert moves.line.tolist() == [1, 3, 5, 7, 9, 12, 14, 16]
    assert moves.bed_c.tolist() == pytest.approx([nan, 60, 60, 60, 60, 0, nan, nan], nan_ok=True)
    assert moves.fan_share.tolist() == pytest.approx([nan, nan, 127 / 255, 127 / 255, nan, 0, nan, 1], nan_ok=True)


@pytest.mark.parametrize("lines_a_block", [1, 2, 100])
def test_a_switched_extruder_is_known_across_blocks(lines_a_block: int) -> None:
    """M101 lets filament out until M103 (seen in real jobs, domain.md), also where it stands alone in a block."""
    moves = moves_of("G28\nG1 X1 Y1 Z1\nM101\nG1 X2\nG1 X3\nM103\nG1 X4\n", lines_a_block)
    assert [KIND_NAMES[kind] for kind in moves.kind.tolist()] == ["wait", "travel", "deposit", "deposit", "travel"]
