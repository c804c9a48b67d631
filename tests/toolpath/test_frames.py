"""Work coordinate systems (RS-274/NGC, NISTIR 6556, 3.5.5, 3.5.12, 3.5.13, 3.5.18), by hand; random ones in test_moves."""

from random import Random

import pytest
from tests.oracles.effort import seeds

from layergate.gcode.columns import read_columns
from layergate.gcode.dialect import Dialect
from layergate.toolpath.moves import Moves
from layergate.toolpath.reader import MoveReader


def read(*lines: str) -> tuple[Moves, MoveReader]:
    reader = MoveReader(Dialect())
    return reader.read(read_columns(("\n".join(lines) + "\n").encode(), 1)), reader


def test_an_origin_that_the_job_states_is_where_it_says() -> None:
    """``G10 L2 P1 x3.5 y17.2`` puts origin 1 at machine (3.5, 17.2), Z unchanged (3.5.5; facts.md 2.4)."""
    moves, reader = read("G28", "G1 Z5", "G10 L2 P1 x3.5 y17.2", "G1 X1 Y1", "G1 Z6")
    assert (moves.x1[-1], moves.y1[-1], moves.z1[-1]) == pytest.approx((4.5, 18.2, 6.0))
    assert (moves.x0[-2], moves.y0[-2]) == (0.0, 0.0)
    assert not reader.unrebuilt.counts


def test_a_system_is_selected_and_left_again() -> None:
    """3.5.13: G55 takes its origin, G54 goes back to the first; the machine does not move by it."""
    moves, reader = read("G28", "G10 L2 P2 X10 Y20 Z1", "G1 X5 Y5 Z5", "G55", "G1 X5", "G1 Y5", "G54", "G1 X5 Y5")
    assert moves.x1.tolist() == pytest.approx([0, 5, 15, 15, 5])
    assert moves.y1.tolist() == pytest.approx([0, 5, 5, 25, 5])
    assert moves.z1.tolist() == pytest.approx([0, 5, 5, 5, 5])
    assert moves.x0[1:].tolist() == pytest.approx(moves.x1[:-1].tolist())
    assert not reader.unrebuilt.counts


def test_the_first_system_is_the_frame_of_the_machine() -> None:
    """``G54`` in a start block says what is in force anyway (own choice: nobody knows what a controller has stored)."""
    moves, reader = read("G54", "G28", "G1 X5")
    assert moves.x1[-1] == 5.0
    assert not reader.unrebuilt.counts


@pytest.mark.parametrize(
    "line", ["G55", "G59.3", "G10 L1 P1 X5", "G10 L2 P12 X5", "G10 L2 P1.5 X5", "G53", "M206 X5", "M428"]
)
def test_what_can_not_be_known_is_counted_with_its_line_and_changes_nothing(line: str) -> None:
    """An origin that the job never stated, offsets of the machine: not guessed, not judged, named."""
    moves, reader = read("G28", "G1 X5", line, "G1 X6")
    assert reader.unrebuilt.lines == {"work-offset": [3]}
    assert (moves.x0[-1], moves.x1[-1]) == (5.0, 6.0)


def test_an_origin_of_which_one_axis_was_never_stated_is_not_taken() -> None:
    """Half an origin is none: the third axis would be guessed."""
    _, reader = read("G28", "G10 L2 P2 X10 Y20", "G55")
    assert reader.unrebuilt.lines == {"work-offset": [3]}


def test_l20_gives_the_place_a_name() -> None:
    """Later editions (from memory): the origin is put so that the axes stand at these coordinates."""
    moves, _ = read("G28", "G1 X30", "G10 L20 P1 X5", "G1 X6")
    assert moves.x1[-1] == pytest.approx(31.0)


def test_offsets_of_g92_end_rest_and_come_back() -> None:
    """3.5.18: G92.1 and G92.2 take the offset away, G92.3 sets it again as it was before G92.2."""
    moves, _ = read("G28", "G1 X4", "G92 X7", "G92.2", "G1 X5", "G92.3", "G1 X10", "G92.1", "G1 X10")
    assert moves.x1.tolist() == pytest.approx([0, 4, 5, 7, 10])
    gone, _ = read("G28", "G1 X4", "G92 X7", "G92.1", "G92.3", "G1 X10")
    assert gone.x1[-1] == pytest.approx(10.0)


def test_the_offset_of_g92_stays_when_another_system_is_selected() -> None:
    """3.5.18: the offset of G92 counts in every coordinate system."""
    moves, _ = read("G28", "G10 L2 P2 X10 Y0 Z0", "G1 X4", "G92 X7", "G55", "G1 X8")
    assert moves.x1[-1] == pytest.approx(8 + 10 - 3)


@pytest.mark.parametrize("mode", ["G90", "G91"])
def test_g53_moves_once_in_the_coordinates_of_the_machine(mode: str) -> None:
    """3.5.12: absolute and in the machine's own frame for its line, whatever is in force; then all is as before."""
    lines = ("G28", "G10 L2 P1 X10 Y10 Z10", "G90", "G1 X1 Y1 Z1", "G92 X3", mode, "G53 G0 X2 Z5 F1200", "G90", "G1 X4")
    moves, reader = read(*lines)
    assert (moves.x0[-2], moves.x1[-2], moves.y1[-2], moves.z1[-2]) == pytest.approx((11.0, 2.0, 11.0, 5.0))
    assert moves.x1[-1] == pytest.approx(12.0)
    assert moves.feed_mm_s[-1] == 20.0
    assert not reader.unrebuilt.counts


def test_homing_comes_back_to_the_machine_and_keeps_the_system() -> None:
    """Where homing leads is machine zero; what it is called follows from the origin in force."""
    reader = read("G28", "G10 L2 P1 X10 Y10 Z10", "G1 X5", "G92 X0", "G28")[1]
    assert reader.position() == (0.0, 0.0, 0.0)
    assert (reader.x.logical, reader.x.offset) == (-10.0, 10.0)


def test_origins_are_lengths_and_follow_inches() -> None:
    """facts.md 1.4: 1 in = 25.4 mm."""
    moves, _ = read("G28", "G20", "G10 L2 P1 X1", "G1 X1")
    assert moves.x1[-1] == pytest.approx(50.8)


@pytest.mark.parametrize("seed", seeds(15))
def test_runs_of_g53_are_read_as_line_by_line(seed: int) -> None:
    """Read at once or a line at a time, with frames, modes and homing between, every move starts and ends in the same place."""
    random = Random(seed)
    lines = ["G28"]
    for _ in range(60):
        x, y, z = (round(random.uniform(-5, 50), 2) for _ in "XYZ")
        rare = random.choice(
            ["G91", "G90", f"G92 X{x}", "G92.1", f"G10 L2 P2 X{x} Y{y} Z{z}", "G55", "G54", "G28 X", "G53"]
        )
        lines += [rare] if random.random() < 0.2 else []
        lines += [f"G53 G1 X{x} Y{y} E1", f"G53 Z{z}"] * random.randrange(4)
        lines += [f"G1 X{x} Z{z} E2", f"G3 X{y} Y{x} R80"] * random.randrange(2)
    whole, _ = read(*lines)
    reader = MoveReader(Dialect())
    single = [reader.read(read_columns(f"{line}\n".encode(), n)) for n, line in enumerate(lines, 1)]
    for column in ("line", "kind", "x0", "y0", "z0", "x1", "y1", "z1", "push_mm"):
        assert getattr(whole, column).tolist() == pytest.approx(
            [value for moves in single for value in getattr(moves, column).tolist()]
        ), column


@pytest.mark.parametrize(
    "lines", [["G53 G1 X1 Y2"] * 3000, ["G53 G1 X1", "G1 X2"] * 1500, ["G92 X3", *["G53 G1 X1 Y2"] * 3000]]
)
def test_many_lines_of_g53_cost_no_more_than_others(lines: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Whole stretches are read at once: a read for each line would take a minute for every few megabytes."""
    reads = []
    plain = MoveReader._read
    monkeypatch.setattr(MoveReader, "_read", lambda self, columns: (reads.append(1), plain(self, columns))[1])
    moves, _ = read("G28", *lines)
    assert len(moves) == 1 + sum("X" in line and "G92" not in line for line in lines)
    assert len(reads) < 10
