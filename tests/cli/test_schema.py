"""``layergate schema``: what is exported holds for what is written, and refuses what is wrong (JSON Schema draft 2020-12)."""

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator, ValidationError
from tests.oracles.examination import BED_235, examined
from tests.oracles.micro_job import MICRO_JOB

from layergate.cli.schema import SCHEMAS, schema
from layergate_sim.damage import DAMAGE_KINDS, DamageNotPossibleError, apply_damage
from layergate_sim.specimens import SPECIMEN_KINDS, make_specimen

ROOT = Path(__file__).parents[2]


def exported(what: str) -> Draft202012Validator:
    result = CliRunner().invoke(schema, [what])
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    Draft202012Validator.check_schema(document)
    assert document["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    return Draft202012Validator(document)


@pytest.fixture(scope="module")
def report_schema() -> Draft202012Validator:
    return exported("report")


@pytest.fixture(scope="module")
def index_schema() -> Draft202012Validator:
    return exported("job-index")


def plain(model: Any) -> Any:
    """As it stands in a file; NaN and infinities are no JSON."""
    text = model.model_dump_json()
    return json.loads(text, parse_constant=lambda constant: pytest.fail(f"{constant} is no JSON"))


@pytest.mark.parametrize("kind", sorted(SPECIMEN_KINDS))
def test_reports_and_indexes_of_good_jobs_keep_their_schemas(
    kind: str, report_schema: Draft202012Validator, index_schema: Draft202012Validator, tmp_path: Path
) -> None:
    """Every kind of job there is, with everything that a report can hold."""
    examination = examined(make_specimen(kind, 3).text, BED_235)
    report_schema.validate(plain(examination.report))
    examination.index.save(tmp_path / "index.json")
    index_schema.validate(json.loads((tmp_path / "index.json").read_text()))


@pytest.mark.parametrize("damage", sorted(DAMAGE_KINDS)[::4])
def test_reports_of_damaged_jobs_keep_the_schema(damage: str, report_schema: Draft202012Validator) -> None:
    """Every fourth damage, on the first kind of job that can have it."""
    for kind in ("plate-solid", "bollard-cap", *sorted(SPECIMEN_KINDS)):
        try:
            damaged = apply_damage(damage, make_specimen(kind, 4), 1)
        except DamageNotPossibleError:
            continue
        document = plain(examined(damaged.text, BED_235).report)
        report_schema.validate(document)
        return
    pytest.fail(f"no kind of job can have {damage}")


@pytest.mark.parametrize(
    ("what", "wrong"),
    [
        ("report", {}), ("report", {"verdict": "clear"}), ("job-index", {}), ("config", {}),
        ("description", {"printer": {"nozzle_diameter_mm": -1}}), ("description", {"printer": {"nozle_diameter_mm": 0.4}}),
        ("config", {"printers": {"quay": {}}}), ("config", {"printers": {"quay": {"device": "x", "mode": "hope"}}}),
    ],
)  # fmt: skip
def test_a_schema_refuses_what_is_wrong(what: str, wrong: Any) -> None:
    """A schema that accepts anything would prove nothing (facts.md 6.7, the trap found with another one)."""
    with pytest.raises(ValidationError):
        exported(what).validate(wrong)


def test_the_sample_configuration_keeps_the_schema() -> None:
    """The one that is shipped, and the description of the README."""
    config = tomllib.loads((ROOT / "systemd" / "config.toml").read_text(encoding="utf-8"))
    exported("config").validate(config)
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    block = next(part for part in text.split("\n\n") if "[printer]" in part and "reach_mm" in part)
    description = tomllib.loads("\n".join(line.strip() for line in block.splitlines()))
    exported("description").validate(description)


@pytest.mark.parametrize("what", sorted(SCHEMAS))
def test_fields_are_described(what: str) -> None:
    """The texts below the fields in the sources come along."""
    document = json.loads(CliRunner().invoke(schema, [what]).stdout)
    parts = [document, *document["$defs"].values()]
    described = [field for part in parts for field in part.get("properties", {}).values() if "description" in field]
    assert len(described) > 2, what


def test_the_report_is_the_default_and_the_command_writes_what_it_says(tmp_path: Path) -> None:
    """`layergate schema` alone gives the schema of `check --format json`."""
    from layergate.cli.check import check

    (tmp_path / "job.gcode").write_text(MICRO_JOB)
    document = json.loads(CliRunner().invoke(check, ["--format", "json", str(tmp_path / "job.gcode")]).stdout)
    Draft202012Validator(json.loads(CliRunner().invoke(schema, []).stdout)).validate(document)
    assert CliRunner().invoke(schema, ["colour"]).exit_code == 2
