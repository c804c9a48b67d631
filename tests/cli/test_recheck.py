"""``layergate recheck``: what the present rules would stop, of a folder and of the daemon's history, and no effect at all."""

import asyncio
import gzip
import json
import subprocess
import sys
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from tests.oracles.examination import examined
from tests.oracles.micro_job import LINES, MICRO_JOB, before_line, job, without
from tests.service.real import daemon

from layergate.cli.check import check
from layergate.cli.recheck import recheck
from layergate.jobs import store
from layergate.jobs.journal import Journal
from layergate.jobs.spool import Spool

GOOD = MICRO_JOB.encode()
HELD = without(7)  # nothing waits for the hot end: no-heat-wait
BLOCKED = job(LINES[:20])  # cut: truncated


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(recheck, [str(argument) for argument in arguments], catch_exceptions=False)


def state_of(folder: Path) -> dict[str, str]:
    """Every file of a folder, by its content and time of change."""
    return {
        str(path.relative_to(folder)): f"{path.stat().st_mtime_ns} {sha256(path.read_bytes()).hexdigest()}"
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    jobs = tmp_path / "jobs"
    (jobs / "down").mkdir(parents=True)
    (jobs / "good.gcode").write_bytes(GOOD)
    (jobs / "held.gcode").write_bytes(HELD)
    (jobs / "down" / "cut.GCODE.gz").write_bytes(gzip.compress(BLOCKED))
    (jobs / "notes.txt").write_text("no job")
    (jobs / "other.json").write_text('{"job": 3}\n[1, 2]\nnull\n')
    (jobs / ".hidden.gcode").write_bytes(HELD)
    return jobs


def test_a_folder_without_reports_is_counted(folder: Path) -> None:
    """Every job in it and below, packed or not; nothing else; exit 1, and the folder as it was."""
    before = state_of(folder)
    result = run(folder)
    assert result.exit_code == 1
    first, second = result.stdout.splitlines()[:2]
    assert first == "would now hold 1 of 3, block 1"
    assert second == "  no earlier verdict is known of all of them: whatever is stopped counts"
    assert "\n  held.gcode: hold\n    hold: no-heat-wait: " in result.stdout
    assert "\n  down/cut.GCODE.gz: block\n    block: truncated: " in result.stdout
    assert state_of(folder) == before


def test_reports_kept_beside_the_jobs_are_compared(folder: Path, tmp_path: Path) -> None:
    """One a line or one a file, known by the job's digest: what was stopped before is no news; exit 0."""
    names = [str(folder / "good.gcode"), str(folder / "held.gcode")]
    CliRunner().invoke(check, ["--format", "json", "-o", str(folder / "before.json"), *names])
    report = CliRunner().invoke(check, ["--format", "json", str(folder / "down" / "cut.GCODE.gz")]).stdout
    (folder / "down" / "pretty.json").write_text(json.dumps(json.loads(report), indent=2))
    result = run(folder)
    assert result.exit_code == 0
    assert result.stdout.splitlines() == [
        "would now hold 0 of 3, block 0", "  2 stopped before would be stopped as before",
    ]  # fmt: skip


def test_what_changes_is_told_with_the_rules_that_make_it(folder: Path, tmp_path: Path) -> None:
    """A rule that is switched on now holds what passed; one switched off lets pass what was held."""
    (tmp_path / "then.toml").write_text("[rules.no-heat-wait]\nenabled = false\n")
    (tmp_path / "now.toml").write_text("[rules.truncated]\nenabled = false\n")
    names = [str(folder / "good.gcode"), str(folder / "held.gcode"), str(folder / "down" / "cut.GCODE.gz")]
    arguments = ["--format", "json", "--printer", str(tmp_path / "then.toml"), "-o", str(folder / "before.json")]
    CliRunner().invoke(check, [*arguments, *names])
    result = run(folder, "--printer", tmp_path / "now.toml")
    assert result.exit_code == 1
    assert result.stdout.splitlines()[0] == "would now hold 1 of 3, block 0"
    assert "\n  held.gcode: clear -> hold\n    hold: no-heat-wait: The hot end is set to 205" in result.stdout
    assert "\n  down/cut.GCODE.gz: block -> " in result.stdout
    assert "    no longer: truncated" in result.stdout
    document = json.loads(run(folder, "--printer", tmp_path / "now.toml", "--format", "json").stdout)
    assert (document["would_hold"], document["would_block"]) == (1, 0)
    changed = {entry["name"]: (entry["before"], entry["now"]) for entry in document["jobs"]}
    assert changed["held.gcode"] == ("clear", "hold")
    assert changed["good.gcode"] == ("clear", "clear")
    (held,) = [entry for entry in document["jobs"] if entry["name"] == "held.gcode"]
    assert [stop["rule"] for stop in held["because"]] == ["no-heat-wait"]
    assert held["sha256"] == sha256(HELD).hexdigest()


def test_the_latest_report_of_a_job_counts(folder: Path) -> None:
    """Reports of several days may lie there."""
    report = json.loads(CliRunner().invoke(check, ["--format", "json", str(folder / "held.gcode")]).stdout)
    older = {**report, "verdict": "clear", "findings": [], "checked_at": "2020-01-01T00:00:00Z"}
    (folder / "a.json").write_text(json.dumps(report) + "\n" + json.dumps(older) + "\n")
    assert "held.gcode: " not in run(folder).stdout


def test_a_job_that_can_not_be_read_is_2(folder: Path) -> None:
    """The others are judged all the same."""
    (folder / "cut.gcode.gz").write_bytes(gzip.compress(GOOD)[:-30])
    result = run(folder)
    assert result.exit_code == 2
    assert "cut.gcode.gz: not readable: the compressed data ends too early" in result.stderr
    assert result.stdout.startswith("would now hold 1 of 3, block 1")
    document = json.loads(run(folder, "--json").stdout)
    assert [entry["name"] for entry in document["unreadable"]] == ["cut.gcode.gz"]


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["FOLDER/good.gcode"], "is no folder; `layergate check` judges single files"),
        (["FOLDER/none"], "is no folder"),
        (["FOLDER", "--printer", "none.toml"], "none.toml: can't be read"),
        (["FOLDER", "--plug-in", "quay"], "rules of quay are asked for but not installed"),
        (["--config", "none.toml"], "none.toml: can't be read"),
        (["--printer", "none.toml"], "--printer is for a folder"),
    ],
)
def test_wrong_usage_is_2(folder: Path, arguments: list[str], text: str) -> None:
    """It says what is wrong, and no count comes."""
    result = run(*(argument.replace("FOLDER", str(folder)) for argument in arguments))
    assert (result.exit_code, result.stdout) == (2, "")
    assert text in " ".join(result.stderr.split())


def test_where_no_daemon_is_configured_it_says_what_to_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The command alone, on a desk computer."""
    monkeypatch.setenv("CONFIGURATION_DIRECTORY", str(tmp_path))
    result = run()
    assert (result.exit_code, result.stdout) == (2, "")
    assert (
        f"no daemon is configured here ({tmp_path / 'config.toml'}): name a FOLDER of jobs, or --config FILE"
        in result.stderr
    )


def test_an_empty_folder_says_so(tmp_path: Path) -> None:
    """No jobs is no alarm and no lie."""
    result = run(tmp_path)
    assert (result.exit_code, result.stdout) == (0, "no jobs are there to check\n")


def test_a_folder_needs_nothing_of_the_daemon(folder: Path) -> None:
    """It runs on a desk computer, as `check` does."""
    program = (
        "import sys; from click.testing import CliRunner; from layergate.cli.main import main;"
        f"CliRunner().invoke(main, ['recheck', {str(folder)!r}]);"
        "print([m for m in ('fastapi', 'aiomqtt', 'serial', 'fcntl', 'layergate.jobs', 'layergate.config') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, timeout=30, check=True)
    assert done.stdout.strip() == b"[]"


# The daemon's history.

Tables = dict[str, dict[str, Any]]


class Past:
    """A daemon's spool and journal, written by the daemon's own parts."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.spool = Spool(folder / "spool", keep_free_bytes=0)
        (folder / "quay.toml").write_text("[rules.settings-change]\nseverity = 'hold'\n")
        self.config = folder / "config.toml"
        self.config.write_text(
            f"[spool]\ndirectory = '{folder / 'spool'}'\n"
            f"[printers.quay]\ndevice = '/dev/null'\ndescription = '{folder / 'quay.toml'}'\n"
        )

    def fill(self, *jobs: tuple[str, bytes, Tables | None], waive: str = "", printer: str = "quay") -> None:
        asyncio.run(self._fill(jobs, waive, printer))

    async def _fill(self, jobs: tuple[tuple[str, bytes, Tables | None], ...], waive: str, printer: str) -> None:
        self.spool.open()
        journal = Journal(self.spool.directory / "journal.sqlite")
        await journal.open()
        for name, data, tables in jobs:
            spooled = self.spool.store([data])
            report = examined(data, None, tables).report

            def enter(db: Any, name: str = name, spooled: Any = spooled, report: Any = report) -> None:
                made = store.add_job(
                    db,
                    name=name,
                    printer=printer,
                    sha256=spooled.sha256,
                    size_bytes=spooled.size_bytes,
                    source="upload",
                )
                situation = {"clear": "queued", "hold": "held", "block": "blocked"}[report.verdict]
                store.move_job(db, made.id, situation, verdict=report.verdict)  # type: ignore[arg-type]
                self.spool.report_path(made.id).write_text(report.model_dump_json())
                for finding in report.findings:
                    if finding.rule == waive:
                        first, last = finding.where.lines
                        layer = "-" if finding.where.layer is None else finding.where.layer
                        place = f"layer {layer}, lines {first}-{last}"
                        store.add_waiver(db, sha256=spooled.sha256, rule=waive, place=place, who="Maren", why="a test")

            await journal.do(enter)
        await journal.close()
        self.spool.close()


SETTING = before_line(12, "M206 X5")  # settings-change: held
OFF = {"settings-change": {"enabled": False}}


def test_the_history_is_checked_with_each_printers_description(tmp_path: Path) -> None:
    """What passed under the rules of then and would be held now is named with the rule; the rest is no news."""
    past = Past(tmp_path)
    past.fill(("cap.gcode", GOOD, None), ("hose bracket.gcode", SETTING, OFF), ("cut.gcode", BLOCKED, None))
    before = state_of(tmp_path)
    result = run("--config", past.config)
    assert result.exit_code == 1
    assert result.stdout.splitlines()[0] == "would now hold 1 of 3, block 0"
    assert "\n  hose bracket.gcode (quay): clear -> hold\n    hold: settings-change: M206 in line 12" in result.stdout
    assert "  1 stopped before would be stopped as before" in result.stdout
    assert state_of(tmp_path) == before


def test_what_a_person_released_is_not_stopped_again(tmp_path: Path) -> None:
    """A waiver holds for the same rule at the same place, as it does for the next print."""
    past = Past(tmp_path)
    past.fill(("bracket.gcode", SETTING, None), waive="settings-change")
    result = run("--config", past.config)
    assert (result.exit_code, result.stdout) == (0, "would now hold 0 of 1, block 0\n")


def test_each_file_counts_once_and_what_is_gone_is_told(tmp_path: Path) -> None:
    """Reprints are one job; files that are not kept any more, and printers that are not there any more, are left out."""
    past = Past(tmp_path)
    past.fill(("cap.gcode", GOOD, None), ("cap again.gcode", GOOD, None), ("old.gcode", HELD, None))
    past.fill(("elsewhere.gcode", SETTING, None), printer="pier")
    past.spool.job_path(sha256(HELD).hexdigest()).unlink()
    result = run("--config", past.config)
    assert result.exit_code == 0
    assert result.stdout.splitlines() == [
        "would now hold 0 of 1, block 0", "  not looked at: jobs whose files are not kept any more: 1",
        "  not looked at: jobs of printers that are not configured any more: 1",
    ]  # fmt: skip


def test_a_verdict_without_its_report_still_compares(tmp_path: Path) -> None:
    """The journal keeps the verdict; only what made it is not known any more."""
    past = Past(tmp_path)
    past.fill(("cap.gcode", SETTING, OFF))
    for report in past.spool.directory.glob("*.report.json"):
        report.unlink()
    document = json.loads(run("--config", past.config, "--format", "json").stdout)
    assert [(entry["before"], entry["now"]) for entry in document["jobs"]] == [("clear", "hold")]


@pytest.mark.parametrize(
    ("spoil", "text"),
    [
        (lambda path: path.unlink(), "there is no journal"),
        (lambda path: path.write_bytes(b"no database" * 100), "can't be read as journal"),
    ],
)
def test_a_journal_that_can_not_be_read_is_2(tmp_path: Path, spoil: Callable[[Path], object], text: str) -> None:
    """Told, and never moved aside or made anew: that is the daemon's affair."""
    past = Past(tmp_path)
    past.fill(("cap.gcode", GOOD, None))
    spoil(past.spool.directory / "journal.sqlite")
    before = state_of(tmp_path)
    result = run("--config", past.config)
    assert (result.exit_code, result.stdout) == (2, "")
    assert text in result.stderr
    assert state_of(tmp_path) == before


def test_beside_a_running_daemon(tmp_path: Path) -> None:
    """Its jobs are looked at while it runs, none of them moves; with an id the job itself is checked again."""
    (tmp_path / "job.gcode").write_bytes(SETTING)
    config = (
        f"[spool]\ndirectory = '{tmp_path / 'spool'}'\n[control]\nsocket = '{tmp_path / 'control.sock'}'\n"
        f"[printers.quay]\ndevice = 'socket://127.0.0.1:1'\nlink_socket = '{tmp_path / 'link.sock'}'\n"
    )
    with daemon(tmp_path, config) as gate:
        gate.start()
        assert gate.run("submit", str(tmp_path / "job.gcode"), "--follow").exit_code == 1
        listed = gate.client.get("jobs")
        (entry,) = listed
        result = gate.run("recheck", "--config", str(gate.config))
        assert (result.exit_code, result.stdout.splitlines()[0]) == (0, "would now hold 0 of 1, block 0")
        assert gate.client.get("jobs") == listed
        history = len(gate.client.get("jobs", entry["id"])["history"])
        again = gate.run("recheck", entry["id"], "--by", "Maren")
        assert again.exit_code == 0
        assert entry["id"] in again.stdout
        gate.reaches(entry["id"], "held")
        assert len(gate.client.get("jobs", entry["id"])["history"]) > history
        assert gate.run("recheck", "zzzz").exit_code == 1
        gate.end()
