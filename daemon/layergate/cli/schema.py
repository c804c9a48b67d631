"""``layergate schema``: the JSON Schemas of what Layergate writes and reads, made from its models, for other programs.

Field descriptions are the docstrings that stand below the fields in the sources. Knows no field by name.
"""

import ast
import inspect
import json
from collections.abc import Callable, Iterator
from types import ModuleType
from typing import Any

import click

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def _report() -> tuple[dict[str, Any], ModuleType]:
    from layergate.preflight import findings  # noqa: PLC0415 (each loads only what it needs)

    return findings.report_schema(), findings


def _job_index() -> tuple[dict[str, Any], ModuleType]:
    from pydantic import TypeAdapter  # noqa: PLC0415

    from layergate import jobindex  # noqa: PLC0415

    return TypeAdapter(jobindex.JobIndex).json_schema(mode="serialization"), jobindex


def _description() -> tuple[dict[str, Any], ModuleType]:
    from layergate import printer  # noqa: PLC0415

    return printer.PrinterDescription.model_json_schema(), printer


def _config() -> tuple[dict[str, Any], ModuleType]:
    from layergate import config  # noqa: PLC0415

    return config.Config.model_json_schema(), config


SCHEMAS: dict[str, Callable[[], tuple[dict[str, Any], ModuleType]]] = {
    "report": _report,
    "job-index": _job_index,
    "description": _description,
    "config": _config,
}


def schema_of(what: str) -> dict[str, Any]:
    """Give the JSON Schema (draft 2020-12) of ``report``, ``job-index``, ``description`` or ``config``."""
    schema, module = SCHEMAS[what]()
    texts = dict(_attribute_docstrings(module))
    for name, part in {schema["title"]: schema, **schema.get("$defs", {})}.items():
        for key, field in part.get("properties", {}).items():
            if text := texts.get((name, key)):
                field.setdefault("description", text)
    return {"$schema": DIALECT, **schema, "title": f"Layergate: {what}"}


def _attribute_docstrings(module: ModuleType) -> Iterator[tuple[tuple[str, str], str]]:
    """Give the texts below the fields of a module's classes, by class and field."""
    for node in ast.parse(inspect.getsource(module)).body:
        if not isinstance(node, ast.ClassDef):
            continue
        for field, below in zip(node.body, node.body[1:], strict=False):
            if (
                isinstance(field, ast.AnnAssign)
                and isinstance(field.target, ast.Name)
                and isinstance(below, ast.Expr)
                and isinstance(below.value, ast.Constant)
                and isinstance(below.value.value, str)
            ):
                yield (node.name, field.target.id), inspect.cleandoc(below.value.value).replace("\n", " ")


@click.command("schema")
@click.argument("what", type=click.Choice(list(SCHEMAS)), default="report")
def schema(what: str) -> None:
    """Print a JSON Schema: of reports, of job indexes, of printer descriptions or of the daemon's configuration.

    The latter two are TOML files; the schema is of what they hold.
    """
    click.echo(json.dumps(schema_of(what), indent=2, ensure_ascii=False))


COMMANDS = [schema]
