"""The daemon as a process, with the real worker, link and broker, against the simulated printer."""

import json
import os
import signal
import subprocess
from pathlib import Path

import pytest
from tests.notify.broker import Broker, listening, needs_mosquitto
from tests.service.real import LAYERGATE, daemon, gone, link_pid, simulated_printer, wait

from layergate.cli.client_http import Client, ClientError
from layergate.gcode.payload import payload_lines
from layergate_sim.damage import remove_layer
from layergate_sim.specimens import bollard_cap

CAP = bollard_cap(height_mm=1.6, diameter_mm=18)
LAYERS = len(CAP.truth.layers)
LACKING = remove_layer(CAP.text, CAP.truth, 3)  # counted from 0: the layer at 0.8 mm
ROOT = "layergate/shed"


def _config(folder: Path, device: Path | str = "/dev/null", more: str = "", printer: str = "") -> str:
    return f"""
[spool]
directory = "spool"
keep_free_mib = 1
[control]
socket = "control.sock"
{more}
[printers.quay]
device = "{device}"
link_socket = "link.sock"
{printer}
"""


def _mqtt(broker: Broker) -> str:
    return f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\ngateway = "shed"\nkeepalive_s = 5\n'


def _executed_holds(folder: Path, data: bytes) -> bool:
    """Whether the printer executed the payload of a job, command for command, with nothing in between."""
    executed = (folder / "executed.txt").read_bytes().splitlines()
    wanted = [line for _, line in payload_lines(data)]
    # The link asks for temperatures and positions while it waits; those are no commands of a job that has none of them.
    ours = [line for line in executed if line not in {b"M105", b"M114"}]
    return any(ours[at : at + len(wanted)] == wanted for at in range(len(ours) - len(wanted) + 1))


@needs_mosquitto
def test_the_cap_without_a_layer_is_blocked_and_the_good_one_is_printed(tmp_path: Path) -> None:
    """The main job on real parts: one of two caps lacks a layer and is blocked; the other is printed to its last layer.

    The broker hears the blocked alert and a retained progress that ends at the last layer; what the simulated printer
    executed is, command for command, the payload of the job that was checked.
    """
    broker = Broker(tmp_path / "broker")
    broker.start()
    try:
        with (
            simulated_printer(tmp_path, "--time-scale", "300") as device,
            listening(broker.port) as listener,
            daemon(tmp_path, _config(tmp_path, device, _mqtt(broker), 'drop_folder = "drop"')) as gate,
        ):
            gate.start()
            (tmp_path / "cap.gcode").write_bytes(CAP.text)
            (tmp_path / "drop" / "lacks.gcode").write_bytes(LACKING)
            blocked = wait(lambda: gate.client.get("jobs"), "drop folder")[0]["id"]
            assert "missing-layer" in gate.reaches(blocked, "blocked")["message"]
            report = gate.client.get("jobs", blocked, "report")
            finding = next(found for found in report["findings"] if found["rule"] == "missing-layer")
            assert finding["where"]["z_mm"] == pytest.approx([0.6, 1.0])  # the layer at 0.8 mm is not there
            wait(lambda: listener.payloads(f"{ROOT}/quay/alert"), "alert")
            assert listener.payloads(f"{ROOT}/quay/alert")[0]["name"] == "blocked"
            assert gate.run("cleared", "quay").exit_code == 0
            followed = gate.run("submit", str(tmp_path / "cap.gcode"), "--follow")
            assert followed.exit_code == 0, followed.stdout + followed.stderr
            assert f"layer {LAYERS}/{LAYERS}" in followed.stdout
            job = gate.client.get("jobs", all="true")[-1]
            assert (job["situation"], job["layer"], job["layers"]) == ("completed", LAYERS, LAYERS)
            record = gate.job(job["id"])["record"]
            assert len([row for row in record["layers"] if row["actual_s"] is not None]) == LAYERS
            lines = CAP.text.count(b"\n")
            wait(lambda: listener.payloads(f"{ROOT}/quay/progress")[-1]["line"] == lines, "progress to the last line")
            with listening(broker.port) as late:
                wait(lambda: late.payloads(f"{ROOT}/quay/progress"), "retained progress")
                progress = late.payloads(f"{ROOT}/quay/progress")[-1]
            assert (progress["layer"], progress["layers"], progress["line"]) == (LAYERS, LAYERS, lines)
            assert gate.end() == 0
            wait(lambda: listener.payloads(f"{ROOT}/availability")[-1:] == ["offline"], "explicit offline")
        assert _executed_holds(tmp_path, CAP.text)
    finally:
        broker.kill()


def test_the_position_witness_asks_and_finds_a_good_print_on_its_plan(tmp_path: Path) -> None:
    """With position_witness the printer is asked where blocks of the job begin with another layer, and nothing is told."""
    cap = bollard_cap().text
    with (
        simulated_printer(tmp_path, "--time-scale", "600") as device,
        daemon(tmp_path, _config(tmp_path, device, printer="position_witness = true")) as gate,
    ):
        gate.start()
        (tmp_path / "cap.gcode").write_bytes(cap)
        job = json.loads(gate.run("submit", str(tmp_path / "cap.gcode"), "--json").stdout)["id"]
        gate.run("cleared")
        gate.reaches(job, "completed")
        assert "position-off-plan" not in [alert["name"] for alert in gate.client.get("alerts")]
    executed = (tmp_path / "executed.txt").read_bytes()
    assert executed.count(b"\nM114\n") >= len(cap) // 65536  # a job index has a block about every 64 KiB
    assert _executed_holds(tmp_path, cap)


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_a_print_goes_on_while_the_daemon_is_restarted(tmp_path: Path, how: signal.Signals) -> None:
    """Stopped or killed -9 in mid-print and started again: the same link process prints on, and the job completes."""
    with (
        simulated_printer(tmp_path, "--time-scale", "120") as device,
        daemon(tmp_path, _config(tmp_path, device)) as gate,
    ):
        gate.start()
        (tmp_path / "cap.gcode").write_bytes(CAP.text)
        job = json.loads(gate.run("submit", str(tmp_path / "cap.gcode"), "--json").stdout)["id"]
        gate.reaches(job, "queued")
        gate.run("cleared")
        wait(lambda: gate.job(job)["layer"] >= 2, "second layer")
        pid = link_pid(tmp_path / "link.sock")
        assert gate.end(how) == (0 if how is signal.SIGTERM else -signal.SIGKILL)
        assert "prints go on" in gate.log.read_text(encoding="utf-8") or how is signal.SIGKILL
        gate.start()
        assert gate.job(job)["situation"] in {"printing", "completed"}
        found = gate.reaches(job, "completed")
        assert found["layer"] == LAYERS
        assert link_pid(tmp_path / "link.sock") == pid
        assert gate.client.get("printers", "quay")["needs_clearing"]
    assert _executed_holds(tmp_path, CAP.text)


def test_a_print_whose_link_process_was_killed_is_aborted_where_it_was(tmp_path: Path) -> None:
    """Kill -9 of the link process in mid-print: the job is aborted at a layer, told to be looked at, and not resumed."""
    with (
        simulated_printer(tmp_path, "--time-scale", "120") as device,
        daemon(tmp_path, _config(tmp_path, device)) as gate,
    ):
        gate.start()
        (tmp_path / "cap.gcode").write_bytes(CAP.text)
        job = json.loads(gate.run("submit", str(tmp_path / "cap.gcode"), "--json").stdout)["id"]
        gate.reaches(job, "queued")
        gate.run("cleared")
        wait(lambda: gate.job(job)["layer"] >= 2, "second layer")
        pid = link_pid(tmp_path / "link.sock")
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        wait(lambda: gone(pid), "killed")
        found = gate.reaches(job, "aborted")
        assert 2 <= found["layer"] < LAYERS
        assert "link process" in found["message"]
        new = wait(lambda: link_pid(tmp_path / "link.sock"), "another link process")
        assert new != pid
        assert gate.client.get("printers", "quay")["needs_clearing"]
    assert not _executed_holds(tmp_path, CAP.text)


@needs_mosquitto
def test_a_killed_daemon_is_seen_offline_through_its_will(tmp_path: Path) -> None:
    """Kill -9: the broker publishes the will, retained; after a new start 'online' is back."""
    broker = Broker(tmp_path / "broker")
    broker.start()
    try:
        with listening(broker.port) as listener, daemon(tmp_path, _config(tmp_path, more=_mqtt(broker))) as gate:
            gate.start()
            wait(lambda: listener.payloads(f"{ROOT}/availability") == ["online"], "online")
            gate.end(signal.SIGKILL)
            wait(lambda: listener.payloads(f"{ROOT}/availability") == ["online", "offline"], "will")
            with listening(broker.port) as late:
                wait(lambda: late.payloads(f"{ROOT}/availability") == ["offline"], "retained")
            gate.start()
            wait(lambda: listener.payloads(f"{ROOT}/availability")[-1] == "online", "online again")
    finally:
        broker.kill()


def test_what_was_accepted_survives_kill_9_at_any_instant(tmp_path: Path) -> None:
    """Killed three times while jobs come in: every job that a client was told of is there, its file whole."""
    with daemon(tmp_path, _config(tmp_path)) as gate:
        told: dict[str, str] = {}
        for round_ in range(3):
            gate.start()
            killer = subprocess.Popen(["sh", "-c", f"sleep 0.{2 + round_}; kill -9 {gate.process.pid}"])  # type: ignore[union-attr]

            def until_it_dies(first: int = round_) -> None:
                for number in range(10_000):
                    data = b"G28\nG1 X%d Y%d\n" % (first, number)
                    answer = Client(gate.socket).upload("jobs", chunks=[data], name=f"cap-{number}")
                    told[answer["id"]] = answer["sha256"]

            with pytest.raises(ClientError):  # the client's words for a daemon that is gone
                until_it_dies()
            killer.wait(timeout=10)
            assert gate.process is not None
            gate.process.wait(timeout=10)
        assert len(told) >= 3
        gate.start()
        for job, digest in told.items():
            assert gate.job(job)["sha256"] == digest
            assert (tmp_path / "spool" / f"{digest}.gcode").is_file()


def test_a_wrong_configuration_ends_with_78_and_all_mistakes(tmp_path: Path) -> None:
    """Exit 78 (EX_CONFIG), at which the unit file does not start again; every mistake stands on standard error."""
    (tmp_path / "config.toml").write_text('[printers.quay]\ndevise = "x"\n[mqtt]\nport = 0\n', encoding="utf-8")
    done = subprocess.run(
        [*LAYERGATE, "serve", "--config", tmp_path / "config.toml"],
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )
    assert done.returncode == 78
    for words in ("printers.quay.devise: unknown key", "mqtt.host: is missing", "mqtt.port"):
        assert words in done.stderr


def test_without_a_daemon_the_command_line_says_so(tmp_path: Path) -> None:
    """Exit 3, with the socket's path and what to do."""
    with daemon(tmp_path, _config(tmp_path)) as gate:
        done = gate.run("jobs")
        assert done.exit_code == 3
        assert str(gate.socket) in done.stderr
        assert "layergate serve" in done.stderr


def test_the_command_line_shows_releases_and_cancels(tmp_path: Path) -> None:
    """show tells every finding, release asks and keeps name and reason, cancel ends it; refusals exit 1."""
    with daemon(tmp_path, _config(tmp_path)) as gate:
        gate.start()
        (tmp_path / "lacks.gcode").write_bytes(LACKING)
        followed = gate.run("submit", str(tmp_path / "lacks.gcode"), "--follow")
        assert followed.exit_code == 1
        assert "blocked" in followed.stdout
        job = gate.client.get("jobs")[0]["id"]
        shown = gate.run("show", job)
        assert "rules could judge this job\n==== BLOCK: must not be printed" in shown.stdout
        assert "block: missing-layer (layer" in shown.stdout
        assert "Figures: gap " in shown.stdout
        assert json.loads(gate.run("show", job, "--json").stdout)["report"]["verdict"] == "block"
        assert gate.run("release", job, "--by", "Maren").exit_code == 2  # no reason: wrong usage
        refused = gate.run("release", job, "--by", "Maren", "--reason", "a vase")  # nobody answers the question
        assert refused.exit_code != 0
        assert gate.job(job)["situation"] == "blocked"
        assert gate.run("release", job, "--by", "Maren", "--reason", "a test piece", "--yes").exit_code == 0
        assert gate.job(job)["situation"] == "queued"
        assert "released by Maren: a test piece" in gate.run("show", job).stdout
        assert gate.run("cancel", job).exit_code == 0
        again = gate.run("cancel", job)
        assert (again.exit_code, "has ended" in again.stderr) == (1, True)
        assert job in gate.run("jobs", "--all").stdout
        assert gate.run("show", "zzzz").exit_code == 1


def test_people_pause_resume_cancel_and_stop_from_the_command_line(tmp_path: Path) -> None:
    """pause, resume and cancel reach the printer, which ends with its heaters off; a stop request halts the next job.

    What is executed after a cancel: M104 S0 and M140 S0 switch heaters off (facts 1.4). All of it depends on the wire.
    """
    with (
        simulated_printer(tmp_path, "--time-scale", "60") as device,
        daemon(tmp_path, _config(tmp_path, device, printer='start = "automatic"')) as gate,
    ):
        gate.start()
        submitted = gate.run("submit", "-", "--name", "cap", "--json", given=CAP.text)
        job = json.loads(submitted.stdout)["id"]
        wait(lambda: gate.job(job)["layer"] >= 1, "first layer")
        assert gate.run("pause", "quay", "--by", "Maren").exit_code == 0
        gate.reaches(job, "paused")
        at = gate.job(job)["line"]
        assert "paused" in gate.run("jobs").stdout
        assert gate.run("resume").exit_code == 0
        wait(lambda: gate.job(job)["line"] > at, "going on")
        assert gate.run("cancel", job).exit_code == 0
        assert gate.reaches(job, "canceled")["layer"] < LAYERS
        executed = (tmp_path / "executed.txt").read_bytes().splitlines()
        assert {b"M104 S0", b"M140 S0"} <= {line.strip() for line in executed[-8:]}, executed[-8:]
        job = json.loads(gate.run("submit", "-", "--name", "cap", "--json", given=CAP.text).stdout)["id"]
        wait(lambda: gate.job(job)["layer"] >= 1, "first layer")
        assert gate.run("stop", "quay").exit_code == 0
        found = gate.reaches(job, "stopped")
        assert (found["state"], found["reasons"]) == ("aborted", ["job-canceled-by-operator"])
        assert [row["who"] for row in found["history"] if "stop request sent" in row["what"]]
