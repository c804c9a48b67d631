"""The daemon's configuration: every mistake with its place, and defaults by systemd's or XDG's folders."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from layergate.cli.daemon import config_group
from layergate.config import Config, TomlFileError, load_config

GOOD = """
[printers.quay]
device = "/dev/printer-quay"
"""


def _load(tmp_path: Path, text: str) -> Config:
    path = tmp_path / "config.toml"
    path.write_text(text, encoding="utf-8")
    return load_config(path)


def test_a_printer_with_a_device_is_enough(tmp_path: Path) -> None:
    """One printer with its device is a whole configuration: enforcing, bed confirmed by a person, web and broker off."""
    config = _load(tmp_path, GOOD)
    printer = config.printers["quay"]
    assert (printer.mode, printer.start, config.web.listen, config.mqtt) == ("enforce", "confirmed", None, None)


def test_every_mistake_is_told_with_line_and_key(tmp_path: Path) -> None:
    """Three mistakes give three lines, each with file, line and key, in the order of the file."""
    text = '[mqtt]\nhost = "localhost"\nport = "abc"\n[spool]\nlargest_job_mb = 3\n[printers.quay]\ndevice = "x"\nbaud = 3\n'
    with pytest.raises(TomlFileError) as caught:
        _load(tmp_path, text)
    file = tmp_path / "config.toml"
    problems = caught.value.problems
    assert problems[0].startswith(f"{file}:3: mqtt.port: ")
    assert "'abc'" in problems[0]
    assert problems[1] == f"{file}:5: spool.largest_job_mb: unknown key; did you mean 'largest_job_mib'?"
    assert problems[2].startswith(f"{file}:8: printers.quay.baud: ")
    assert len(problems) == 3


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ('[printers.quay]\ndevice = "x"\ndrop_foldr = "y"\n', "drop_folder"),
        ('[printers.quay]\ndevice = "x"\n[printers.quay.watch]\nstall = 3\n', "stall_s"),
        (GOOD + '[mqtt]\nhost = "h"\npasword_file = "y"\n', "password_file"),
    ],
)
def test_an_unknown_key_is_told_with_the_one_that_was_meant(tmp_path: Path, text: str, meant: str) -> None:
    """Also in the tables of printers, whose names are their writer's own, and in optional tables."""
    with pytest.raises(TomlFileError, match=f"did you mean '{meant}'"):
        _load(tmp_path, text)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "printers"),
        ("[printers]\n", "printers"),
        ('[printers.availability]\ndevice = "x"\n', "availability"),
        ('[printers."Quay 2"]\ndevice = "x"\n', "Quay 2"),
        ('[printers."a/b"]\ndevice = "x"\n', "a/b"),
        ('[printers.a]\ndevice = "x"\n[printers.b]\ndevice = "x"\n', "same device"),
        (GOOD + '[web]\nlisten = "8080"\n', "ADDRESS:PORT"),
        (GOOD + '[web]\nlisten = "localhost:99999"\n', "ADDRESS:PORT"),
        (GOOD + '[mqtt]\nhost = "h"\nbase = "a/#"\n', "'#'"),
        (GOOD + '[mqtt]\nhost = "h"\nbase = "a//b"\n', "none empty"),
        (GOOD + '[mqtt]\nhost = "h"\nbase = "$SYS"\n', "'$'"),
        (GOOD + '[mqtt]\nhost = "h"\nca_file = "x.pem"\n', "tls = true"),
        (GOOD + '[mqtt]\nhost = "h"\ntls = true\nkey_file = "k"\n', "go together"),
        (GOOD + '[mqtt]\nhost = "h"\npassword_file = "p"\n', "username"),
        (GOOD + "[hook]\ncommand = []\n", "hook.command"),
        (GOOD + 'mode = "watch"\n', "observe"),
        ("printers = 3\n", "printers"),
        ("[printers.quay\n", "not TOML"),
    ],
)
def test_what_makes_no_sense_is_refused(tmp_path: Path, text: str, word: str) -> None:
    """Each of these is refused with a message that names what is wrong."""
    with pytest.raises(TomlFileError, match=r"config\.toml") as caught:
        _load(tmp_path, text)
    assert word in str(caught.value)


def test_relative_paths_count_from_the_file(tmp_path: Path) -> None:
    """A relative path means the configuration's own folder, whatever the working directory is."""
    config = _load(tmp_path, GOOD + 'description = "quay.toml"\n[control]\nsubmit_from = ["jobs"]\n')
    assert config.printers["quay"].description == tmp_path / "quay.toml"
    assert config.control.submit_from == (tmp_path / "jobs",)


def test_folders_come_from_systemd_then_from_xdg(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Spool and sockets lie in the directories that systemd hands over (systemd.exec(5)), else in XDG's."""
    config = _load(tmp_path, GOOD)
    for name in ("STATE_DIRECTORY", "RUNTIME_DIRECTORY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", "/home/maren/.state")
    monkeypatch.setenv("XDG_RUNTIME_DIR", "/run/user/1000")
    assert config.spool_directory() == Path("/home/maren/.state/layergate/spool")
    assert config.control_socket() == Path("/run/user/1000/layergate/control.sock")
    monkeypatch.setenv("STATE_DIRECTORY", "/var/lib/layergate:/var/lib/other")
    monkeypatch.setenv("RUNTIME_DIRECTORY", "/run/layergate")
    assert config.spool_directory() == Path("/var/lib/layergate/spool")
    assert config.link_socket("quay") == Path("/run/layergate/link-quay.sock")


def test_the_gateway_is_named_by_the_host(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a configured name the gateway is called as the host, in the characters that topics take."""
    config = _load(tmp_path, GOOD + '[mqtt]\nhost = "h"\n')
    assert config.mqtt is not None
    monkeypatch.setattr("socket.gethostname", lambda: "Harbour_Shed.example.org")
    assert config.mqtt.gateway_name() == "harbour-shed"
    monkeypatch.setattr("socket.gethostname", lambda: "___")
    assert config.mqtt.gateway_name() == "gateway"


def test_config_check_tells_all_mistakes_of_all_files(tmp_path: Path) -> None:
    """``config check`` looks into the printer descriptions too, prints each mistake, and exits 1; without any, 0."""
    path = tmp_path / "config.toml"
    path.write_text(GOOD + 'description = "quay.toml"\n[mqtt]\nhost = "h"\nusername = "u"\npassword_file = "p"\n')
    (tmp_path / "quay.toml").write_text("[printer]\nnozle_diameter_mm = 0.4\n", encoding="utf-8")
    result = CliRunner().invoke(config_group, ["check", str(path)])
    assert result.exit_code == 1
    assert "quay.toml:2: printer.nozle_diameter_mm: unknown key" in result.output
    assert "mqtt.password_file" in result.output
    path.write_text(GOOD, encoding="utf-8")
    result = CliRunner().invoke(config_group, ["check", str(path)])
    assert (result.exit_code, "nothing wrong" in result.output) == (0, True)


def test_config_check_of_a_file_that_is_not_there(tmp_path: Path) -> None:
    """A missing file is told by its name, with exit 1."""
    result = CliRunner().invoke(config_group, ["check", str(tmp_path / "none.toml")])
    assert result.exit_code == 1
    assert "none.toml: can't be read: No such file" in result.output
