"""The distribution as users get it: a wheel, installed into an environment that has nothing else."""

import json
import subprocess
import sys
import venv
from pathlib import Path

import pytest
from tests.oracles.micro_job import MICRO_JOB

ROOT = Path(__file__).parents[2]
DEADLINE_S = 240


def run(*command: str | Path, expect: int = 0) -> str:
    """Run a command; give its output. The environment has no variable by which our own checkout could be found."""
    done = subprocess.run(
        [str(part) for part in command],
        capture_output=True, text=True, timeout=DEADLINE_S, check=False, cwd="/", env={"PATH": "/usr/bin:/bin", "HOME": "/root"},
    )  # fmt: skip
    assert done.returncode == expect, done.stdout + done.stderr
    return done.stdout


@pytest.mark.timeout(DEADLINE_S)
def test_a_wheel_in_a_bare_environment_checks_a_job(tmp_path: Path) -> None:
    """Built from this checkout and installed where nothing else is, the command judges a job and lists its rules."""
    run(sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", tmp_path, ROOT)
    (wheel,) = tmp_path.glob("layergate-*.whl")
    home = tmp_path / "bare"
    venv.create(home, with_pip=True)
    run(home / "bin/python", "-m", "pip", "install", "--quiet", "--disable-pip-version-check", wheel)
    job = tmp_path / "rings.gcode"
    job.write_text(MICRO_JOB, encoding="utf-8")
    report = json.loads(run(home / "bin/layergate", "check", "--format", "json", job))
    assert report["verdict"] == "clear"
    assert report["estimate"]["layers"] == 3
    assert report["coverage"]["rules"] >= 40
    assert "missing-layer" in run(home / "bin/layergate", "rules")
    assert "simulated printer" in run(home / "bin/layergate-sim", "--help").lower()
    assert str(ROOT) not in run(home / "bin/python", "-c", "import layergate; print(layergate.__file__)")
