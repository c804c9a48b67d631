"""``layergate check --format sarif`` against the standard's own JSON schema, and against the reports that it is made from."""

import gzip
import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from jsonschema import Draft4Validator, ValidationError
from tests.oracles.micro_job import LINES, MICRO_JOB, job, with_line, without

from layergate.cli.check import check
from layergate.preflight.catalogue import load_rules

# Source and licence: tests/reference/sarif/README.md.
SCHEMA = json.loads((Path(__file__).parents[1] / "reference/sarif/sarif-2.1.0-rtm.5.json").read_text(encoding="utf-8"))
LEVELS = {"block": "error", "hold": "warning", "note": "note"}
URI = re.compile(r"(?:[A-Za-z0-9._~!$&'()*+,;=:@/-]|%[0-9A-F]{2})*")  # RFC 3986, without query and fragment


def valid(document: Any) -> None:
    Draft4Validator(SCHEMA).validate(document)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name, text in {
        "good.gcode": MICRO_JOB.encode(),
        "held.gcode": without(7),
        "blocked.gcode": job(LINES[:20]),
        "bollard cap, 50%.gcode": with_line(12, "G1 X300 Y10 E9.67698 F3600"),
        "empty.gcode": b"",
    }.items():
        Path(name).write_bytes(text)
    Path("packed.gcode.gz").write_bytes(gzip.compress(without(7)))
    Path("bed.toml").write_text("[printer]\nbuild_volume_mm = {x = [0, 235], y = [0, 235], z = [0, 250]}\n")
    return tmp_path


def run(*arguments: str, stdin: bytes | None = None) -> tuple[int, dict[str, Any]]:
    result = CliRunner().invoke(check, ["--format", "sarif", *arguments], input=stdin)
    return result.exit_code, json.loads(result.stdout)


GOOD_DOCUMENT: dict[str, Any] = {
    "version": "2.1.0",
    "runs": [{"tool": {"driver": {"name": "x"}}, "results": [{"message": {"text": "m"}, "level": "note"}]}],
}


def changed(path: tuple[Any, ...], value: Any) -> dict[str, Any]:
    document: Any = json.loads(json.dumps(GOOD_DOCUMENT))
    at = document
    for key in path[:-1]:
        at = at[key]
    if value is None:
        del at[path[-1]]
    else:
        at[path[-1]] = value
    return document  # type: ignore[no-any-return]


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("version",), None), (("runs",), None), (("runs", 0, "tool"), None), (("runs", 0, "tool", "driver", "name"), None),
        (("runs", 0, "results", 0, "message"), None), (("runs", 0, "results", 0, "level"), "fatal"),
        (("runs", 0, "results", 0, "locations"), [{"physicalLocation": {"region": {"startLine": 0}}}]),
        (("version",), "2.0.0"), (("runs", 0, "colour"), "red"), (("runs", 0, "invocations"), [{}]),
    ],
)  # fmt: skip
def test_the_schema_refuses_what_the_standard_forbids(path: tuple[Any, ...], value: Any) -> None:
    """facts.md 6.7: some copies of the schema accept anything; this one must not, or the next tests prove nothing."""
    valid(GOOD_DOCUMENT)
    with pytest.raises(ValidationError):
        valid(changed(path, value))


def test_one_valid_log_for_all_jobs(folder: Path) -> None:
    """One run, every job an artifact with its digest, every finding a result at its lines; the exit code as for text."""
    names = ["good.gcode", "held.gcode", "blocked.gcode", "bollard cap, 50%.gcode", "empty.gcode"]
    code, document = run("--printer", "bed.toml", *names)
    valid(document)
    (log,) = document["runs"]
    text = CliRunner().invoke(check, ["--format", "json", "--printer", "bed.toml", *names])
    reports = [json.loads(line) for line in text.stdout.splitlines()]
    assert (code, log["invocations"][0]["exitCode"], text.exit_code) == (1, 1, 1)
    assert log["invocations"][0]["executionSuccessful"] is True
    assert [a["hashes"]["sha-256"] for a in log["artifacts"]] == [report["job"]["sha256"] for report in reports]
    assert [a["properties"]["verdict"] for a in log["artifacts"]] == [report["verdict"] for report in reports]
    assert [a["location"]["uri"] for a in log["artifacts"]][3] == "bollard%20cap%2C%2050%25.gcode"
    findings = [(number, finding) for number, report in enumerate(reports) for finding in report["findings"]]
    assert len(log["results"]) == len(findings) > 4
    rules = log["tool"]["driver"]["rules"]
    for result, (number, finding) in zip(log["results"], findings, strict=True):
        place = result["locations"][0]["physicalLocation"]
        assert result["ruleId"] == finding["rule"] == rules[result["ruleIndex"]]["id"]
        assert result["level"] == LEVELS[finding["severity"]]
        assert finding["message"] in result["message"]["text"]
        assert finding["advice"] in result["message"]["text"]
        assert place["artifactLocation"] == {"index": number}
        assert result["properties"]["evidence"] == finding["evidence"]
        assert result["properties"].get("layer") == finding["where"]["layer"]
        assert result["properties"].get("height_mm") == finding["where"]["z_mm"]
        if finding["where"]["lines"] and reports[number]["job"]["lines"]:
            assert [place["region"]["startLine"], place["region"]["endLine"]] == finding["where"]["lines"]
    assert {result["level"] for result in log["results"]} >= {"error", "warning"}


def test_every_rule_is_described_with_its_page(folder: Path) -> None:
    """Help text is the rule's page; the level is that of its default severity."""
    _, document = run("good.gcode")
    driver = document["runs"][0]["tool"]["driver"]
    assert driver["name"] == "Layergate"
    assert [rule["id"] for rule in driver["rules"]] == [loaded.identifier for loaded in load_rules()]
    for rule, loaded in zip(driver["rules"], load_rules(), strict=True):
        assert rule["defaultConfiguration"]["level"] == LEVELS[loaded.rule.severity]
        assert "How it decides" in rule["help"]["text"]
        assert 10 < len(rule["shortDescription"]["text"]) < len(rule["fullDescription"]["text"])


def test_a_packed_job_is_an_artifact_inside_its_file(folder: Path) -> None:
    """The digest and the lines are those of what is inside (SARIF 3.24.3, parentIndex)."""
    _, document = run("packed.gcode.gz", "held.gcode")
    valid(document)
    outer, inner, plain = document["runs"][0]["artifacts"]
    assert (outer["location"]["uri"], "hashes" in outer) == ("packed.gcode.gz", False)
    assert (inner["location"]["uri"], inner["parentIndex"]) == ("packed.gcode", 0)
    assert inner["hashes"] == plain["hashes"]
    places = [r["locations"][0]["physicalLocation"]["artifactLocation"] for r in document["runs"][0]["results"]]
    assert {place["index"] for place in places} == {1, 2}


def test_standard_input_has_no_place(folder: Path) -> None:
    """An artifact without a location, described in words."""
    code, document = run("-", stdin=without(7))
    valid(document)
    (artifact,) = document["runs"][0]["artifacts"]
    assert code == 1
    assert "location" not in artifact
    assert artifact["description"]["text"] == "standard input"


def test_a_job_that_can_not_be_read_is_a_notification(folder: Path) -> None:
    """The others are judged; the run says that it did not do all it was asked; exit 2."""
    code, document = run("absent.gcode", "held.gcode")
    valid(document)
    (invocation,) = document["runs"][0]["invocations"]
    assert (code, invocation["exitCode"], invocation["executionSuccessful"]) == (2, 2, False)
    (notice,) = invocation["toolExecutionNotifications"]
    assert notice["message"]["text"].startswith("not readable: there is no such file")
    assert notice["locations"][0]["physicalLocation"]["artifactLocation"]["uri"] == "absent.gcode"
    assert document["runs"][0]["results"]


def test_odd_names_make_valid_uris(folder: Path) -> None:
    """RFC 3986: whatever bytes a name has; an absolute path is a file URI that leads back to the file."""
    names = [
        "a:b #1?.gcode",
        "boll\u00e9.gcode",
        "line\nend.gcode",
        "raw\udcff.gcode",
        str(folder / "down" / "x y.gcode"),
    ]
    (folder / "down").mkdir()
    for name in names:
        Path(name).write_bytes(without(7))
    _, document = run(*names)
    valid(document)
    uris = [artifact["location"]["uri"] for artifact in document["runs"][0]["artifacts"]]
    assert all(URI.fullmatch(uri) for uri in uris)
    assert uris[3] == "raw%FF.gcode"
    assert uris[4] == Path(names[4]).as_uri()
    base = document["runs"][0]["originalUriBaseIds"]["WORKING-DIRECTORY"]["uri"]
    assert base == folder.as_uri() + "/"


def test_the_log_goes_to_a_file_when_asked(folder: Path) -> None:
    """-o as for the other formats."""
    result = CliRunner().invoke(check, ["--format", "sarif", "-o", "log.sarif", "good.gcode"])
    assert (result.exit_code, result.stdout) == (0, "")
    valid(json.loads(Path("log.sarif").read_text()))
