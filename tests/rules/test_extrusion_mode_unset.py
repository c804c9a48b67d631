"""extrusion-mode-unset: a note where E looks absolute, held where it does not."""

from tests.rules.judged import MICRO, findings, micro, why_not_applied

EDGES = ("X30 Y10", "X30 Y32", "X10 Y30", "X10 Y10")


def relative(first: str) -> str:
    """Rings in relative E with edges of differing lengths and their own E, and another first line."""
    lines = [first, "G28", "M109 S205"]
    for ring in range(1, 6):
        lines.append(f"G1 Z{0.2 * ring:.1f}")
        lines += [f"G1 {edge} E{e}" for edge, e in zip(EDGES, (0.677, 0.745, 0.68, 0.677), strict=True)]
    return "\n".join([*lines, "M104 S0"])


def test_absolute_and_unsaid() -> None:
    """Controllers start with absolute E (facts.md 1.4): a job that never says so and fits is a note."""
    assert [f.severity for f in findings(micro(replace={3: ""}), "extrusion-mode-unset")] == ["note"]


def test_relative_and_unsaid() -> None:
    """A job whose M83 is lost does not look absolute, and is held with the figures."""
    found = findings(relative("G90"), "extrusion-mode-unset")
    assert [f.severity for f in found] == ["hold"]
    assert found[0].evidence["share_of_falling_e"] > 0.2
    assert found[0].evidence["spread_if_relative"] < 0.1


def test_said() -> None:
    """Jobs that say it are let through."""
    assert findings(MICRO, "extrusion-mode-unset") == []
    assert findings(relative("M83"), "extrusion-mode-unset") == []


def test_not_judged() -> None:
    """A macro may say it; a job that pushes nothing need not."""
    assert "macro" in why_not_applied(micro(replace={3: "PRINT_START"}), "extrusion-mode-unset")
    assert "filament" in why_not_applied("G28\nG1 X10 Y10\n", "extrusion-mode-unset")
