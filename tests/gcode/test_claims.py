"""Claims: what comments say, in any wording and either kind of comment, with bounded memory."""

import pytest

from layergate.gcode import claims as claims_module
from layergate.gcode.claims import Claims


def read(text: str, first_line: int = 1) -> Claims:
    claims = Claims()
    claims.read(text.encode(), first_line, keys=True)
    return claims


@pytest.mark.parametrize(
    ("text", "count"),
    [
        ("; layer count: 57", 57), ("; total layers = 57", 57), (";LAYER_COUNT:57", 57), ("(layers: 57)", 57),
        ("; layers = 57", 57),
        ("; number of layers: 57", 57), ("; layer 12 of 57", 57), ("; layer 12/57", 57), ("; layer height = 0.2", None),
        ("; layers in this job = 57", None), ("G1 X57 ; no word of it", None), ("; layered: 57", None), ("", None),
    ],
)  # fmt: skip
def test_layer_counts_in_the_wordings_that_comments_have(text: str, count: int | None) -> None:
    """Wordings are common practice; a height or another key is no count."""
    claimed = read(f"G28\n(no claim)\n{text}\n", first_line=10).layer_count()
    assert claimed == (None if count is None else (count, 12))


def test_the_first_value_of_a_key_counts() -> None:
    """Settings blocks repeat keys; the first statement stands."""
    claims = read("; filament used [mm] = 12.5\n; filament used [mm] = 99\n")
    assert claims.number("filament used [mm]") == 12.5


def test_number_takes_the_first_key_that_is_stated() -> None:
    """Several wordings of one claim, in order of preference; None where none is stated."""
    claims = read("; filament diameter: 2.85 mm\n")
    assert claims.number("filament_diameter", "filament diameter") == 2.85
    assert claims.number("nozzle") is None


def test_layer_marks_carry_their_lines() -> None:
    """Each comment with the word and a whole number is a mark at its own line, also in parentheses."""
    claims = read("G28\n; layer 0\nG1 X1\n(begin layer 1)\nG1 X2 ; layer 2 here\n;layer no three\n", 100)
    assert claims.layer_marks == [(101, 0), (103, 1), (104, 2)]


def test_marks_count_over_blocks() -> None:
    """A second block goes on where the first ended."""
    claims = Claims()
    claims.read(b"; layer 1\nG1 X1\n", 1, keys=True)
    claims.read(b"G1 X1\n; layer 2\n", 3, keys=False)
    assert claims.layer_marks == [(1, 1), (4, 2)]


def test_keys_are_read_only_where_asked() -> None:
    """In the middle of a job keys are not looked for, layer marks are."""
    claims = Claims()
    claims.read(b"; layers: 5\n; layer 3\n", 1, keys=False)
    assert claims.values == {}
    assert claims.layer_marks[-1] == (2, 3)


def test_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """More keys and marks than any honest job has are dropped, not gathered."""
    monkeypatch.setattr(claims_module, "_MOST_KEYS", 10)
    monkeypatch.setattr(claims_module, "_MOST_MARKS", 10)
    claims = read("".join(f"; key{chr(97 + n % 26)}{chr(97 + n // 26)}: {n}\n; layer {n}\n" for n in range(100)))
    assert len(claims.values) == 10
    assert len(claims.layer_marks) == 10


def test_any_language_and_broken_bytes_are_taken_without_a_crash() -> None:
    """Comments may hold any bytes; what is no UTF-8 is replaced."""
    claims = Claims()
    claims.read("; Höhe: 20.5 mm\n; name: 名前\n".encode() + b"; note: \xff\xfe caf\xe9\n", 1, keys=True)
    assert claims.values["name"] == "名前"
    assert "caf" in claims.values["note"]
