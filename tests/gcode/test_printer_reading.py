"""What is checked is what the printer does: its way of reading the payload gives the same commands and words.

The printer is tests.oracles.plain_printer: one command a line, no parentheses known, a limited line.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.oracles.effort import effort
from tests.oracles.examination import found, report_of
from tests.oracles.job_text import jobs
from tests.oracles.plain_printer import printer_takes

from layergate.gcode.columns import MACRO, UNREAD, command_of, read_columns
from layergate.gcode.dialect import Dialect
from layergate.gcode.payload import payload, payload_lines

# Readings that are told apart in the report, so that a line which the printer takes otherwise is never silent.
TOLD = ("several-commands", "repeated-word", "text")
ALPHABET = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def same(left: float, right: float) -> bool:
    return left == right or (math.isnan(left) and math.isnan(right))


@effort(150)
@given(jobs(), st.booleans())
def test_a_line_that_is_taken_as_read_is_read_so_by_the_printer(job: list[bytes], parentheses: bool) -> None:
    """Every line that is not said to be unread, a macro, text, joined or repeated: the same command, the same words."""
    text = payload(b"".join(job), Dialect(parentheses_are_comments=parentheses))
    columns = read_columns(text, 1)
    lines = text.split(b"\n")
    for row, number in enumerate(columns.line.tolist()):
        code = int(columns.code[row])
        if code in (UNREAD, MACRO) or (row in columns.odd and columns.odd[row].reading in TOLD):
            continue
        line = lines[number - 1].decode("latin-1")
        taken = printer_takes(line)
        assert taken.command == command_of(code), line
        letters = [letter for letter in ALPHABET if columns.has(letter)[row] and letter != taken.command[0]]
        assert set(letters) == taken.words.keys() - {taken.command[0]}, line
        for letter in letters:
            assert same(float(columns.word(letter)[row]), taken.words[letter]), (line, letter)


@effort(80)
@given(jobs())
def test_no_line_that_moves_the_printer_is_lost(job: list[bytes]) -> None:
    """What the printer would carry out as a move stands in the columns as that move, or is said not to be read."""
    text = payload(b"".join(job))
    columns = read_columns(text, 1)
    row_of = {number: row for row, number in enumerate(columns.line.tolist())}
    for index, line in payload_lines(b"".join(job)):
        taken = printer_takes(line.decode("latin-1"))
        if taken.command in ("G0", "G1", "G2", "G3", "G92"):
            row = row_of[index + 1]
            assert command_of(int(columns.code[row])) == taken.command or (
                int(columns.code[row]) == UNREAD and columns.odd[row].text == line
            )


def test_comments_in_parentheses_reach_no_printer_that_would_read_them() -> None:
    """Such a printer takes the word inside for a word, so the comment is taken out, or its line is not read at all."""
    line = b"G1 (X5 left) Y6"
    assert printer_takes(line.decode()).words["X"] == 5
    sent = payload(line)
    assert printer_takes(sent.decode()).words == {"Y": 6.0}
    kept = payload(line, Dialect(parentheses_are_comments=False))
    assert read_columns(kept, 1).code[0] == UNREAD


LONG_WORDS = st.lists(
    st.sampled_from(["X10.000000000", "Y0.0000000001", "Z0.2", "F1200", "E0.000000001", "I1", "J-2.50000000"]),
    min_size=1, max_size=7, unique_by=lambda word: word[0],
)  # fmt: skip


@effort(25)
@given(st.lists(LONG_WORDS, min_size=1, max_size=6), st.integers(16, 60))
def test_every_line_that_the_printer_would_cut_is_found_with_its_number(moves: list[list[str]], buffer: int) -> None:
    """The description states the longest line: a longer one is held, never cut without a word; shorter ones are not."""
    lines = ["G28", "G90", "M83", *("G1 " + " ".join(words) + " ; and a comment that is not sent" for words in moves)]
    sent = payload("\n".join(lines).encode()).decode().split("\n")
    cut = [number for number, line in enumerate(sent, 1) if printer_takes(line, buffer).cut]
    report = report_of(("\n".join(lines) + "\n").encode(), {"dialect": {"longest_line_bytes": buffer}})
    held = [item for item in found(report, "unreadable-line") if "longer than" in item.message]
    assert len(held) == bool(cut)
    if cut:
        assert held[0].severity == "hold"
        assert held[0].where.lines == (cut[0], cut[-1])
        assert held[0].evidence == {"lines": len(cut)}


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", ""])
@pytest.mark.parametrize(("length", "is_found"), [(64, False), (65, True)])
def test_the_longest_line_counts_what_is_sent(length: int, is_found: bool, end: str) -> None:
    """To the byte, without line end and comment, wherever in the job it stands, its last line included."""
    command = "G1 X1 F" + "0" * (length - 10) + "600"
    assert len(command) == length
    text = "G28\nG90\n" + command + " ; said" + end
    report = report_of(text.encode(), {"dialect": {"longest_line_bytes": 64}})
    assert bool([item for item in found(report, "unreadable-line") if "longer than" in item.message]) == is_found
