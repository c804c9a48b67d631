"""``layergate check``: judge jobs on the command line, without a daemon.

Exit codes: 0 every job clear, 1 at least one held or blocked, 2 at least one not readable, or wrong usage.
"""

import gzip
import io
import sys
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

import click

from layergate.cli.report_text import report_text
from layergate.clock import now
from layergate.gcode.blocks import UnreadableJobError
from layergate.preflight.catalogue import load_rules
from layergate.preflight.examine import examine
from layergate.preflight.rule import RuleError
from layergate.printer import UNSTATED, PrinterDescription, load_description
from layergate.tomlfile import TomlFileError

CLEAR, STOPPED, UNREADABLE = 0, 1, 2


@contextmanager
def open_job(name: str) -> Iterator[BinaryIO]:
    """Open a job: a file, ``-`` for standard input; gzip is seen by its first bytes, whatever the name.

    Raises:
        OSError: it can't be read.
    """
    raw: Any = sys.stdin.buffer if name == "-" else Path(name).open("rb")  # noqa: SIM115 closed below
    try:
        buffered = io.BufferedReader(raw, 256 * 1024) if not isinstance(raw, io.BufferedReader) else raw
        if buffered.peek(2)[:2] == b"\x1f\x8b":
            yield gzip.GzipFile(fileobj=buffered)  # type: ignore[misc]
        else:
            yield buffered
    finally:
        if name != "-":
            raw.close()


@click.command("check")
@click.option(
    "--printer", type=click.Path(path_type=Path), help="Printer description (TOML); rules that need it apply then."
)
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Write there instead of to standard output.")
@click.option("--notes", is_flag=True, help="Show notes, and why rules did not apply, in full.")
@click.option("--plug-in", "plug_ins", multiple=True, metavar="NAME", help="Use the rules of this distribution, too.")
@click.argument("jobs", nargs=-1, required=True, metavar="JOB...")
def check(
    printer: Path | None, form: str, output: Path | None, notes: bool, plug_ins: tuple[str, ...], jobs: tuple[str, ...]
) -> None:
    """Judge print jobs (files, *.gz, or - for standard input).

    Exit status: 0 if every job is clear, 1 if at least one is held or blocked, 2 if at least one could not be read.
    """
    try:
        description: PrinterDescription = load_description(printer) if printer else UNSTATED
        rules = load_rules(plug_ins)
    except (TomlFileError, RuleError) as error:
        _fail(str(error))
    worst = CLEAR
    texts: list[str] = []
    for number, name in enumerate(jobs):
        try:
            with open_job(name) as stream:
                report = examine(
                    stream, "standard input" if name == "-" else Path(name).name, description, rules, now()
                ).report
        except RuleError as error:
            _fail("\n".join(f"{printer}: {line}" for line in str(error).splitlines()))
        except (OSError, EOFError, zlib.error, UnreadableJobError) as error:
            reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
            click.echo(f"layergate: {name}: not readable: {reason}", err=True)
            worst = UNREADABLE
            continue
        if report.verdict != "clear":
            worst = max(worst, STOPPED)
        if form == "json":
            text = report.model_dump_json() + "\n"
        else:
            text = ("\n" if number else "") + report_text(report, notes=notes)
        if output:
            texts.append(text)
        else:
            click.echo(text, nl=False)
    if output:
        try:
            output.write_text("".join(texts), encoding="utf-8")
        except OSError as error:
            _fail(f"{output}: can't be written: {error.strerror}")
    sys.exit(worst)


def _fail(message: str) -> Any:
    click.echo(f"layergate: {message}", err=True)
    sys.exit(UNREADABLE)


COMMANDS = [check]
