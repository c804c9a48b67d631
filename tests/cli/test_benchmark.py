"""``layergate benchmark``: what it prints adds up, and no rule takes more than its share of a check."""

import gzip
import re
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.oracles.harbour import job, rings

from layergate.cli.benchmark import MOST_SHARE, benchmark, time_rules
from layergate.cli.benchmark_job import write_job
from layergate.preflight.catalogue import load_rules


@pytest.fixture(scope="module")
def generated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("benchmark") / "generated.gcode"
    with path.open("wb") as stream:
        write_job(stream, 2_000_000, relative_e=False)
    return path


def test_no_rule_takes_more_than_a_fifth_of_a_check(generated: Path) -> None:
    """CPU time, medians of three; every rule is clocked, and together they are less than the whole."""
    times = time_rules(generated, 3)
    shares = times.shares()
    assert {rule for rule, _ in shares} == {loaded.identifier for loaded in load_rules()}
    assert [share for _, share in shares] == sorted((share for _, share in shares), reverse=True)
    assert 0 < sum(share for _, share in shares) < 1
    assert shares[0][1] <= MOST_SHARE, shares[0]


def test_the_command_prints_stages_and_shares(generated: Path) -> None:
    """Of a job that is given; the shares of all rules are those of the line "all rules"."""
    result = CliRunner().invoke(benchmark, ["--repeat", "1", str(generated)])
    assert result.exit_code == 0, result.output
    stages, rules = result.stdout.split("rule (CPU time)")
    assert "whole check, CPU" in stages
    assert "cores: " in stages
    rows = re.findall(r"^(.+?) +(\d+\.\d{3}) +(\d+\.\d)%", rules, re.MULTILINE)
    assert rows[-1][0] == "all others together"
    together = float(re.search(r"^all rules +(\d+\.\d{3})", stages, re.MULTILINE)[1])  # type: ignore[index]
    assert sum(float(seconds) for _, seconds, _ in rows) == pytest.approx(together, abs=0.001 * len(rows))


def test_a_packed_job_is_unpacked_first(tmp_path: Path) -> None:
    """The bytes that are counted are the job's; a damaged archive is an error that says so."""
    packed, text = tmp_path / "cap.gcode.gz", job(rings(500))
    packed.write_bytes(gzip.compress(text))
    result = CliRunner().invoke(benchmark, ["--repeat", "1", str(packed)])
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith(f"cap.gcode, {len(text) / 1e6:.1f} MB; ")
    packed.write_bytes(packed.read_bytes()[:-20])
    result = CliRunner().invoke(benchmark, ["--repeat", "1", str(packed)])
    assert result.exit_code == 1
    assert "copy the job again" in result.output
