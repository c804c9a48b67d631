"""Each fault verb really happens, is counted, and a careful host gets its job through unless the fault forbids it."""

from __future__ import annotations

import dataclasses
import math

import pytest
from tests.sim.printer.desk import FAST, Desk, frame, stream

from layergate_sim.printer import PrinterSettings, read_faults, read_scenario
from layergate_sim.printer.settings import Lineage

REAL = PrinterSettings(time_scale=1.0)
JOB = [f"G1 X{10 + n % 50}.{n % 10} Y{20 + n % 40} F3000" for n in range(300)]


def streamed(faults: str, job: list[str] = JOB, settings: PrinterSettings = FAST) -> Desk:
    """A desk through whose faults the job has been sent."""
    desk = Desk(settings, read_faults(faults))
    stream(desk, job)
    return desk


def counts(desk: Desk) -> dict[str, int]:
    found: dict[str, int] = desk.printer.report()["faults"]
    return found


@pytest.mark.parametrize(
    ("fault", "counted", "at_least"),
    [
        ("corrupt=0.05", "corrupt", 5),
        ("drop=0.05", "drop", 5),
        ("drop-byte-of-line=0.05", "drop-byte-of-line", 5),
        ("drop-ack=0.05", "drop-ack", 5),
        ("double-ack=0.05", "double-ack", 5),
        ("corrupt-every=7", "corrupt", 40),
        ("drop-reply=0.05", "drop-reply", 5),
        ("half-line=0.05", "half-line", 5),
        ("corrupt-reply=0.05", "corrupt-reply", 5),
        ("garbage=0.05", "garbage", 5),
        ("garbage=0.05:20:open", "garbage", 5),
        ("busy=0.02:1s", "busy", 1),
        ("mute=0.01:1s", "mute", 1),
        ("slow=0.01:20:1s", "slow", 1),
        ("corrupt-byte=0.002:in:bit", "corrupt-byte-in", 5),
        ("corrupt-byte=0.002:out", "corrupt-byte-out", 1),
        ("drop-byte=0.002:in", "drop-byte-in", 5),
        ("drop-byte=0.005:out", "drop-byte-out", 1),
        ("corrupt=0.01,drop=0.01,drop-ack=0.01,double-ack=0.01", "corrupt", 1),
    ],
)
@pytest.mark.parametrize("lineage", ["common", "numbered"])
def test_the_job_gets_through_exactly_once(fault: str, counted: str, at_least: int, lineage: Lineage) -> None:
    """Under every fault of the wire, each command is executed once, in order, in both reply lineages."""
    # Without numbered_only a remnant that holds neither N nor * would pass as an unnumbered line: see the next test.
    desk = streamed(fault, settings=dataclasses.replace(FAST, lineage=lineage, numbered_only=True))
    assert desk.executed() == [*JOB, "M400", "M400"]
    assert counts(desk)[counted] >= at_least


def test_a_remnant_without_number_and_sum_passes_as_a_command() -> None:
    """One flip turns `*` (0x2A) into a line end (0x0A): the checksum's digits then stand alone on a line.

    Where lines without numbers are allowed, which is common practice, they are taken for an (unknown) command.
    """
    bad = frame(1, "G1 X1 Y5").replace(b"*", b"\n")
    lax, strict = Desk(), Desk(dataclasses.replace(FAST, numbered_only=True))
    for desk, executed in ((lax, 1), (strict, 0)):
        desk.send(bad)
        assert len(desk.executed()) == executed
        assert desk.lines()[0] == "Error:No Checksum with line number, Last Line: 0"


def test_two_flips_in_one_column_pass_and_are_counted() -> None:
    """What XOR can't see (facts.md 1.1) is executed, and the printer says that it took a touched line."""
    desk = Desk()
    bad = bytearray(frame(1, "G1 X1 Y5"))
    bad[3] ^= 1
    bad[6] ^= 1
    desk.send(bytes(bad))
    assert desk.lines()[-1] == "ok"
    noisy = Desk(dataclasses.replace(FAST, numbered_only=True), read_faults("corrupt-byte=0.02:in:bit"))
    stream(noisy, JOB)
    wrong = sum(a != b for a, b in zip(noisy.executed(), [*JOB, "M400", "M400"], strict=True))
    assert counts(noisy)["touched-yet-accepted"] >= wrong


def test_a_reset_in_mid_job_greets_at_line_zero() -> None:
    """reset-at-line: the line is lost, `start` is said, and the old numbers are refused (facts.md 1.2, rebooted)."""
    desk = Desk(REAL, read_faults("reset-at-line=5"))
    for n in range(1, 6):
        desk.send(frame(n, "G92 E0"))
    desk.run(1.5)
    assert "start" in desk.lines()
    desk.send(frame(6, "G92 E0"))
    assert desk.lines() == ["Error:Line Number is not Last Line Number+1, Last Line: 0", "Resend: 1", "ok"]
    assert desk.executed() == ["G92 E0"] * 4
    assert counts(desk) == {"reset": 1}
    assert desk.printer.report()["resets"] == 1


@pytest.mark.parametrize("scale", [1.0, math.inf])
def test_bytes_behind_a_reset_are_lost(scale: float) -> None:
    """What was sent with the fatal line does not reach the restarted printer."""
    desk = Desk(dataclasses.replace(REAL, time_scale=scale), read_faults("reset-at-line=2"))
    desk.ask("G92 E0")
    desk.send(b"G92 E1\nG92 E2\n")
    desk.run(2)
    assert desk.executed() == ["G92 E0"]
    assert desk.lines().count("start") == 1


def test_mute_loses_what_is_said_and_still_works() -> None:
    """Nothing comes for 5 s, commands are executed all the same, then it speaks again."""
    desk = Desk(REAL, read_faults("mute-at-line=2:5s"))
    desk.ask("G92 E0")
    desk.send("G92 E1\nG92 E2\n")
    desk.run(4)
    assert desk.lines() == []
    desk.run(2)
    assert desk.ask("G92 E3") == ["ok"]
    assert desk.executed() == [f"G92 E{n}" for n in range(4)]
    assert counts(desk)["mute"] == 1


def test_busy_holds_one_command_up_with_signs_of_life() -> None:
    """busy 5s: the next command begins 5 s later; meanwhile the printer says that it is busy."""
    desk = Desk(REAL, read_faults("busy-at-line=2:5s"))
    desk.ask("G92 E0")
    begun = desk.now
    assert desk.ask("G92 E1") == ["echo:busy: processing", "echo:busy: processing", "ok"]
    assert desk.now - begun == pytest.approx(5.0)


def test_timed_faults_come_at_their_time() -> None:
    """at 3s garbage 10: ten bytes and a line end, three seconds after power-on; every 2s repeats."""
    desk = Desk(REAL, read_scenario("at 3s garbage 10\nevery 4s drop-reply\n").instructions)
    desk.run(1.4)
    assert desk.lines() == []
    desk.run(0.2)
    assert len("".join(desk.lines()) + desk._text.decode("latin-1")) + desk.printer.report()["bytes_out"] > 10
    assert counts(desk)["garbage"] == 1
    desk.run(3)
    desk.send("G92 E0\n")
    assert desk.lines() == []
    assert counts(desk)["drop-reply"] == 1


def test_slow_replies_take_their_time() -> None:
    """slow 10 B/s: `ok` and its line end take 0.3 s instead of nothing; afterwards it is quick again."""
    desk = Desk(REAL, read_faults("slow-at-line=2:10:5s"))
    desk.ask("G92 E0")
    begun = desk.now
    desk.ask("G92 E1")
    assert desk.now - begun == pytest.approx(0.3, abs=0.01)
    desk.run(6)
    begun = desk.now
    desk.ask("G92 E2")
    assert desk.now == begun


@pytest.mark.parametrize("then", ["keep", "reboot"])
def test_unplugging_loses_bytes_and_comes_back(then: str) -> None:
    """For 2 s nothing gets in or out; then the printer is there, restarted or not."""
    desk = Desk(REAL, read_faults(f"unplug-at-line=2:2s:{then}"))
    desk.ask("G92 E0")
    desk.send("G92 E1\n")
    assert not desk.printer.link_up
    desk.send("G92 E2\n")
    desk.run(1.9)
    assert desk.lines() == []
    desk.run(1.5)
    assert desk.printer.link_up
    assert ("start" in desk.lines()) == (then == "reboot")
    desk.ask("G92 E3")
    assert desk.executed() == ["G92 E0", "G92 E3"]


@pytest.mark.parametrize(
    ("fault", "text"),
    [
        ("heater-lost", "thermal runaway, hotend"),
        ("sensor-open", "MINTEMP"),
        ("sensor-short", "MAXTEMP"),
        ("runaway", "MAXTEMP"),
        ("heater-lost:bed", "thermal runaway, bed"),
    ],
)
def test_thermal_faults_end_in_a_halt_that_says_why(fault: str, text: str) -> None:
    """Each thermal fault is seen by the printer's own guards: reason, halt, heaters off (facts.md 5)."""
    verb, _, heater = fault.partition(":")
    desk = Desk(REAL, read_faults(f"{verb}-at=600s" + (f":{heater}" if heater else "")))
    desk.ask("M190 S60")
    desk.ask("M109 S210")
    assert desk.printer.state == "running"
    desk.lines()
    desk.run(800)
    reasons = [line for line in desk.lines() if line.startswith("Error:")]
    assert text in reasons[0]
    assert desk.printer.state == "halted"
    assert desk.printer.hotend.target_c == desk.printer.bed.target_c == 0
    assert counts(desk)[verb] == 1


def test_a_heater_lost_while_heating_ends_the_wait() -> None:
    """M109 with a dead heater: halt after 20 s of no gain, also with an infinite scale; no ok ever comes."""
    for scale in (1.0, math.inf):
        desk = Desk(dataclasses.replace(REAL, time_scale=scale), read_faults("heater-lost-at-line=1"))
        desk.send("M109 S210\n")
        desk.run(30)
        lines = desk.lines()
        assert any("heating failed" in line for line in lines)
        assert "ok" not in lines


def test_without_guards_a_dead_heater_keeps_the_host_waiting() -> None:
    """With the guards off nothing ends the wait, and an infinite scale does not spin: it waits in the host's time."""
    desk = Desk(dataclasses.replace(FAST, thermal_guards=False), read_faults("heater-lost-at-line=1"))
    desk.send("M109 S210\n")
    desk.run(60)
    assert desk.printer.state == "running"
    assert "ok" not in desk.lines()


def test_a_wait_for_what_can_never_be_does_not_spin() -> None:
    """M109 R below room temperature never ends; the virtual clock still moves on."""
    desk = Desk()
    desk.send("M109 R10\n")
    desk.run(30)
    assert desk.printer.state == "running"


def deposits_of(fault: str) -> Desk:
    desk = Desk(FAST, read_faults(fault))
    for line in ("M302 P1", "G28", "M83", "G1 X10 F6000", "G1 X20 E1", "M400", "G1 X30 E1", "G1 X40 Y5 E1", "M400"):
        desk.ask(line)
    return desk


def test_a_stuck_axis_lays_at_the_wrong_place_unnoticed() -> None:
    """From line 7 on X stays at 20; the printer's own count goes on as planned (open loop)."""
    desk = deposits_of("stuck-axis-at-line=7:X")
    assert [round(one.x1, 3) for one in desk.memory.deposits] == [20, 20, 20]
    assert desk.memory.deposits[-1].y1 == 5
    assert desk.ask("M114")[0].startswith("X:40.00 Y:5.00")


def test_lost_steps_shift_all_that_follows() -> None:
    """shift X 2.5: from there on everything is 2.5 mm off, until homing finds the reference again."""
    desk = deposits_of("shift-at-line=8:X:2.5")
    desk.ask("G28")
    assert desk.printer.machine.actual == [0, 0, 0]
    assert desk.memory.deposits[-1].x1 == pytest.approx(42.5)


def test_a_clog_lays_less_than_was_pushed() -> None:
    """clog 0.25: a quarter comes out; a full clog lays nothing while the axes go on."""
    partly, fully = deposits_of("clog-at-line=5:0.25"), deposits_of("clog-at-line=5")
    assert partly.printer.report()["filament_laid_mm"] == pytest.approx(0.75)
    assert partly.printer.report()["filament_pushed_mm"] == pytest.approx(3.0)
    assert fully.memory.deposits == []
    assert fully.printer.machine.actual[0] == 40


def test_same_seed_same_faults() -> None:
    """Two runs with one seed are alike to the last count; another seed is another run."""
    runs = [streamed("corrupt=0.1,drop=0.1", settings=dataclasses.replace(FAST, seed=seed)) for seed in (3, 3, 4)]
    reports = [desk.printer.report() for desk in runs]
    assert reports[0] == reports[1]
    assert reports[0]["faults"] != reports[2]["faults"]
