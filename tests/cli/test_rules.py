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
    assert f"{rule.rule.severity} by default" in text
    assert ("can't be released" in text.splitlines()[2]) != rule.rule.releasable
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
