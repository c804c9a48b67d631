"""The catalogue: rules of named distributions, found through one path, in one order, or an error that says what is missing."""

import sys
import types
from importlib.metadata import EntryPoint, entry_points

import pytest

from layergate.preflight import catalogue
from layergate.preflight.catalogue import GROUP, CatalogueError, load_rules, rules_version
from layergate.preflight.rule import Findings, LayerMap, Rule, RuleError


class PierRule(Rule):
    """What it looks for: piers."""

    identifier = "pier-rule"
    severity = "note"

    def finish(self, layers: LayerMap) -> Findings:
        return ()


class SecondMissingLayer(PierRule):
    """What it looks for: the same name again."""

    identifier = "missing-layer"


class BadRule(PierRule):
    """What it looks for: nothing that exists."""

    def finish(self, colour: str) -> Findings:  # type: ignore[override]
        return ()


@pytest.fixture
def pier(monkeypatch: pytest.MonkeyPatch) -> types.ModuleType:
    """A second distribution, `pier`, beside the installed ones, whose rules a test sets."""
    module = types.ModuleType("pier_rules")
    for rule in (PierRule, SecondMissingLayer, BadRule):
        setattr(module, rule.__name__, rule)
    module.__dict__.update(RULES=("pier_rules:PierRule",), NotARule=object)
    monkeypatch.setitem(sys.modules, "pier_rules", module)
    installed = [point for point in entry_points(group=GROUP) if point.name == "layergate"]
    point = EntryPoint("pier", "pier_rules:RULES", GROUP)
    monkeypatch.setattr(catalogue, "entry_points", lambda group: [*installed, point])
    return module


def test_built_in_rules_are_sorted_and_unique() -> None:
    """One path, one order: by identifier."""
    rules = load_rules()
    identifiers = [rule.identifier for rule in rules]
    assert identifiers == sorted(set(identifiers))
    assert len(identifiers) >= 7
    assert {rule.distribution for rule in rules} == {"layergate"}


def test_rules_of_other_distributions_run_only_where_named(pier: types.ModuleType) -> None:
    """Installed is not asked for."""
    assert "pier-rule" not in {rule.identifier for rule in load_rules()}
    assert "pier-rule" in {rule.identifier for rule in load_rules(["pier"])}


def test_a_missing_distribution_is_an_error_that_lists_what_is_there(pier: types.ModuleType) -> None:
    """Missing, installed, and what to look at."""
    with pytest.raises(
        CatalogueError, match=r"rules of quay are asked for but not installed; installed: layergate, pier"
    ):
        load_rules(["quay", "pier"])


def test_two_rules_of_one_name_are_an_error(pier: types.ModuleType) -> None:
    """Names both distributions; neither silently wins."""
    pier.RULES = ("pier_rules:SecondMissingLayer",)  # type: ignore[attr-defined]
    with pytest.raises(CatalogueError, match="rule missing-layer comes from both layergate and pier"):
        load_rules(["pier"])


@pytest.mark.parametrize("item", ["pier_rules:NotARule", "pier_rules:Absent", "pier_rules"])
def test_what_is_no_rule_is_an_error(pier: types.ModuleType, item: str) -> None:
    """A listed name that is no rule is named."""
    pier.RULES = (item,)  # type: ignore[attr-defined]
    with pytest.raises(CatalogueError, match=f"pier lists '{item}', which is no rule"):
        load_rules(["pier"])


def test_a_rule_with_a_wrong_signature_is_refused_at_load(pier: types.ModuleType) -> None:
    """Not when the first job comes."""
    pier.RULES = ("pier_rules:BadRule",)  # type: ignore[attr-defined]
    with pytest.raises(RuleError, match="finish asks for colour"):
        load_rules(["pier"])


def test_a_plug_in_that_can_not_be_imported_is_an_error_that_names_it(
    pier: types.ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A broken distribution must not end in a traceback."""
    pier.RULES = ("pier_rules_that_are_not_there:Rule",)  # type: ignore[attr-defined]
    with pytest.raises(CatalogueError, match="pier"):
        load_rules(["pier"])
    monkeypatch.setitem(sys.modules, "pier_rules", None)
    with pytest.raises(CatalogueError, match="pier"):
        load_rules(["pier"])


def test_the_version_of_the_rule_set_changes_with_its_rules(pier: types.ModuleType) -> None:
    """Verdicts are made again when the rule set changed (architecture.md, Verdicts)."""
    assert rules_version(load_rules()) == rules_version(load_rules())
    assert rules_version(load_rules()) != rules_version(load_rules(["pier"]))
