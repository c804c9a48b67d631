"""Words of a command: forms that real jobs contain (the project's domain page, "What real jobs contain")."""

from __future__ import annotations

import pytest

from layergate_sim.printer.words import parse


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        ("G1 X10 Y-2.5 E.17 F1800", "G1", {"X": 10, "Y": -2.5, "E": 0.17, "F": 1800}),
        ("g1x10y20", "G1", {"X": 10, "Y": 20}),
        ("G1 F1200 E2 X1", "G1", {"F": 1200, "E": 2, "X": 1}),
        ("G01 Z+0.5", "G1", {"Z": 0.5}),
        ("G 28 W", "G28", {"W": None}),
        ("G1E-3", "G1", {"E": -3}),
        ("G1 X1E-3", "G1", {"X": 1, "E": -3}),
        ("G1 X-0.000 E-1.29e-15", "G1", {"X": 0, "E": -1.29e-15}),
        ("M104 T0 S215.5", "M104", {"T": 0, "S": 215.5}),
        ("M620.1 E F523", "M620.1", {"E": None, "F": 523}),
        ("G1 (first) X1 (second) Y2", "G1", {"X": 1, "Y": 2}),
        ("G1\tX1\t\tY2", "G1", {"X": 1, "Y": 2}),
        ("G1 F{TRAVEL}", "G1", None),
        ("T255", "T255", {}),
        ("...", "", {}),
        ("", "", {}),
        ("M109 S200G1 X0.1 Y200", "M109", {"S": 200, "G": 1, "X": 0.1, "Y": 200}),
    ],
)
def test_forms_seen_in_real_jobs(text: str, code: str, words: dict[str, float | None] | None) -> None:
    """Case, blanks, order, bare letters, exponents and joined words are read as a controller would."""
    command = parse(text)
    assert command.code == code
    if words is not None:
        assert command.words == words


def test_an_unfilled_placeholder_gives_no_speed() -> None:
    """`F{TRAVEL}` names F without a value: the speed in force stays."""
    assert parse("G1 F{TRAVEL}").words["F"] is None


def test_text_commands_keep_their_text() -> None:
    """The rest of M117 and M118 is literal (facts.md 1.3)."""
    assert parse("M117 Layer 3 of 10").text == "Layer 3 of 10"
    assert parse("M118 A1 action:pause").text == "A1 action:pause"
