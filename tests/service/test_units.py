"""The unit files and the sample configuration are what systemd and the daemon take."""

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from pydantic import BaseModel

from layergate import config
from layergate.config import Config, load_config

SYSTEMD = Path(__file__).parents[2] / "systemd"
needs_systemd = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd-analyze here")


def _installed(tmp_path: Path) -> Path:
    """The unit with a path to an executable that exists, as after an installation."""
    program = tmp_path / "layergate"
    program.write_text(f"#!{sys.executable}\n", encoding="utf-8")
    program.chmod(0o755)
    text = (SYSTEMD / "layergate.service").read_text(encoding="utf-8")
    unit = tmp_path / "layergate.service"
    unit.write_text(text.replace("/opt/layergate/bin/layergate", str(program)), encoding="utf-8")
    return unit


@needs_systemd
def test_systemd_finds_no_mistake_in_the_unit(tmp_path: Path) -> None:
    """systemd-analyze verify (systemd's own reader) says nothing about our unit."""
    unit = _installed(tmp_path)
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", unit], capture_output=True, text=True, timeout=30, check=False
    )
    ours = [line for line in done.stderr.splitlines() if "layergate" in line]
    assert (done.returncode, ours) == (0, []), done.stderr


@needs_systemd
def test_systemd_would_find_a_mistake(tmp_path: Path) -> None:
    """The check above can fail: a misspelt key is told."""
    unit = _installed(tmp_path)
    unit.write_text(unit.read_text(encoding="utf-8").replace("NoNewPrivileges", "NoNewPriveleges"), encoding="utf-8")
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", unit], capture_output=True, text=True, timeout=30, check=False
    )
    assert "NoNewPriveleges" in done.stderr


@needs_systemd
def test_the_unit_is_well_hardened(tmp_path: Path) -> None:
    """systemd-analyze security rates the unit at most 2.0 of 10 (facts 6.9: an empty unit has 9.6; a hint, no proof)."""
    command = ["systemd-analyze", "security", "--offline=yes", "--threshold=20", str(_installed(tmp_path))]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)
    assert done.returncode == 0, done.stdout[-500:] + done.stderr


def test_private_devices_stays_off() -> None:
    """The unit does not hide the serial port (facts 6.9)."""
    assert not re.search(r"^PrivateDevices", (SYSTEMD / "layergate.service").read_text(encoding="utf-8"), re.M)


def test_the_sample_configuration_is_taken() -> None:
    """The sample is read without a complaint."""
    assert list(load_config(SYSTEMD / "config.toml").printers) == ["quay"]


def test_every_key_of_the_sample_is_known_and_every_known_key_is_in_the_sample() -> None:
    """With every '#key = value' switched on the sample still is a configuration, and it names every key there is."""
    text = (SYSTEMD / "config.toml").read_text(encoding="utf-8")
    text = re.sub(r"^#(?=\[[a-z]|[a-z_]+ = )", "", text, flags=re.M)
    text = text.replace("tls = false", "tls = true")  # the sample shows certificates, which need it
    raw = tomllib.loads(text)
    Config.model_validate(raw)
    models: dict[str, type[BaseModel]] = {
        "spool": config.SpoolConfig,
        "preflight": config.PreflightConfig,
        "control": config.ControlConfig,
        "web": config.WebConfig,
        "mqtt": config.MqttConfig,
        "hook": config.HookConfig,
        "printers": config.PrinterConfig,
    }
    assert set(models) == set(Config.model_fields)
    hidden = {("preflight", "command"), ("printers", "link_socket")}  # for tests; a sample would only confuse
    for table, model in models.items():
        shown = raw[table]["quay"] if table == "printers" else raw[table]
        missing = {key for key in model.model_fields if key not in shown and (table, key) not in hidden}
        assert not missing, (table, missing)


def test_the_udev_rule_does_nothing_by_itself() -> None:
    """No line of the rule is active: nothing is claimed until the owner fills in a serial number."""
    lines = (SYSTEMD / "70-layergate.rules").read_text(encoding="utf-8").splitlines()
    assert all(line.startswith("#") or not line for line in lines)
