"""``layergate check``: the contract of the command line (architecture.md): exit codes, formats, several jobs, `-`, gzip, -o."""

import gzip
import hashlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from tests.oracles.micro_job import LINES, MICRO_JOB, job, with_line, without

from layergate.cli.check import check

GOOD = MICRO_JOB.encode()
HELD = without(7)
BLOCKED = job(LINES[:20])
DEADLINE_S = 30


@pytest.fixture
def jobs(tmp_path: Path) -> Path:
    for name, text in (("good", GOOD), ("held", HELD), ("blocked", BLOCKED)):
        (tmp_path / f"{name}.gcode").write_bytes(text)
    (tmp_path / "good.gcode.gz").write_bytes(gzip.compress(GOOD))
    (tmp_path / "bed.toml").write_text("[printer]\nbuild_volume_mm = {x = [0, 235], y = [0, 235], z = [0, 250]}\n")
    return tmp_path


def run(*arguments: str | Path, stdin: bytes | None = None) -> Result:
    return CliRunner().invoke(check, [str(argument) for argument in arguments], input=stdin)


@pytest.mark.parametrize(
    ("names", "code"),
    [
        (["good"], 0), (["good", "good"], 0), (["held"], 1), (["blocked"], 1), (["good", "held", "good"], 1), (["missing"], 2),
        (["missing", "good"], 2), (["blocked", "missing"], 2), (["missing", "blocked"], 2),
    ],
)  # fmt: skip
def test_exit_codes(jobs: Path, names: list[str], code: int) -> None:
    """0 if every job is clear, 1 if one is held or blocked, 2 if one can't be read, whatever the order."""
    assert run(*(jobs / f"{name}.gcode" for name in names)).exit_code == code


@pytest.mark.parametrize(
    "arguments",
    [
        [], ["--format", "yaml", "good.gcode"], ["--printer"], ["--nonsense", "good.gcode"], ["--plug-in", "quay", "good.gcode"],
        ["--printer", "none.toml", "good.gcode"], ["-o", "no/such/folder/report", "good.gcode"],
    ],
)  # fmt: skip
def test_wrong_usage_is_2(jobs: Path, arguments: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Wrong usage never looks like a verdict, and says what is wrong."""
    monkeypatch.chdir(jobs)
    result = run(*arguments)
    assert result.exit_code == 2
    assert len(result.stderr) > 20
    assert "Traceback" not in result.output


def test_text_has_one_report_for_each_job_and_what_was_not_read(jobs: Path) -> None:
    """Every job's report begins with its coverage; a job that can't be read is named on standard error."""
    result = run(jobs / "good.gcode", jobs / "blocked.gcode", jobs / "absent.gcode")
    assert "good.gcode: " in result.stdout
    assert "rules could judge this job\n==== CLEAR: " in result.stdout
    assert "rules could judge this job\n==== BLOCK: " in result.stdout
    assert "absent.gcode: not readable: there is no such file" in result.stderr


def test_json_is_one_document_a_job_one_a_line(jobs: Path) -> None:
    """architecture.md: json: one document a job, one a line."""
    result = run("--format", "json", jobs / "good.gcode", jobs / "held.gcode")
    documents = [json.loads(line) for line in result.stdout.splitlines()]
    assert [(d["job"]["name"], d["verdict"]) for d in documents] == [("good.gcode", "clear"), ("held.gcode", "hold")]


def test_a_description_lets_more_rules_judge(jobs: Path) -> None:
    """What nobody stated is not applied; what is stated is."""
    (jobs / "far.gcode").write_bytes(with_line(12, "G1 X300 Y10 E0.67698 F3600"))

    def judged(*arguments: str | Path) -> tuple[int, set[str]]:
        document = json.loads(run("--format", "json", *arguments, jobs / "far.gcode").stdout)
        return document["coverage"]["judged"], {finding["rule"] for finding in document["findings"]}

    without_bed, found_without = judged()
    with_bed, found_with = judged("--printer", jobs / "bed.toml")
    assert with_bed > without_bed
    assert found_with - found_without == {"outside-build-volume"}


def test_gzip_is_seen_by_its_bytes(jobs: Path) -> None:
    """Whatever the name; the job inside is judged, its own bytes counted."""
    (jobs / "odd.name").write_bytes(gzip.compress(GOOD))
    result = run("--format", "json", jobs / "good.gcode.gz", jobs / "odd.name")
    assert result.exit_code == 0
    assert [json.loads(line)["job"]["bytes"] for line in result.stdout.splitlines()] == [596, 596]


@pytest.mark.parametrize(
    "damage", [lambda data: data[:-20], lambda data: data[:40] + b"\xff" * 30 + data[70:], lambda data: data[:12]]
)
def test_a_damaged_gzip_is_not_readable(jobs: Path, damage: object) -> None:
    """Cut or damaged: exit 2 and the reason, no traceback, no verdict on half a job."""
    (jobs / "bad.gz").write_bytes(damage(gzip.compress(GOOD)))  # type: ignore[operator]
    result = run(jobs / "bad.gz")
    assert result.exit_code == 2
    assert "bad.gz: not readable: " in result.stderr
    assert result.stdout == ""


@pytest.mark.parametrize("packed", [False, True])
def test_a_job_from_standard_input(packed: bool) -> None:
    """`-` in a process of its own, plain and packed."""
    data = gzip.compress(BLOCKED) if packed else BLOCKED
    command = [sys.executable, "-m", "layergate.cli.main", "check", "--format", "json", "-"]
    done = subprocess.run(command, input=data, capture_output=True, timeout=DEADLINE_S, check=False)
    assert done.returncode == 1, done.stderr
    document = json.loads(done.stdout)
    assert (document["job"]["name"], document["verdict"]) == ("standard input", "block")
    assert document["job"]["bytes"] == len(BLOCKED)


def test_a_report_is_not_written_over_a_job(jobs: Path) -> None:
    """-o naming one of the jobs is a slip that would cost the job."""
    (jobs / "link").symlink_to(jobs / "good.gcode")
    result = run("-o", jobs / "link", jobs / "held.gcode", jobs / "good.gcode")
    assert result.exit_code == 2
    assert "is one of the jobs: name another file" in result.stderr
    assert (jobs / "good.gcode").read_bytes() == GOOD


def test_output_goes_to_a_file_when_asked(jobs: Path) -> None:
    """-o: all reports there, nothing on standard output."""
    result = run("--format", "json", "-o", jobs / "reports.json", jobs / "good.gcode", jobs / "held.gcode")
    assert result.exit_code == 1
    assert result.stdout == ""
    assert len((jobs / "reports.json").read_text().splitlines()) == 2


def test_a_folder_and_an_unreadable_file_are_not_readable(jobs: Path) -> None:
    """What it is and what to do, and the other jobs are judged all the same."""
    result = run(jobs, jobs / "good.gcode")
    assert result.exit_code == 2
    assert "it is a folder: name the jobs in it, or check them all with `layergate recheck FOLDER`" in result.stderr
    assert "CLEAR" in result.stdout


@pytest.mark.parametrize(
    ("text", "mistakes"),
    [
        ("[printer]\nnozle_diameter_mm = 0.4\n",
         ["bed.toml:2: printer.nozle_diameter_mm: unknown key; did you mean 'nozzle_diameter_mm'?"]),
        ("[printer]\nnozzle_diameter_mm = -1\nmaterial = 3\n",
         ["bed.toml:2: printer.nozzle_diameter_mm:", "bed.toml:3: printer.material:"]),
        ("[printer\n", ["bed.toml:1: not TOML"]),
        ("[rules.missing-layer]\ngap_ratio = 0.5\n[rules.no-such-rule]\nenabled = true\n",
         ["rules.missing-layer.gap_ratio:", "rules.no-such-rule: there is no such rule"]),
        ("[printer]\nbuild_volume_mm = {x = [10, 0], y = [0, 1], z = [0, 1]}\n", ["must be [lowest, highest]"]),
        ("[printer]\nbuild_volume_mm = {x = [0, 235], y = [0, 235], z = [0, 250]}\n"
         "reach_mm = {x = [0, 200], y = [0, 235], z = [0, 250]}\n",
         ["reach_mm.x must hold build_volume_mm.x"]),
    ],
)  # fmt: skip
def test_a_wrong_description_is_refused_with_every_mistake(jobs: Path, text: str, mistakes: list[str]) -> None:
    """Wrong usage, each mistake with its key and line, before any job is judged."""
    (jobs / "bed.toml").write_text(text)
    result = run("--printer", jobs / "bed.toml", jobs / "good.gcode")
    assert result.exit_code == 2
    for mistake in mistakes:
        assert mistake in result.stderr
    assert result.stdout == ""


def test_an_empty_job_is_judged_not_crashed_on(jobs: Path) -> None:
    """No bytes are a verdict, not an error."""
    (jobs / "empty.gcode").write_bytes(b"")
    result = run(jobs / "empty.gcode")
    assert result.exit_code == 1
    assert "The file is empty." in result.stdout


def test_help_starts_without_the_parts_of_the_daemon() -> None:
    """`layergate check` runs on a desk computer: neither web, nor broker, nor serial parts are imported."""
    program = (
        "import sys; from click.testing import CliRunner; from layergate.cli.main import main;"
        "CliRunner().invoke(main, ['check', '-']); "
        "print([m for m in ('fastapi', 'uvicorn', 'aiomqtt', 'serial', 'inotify_simple', 'structlog') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, timeout=DEADLINE_S, check=True)
    assert done.stdout.strip() == b"[]"


def test_an_interrupted_check_is_no_verdict() -> None:
    """Ctrl-C gives 128 and the number of SIGINT, as shells do (common practice), not the 1 of a held job; no traceback."""
    command = [sys.executable, "-m", "layergate.cli.main", "check", "-"]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdin is not None
    try:
        # More than pipe and buffers hold: when all of it is taken, the check is under way.
        process.stdin.write(b"; a line of some length\n" * 40_000)
        process.stdin.flush()
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=DEADLINE_S)
    finally:
        process.kill()
    assert process.returncode == 128 + signal.SIGINT
    assert out == b""
    assert err == b"layergate: interrupted\n"


LONG = b"".join(b"; a line of some length, number %d\n" % number for number in range(60_000))
"""Comments of more than 2 MB, so that another process reads the job ahead where there are two cores."""


def test_a_job_that_is_read_ahead_is_judged_as_any_other(jobs: Path) -> None:
    """The same report, but for what the added comments change: bytes, lines, digest, time; and line numbers."""
    (jobs / "long.gcode").write_bytes(BLOCKED + LONG)
    command = [sys.executable, "-m", "layergate.cli.main", "check", "--format", "json"]
    done = subprocess.run(
        [*command, jobs / "long.gcode", jobs / "blocked.gcode"], capture_output=True, check=False, timeout=DEADLINE_S
    )
    assert done.returncode == 1
    long, short = (json.loads(line) for line in done.stdout.splitlines())
    assert long["job"]["sha256"] == hashlib.sha256(BLOCKED + LONG).hexdigest()
    assert long["job"]["lines"] == short["job"]["lines"] + 60_000
    assert long["layers"] == short["layers"]
    assert long["estimate"] == short["estimate"]
    assert [finding["rule"] for finding in long["findings"]] == [finding["rule"] for finding in short["findings"]]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="elsewhere one process does all")
@pytest.mark.skipif(len(os.sched_getaffinity(0)) < 2, reason="with one core one process does all")
def test_a_killed_reader_is_no_verdict() -> None:
    """The process that reads ahead is killed, as for want of memory: not readable, with the reason, and no verdict."""
    command = [sys.executable, "-m", "layergate.cli.main", "check", "-"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdin is not None
        process.stdin.write(LONG)  # when all of it is taken, the reader is at work
        process.stdin.flush()
        os.kill(int(Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text()), signal.SIGKILL)
        out, err = process.communicate(timeout=DEADLINE_S)
    assert process.returncode == 2
    assert out == b""
    assert err.startswith(b"layergate: -: not readable: the process that reads it was ended from outside (SIGKILL)")
