"""A rule of somebody else's, in a distribution of its own (tests/plugin_example): found, run, configured, and blamed.

Installed by pip into a folder of its own, offline; each command runs in a process that has this folder on its path.
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from tests.oracles.micro_job import MICRO_JOB

EXAMPLE = Path(__file__).parents[1] / "plugin_example"
DEADLINE_S = 60
# As the command is, with less time allowed than half a minute.
IN_HASTE = (
    "import layergate.preflight.runner as runner; runner.SECONDS_ALLOWED = 0.3;"
    "from layergate.cli.main import main; main()"
)


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plugin")
    shutil.copytree(EXAMPLE, folder / "source", ignore=shutil.ignore_patterns("__pycache__"))
    command = [
        sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-index", "--no-deps",
        "--no-build-isolation", "--root-user-action=ignore", "--target", str(folder / "target"), str(folder / "source"),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=DEADLINE_S, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return folder / "target"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    (tmp_path / "rings.gcode").write_text(MICRO_JOB)
    (tmp_path / "low.toml").write_text("[rules.lid-clearance]\nlid_mm = 0.5\n")
    (tmp_path / "wrong.toml").write_text("[rules.lid-clearance]\nlid_mm = -1\n")
    return tmp_path / "rings.gcode"


def changed(installed: Path, tmp_path: Path, old: str, new: str) -> Path:
    """A copy of the installed distribution with its rule changed."""
    target = tmp_path / "changed"
    shutil.copytree(installed, target)
    module = target / "lid_rules" / "lid_clearance.py"
    text = module.read_text()
    assert old in text
    module.write_text(text.replace(old, new))
    return target


def run(target: Path | None, *arguments: str | Path, program: str = "") -> subprocess.CompletedProcess[str]:
    command = [sys.executable, *(("-c", program) if program else ("-m", "layergate.cli.main")), *map(str, arguments)]
    environment = {**os.environ, "PYTHONPATH": str(target) if target else "", "PYTHONDONTWRITEBYTECODE": "1"}
    return subprocess.run(command, capture_output=True, text=True, timeout=DEADLINE_S, check=False, env=environment)


def report(target: Path, *arguments: str | Path, program: str = "") -> dict[str, Any]:
    done = run(target, "check", "--format", "json", "--plug-in", "lid-rules", *arguments, program=program)
    assert done.stdout, done.stderr
    document: dict[str, Any] = json.loads(done.stdout)
    return document


def test_it_is_found_only_when_it_is_named(installed: Path, job: Path) -> None:
    """Installed is not asked for; asked for and not installed is an error that says so."""
    assert "lid-clearance" not in run(installed, "rules").stdout
    assert "lid-clearance" in run(installed, "rules", "--plug-in", "lid-rules").stdout
    assert "lid-clearance" in run(installed, "rules", "--plug-in", "Lid_Rules").stdout
    assert "from lid-rules 1.2.0" in run(installed, "rules", "--plug-in", "lid-rules", "lid-clearance").stdout
    missing = run(None, "check", "--plug-in", "lid-rules", job)
    assert missing.returncode == 2
    assert "rules of lid-rules are asked for but not installed" in missing.stderr


def test_it_is_run_and_named_with_its_version(installed: Path, job: Path) -> None:
    """It counts among the rules, and the report says which version of it judged."""
    document = report(installed, job)
    assert document["verdict"] == "clear"
    assert document["rules"]["lid-clearance"] == "lid-rules 1.2.0"
    plain = json.loads(run(installed, "check", "--format", "json", job).stdout)
    assert document["coverage"]["rules"] == plain["coverage"]["rules"] + 1
    assert document["rules_version"] != plain["rules_version"]


def test_it_is_configured_by_the_printer_description(installed: Path, job: Path) -> None:
    """[rules.NAME] sets its limits, checked by its own model; without the plug-in the table is a mistake."""
    document = report(installed, "--printer", job.with_name("low.toml"), job)
    (finding,) = document["findings"]
    assert (document["verdict"], finding["rule"]) == ("hold", "lid-clearance")
    assert finding["evidence"] == {"height_mm": 0.6, "lid_mm": 0.5}
    wrong = run(installed, "check", "--plug-in", "lid-rules", "--printer", job.with_name("wrong.toml"), job)
    assert wrong.returncode == 2
    assert "rules.lid-clearance.lid_mm: " in wrong.stderr
    unnamed = run(installed, "check", "--printer", job.with_name("low.toml"), job)
    assert unnamed.returncode == 2
    assert "rules.lid-clearance: there is no such rule" in unnamed.stderr


def test_sarif_names_it_as_an_extension(installed: Path, job: Path) -> None:
    """Its rule is described under its own distribution, and its result refers to it (SARIF 3.18.3, 3.52)."""
    arguments = ("check", "--format", "sarif", "--plug-in", "lid-rules", "--printer", job.with_name("low.toml"), job)
    run_of_log = json.loads(run(installed, *arguments).stdout)["runs"][0]
    (extension,) = run_of_log["tool"]["extensions"]
    assert (extension["name"], extension["version"], extension["rules"][0]["id"]) == (
        "lid-rules",
        "1.2.0",
        "lid-clearance",
    )
    (result,) = run_of_log["results"]
    assert result["rule"] == {"id": "lid-clearance", "index": 0, "toolComponent": {"index": 0}}


@pytest.mark.parametrize(
    ("old", "new", "program", "message"),
    [
        ("top = float(layers.z_mm.max())", "top = 1 / 0", "",
         "The rule lid-clearance (of lid-rules 1.2.0) failed and could not judge this job: ZeroDivisionError"),
        ("top = float(layers.z_mm.max())", "raise SystemExit(0)", "",
         "The rule lid-clearance (of lid-rules 1.2.0) failed and could not judge this job: SystemExit"),
        ("top = float(layers.z_mm.max())", "while True: pass", IN_HASTE,
         "The rule lid-clearance (of lid-rules 1.2.0) took more than the 0 s of computing time allowed and was stopped."),
    ],
    ids=["crashes", "ends the program", "never ends"],
)  # fmt: skip
def test_when_it_fails_the_job_is_held_and_it_is_named(
    installed: Path, tmp_path: Path, job: Path, old: str, new: str, program: str, message: str
) -> None:
    """Hold, its rule and its distribution; the other rules judge all the same."""
    document = report(changed(installed, tmp_path, old, new), job, program=program)
    assert document["verdict"] == "hold"
    (finding,) = document["findings"]
    assert finding["message"].startswith(message)
    assert "lid-clearance" in {item["rule"] for item in document["not_applied"]}
    assert document["coverage"]["judged"] > 20


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("import Findings", "import Findingz", "the rules of lid-rules can't be imported: ImportError"),
        ('severity = "hold"', 'severity = "loud"', "rule lid-clearance: severity must be block, hold or note"),
    ],
)
def test_a_broken_distribution_is_an_error_that_names_it(
    installed: Path, tmp_path: Path, job: Path, old: str, new: str, message: str
) -> None:
    """No traceback, no verdict by the other rules alone."""
    done = run(changed(installed, tmp_path, old, new), "check", "--plug-in", "lid-rules", job)
    assert (done.returncode, done.stdout) == (2, "")
    assert message in done.stderr
    assert "Traceback" not in done.stderr


def test_an_entry_point_can_not_pass_for_the_built_in_rules(installed: Path, tmp_path: Path, job: Path) -> None:
    """One that calls itself `layergate` is still of its own distribution, and not asked for."""
    target = tmp_path / "changed"
    shutil.copytree(installed, target)
    (points,) = target.glob("*.dist-info/entry_points.txt")
    points.write_text(points.read_text().replace("lid-rules =", "layergate ="))
    done = run(target, "check", "--format", "json", job)
    assert set(json.loads(done.stdout)["rules"].values()) == {next(iter(json.loads(done.stdout)["rules"].values()))}
    assert "lid-clearance" not in json.loads(done.stdout)["rules"]
    assert len(json.loads(done.stdout)["rules"]) > 20
