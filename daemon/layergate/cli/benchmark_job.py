"""Writes print jobs of any size for the benchmark: several parts with walls and infill, layer by layer, repeatable.

Knows nothing of the engine that reads them. Fast (some 40 MB/s) and in flat memory, so that no job has to be kept; the
shapes are illustrative, their figures (beads of 0.45 x 0.2 mm, a bead end every 2 mm) those of ordinary jobs.
"""

from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
U8 = npt.NDArray[np.uint8]

LAYER_MM = 0.2
BEAD_MM = 0.45
_FILAMENT_AREA_MM2 = np.pi * 1.75**2 / 4
# Filament for a millimetre of path: a stadium of bead width and layer height (common practice).
_FEED = (LAYER_MM * (BEAD_MM - LAYER_MM) + np.pi * LAYER_MM**2 / 4) / _FILAMENT_AREA_MM2
_WALLS = 3
_CORNERS = 240  # of one wall: as many as a curved outline has at the resolution of ordinary jobs
_INFILL_PITCH_MM = 2.0
_RETRACT_MM = 0.8
# Centres and half sizes, mm, of the parts on a plate of 220 x 220 mm.
_PARTS = (
    (45.0, 60.0, 22.0, 26.0), (108.0, 60.0, 26.0, 20.0), (172.0, 60.0, 24.0, 24.0),
    (45.0, 150.0, 24.0, 22.0), (108.0, 150.0, 20.0, 27.0), (172.0, 150.0, 25.0, 21.0),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class GeneratedJob:
    """What was written."""

    size_bytes: int
    lines: int
    layers: int
    path_mm: float
    """Path length of the beads."""
    filament_mm: float
    """Filament in the beads, as rounded in the job."""


@dataclass(frozen=True, slots=True)
class _Template:
    """One part's layer, around the part's centre; arrays (n,), without the travel to its first point."""

    x: F64
    y: F64
    travel: npt.NDArray[np.bool_]


def write_job(stream: BinaryIO, size_bytes: int, *, relative_e: bool) -> GeneratedJob:
    """Write one job of at least ``size_bytes``, ended after a whole layer.

    Args:
        stream: gets the text, layer by layer.
        relative_e: write the extruder's words as differences (M83); else absolute, set back to 0 at every layer.
    """
    templates = [[_template(half_x, half_y, odd) for _, _, half_x, half_y in _PARTS] for odd in (False, True)]
    head = (
        "; six hose brackets\n; filament_diameter = 1.75\nG21\nG90\n"
        f"{'M83' if relative_e else 'M82'}\nM140 S60\nM104 S210\nM190 S60\nM109 S210\nG28\nG92 E0\n"
    ).encode()
    size, lines = stream.write(head), head.count(b"\n")
    path_mm = filament_mm = 0.0
    layer = 0
    while size < size_bytes:
        layer += 1
        # Walls lean in and out by a twentieth: every layer has coordinates of its own and rests on the one below.
        scale = 1 + 0.05 * np.sin(layer / 60)
        texts = [f"; layer {layer}\nG1 Z{layer * LAYER_MM:.3f} F900\n{'' if relative_e else 'G92 E0'}\n".encode()]
        e = 0.0
        for (centre_x, centre_y, _, _), template in zip(_PARTS, templates[layer % 2], strict=True):
            x, y = centre_x + scale * template.x, centre_y + scale * template.y
            text, e, path, used = _part_text(x, y, template.travel, e, relative_e)
            texts.append(text)
            path_mm += path
            filament_mm += used
        if layer == 2:
            texts.append(b"M106 S255\n")
        whole = b"".join(texts)
        size += stream.write(whole)
        lines += whole.count(b"\n")
    tail = b"M104 S0\nM140 S0\nM107\nG28 X0\nM84\n"
    size += stream.write(tail)
    return GeneratedJob(size, lines + tail.count(b"\n"), layer, path_mm, filament_mm)


def _template(half_x: float, half_y: float, odd: bool) -> _Template:
    """Make walls from the outside in, then a zigzag at 45 degrees."""
    turn = np.linspace(0, 2 * np.pi, _CORNERS + 1)
    xs: list[F64] = []
    ys: list[F64] = []
    travels: list[npt.NDArray[np.bool_]] = []
    for wall in range(_WALLS):
        inset = BEAD_MM * (wall + 0.5)
        xs.append((half_x - inset) * np.cos(turn))
        ys.append((half_y - inset) * np.sin(turn))
        travels.append(np.arange(_CORNERS + 1) == 0)
    # Chords of the innermost ellipse, in its own coordinates those of a circle.
    inner_x, inner_y = half_x - _WALLS * BEAD_MM, half_y - _WALLS * BEAD_MM
    pitch = _INFILL_PITCH_MM / min(inner_x, inner_y)
    offset = np.arange(-1 + pitch / 2, 1, pitch)
    half = np.sqrt(1 - offset**2)
    along = np.column_stack((-half, half))
    along[1::2] = along[1::2, ::-1]
    across = np.repeat(offset, 2)
    c = np.sqrt(0.5)
    u, v = (along.ravel() - across) * c, (along.ravel() + across) * c
    xs.append(inner_x * (-u if odd else u))
    ys.append(inner_y * v)
    travels.append(np.arange(len(u)) == 0)
    return _Template(np.concatenate(xs), np.concatenate(ys), np.concatenate(travels))


def _part_text(
    x: F64, y: F64, travel: npt.NDArray[np.bool_], e: float, relative_e: bool
) -> tuple[bytes, float, float, float]:
    """Give the text of one part's layer, E after it, its path length and filament (both mm)."""
    length = np.hypot(np.diff(x, prepend=x[0]), np.diff(y, prepend=y[0]))
    length[travel] = 0.0
    pushed = np.rint(length * _FEED * 1e5) / 1e5
    e_word = pushed if relative_e else np.rint((e + np.cumsum(pushed)) * 1e5) / 1e5
    after = e + float(pushed.sum())
    text = _lines(x, y, np.where(travel, np.nan, e_word))
    starts = np.flatnonzero(travel)
    ends = np.append(starts[1:], len(x))
    first_of_line = np.concatenate(([0], np.flatnonzero(np.frombuffer(text, np.uint8) == 10) + 1))
    parts: list[bytes] = []
    for number, (start, end) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
        moved = text[first_of_line[start] : first_of_line[start + 1] - 1]
        before = float(e_word[start]) if not relative_e else 0.0
        back = f"G1 E{-_RETRACT_MM if relative_e else before - _RETRACT_MM:.5f} F2400\n"
        again = f"G1 E{_RETRACT_MM if relative_e else before:.5f} F2400\n"
        name = "infill" if number == _WALLS else "wall"
        parts += [
            f"; {name}\n{back}".encode(), moved, f" F9000\n{again}G1 F{3600 if number == _WALLS else 2400}\n".encode(),
            text[first_of_line[start + 1] : first_of_line[end]],
        ]  # fmt: skip
    return b"".join(parts), after, float(length.sum()), float(pushed.sum())


def _lines(x: F64, y: F64, e: F64) -> bytes:
    """Write ``G1 X0.000 Y0.000 E0.00000`` for each row, without E where it is NaN."""
    count = len(x)
    columns: list[U8] = []
    shown: list[npt.NDArray[np.bool_]] = []
    _put(columns, shown, b"G1 X", count)
    _put_number(columns, shown, x, 3)
    _put(columns, shown, b" Y", count)
    _put_number(columns, shown, y, 3)
    with_e = np.isfinite(e)
    at = len(columns)
    _put(columns, shown, b" E", count)
    _put_number(columns, shown, np.where(with_e, e, 0.0), 5)
    for column in range(at, len(columns)):
        shown[column] = shown[column] & with_e
    _put(columns, shown, b"\n", count)
    text: bytes = np.column_stack(columns)[np.column_stack(shown)].tobytes()
    return text


def _put(columns: list[U8], shown: list[npt.NDArray[np.bool_]], text: bytes, count: int) -> None:
    for character in text:
        columns.append(np.full(count, character, np.uint8))
        shown.append(np.ones(count, np.bool_))


def _put_number(columns: list[U8], shown: list[npt.NDArray[np.bool_]], value: F64, decimals: int) -> None:
    """Append the characters of numbers that are not negative."""
    scaled: I64 = np.rint(value * 10**decimals).astype(np.int64)
    digits = max(decimals + 1, len(str(int(scaled.max(initial=0)))))
    for place in reversed(range(digits)):
        if place == decimals - 1:
            _put(columns, shown, b".", len(value))
        columns.append((scaled // 10**place % 10 + 48).astype(np.uint8))
        shown.append(scaled >= 10**place if place > decimals else np.ones(len(value), np.bool_))
