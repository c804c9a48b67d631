"""TOML files checked against a pydantic model, with every mistake at once and the line that each stands on.

Knows nothing of what the files are about.
"""

import re
import tomllib
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar, get_args, get_origin

from pydantic import BaseModel, ValidationError

Model = TypeVar("Model", bound=BaseModel)

_HEADER = re.compile(r"^\s*\[\[?\s*([^\]]+?)\s*\]\]?")
_KEY = re.compile(r"""^\s*("[^"]*"|'[^']*'|[A-Za-z0-9_\-]+)(?:\s*\.\s*[A-Za-z0-9_\-]+)*\s*=""")


class TomlFileError(ValueError):
    """A file can't be used; ``problems`` holds one finished line per mistake.

    Attributes:
        problems: ``file:line: key: what is wrong``, in the order of the lines.
    """

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = list(problems)
        super().__init__("\n".join(self.problems))


def load_toml(path: Path, model: type[Model]) -> Model:
    """Read a TOML file into a model.

    Raises:
        TomlFileError: unreadable, not TOML, or not what the model asks for.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise TomlFileError([f"{path}: can't be read: {error.strerror}"]) from error
    except UnicodeDecodeError as error:
        raise TomlFileError([f"{path}: not UTF-8 text (byte {error.start})"]) from error
    return parse_toml(text, model, str(path))


def parse_toml(text: str, model: type[Model], name: str) -> Model:
    """Read TOML text into a model; ``name`` stands in the messages. Raises TomlFileError as load_toml does."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        where = re.search(r"\(at line (\d+)", str(error))
        place = f":{where[1]}" if where else ""
        message = re.sub(r"\s*\(at .*\)$", "", str(error))
        raise TomlFileError([f"{name}{place}: not TOML: {message}"]) from error
    try:
        return model.model_validate(raw)
    except ValidationError as error:
        lines = _key_lines(text)
        found = []
        for problem in error.errors():
            location = tuple(str(part) for part in problem["loc"])
            line = _line_of(location, lines)
            message = problem["msg"].removeprefix("Value error, ")
            if problem["type"] == "extra_forbidden":
                message = "unknown key" + _did_you_mean(location, raw, model)
            elif problem["type"] == "missing":
                message = "is missing"
            elif not isinstance(problem["input"], Mapping | list):
                message += f", got {problem['input']!r}"
            found.append((line, f"{name}:{line}: {'.'.join(location) or 'file'}: {message}"))
        raise TomlFileError([text for _, text in sorted(found)]) from error


def _key_lines(text: str) -> dict[tuple[str, ...], int]:
    """Map each table and key to the line that it stands on; good enough for messages, not a TOML reader."""
    lines: dict[tuple[str, ...], int] = {}
    table: tuple[str, ...] = ()
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            table = tuple(part.strip().strip("\"'") for part in header[1].split("."))
            lines.setdefault(table, number)
        elif key := _KEY.match(line):
            path = tuple(part.strip().strip("\"'") for part in line[: key.end() - 1].split("."))
            lines.setdefault(table + path, number)
    return lines


def _line_of(location: tuple[str, ...], lines: Mapping[tuple[str, ...], int]) -> int:
    for length in range(len(location), 0, -1):
        if location[:length] in lines:
            return lines[location[:length]]
    return 1


def _did_you_mean(location: tuple[str, ...], raw: Any, model: type[BaseModel]) -> str:
    """Name a known key like the unknown one, if the model at that place can be told."""
    here: Any = model
    for part in location[:-1]:
        if get_origin(here) is dict:  # of tables with names of the writer's own
            here = get_args(here)[1]
            continue
        fields = getattr(here, "model_fields", {})
        if part not in fields:
            return ""
        here = fields[part].annotation
        if get_origin(here) is not dict:  # an optional table: the model in it
            here = next((kind for kind in get_args(here) if hasattr(kind, "model_fields")), here)
    known = list(getattr(here, "model_fields", {}) or getattr(here, "__dataclass_fields__", {}))
    close = get_close_matches(location[-1], known, n=1)
    return f"; did you mean {close[0]!r}?" if close else ""
