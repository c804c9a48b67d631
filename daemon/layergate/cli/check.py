"""``layergate check``: judge jobs on the command line, without a daemon.

Exit codes: 0 every job clear, 1 at least one held or blocked, 2 at least one not readable, or wrong usage; 130 when
interrupted (in ``main``).
"""

import json
import os
import sys
from pathlib import Path
from typing import Any

import click

from layergate.ahead import made_ahead
from layergate.cli.jobinput import open_job, shown_name
from layergate.cli.report_text import report_text
from layergate.cli.sarif import SarifLog
from layergate.clock import now
from layergate.cputicks import cpu_ticks
from layergate.gcode.blocks import UnreadableJobError
from layergate.preflight.catalogue import LoadedRule, load_rules
from layergate.preflight.examine import examine
from layergate.preflight.findings import Report
from layergate.preflight.rule import RuleError
from layergate.printable import printable
from layergate.printer import UNSTATED, PrinterDescription, load_description
from layergate.tomlfile import TomlFileError

CLEAR, STOPPED, UNREADABLE = 0, 1, 2


@click.command("check")
@click.option(
    "--printer", type=click.Path(path_type=Path), help="Printer description (TOML); rules that need it apply then."
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json", "sarif"]),
    default="text",
    show_default=True,
    help="json: a document a job, one a line. sarif: one SARIF 2.1.0 log.",
)
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
        description, rules = description_and_rules(printer, plug_ins)
    except (TomlFileError, RuleError) as error:
        _fail(str(error))
    if output is not None:
        _spare_jobs(output, jobs)
    begun = now()
    worst = CLEAR
    texts: list[str] = []
    sarif = SarifLog(rules) if form == "sarif" else None
    for number, name in enumerate(jobs):
        try:
            report, packed = judge(name, description, rules)
        except RuleError as error:
            _fail("\n".join(f"{printer}: {line}" for line in str(error).splitlines()))
        except UnreadableJobError as error:
            click.echo(f"layergate: {printable(name)}: not readable: {error}", err=True)
            worst = UNREADABLE
            if sarif:
                sarif.add_unreadable(name, str(error))
            continue
        if report.verdict != "clear":
            worst = max(worst, STOPPED)
        if sarif:
            sarif.add(name, report, packed=packed)
            continue
        if form == "json":
            text = report.model_dump_json() + "\n"
        else:
            text = ("\n" if number else "") + report_text(report, notes=notes)
        if output:
            texts.append(text)
        else:
            click.echo(text, nl=False)
    if sarif:
        arguments = [printable(argument) for argument in sys.argv[1:]]
        document = sarif.document(arguments=arguments, begun=begun, ended=now(), exit_code=worst)
        texts.append(json.dumps(document, indent=1) + "\n")
        if not output:
            click.echo(texts[0], nl=False)
    if output:
        try:
            output.write_text("".join(texts), encoding="utf-8")
        except OSError as error:
            _fail(f"{output}: can't be written: {error.strerror}")
    sys.exit(worst)


def description_and_rules(
    printer: Path | None, plug_ins: tuple[str, ...]
) -> tuple[PrinterDescription, list[LoadedRule]]:
    """Load what a check is made with.

    Raises:
        TomlFileError: the description is wrong.
        RuleError: the rules can't be loaded.
    """
    return load_description(printer) if printer else UNSTATED, load_rules(plug_ins)


def judge(name: str, description: PrinterDescription, rules: list[LoadedRule]) -> tuple[Report, bool]:
    """Judge one job; give the report, and whether the job was packed.

    Raises:
        UnreadableJobError: it can't be read.
        RuleError: the description's settings of rules are wrong.
    """
    with open_job(name) as job:
        report = examine(
            job.stream, shown_name(name), description, rules, now(), ticks=cpu_ticks, ahead=made_ahead
        ).report
    return report, job.packed


def _spare_jobs(output: Path, jobs: tuple[str, ...]) -> None:
    """Refuse to write the report over a job."""
    for name in jobs:
        if name != "-" and output.exists() and os.path.exists(name) and os.path.samefile(output, name):
            _fail(f"{output} is one of the jobs: name another file for the report")


def _fail(message: str) -> Any:
    click.echo("layergate: " + "\n".join(map(printable, message.splitlines())), err=True)
    sys.exit(UNREADABLE)


COMMANDS = [check]
