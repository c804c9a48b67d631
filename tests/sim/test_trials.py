"""The trials: what they count as caught and placed, and that they run the checker as a user does."""

import gzip
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from layergate_sim.specimens import make_specimen
from layergate_sim.trials.case import Case, crashes, is_placed, stopping
from layergate_sim.trials.cli import trials

CASE = Case("plate", 1, "plunge", b"", z_mm=(3.0, 3.2), step_mm=0.2, lines=(1000, 1010))


def finding(**where: Any) -> dict[str, Any]:
    return {
        "rule": "some-rule",
        "severity": "hold",
        "message": "Something is so.",
        "where": {"lines": None, "z_mm": None, **where},
    }


@pytest.mark.parametrize(
    ("where", "placed"),
    [
        ({"lines": [951, 955]}, True),
        ({"lines": [900, 940]}, False),
        ({"z_mm": [3.4, 3.4]}, True),
        ({"z_mm": [3.8, 4.0]}, False),
        ({}, False),
    ],
)
def test_a_finding_within_fifty_lines_or_one_layer_is_placed(where: dict[str, Any], placed: bool) -> None:
    """The bars of the trials: one layer or 50 lines."""
    assert is_placed(CASE, [finding(**where)]) is placed


def test_notes_stop_nothing() -> None:
    """A note is no catch."""
    note = {**finding(), "severity": "note"}
    assert stopping({"findings": [note, finding()], "not_applied": []}) == [finding()]


def test_a_rule_that_fails_has_caught_nothing() -> None:
    """Its finding holds the job, and repeats why the rule did not apply: counted as a crash, not as a catch."""
    failed = {**finding(), "message": "The rule some-rule failed."}
    report = {
        "findings": [failed, finding()],
        "not_applied": [
            {"rule": "some-rule", "why": "The rule some-rule failed."},
            {"rule": "other", "why": "unstated"},
        ],
    }
    assert stopping(report) == [finding()]
    assert crashes(report) == ["The rule some-rule failed."]


@pytest.mark.timeout(120)
def test_the_table_is_made_by_running_the_checker() -> None:
    """Two plunges into the part are caught and placed, and the same seed gives the same table."""
    arguments = ["--cases", "2", "--good", "0", "--damage", "plunge", "--workers", "1"]
    first, second = (CliRunner().invoke(trials, arguments) for _ in range(2))
    assert first.exit_code == 0, first.output
    assert "through-printed-part 2" in first.output
    assert first.output == second.output


@pytest.mark.timeout(120)
def test_jobs_of_a_folder_are_damaged_in_turn(tmp_path: Path) -> None:
    """What stops a job as it is counts as no catch in it; one job is packed."""
    plain, cold = make_specimen("plate-sparse", 3).text, make_specimen("heat-unsaid", 4).text
    (tmp_path / "cap.gcode").write_bytes(plain)
    (tmp_path / "hook.gcode.gz").write_bytes(gzip.compress(cold))
    arguments = ["--jobs", str(tmp_path), "--cases", "2", "--damage", "layer-lost", "--workers", "1"]
    done = CliRunner().invoke(trials, arguments)
    assert done.exit_code == 0, done.output
    assert "good jobs: 2: 1 clear, 1 hold, 0 block" in done.output
    assert re.search(r"hook.gcode.gz +hold +cold-extrusion +1", done.output)
    assert "missing-layer 2" in done.output
    assert "cold-extrusion 1" not in done.output.partition("damage ")[2]
    (tmp_path / "empty").mkdir()
    assert CliRunner().invoke(trials, ["--jobs", str(tmp_path / "empty")]).exit_code == 2


def test_an_unknown_damage_is_wrong_usage() -> None:
    """Its name is in the message."""
    result = CliRunner().invoke(trials, ["--damage", "rust"])
    assert result.exit_code == 2
    assert "rust" in result.output
