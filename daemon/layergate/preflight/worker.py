"""The preflight worker: one job, one process. ``python -m layergate.preflight.worker``.

Run by the service by exec, at low priority and with limits of memory and time, so that nothing it does delays a print.
It writes the report and the job index beside each other, each either whole or not at all.

Exit codes: 0 both files are written; 2 the job is no text that has lines (the reason, one line, on standard error); 3 the
rules or the description can't be used (the reason likewise). Anything else, such as a failing disk, and every signal, means
that the job was not judged.
"""

import argparse
import os
import sys
from pathlib import Path

from layergate.ahead import made_ahead
from layergate.clock import now
from layergate.cputicks import cpu_ticks
from layergate.gcode.blocks import UnreadableJobError
from layergate.preflight.catalogue import load_rules
from layergate.preflight.examine import Ahead, examine
from layergate.preflight.rule import RuleError
from layergate.printer import UNSTATED, load_description
from layergate.tomlfile import TomlFileError

DONE, UNREADABLE, UNUSABLE = 0, 2, 3


def main(arguments: list[str] | None = None) -> int:
    """Examine one job and write the two files."""
    parser = argparse.ArgumentParser(prog="layergate.preflight.worker", description=__doc__)
    parser.add_argument("--job", type=Path, required=True)
    parser.add_argument("--name", required=True)
    parser.add_argument("--printer", type=Path)
    parser.add_argument("--rules-plugins", default="")
    parser.add_argument("--report", type=Path, required=True)
    parser.add_argument("--index", type=Path, required=True)
    given = parser.parse_args(arguments)
    try:
        description = load_description(given.printer) if given.printer else UNSTATED
        rules = load_rules([name for name in given.rules_plugins.split(",") if name])
        with given.job.open("rb") as stream:
            examination = examine(stream, given.name, description, rules, now(), ticks=cpu_ticks, ahead=_ahead())
    except (TomlFileError, RuleError) as error:
        print(error, file=sys.stderr)
        return UNUSABLE
    except UnreadableJobError as error:
        print(f"{given.name}: not readable: {error}", file=sys.stderr)
        return UNREADABLE
    examination.index.save(given.index)
    _write_whole(given.report, examination.report.model_dump_json())
    return DONE


def _ahead() -> Ahead | None:
    """Use a second core where a third is left for prints and the service: on two, lines to a printer waited up to 24 ms."""
    return made_ahead if len(os.sched_getaffinity(0)) > 2 else None


def _write_whole(path: Path, text: str) -> None:
    temporary = path.with_name(path.name + ".part")
    with temporary.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    temporary.replace(path)


if __name__ == "__main__":
    sys.exit(main())
