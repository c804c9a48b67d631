"""Commands that talk to a running daemon.

Exit codes: 0 done; 1 the daemon refused, or a followed job did not complete; 2 wrong usage; 3 no daemon answers.
"""

import getpass
import json
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from functools import wraps
from pathlib import Path
from typing import Any, ParamSpec

import click

from layergate.cli.client_http import Client, ClientError

REFUSED_EXIT = 1
INTERRUPTED_EXIT = 130
BEYOND_ALL = 2**53  # more events than there will ever be
NO_DAEMON_EXIT = 3
CHUNK_BYTES = 256 * 1024
POLL_S = 20  # a long poll of the daemon's live events
ENDED = {"completed", "canceled", "aborted"}

P = ParamSpec("P")


def _me() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user id without a name, in a container say
        return "command line"


def _talks(command: Callable[P, None]) -> Callable[P, None]:
    """Add the options that every command here has, and turn failures into a line and an exit code."""

    @click.option(
        "--socket", "socket_path", type=click.Path(path_type=Path), envvar="LAYERGATE_SOCKET", help="Control socket."
    )
    @click.option("--json", "as_json", is_flag=True, help="Print the daemon's answer as JSON.")
    @wraps(command)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            command(*args, **kwargs)
        except ClientError as error:
            click.echo(f"layergate: {error}", err=True)
            sys.exit(NO_DAEMON_EXIT if error.status is None else REFUSED_EXIT)

    return wrapped


def _client(socket_path: Path | None) -> Client:
    from layergate.config import default_control_socket  # noqa: PLC0415 (it loads pydantic)

    return Client(socket_path or default_control_socket())


def _show(answer: Any, as_json: bool, text: str) -> None:
    click.echo(json.dumps(answer, ensure_ascii=False) if as_json else text)


def _job_line(job: dict[str, Any]) -> str:
    message = f"  {job['message']}" if job["message"] else ""
    return _shortened(f"{job['id']}  {job['printer']:<12} {job['situation']:<12} {job['name']}{message}")


@click.command()
@click.argument("job", type=click.Path(exists=True, dir_okay=False, allow_dash=True))
@click.option("--printer", help="Name of the printer; needed where there are several.")
@click.option("--name", help="Name to show for the job. Default: its file name.")
@click.option("--follow", "then_follow", is_flag=True, help="Follow the job until it ends.")
@_talks
def submit(
    job: str, printer: str | None, name: str | None, then_follow: bool, socket_path: Path | None, as_json: bool
) -> None:
    """Hand a job (or '-', or *.gz) to the daemon, which checks it and queues it."""
    client = _client(socket_path)
    shown = name or ("standard input" if job == "-" else Path(job).name)

    def chunks() -> Iterator[bytes]:
        with click.open_file(job, "rb") as file:
            while data := file.read(CHUNK_BYTES):
                yield data

    answer = client.upload("jobs", chunks=chunks(), name=shown, printer=printer)
    if not (then_follow and as_json):
        _show(answer, as_json, f"{answer['id']}  accepted for {answer['printer']}, is being checked")
    if then_follow:
        sys.exit(_follow(client, answer["id"], as_json))


@click.command()
@click.option("--all", "ended_too", is_flag=True, help="Also those that ended.")
@_talks
def jobs(ended_too: bool, socket_path: Path | None, as_json: bool) -> None:
    """List jobs, and how the printers are."""
    client = _client(socket_path)
    found = client.get("jobs", **({"all": "true"} if ended_too else {}))
    if as_json:
        _show(found, True, "")
        return
    for printer in client.get("printers"):
        observes = "; only observes, stops nothing" if printer["mode"] == "observe" else ""
        click.echo(f"{printer['printer']}: {printer['condition']}: {printer['message']}{observes}")
    for job in found:
        click.echo(_job_line(job))
    if not found:
        click.echo("no jobs" if ended_too else "no jobs wait; 'layergate jobs --all' lists those that ended")


@click.command()
@click.argument("job_id", metavar="ID")
@click.option("--notes", is_flag=True, help="Show notes, and why rules did not apply, in full.")
@_talks
def show(job_id: str, notes: bool, socket_path: Path | None, as_json: bool) -> None:
    """Show a job: its state, its verdict with every finding, and what happened to it."""
    client = _client(socket_path)
    job = client.get("jobs", job_id)
    report = client.get("jobs", job_id, "report") if job["verdict"] else None
    if as_json:
        _show({"job": job, "report": report}, True, "")
        return
    click.echo(f"job {job['id']}, {job['name']}, for {job['printer']}: {job['situation']}")
    if report is not None:
        _show_report(report, notes=notes)
    if job["layer"]:
        click.echo(f"printed up to layer {job['layer']} of {job['layers']}")
    for row in job["history"]:
        who = f"  by {row['who']}" if row["who"] else ""
        click.echo(_shortened(f"{row['at']}  {row['what']}", keep=len(who)) + who)


def _show_report(report: dict[str, Any], *, notes: bool = False) -> None:
    from layergate.cli.report_text import report_text  # noqa: PLC0415 (they load pydantic)
    from layergate.preflight.findings import Report  # noqa: PLC0415

    click.echo(report_text(Report.model_validate(report), notes=notes), nl=False)


def _shortened(text: str, *, keep: int = 0) -> str:
    """Cut a line to the terminal's width, less what is kept for more; elsewhere it stays whole."""
    if not sys.stdout.isatty():
        return text
    width = max(40, shutil.get_terminal_size().columns - keep)
    return text if len(text) <= width else text[: width - 4].rstrip() + " ..."


@click.command()
@click.argument("job_id", metavar="ID")
@click.option("--by", required=True, help="Your name: it is kept with the release.")
@click.option("--reason", required=True, help="Why this job may be printed all the same.")
@click.option("--yes", is_flag=True, help="Don't ask after showing the findings.")
@_talks
def release(job_id: str, by: str, reason: str, yes: bool, socket_path: Path | None, as_json: bool) -> None:
    """Let a held or blocked job be printed on your word, after showing you every finding.

    Damaged files, forbidden commands, heat and envelope violations can't be released.
    """
    client = _client(socket_path)
    job = client.get("jobs", job_id)
    if job["verdict"]:
        report = client.get("jobs", job_id, "report")
        if not as_json:
            _show_report(report)
    if not yes and not click.confirm(f"Print {job['name']} all the same?", err=True):
        click.echo("not released", err=True)
        sys.exit(REFUSED_EXIT)
    body = {"by": by, "reason": reason, "report_sha256": job["report_sha256"] or "0" * 64}
    answer = client.post("jobs", job_id, "release", body=body)
    _show(answer, as_json, f"{job_id} released by {by}")


@click.command()
@click.argument("job_id", metavar="ID")
@click.option("--by", default=_me, help="Your name. Default: your login.")
@_talks
def cancel(job_id: str, by: str, socket_path: Path | None, as_json: bool) -> None:
    """Cancel a job. If it is being printed, no more lines are sent and heaters are switched off."""
    answer = _client(socket_path).post("jobs", job_id, "cancel", body={"by": by})
    _show(answer, as_json, _job_line(answer))


@click.command()
@click.argument("job_id", metavar="ID")
@click.option("--by", default=_me, help="Your name. Default: your login.")
@_talks
def recheck(job_id: str, by: str, socket_path: Path | None, as_json: bool) -> None:
    """Have a waiting job checked again, say after a check that was cut short."""
    answer = _client(socket_path).post("jobs", job_id, "recheck", body={"by": by})
    _show(answer, as_json, _job_line(answer))


def _printer_command(name: str, done: Callable[[dict[str, Any]], str], text: str) -> click.Command:
    @click.command(name=name, help=text)
    @click.argument("printer", required=False)
    @click.option("--by", default=_me, help="Your name. Default: your login.")
    @_talks
    def command(printer: str | None, by: str, socket_path: Path | None, as_json: bool) -> None:
        client = _client(socket_path)
        if printer is None:
            there = [entry["printer"] for entry in client.get("printers")]
            if len(there) != 1:
                raise click.UsageError(f"several printers are here, name one of them: {', '.join(there)}")
            printer = there[0]
        answer = client.post("printers", printer, name, body={"by": by})
        _show(answer, as_json, f"{printer}: {done(answer)}")

    return command


def _cleared_text(answer: dict[str, Any]) -> str:
    """Say what a word on the bed sets going, since it moves and heats a machine."""
    job = answer["starts"]
    if job is None:
        return "bed confirmed clear; no job waits, the next one that passes starts at once"
    remark = f". {job['message']}" if job["verdict"] not in {"clear", None} else ""
    return f"bed confirmed clear; {job['name']} ({job['id']}) starts now{remark}"


pause = _printer_command(
    "pause",
    lambda answer: f"pause asked for; heaters stay on, for an hour at most (paused_limit_s); {answer['message']}",
    "Pause what a printer prints. Heaters stay on: stay near. After an hour (paused_limit_s) the job is ended.",
)
resume = _printer_command("resume", lambda answer: f"resume asked for; {answer['message']}", "Go on after a pause.")
stop = _printer_command(
    "stop",
    lambda _: (
        "stop request sent. If the machine still moves or heats, cut its mains. To print again: reset it or switch it off "
        "and on, clear the bed, and confirm that"
    ),
    "Send a stop request ahead of everything. It depends on computer, cable and controller: in danger, cut the mains.",
)
cleared = _printer_command("cleared", _cleared_text, "Confirm that a printer's bed is clear: the next job starts.")


@click.command()
@click.argument("job_id", metavar="ID")
@_talks
def follow(job_id: str, socket_path: Path | None, as_json: bool) -> None:
    """Follow a job until it ends: layers counted off against the layer map, alerts as they come.

    Exit 0 if it completed, 1 if it was canceled, aborted, held or blocked.
    """
    sys.exit(_follow(_client(socket_path), job_id, as_json))


def _follow(client: Client, job_id: str, as_json: bool) -> int:
    line = _ProgressLine(as_json)
    try:
        return _follow_to_the_end(client, job_id, line)
    except KeyboardInterrupt:
        line.left(job_id)
        return INTERRUPTED_EXIT


def _follow_to_the_end(client: Client, job_id: str, line: "_ProgressLine") -> int:
    after = client.get("events", after=BEYOND_ALL, wait_s=0)["last"]  # what was told before is no news
    silent_since: float | None = None
    job = client.get("jobs", job_id)
    line.job(job)
    while job["state"] not in ENDED and job["situation"] not in {"held", "blocked", "not-judged"}:
        try:
            news = client.get("events", after=after, wait_s=POLL_S)
            silent_since = None
        except ClientError:
            # The service may be starting anew while the print goes on: look for it for a minute.
            silent_since = silent_since or time.monotonic()
            if time.monotonic() - silent_since > 60:
                raise
            time.sleep(0.5)
            after = 0
            continue
        after = news["last"]
        for event in news["events"]:
            data = event["data"]
            if event["kind"] == "progress" and data.get("job") == job_id:
                line.progress(data)
            elif event["kind"] == "alert" and data.get("job") == job_id:
                line.alert(data)
        job = client.get("jobs", job_id)
        line.job(job)
    if job["state"] == "completed":
        # The last progress and the end come together; the end must not hide that the last layer was reached.
        for event in client.get("events", after=after, wait_s=0)["events"]:
            if event["kind"] == "progress" and event["data"].get("job") == job_id:
                line.progress(event["data"])
    line.end(job)
    return 0 if job["state"] == "completed" else REFUSED_EXIT


class _ProgressLine:
    """One line that is written over on a terminal, and one line a change elsewhere."""

    def __init__(self, as_json: bool) -> None:
        self.as_json = as_json
        self.tty = sys.stdout.isatty() and not as_json
        self._situation = ""
        self._layer = -1
        self._open = False

    def job(self, job: dict[str, Any]) -> None:
        if job["situation"] != self._situation:
            self._situation = job["situation"]
            self._say(_job_line(job), {"job": job})

    def progress(self, data: dict[str, Any]) -> None:
        if self.as_json:
            if data["layer"] != self._layer:
                click.echo(json.dumps({"progress": data}, ensure_ascii=False))
            self._layer = data["layer"]
            return
        share = data["line"] / data["lines"] if data["lines"] else 0.0
        z = f" at {data['z_mm']:.2f} mm" if data["z_mm"] is not None else ""
        text = (
            f"layer {data['layer']}/{data['layers']}{z}  [{'#' * int(share * 30):<30}]"
            f" line {data['line']}/{data['lines']}  {_clock(data['remaining_s'])} left"
        )
        if data["hot_end_c"] is not None:
            text += f"  {data['hot_end_c']:.0f} °C"
        if self.tty:
            click.echo(f"\r\x1b[K{text}", nl=False)
            self._open = True
        elif data["layer"] != self._layer:
            click.echo(text)
        self._layer = data["layer"]

    def alert(self, data: dict[str, Any]) -> None:
        self._say(f"{data['severity']}: {data['name']}: {data['text']}", {"alert": data})

    def end(self, job: dict[str, Any]) -> None:
        layers = f", layer {job['layer']} of {job['layers']}" if job["layers"] else ""
        self._say(f"{job['id']} {job['situation']}{layers}", {"end": job})

    def left(self, job_id: str) -> None:
        self._say(f"{job_id} is no longer followed; what the printer does goes on", {"left": job_id})

    def _say(self, text: str, data: dict[str, Any]) -> None:
        if self._open:
            click.echo()
            self._open = False
        click.echo(json.dumps(data, ensure_ascii=False) if self.as_json else text)


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}"


COMMANDS: list[click.Command] = [
    submit, jobs, show, release, cancel, recheck, pause, resume, stop, cleared, follow,
]  # fmt: skip
