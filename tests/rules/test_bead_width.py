"""other-machine by the beads themselves: a job for 2.85 mm filament on a printer with 1.75 mm, and the other way round.

The factor is the ratio of the filaments' cross-sections, 6.379397 / 2.405282 = 2.652 (facts.md 3.1).
"""

import pytest
from tests.oracles.examination import found, report_of
from tests.oracles.micro_job import MICRO_JOB

STATED = {"nozzle_diameter_mm": 0.4, "filament_diameter_mm": 1.75}
RATIO = 6.379397 / 2.405282


def scaled(factor: float) -> bytes:
    """The reference micro-job with every E multiplied."""
    words = [
        f"E{float(word[1:]) * factor:.5f}" if word.startswith("E") else word
        for word in MICRO_JOB.replace("\n", " \n ").split(" ")
    ]
    return " ".join(words).replace(" \n ", "\n").encode()


@pytest.mark.parametrize("factor", [1.0, 0.8, 1.4])
def test_ordinary_beads_are_no_other_machine(factor: float) -> None:
    """0.45 mm from a nozzle of 0.4 mm, and a fifth more or less of flow, are what such a nozzle lays."""
    assert not found(report_of(scaled(factor), STATED), "other-machine")


@pytest.mark.parametrize(("factor", "text"), [(RATIO, "too much"), (1 / RATIO, "too little")])
def test_the_wrong_filament_shows_in_every_bead(factor: float, text: str) -> None:
    """The finding gives the width by the stadium model: a / h + h (1 - pi / 4)."""
    (finding,) = found(report_of(scaled(factor), STATED), "other-machine")
    assert finding.severity == "hold"
    assert text in finding.message
    area = 0.0814159 * factor
    assert finding.evidence["bead_width_mm"] == pytest.approx(area / 0.2 + 0.2 * (1 - 3.14159265 / 4), rel=0.01)


def test_without_a_stated_filament_widths_say_nothing() -> None:
    """The same E is right for another filament: unstated is not a default."""
    assert not found(report_of(scaled(RATIO), {"nozzle_diameter_mm": 0.4}), "other-machine")
