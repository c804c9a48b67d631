"""Classes of command for the line time-outs (facts.md 1.4 says which wait)."""

import pytest

from layergate.link.commands import Patience, patience, word


@pytest.mark.parametrize(
    ("command", "expected"),
    [
        ("G1 X1 Y2 E3", Patience.PROMPT),
        ("G0 F9000", Patience.PROMPT),
        ("g1x1y2", Patience.PROMPT),
        ("G01 X1", Patience.PROMPT),
        ("M104 S205", Patience.PROMPT),
        ("M105", Patience.PROMPT),
        ("M204 P1000", Patience.PROMPT),
        ("M109 S205", Patience.LONG),
        ("M190 S60", Patience.LONG),
        ("M191 S40", Patience.LONG),
        ("G28", Patience.LONG),
        ("G28 X Y", Patience.LONG),
        ("G29", Patience.LONG),
        ("G4 P500", Patience.LONG),
        ("M400", Patience.LONG),
        ("T1", Patience.LONG),
        ("PRIME_LINE LENGTH=40", Patience.LONG),
        ("G1234 X1", Patience.LONG),
        ("M0", Patience.PERSON),
        ("M600", Patience.PERSON),
        ("M226 P1 S1", Patience.PERSON),
    ],
)
def test_commands_are_classed_by_their_first_word(command: str, expected: Patience) -> None:
    """Moves and settings are prompt; heating, homing, probing, dwelling, draining and macros are long; pauses need a person."""
    assert patience(command.encode()) is expected
    assert patience(command.encode()) is expected  # the second time it comes from memory


def test_a_word_is_given_in_its_plain_form() -> None:
    """Case, blanks and leading zeros do not make another word (NISTIR 6556, 3.3.1-3.3.2)."""
    assert [word(text) for text in (b"g01 X1", b" G 28", b"M0104S2", b"G0", b"G38.2", b"MACRO", b"%", b"")] == [
        b"G1", b"G28", b"M104", b"G0", b"G38.2", b"M", b"", b"",
    ]  # fmt: skip
