"""Every rule's page: four parts, a source where limits stand, names that agree (domain.md, style.md 9 and 10)."""

import inspect
import re
from pathlib import Path

import pytest

import layergate_rules
from layergate.preflight.catalogue import LoadedRule, load_rules
from layergate.preflight.rule import needs

RULES = load_rules()
PARTS = ["What it looks for", "Why it matters", "How it decides and when it does not apply", "What to do"]


@pytest.fixture(params=RULES, ids=lambda rule: rule.identifier)
def rule(request: pytest.FixtureRequest) -> LoadedRule:
    loaded: LoadedRule = request.param
    return loaded


def test_a_page_has_its_four_parts_in_order_each_with_text(rule: LoadedRule) -> None:
    """What, why, how, what to do; and none of them empty."""
    page = inspect.cleandoc(rule.rule.__doc__ or "")
    lines = page.splitlines()
    at = [lines.index(part) for part in PARTS]
    assert at == sorted(at)
    for start, end in zip(at, [*at[1:], len(lines)], strict=True):
        assert len(" ".join(lines[start + 1 : end]).split()) >= 8, lines[start]


def test_a_rule_with_limits_names_their_source(rule: LoadedRule) -> None:
    """A limit that is common practice says so; one from a handbook or a standard names it (domain.md)."""
    page = inspect.cleandoc(rule.rule.__doc__ or "")
    fields = rule.rule.limits_model.model_fields
    for key, field in fields.items():
        assert field.description, key
    if fields:
        sourced = r"Source:|own choice|physics|geometry|common practice|measured|facts|change record"
        assert re.search(sourced, page + " ".join(field.description or "" for field in fields.values()))


def test_a_page_speaks_to_whoever_owns_a_printer(rule: LoadedRule) -> None:
    """It cites no papers that only we have, and uses no words of programmers or statisticians."""
    fields = rule.rule.limits_model.model_fields.values()
    page = inspect.cleandoc(rule.rule.__doc__ or "") + " ".join(field.description or "" for field in fields)
    assert not re.search(r"\bfacts\b|\.md\b|https?:", page)
    assert not re.search(
        r"(?i)quantile|modal|regex|\bnan\b|\bnull\b|\bNUL\b|boolean|\bparser\b|dataclass|timeline", page
    )


def test_limits_carry_their_unit_in_name_or_text(rule: LoadedRule) -> None:
    """No bare number: a unit in the name (_mm, _c ...), or the description says what it is a share or ratio of."""
    for key, field in rule.rule.limits_model.model_fields.items():
        unit = re.search(r"_(mm|mm2|mm3|mm3_s|c|s|g|pct|bytes|lines|layers|beads|ratio|share|minutes?)\b", key)
        says = re.search(
            r"share|ratio|steps|times|part of|mm|deg|layers|lines|relative|against|number|diameters|spread|path of|of the",
            field.description or "",
        )
        assert unit or says, f"{key}: {field.description}"


def test_a_rule_lives_in_the_file_of_its_name(rule: LoadedRule) -> None:
    """One file, one rule, one name."""
    file = Path(inspect.getfile(rule.rule))
    assert file.stem == rule.identifier.replace("-", "_")
    assert rule.rule.__name__ == "".join(part.capitalize() for part in rule.identifier.split("-"))
    assert rule.rule.since


def test_a_rule_uses_at_least_one_stage(rule: LoadedRule) -> None:
    """Its signatures are those of the interface."""
    assert needs(rule.rule)


def test_what_hurts_can_not_be_released() -> None:
    """Damaged files, forbidden commands, heat and envelope can't be released; geometry and flow can (architecture.md)."""
    firm = {
        "damaged-bytes",
        "truncated",
        "checksum-mismatch",
        "repeated-block",
        "forbidden-command",
        "over-temperature",
    }
    firm |= {"cold-extrusion", "outside-build-volume", "below-bed", "keep-out"}
    release = {"missing-layer", "starved-layer", "partial-layer", "shifted-layers", "mid-air-bead", "bead-outlier"}
    by_name = {rule.identifier: rule.rule.releasable for rule in RULES}
    assert not {name for name in firm & by_name.keys() if by_name[name]}
    assert not {name for name in release & by_name.keys() if not by_name[name]}


def test_the_list_of_the_entry_point_is_sorted_and_complete() -> None:
    """Every file of the folder that holds a rule is listed, in order."""
    assert list(layergate_rules.RULES) == sorted(layergate_rules.RULES)
    listed = {item.split(":")[0].rpartition(".")[2] for item in layergate_rules.RULES}
    folder = Path(layergate_rules.__file__).parent
    holding = {path.stem for path in folder.glob("*.py") if re.search(r"^    identifier = ", path.read_text(), re.M)}
    assert listed == holding
