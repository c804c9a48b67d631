"""What becomes of the link process when the daemon ends: idle it ends too, printing it goes on, orphaned it is found again.

That a print goes on through SIGTERM and SIGKILL is tested in test_real_parts.py.
"""

import json
import signal
from pathlib import Path

from tests.service.real import daemon, gone, link_pid, simulated_printer, wait
from tests.service.test_real_parts import CAP, _config

from layergate.link.serial import open_port
from layergate.link.transports import Endpoint


def test_idle_links_end_with_the_daemon_and_free_their_ports(tmp_path: Path) -> None:
    """SIGTERM with nothing to print: the link process ends in order, its socket goes and the port can be opened."""
    with (
        simulated_printer(tmp_path, "--time-scale", "120") as device,
        daemon(tmp_path, _config(tmp_path, device)) as gate,
    ):
        gate.start()
        pid = wait(lambda: link_pid(tmp_path / "link.sock"), "link process")
        wait(lambda: gate.client.get("printers", "quay")["link_up"], "printer reached")
        assert gate.end() == 0
        wait(lambda: gone(pid), "link process ended")
        assert not (tmp_path / "link.sock").exists()
        open_port(Endpoint(device=str(device))).close()


def test_a_killed_daemon_leaves_its_idle_link_for_the_next_one(tmp_path: Path) -> None:
    """SIGKILL can't be told from a crash, after which the service manager starts the daemon anew."""
    with (
        simulated_printer(tmp_path, "--time-scale", "120") as device,
        daemon(tmp_path, _config(tmp_path, device)) as gate,
    ):
        gate.start()
        pid = wait(lambda: link_pid(tmp_path / "link.sock"), "link process")
        gate.end(signal.SIGKILL)
        assert link_pid(tmp_path / "link.sock") == pid
        gate.start()
        wait(lambda: gate.client.get("printers", "quay")["link_up"], "printer reached")
        assert link_pid(tmp_path / "link.sock") == pid


def test_a_link_that_prints_does_not_end_with_the_daemon(tmp_path: Path) -> None:
    """SIGTERM in mid-print: it says no to being sent away, and when its job is done the next daemon hears of it."""
    with (
        simulated_printer(tmp_path, "--time-scale", "120") as device,
        daemon(tmp_path, _config(tmp_path, device)) as gate,
    ):
        gate.start()
        (tmp_path / "cap.gcode").write_bytes(CAP.text)
        job = json.loads(gate.run("submit", str(tmp_path / "cap.gcode"), "--json").stdout)["id"]
        gate.reaches(job, "queued")
        gate.run("cleared")
        wait(lambda: gate.job(job)["layer"] >= 1, "first layer")
        pid = link_pid(tmp_path / "link.sock")
        assert gate.end() == 0

        def ended() -> bool:
            executed = (tmp_path / "executed.txt").read_bytes().splitlines()
            return b"M400" in executed[-6:]

        wait(ended, "printed to its end with no daemon")
        assert link_pid(tmp_path / "link.sock") == pid
        gate.start()
        assert gate.reaches(job, "completed")["layers"] == len(CAP.truth.layers)
