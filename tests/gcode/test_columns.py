"""Columns: every word equals ``float()`` of its text, read by a plain reader, whatever stands around it."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.oracles import plain_words
from tests.oracles.effort import effort
from tests.oracles.job_text import lines, numbers

from layergate.gcode.columns import MACRO, UNREAD, Columns, code_of, command_of, read_columns

ALPHABET = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def words_of(columns: Columns, row: int) -> dict[str, float]:
    """Every word of a row but the command's own."""
    own = command_of(int(columns.code[row]))[:1]
    return {
        letter: float(columns.word(letter)[row]) for letter in ALPHABET if columns.has(letter)[row] and letter != own
    }


def same(left: float, right: float) -> bool:
    """The very same number, sign of zero included, or both NaN."""
    return (math.isnan(left) and math.isnan(right)) or (
        left == right and math.copysign(1, left) == math.copysign(1, right)
    )


def compare(columns: Columns, text: list[str]) -> None:
    """Every line as the plain reader reads it."""
    filled = [(number, line) for number, line in enumerate(text, 1) if line]
    assert columns.line.tolist() == [number for number, _ in filled]
    for row, (_, line) in enumerate(filled):
        plain = plain_words.read_line(line)
        code = int(columns.code[row])
        name = {UNREAD: plain_words.UNREAD, MACRO: plain_words.MACRO}.get(code) or command_of(code)
        assert name == plain.code, line
        if plain.code in (plain_words.UNREAD, plain_words.MACRO):
            continue
        found = words_of(columns, row)
        expected = {letter: value for letter, value in plain.words.items() if letter != plain.code[0]}
        assert found.keys() == expected.keys(), line
        for letter, value in expected.items():
            assert same(found[letter], value), (line, letter, found[letter], value)
        if plain.several:
            assert columns.odd[row].reading == "several-commands", line


@effort(350)
@given(st.lists(lines().map(str.strip), min_size=1, max_size=8))
def test_columns_equal_a_plain_reading_of_every_line(text: list[str]) -> None:
    """Any mixture of ordinary, spaced, joined, lower-case, repeated, text, macro and damaged lines reads as it stands."""
    compare(read_columns("\n".join(text).encode("latin-1"), 1), text)


@effort(350)
@given(numbers(), st.sampled_from(["G1 X{}", "G1X{}Y3", "G1 X {} Y4", "G1\tX{}\tY5", "g1 x{} y6", "G1 E5 X{} F3000"]))
def test_a_number_equals_float_of_its_text_to_the_last_bit(number: str, frame: str) -> None:
    """Whatever the form of a number and the words around it, its value is Python's ``float`` of it."""
    columns = read_columns(frame.format(number).encode() + b"\n", 1)
    assert same(float(columns.word("X")[0]), float(number))
    assert columns.code[0] == code_of("G1")


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # Forms seen in real jobs (domain.md, "What real jobs contain").
        ("E-1.29e-15", -1.29e-15), ("E+0.5", 0.5), ("E.5", 0.5), ("E5.", 5.0), ("E-0.000", -0.0),
        ("E0.30000000000000004", 0.1 + 0.2),
        ("E8.12371", 8.12371), ("E123456789.123456", 123456789.123456), ("E999999999999999", 999999999999999.0),
        ("E1234567890123456", 1234567890123456.0), ("E0000000000000001.5", 1.5), ("E-3", -3.0), ("E 1.0", 1.0),
    ],
)  # fmt: skip
def test_forms_of_numbers_that_real_jobs_write(text: str, value: float) -> None:
    """Each form alone, so that a failure names it."""
    columns = read_columns(f"G1 X1 {text} F1200\n".encode(), 1)
    assert same(float(columns.word("E")[0]), value)
    assert columns.word("F")[0] == 1200


def test_blanks_between_words_letters_and_numbers_change_nothing() -> None:
    """NISTIR 6556 3.3 allows white space anywhere (facts.md 2.1); before a number, printers skip it, too."""
    columns = read_columns(b"g 0x +0.1234\ty 7  F\t600\n", 1)
    assert (columns.word("X")[0], columns.word("Y")[0], columns.word("F")[0]) == (0.1234, 7.0, 600.0)
    assert command_of(int(columns.code[0])) == "G0"


@pytest.mark.parametrize(
    "line",
    [
        # The standard's own example is x+0.1234 by the standard (3.3), and x0 to a printer.
        "g0x +0. 12 34y 7", "G1 X1 0 Y5", "G1 Y5 X1 0", "G1 X- 5", "G1 X1 .5", "G1 X1. 5", "G1 X1\t0", "G92 E0 .5", "G1X1 0Y5",
        "M104 S2 00",
    ],
)  # fmt: skip
def test_a_number_that_two_readings_read_differently_is_not_taken(line: str) -> None:
    """What the standard and the printers read differently is unread, never guessed (issue 3, Syntax), and keeps its line."""
    columns = read_columns(b"G28\n" + line.encode() + b"\nG1 X2\n", 7)
    assert columns.line.tolist() == [7, 8, 9]
    assert columns.code[1] == UNREAD
    assert (columns.odd[1].text, columns.odd[1].reading) == (line.encode(), "split-number")
    for letter in "XYES":
        assert np.isnan(columns.word(letter)[1])


def test_exponents_and_axis_e_are_told_apart() -> None:
    """``X10E5`` is two words; ``G1E-3`` is a command and a word (seen in real jobs, domain.md)."""
    columns = read_columns(b"G1X10E5\nG1E-3\ng1x10e5\n", 1)
    assert columns.word("X").tolist()[::2] == [10.0, 10.0]
    assert columns.word("E").tolist() == [5.0, -3.0, 5.0]


@pytest.mark.parametrize("command", ["G0", "G1", "G28", "G92", "M104", "M620.1", "T255", "T1000", "M6552.9"])
def test_codes_round_trip(command: str) -> None:
    """Every command has a code of its own, dotted ones included."""
    assert command_of(code_of(command)) == command
    assert int(read_columns(f"{command} S1\n".encode(), 1).code[0]) == code_of(command)


def test_unread_lines_keep_their_number_and_text() -> None:
    """What is not understood is kept whole, at its line, as code 0 (issue 3: never dropped, never guessed)."""
    columns = read_columns(b"G1 X1\n\n...\nG1 X1.2.3\nG1 F{TRAVEL}\nG1 X2\n", 10)
    assert columns.line.tolist() == [10, 12, 13, 14, 15]
    assert columns.code.tolist() == [code_of("G1"), UNREAD, UNREAD, UNREAD, code_of("G1")]
    assert [columns.odd[row].text for row in (1, 2, 3)] == [b"...", b"G1 X1.2.3", b"G1 F{TRAVEL}"]


def test_text_arguments_are_no_words() -> None:
    """The rest of M117, M118, M23, M486 is text: an X in it is no coordinate (facts.md 1.3)."""
    columns = read_columns(b'M117 X5 Y6 layer 3\nM486 A"clip X2"\nM23 X1.GCO\n', 1)
    for letter in "XYA":
        assert not columns.has(letter).any()
        assert np.isnan(columns.word(letter)).all()
    assert [columns.odd[row].text for row in range(3)] == [b"M117 X5 Y6 layer 3", b'M486 A"clip X2"', b"M23 X1.GCO"]


@pytest.mark.parametrize("text", [b"", b"\n", b"\n\n\n"])
def test_nothing_in_nothing_out(text: bytes) -> None:
    """Empty payload gives empty columns, every word included."""
    columns = read_columns(text, 5)
    assert len(columns) == 0
    assert len(columns.word("X")) == 0
    assert len(columns.has("X")) == 0


@effort(80)
@given(st.lists(lines().map(str.strip), min_size=2, max_size=12), st.data())
def test_columns_do_not_depend_on_how_the_text_is_cut(text: list[str], data: st.DataObject) -> None:
    """Read in two pieces, cut at any line, the lines are the same as read at once."""
    cut = data.draw(st.integers(1, len(text) - 1))
    whole = read_columns("\n".join(text).encode("latin-1"), 1)
    parts = [
        read_columns(("\n".join(text[:cut]) + "\n").encode("latin-1"), 1),
        read_columns("\n".join(text[cut:]).encode("latin-1"), cut + 1),
    ]
    assert np.concatenate([part.line for part in parts]).tolist() == whole.line.tolist()
    assert np.concatenate([part.code for part in parts]).tolist() == whole.code.tolist()
    for letter in "XYZEFS":
        joined = np.concatenate([part.word(letter) for part in parts])
        assert np.array_equal(joined, whole.word(letter), equal_nan=True)


@effort(300)
@given(st.binary(max_size=120))
def test_any_bytes_are_read_without_a_crash_and_no_line_is_lost(text: bytes) -> None:
    """Every line that is not empty has exactly one row, whatever bytes it holds."""
    columns = read_columns(text, 1)
    filled = [number for number, line in enumerate(text.split(b"\n"), 1) if line]
    assert columns.line.tolist() == filled
    assert len(columns.code) == len(filled)
