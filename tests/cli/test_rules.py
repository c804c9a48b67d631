"""``layergate rules``: the catalogue and each rule's page, made from the rules themselves."""

import pytest
from click.testing import CliRunner

from layergate.cli.rules import rules
from layergate.preflight.catalogue import load_rules

IDENTIFIERS = [rule.identifier for rule in load_rules()]


def test_the_catalogue_lists_every_rule_with_severity_and_summary() -> None:
    """One line a rule, in order of names."""
    result = CliRunner().invoke(rules, [])
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert [line.split()[0] for line in lines] == IDENTIFIERS
    for line in lines:
        assert line.split()[1] in ("block", "hold", "note")
        assert len(line.split()) > 5


@pytest.mark.parametrize("identifier", IDENTIFIERS)
def test_a_page_names_defaults_and_every_limit(identifier: str) -> None:
    """Severity, whether it can be released, since when, and each limit with its key, default, and meaning."""
    rule = next(rule for rule in load_rules() if rule.identifier == identifier)
    result = CliRunner().invoke(rules, [identifier])
    assert result.exit_code == 0
    text = result.stdout
    assert text.startswith(identifier + "\n" + "=" * len(identifier))
    assert rule.rule.severity in text.splitlines()[2].split(";")[0].split(" or ")
    assert ("can't be released" in text.splitlines()[2]) != rule.rule.releasable
    flat = " ".join(text.split())
    for paragraph in (rule.rule.__doc__ or "").split("\n\n"):
        assert " ".join(paragraph.split()).replace("``", "'") in flat
    for key, field in rule.rule.limits_model.model_fields.items():
        assert f"{key} = {field.default!r}" in text
        assert field.description, f"{identifier}.{key} has no description"


def test_an_unknown_rule_is_an_error() -> None:
    """Exit 2 and a hint; an unknown distribution likewise."""
    result = CliRunner().invoke(rules, ["missing-layers"])
    assert result.exit_code == 2
    assert "there is no rule 'missing-layers'" in result.stderr
    result = CliRunner().invoke(rules, ["--plug-in", "quay"])
    assert result.exit_code == 2
    assert "not installed" in result.stderr


def test_every_severity_that_findings_may_have_is_listed() -> None:
    """not-homed usually holds: a list that says block alone misleads. Against what the rules really give."""
    from tests.oracles.examination import examined
    from tests.oracles.micro_job import without

    (finding,) = [f for f in examined(without(8)).report.findings if f.rule == "not-homed"]
    assert finding.severity == "hold"
    lines = CliRunner().invoke(rules, []).stdout.splitlines()
    assert next(line for line in lines if line.startswith("not-homed ")).split()[1:4] == ["block", "or", "hold"]
    assert next(line for line in lines if line.startswith("repeated-block ")).split()[1:3] == ["block", "A"]


@pytest.mark.parametrize("columns", [60, 80, 200])
def test_on_a_terminal_lines_fit(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Wrapped to the terminal's width, within reason; names of rules are never cut at a hyphen."""
    import os
    import pty
    import subprocess
    import sys
    import termios

    main, other = pty.openpty()
    termios.tcsetwinsize(other, (24, columns))
    command = [sys.executable, "-m", "layergate.cli.main", "rules"]
    environment = {key: value for key, value in os.environ.items() if key not in ("COLUMNS", "LINES")}
    process = subprocess.Popen(command, stdout=other, env=environment)
    os.close(other)
    data = b""
    try:
        while piece := os.read(main, 65536):
            data += piece
    except OSError:  # EIO: the other end is closed (pty(7))
        pass
    assert process.wait(timeout=30) == 0
    os.close(main)
    lines = data.decode().splitlines()
    assert max(map(len, lines)) <= min(columns, 120)
    assert [line.split()[0] for line in lines if not line.startswith(" ")] == IDENTIFIERS
