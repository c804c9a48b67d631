"""``layergate recheck``: what the present rules say of jobs that were judged before, or of a folder of jobs.

So that the false alarms of an update are seen before it takes effect. Changes nothing: no verdict, no queue, no file. Of one job
of the daemon, named by its id, it asks the daemon for a new check instead.
"""

import json
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import click

import layergate
from layergate.ahead import made_ahead
from layergate.cli.jobinput import open_job
from layergate.cli.report_text import terminal_width, wrapped
from layergate.clock import now
from layergate.cputicks import cpu_ticks
from layergate.gcode.blocks import UnreadableJobError
from layergate.jobnames import JOB_ENDINGS
from layergate.preflight.catalogue import LoadedRule, load_rules, rules_version
from layergate.preflight.examine import examine
from layergate.preflight.findings import Report, Severity, Verdict
from layergate.preflight.rule import RuleError
from layergate.printable import printable
from layergate.printer import UNSTATED, PrinterDescription, load_description
from layergate.tomlfile import TomlFileError

UNCHANGED, STOPS_MORE, UNREADABLE = 0, 1, 2
LARGEST_REPORTS_BYTES = 64 * 1024 * 1024
_STRENGTH: dict[Verdict, int] = {"clear": 0, "hold": 1, "block": 2}


@dataclass(frozen=True, slots=True)
class Stop:
    """A finding that stands in a job's way."""

    rule: str
    severity: Severity
    message: str


@dataclass(frozen=True, slots=True)
class Before:
    """What was said of a job earlier."""

    verdict: Verdict
    rules: frozenset[str] | None
    """Rules that stopped it; None where nobody knows any more."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A job to check again."""

    name: str
    file: Path
    printer: str | None
    before: Callable[[Report], Before | None]
    """Gives what was said before, once the job's digest is known."""
    stops: Callable[[Report], list[Stop]]
    """Gives what stands in its way now, releases by people allowed for."""


@dataclass(frozen=True, slots=True)
class Rechecked:
    """What became of one job."""

    name: str
    printer: str | None
    sha256: str
    before: Verdict | None
    now: Verdict
    because: list[Stop]
    """What stops it now and did not before."""
    no_longer: list[str]
    """Rules that stopped it before and do not now."""

    @property
    def stops_more(self) -> bool:
        return _STRENGTH[self.now] > _STRENGTH[self.before or "clear"]

    @property
    def stops_less(self) -> bool:
        return self.before is not None and _STRENGTH[self.now] < _STRENGTH[self.before]


@dataclass(slots=True)
class Outcome:
    """What became of all jobs."""

    jobs: list[Rechecked] = field(default_factory=list)
    unreadable: list[tuple[str, str]] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    """Which jobs were not looked at, and how many."""

    def count(self, verdict: Verdict) -> int:
        """Say how many jobs would now be held, or blocked, that were not before."""
        return sum(job.stops_more and job.now == verdict for job in self.jobs)

    @property
    def exit_code(self) -> int:
        if self.unreadable:
            return UNREADABLE
        return STOPS_MORE if any(job.stops_more for job in self.jobs) else UNCHANGED


@click.command("recheck")
@click.argument("what", required=False, metavar="[FOLDER|ID]")
@click.option("--printer", type=click.Path(path_type=Path), help="Printer description (TOML) for the jobs of a folder.")
@click.option("--plug-in", "plug_ins", multiple=True, metavar="NAME", help="Use the rules of this distribution, too.")
@click.option("--config", type=click.Path(path_type=Path), help="The daemon's configuration, for its history.")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("--by", help="With ID: your name. Default: your login.")
@click.option(
    "--socket", type=click.Path(path_type=Path), envvar="LAYERGATE_SOCKET", help="With ID: the control socket."
)
@click.option("--json", "as_json", is_flag=True, help="The same as --format json.")
@click.pass_context
def recheck(
    context: click.Context, what: str | None, printer: Path | None, plug_ins: tuple[str, ...], config: Path | None,
    form: str, by: str | None, socket: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Say what the present rules would stop, without any effect: of the daemon's history, or of the jobs in FOLDER.

    Earlier verdicts come from the daemon, or from reports (`check --format json`) that lie in FOLDER. With the ID of a job that
    waits in the daemon, have that job checked again, for real.

    Exit status: 0 nothing more would be stopped, 1 something would, 2 at least one job could not be read.
    """
    as_json = as_json or form == "json"
    if what is not None and not Path(what).is_dir():
        if Path(what).exists() or "/" in what:
            raise click.UsageError(f"{printable(what)} is no folder; `layergate check` judges single files")
        from layergate.cli import client  # noqa: PLC0415 only here the daemon is talked to

        context.invoke(client.recheck, job_id=what, socket_path=socket, as_json=as_json, **({"by": by} if by else {}))
        return
    outcome = Outcome()
    try:
        if what is not None:
            description, rules = load_description(printer) if printer else UNSTATED, load_rules(plug_ins)
            _check(_of_folder(Path(what)), lambda _: description, rules, outcome)
        else:
            if printer is not None:
                raise click.UsageError(
                    "--printer is for a folder; jobs of the daemon have their printers' descriptions"
                )
            rules = _check_history(config, plug_ins, outcome)
    except (TomlFileError, RuleError, OSError) as error:
        click.echo("layergate: " + "\n".join(map(printable, str(error).splitlines())), err=True)
        sys.exit(UNREADABLE)
    for name, reason in outcome.unreadable:
        click.echo(f"layergate: {printable(name)}: not readable: {reason}", err=True)
    click.echo(_as_json(outcome, rules) if as_json else "\n".join(_text(outcome, terminal_width())))
    sys.exit(outcome.exit_code)


def _check(
    candidates: Sequence[Candidate],
    description_of: Callable[[Candidate], PrinterDescription],
    rules: list[LoadedRule],
    outcome: Outcome,
) -> None:
    for number, candidate in enumerate(candidates, start=1):
        if sys.stderr.isatty():
            click.echo(f"\r\x1b[K{number} of {len(candidates)}", err=True, nl=False)
        try:
            with open_job(str(candidate.file.absolute())) as job:
                report = examine(
                    job.stream,
                    candidate.name,
                    description_of(candidate),
                    rules,
                    now(),
                    ticks=cpu_ticks,
                    ahead=made_ahead,
                ).report
        except UnreadableJobError as error:
            outcome.unreadable.append((candidate.name, str(error)))
            continue
        outcome.jobs.append(_compared(candidate, report))
    if sys.stderr.isatty():
        click.echo("\r\x1b[K", err=True, nl=False)


def _compared(candidate: Candidate, report: Report) -> Rechecked:
    before, stops = candidate.before(report), candidate.stops(report)
    known: frozenset[str] = (before.rules if before else None) or frozenset()
    return Rechecked(
        name=candidate.name,
        printer=candidate.printer,
        sha256=report.job.sha256,
        before=before.verdict if before else None,
        now=_strongest(stop.severity for stop in stops),
        because=[stop for stop in stops if stop.rule not in known],
        no_longer=sorted(known - {stop.rule for stop in stops}),
    )


def _strongest(severities: Iterable[Severity]) -> Verdict:
    given = set(severities)
    return "block" if "block" in given else "hold" if "hold" in given else "clear"


# A folder ------------------------------------------------------------------------------------------------------------


def _of_folder(folder: Path) -> list[Candidate]:
    """Give the jobs in a folder and below, in the order of their names."""
    files = sorted(
        path for path in folder.rglob("*") if not any(p.startswith(".") for p in path.relative_to(folder).parts)
    )
    reports = _reports_in(path for path in files if path.suffix == ".json" and path.is_file())
    jobs = [path for path in files if path.name.lower().removesuffix(".gz").endswith(JOB_ENDINGS) and path.is_file()]
    return [
        Candidate(printable(str(path.relative_to(folder))), path, None, lambda r: reports.get(r.job.sha256), _stops)
        for path in jobs
    ]  # fmt: skip


def _stops(report: Report) -> list[Stop]:
    return [Stop(f.rule, f.severity, f.message) for f in report.findings if f.severity != "note"]


def _reports_in(files: Iterable[Path]) -> dict[str, Before]:
    """Read earlier reports, one a line or one a file, by the digest of their job; of several the latest counts.

    What is no report is passed over: other programs keep JSON beside jobs, too.
    """
    found: dict[str, tuple[str, Before]] = {}
    for path in files:
        try:
            if path.stat().st_size > LARGEST_REPORTS_BYTES:
                continue
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            continue
        for raw in _documents(text):
            try:
                findings = [(str(finding["rule"]), finding["severity"]) for finding in raw["findings"]]
                digest, at, verdict = str(raw["job"]["sha256"]), str(raw["checked_at"]), raw["verdict"]
            except (KeyError, TypeError):
                continue
            if verdict in _STRENGTH and at >= found.get(digest, ("",))[0]:
                rules = frozenset(rule for rule, severity in findings if severity != "note")
                found[digest] = (at, Before(verdict, rules))
    return {digest: before for digest, (_, before) in found.items()}


def _documents(text: str) -> Iterator[Any]:
    try:
        yield json.loads(text)
    except ValueError:
        for line in text.splitlines():
            with suppress(ValueError):
                yield json.loads(line)


# The daemon's history --------------------------------------------------------------------------------------------------


def _check_history(path: Path | None, plug_ins: tuple[str, ...], outcome: Outcome) -> list[LoadedRule]:
    from layergate.config import default_config_file, load_config  # noqa: PLC0415 a folder needs none of the daemon
    from layergate.jobs import past, verdict  # noqa: PLC0415

    chosen = path or default_config_file()
    if path is None and not chosen.is_file():
        raise FileNotFoundError(f"no daemon is configured here ({chosen}): name a FOLDER of jobs, or --config FILE")
    config = load_config(chosen)
    rules = load_rules({*config.preflight.rules_plugins, *plug_ins})
    history = past.read_history(config)
    descriptions = {
        name: load_description(printer.description) if printer.description else UNSTATED
        for name, printer in config.printers.items()
    }

    def candidate(job: past.PastJob) -> Candidate:
        def before(_: Report) -> Before:
            if job.standing is None:
                return Before(job.job.verdict, None)  # type: ignore[arg-type] # the journal has verdicts only
            rules_before = frozenset(finding.rule for finding in job.standing)
            return Before(_strongest(finding.severity for finding in job.standing), rules_before)

        def stops(report: Report) -> list[Stop]:
            loose = verdict.Report.model_validate(report.model_dump())
            return [Stop(f.rule, f.severity, f.message) for f in verdict.not_waived(loose, job.waivers)]

        return Candidate(job.job.name, job.file, job.job.printer, before, stops)

    here = [candidate(job) for job in history.jobs if job.job.printer in descriptions]
    if history.files_gone:
        outcome.left_out.append(f"jobs whose files are not kept any more: {history.files_gone}")
    if elsewhere := len(history.jobs) - len(here):
        outcome.left_out.append(f"jobs of printers that are not configured any more: {elsewhere}")
    _check(here, lambda one: descriptions[one.printer or ""], rules, outcome)
    return rules


# Telling ---------------------------------------------------------------------------------------------------------------


def _text(outcome: Outcome, width: int) -> Iterator[str]:
    total, known = len(outcome.jobs), sum(job.before is not None for job in outcome.jobs)
    if not total and not outcome.unreadable:
        yield "no jobs are there to check"
    else:
        yield f"would now hold {outcome.count('hold')} of {total}, block {outcome.count('block')}"
    if total and known < total:
        which = "all of them" if known == 0 else f"{total - known} of them"
        yield f"  no earlier verdict is known of {which}: whatever is stopped counts"
    still = sum(job.before not in (None, "clear") and not job.stops_more and not job.stops_less for job in outcome.jobs)
    if still:
        yield f"  {still} stopped before would be stopped as before"
    yield from (f"  not looked at: {which}" for which in outcome.left_out)
    for changed in [job for job in outcome.jobs if job.stops_more] + [job for job in outcome.jobs if job.stops_less]:
        yield ""
        place = f" ({changed.printer})" if changed.printer else ""
        yield f"  {changed.name}{place}: {f'{changed.before} -> ' if changed.before else ''}{changed.now}"
        for rule in dict.fromkeys(stop.rule for stop in changed.because):
            stops = [stop for stop in changed.because if stop.rule == rule]
            more = f" (and {len(stops) - 1} more)" if len(stops) > 1 else ""
            yield from wrapped(f"{stops[0].severity}: {rule}: {stops[0].message}{more}", width, "    ", "      ")
        if changed.no_longer:
            yield from wrapped(f"no longer: {', '.join(changed.no_longer)}", width, "    ", "      ")


def _as_json(outcome: Outcome, rules: list[LoadedRule]) -> str:
    document: dict[str, Any] = {
        "schema_version": "1",
        "tool_version": layergate.__version__,
        "rules_version": rules_version(rules),
        "checked_at": now(),
        "jobs": [asdict(job) for job in outcome.jobs],
        "would_hold": outcome.count("hold"),
        "would_block": outcome.count("block"),
        "would_pass": sum(job.stops_less and job.now == "clear" for job in outcome.jobs),
        "unreadable": [{"name": printable(name), "reason": reason} for name, reason in outcome.unreadable],
        "left_out": outcome.left_out,
    }
    return json.dumps(document, ensure_ascii=False)


COMMANDS = [recheck]
