"""Printers put together at random from all that the community convention leaves open (facts.md 1.1-1.3): whatever comes
out, a whole job is printed command for command, or the run ends with a clear event in bounded time.

Each seed draws one dialect (`dialect_of`), one wire that cuts replies its own way, and damage that the printer finds in
lines it gets. Forms beyond facts.md are common practice, from memory. More seeds: ``LAYERGATE_EXAMPLES=100``.
"""

import os
import random
from typing import Any

import pytest
from tests.link.odd import Quay, Ways
from tests.link.test_odd_printers import expected, job_of

FACTOR = int(os.environ.get("LAYERGATE_EXAMPLES", "1"))
SEEDS = sorted({*range(60 * FACTOR), 339, 1216, 1166, 1312, 1303, 3727, 6036})
"""By name: 339 and 1216 had the streamer wake again and again at one instant, with a proof due and answers to doubles out;
1166 and 1312 printed a line for each poll, one acknowledgement behind for ever; 1303 had each line that it said back taken
for a damaged answer; 3727 waited a time-out for each line refused as not the one expected; 6036 had the ``ok`` that it says
before a Resend counted as one too many."""

# A short job, so that many printers can print it; it has what is slow: heating, homing, probing a bed, a dwell.
MOVES = b"".join(b"G1 X%.3f Y%.3f E%.5f\n" % (n * 7 % 180, n * 11 % 170, n * 0.031) for n in range(60))
TEXT = b"M140 S60\nM104 S205\nG28 ; home\nG29\nM190 S60\nM109 S205\nG92 E0\n" + MOVES + b"G4 P200\nM106 S255\n" + MOVES

OKS = (
    "ok",
    "OK",
    "Ok",
    "ok ",
    "ok {n}",
    "ok N{n} P15 B3",
    "ok N{n} P0 B1",
    "ok N:{n}",
    "ok P15 B3",
    "ok (queued)",
    "ok T:21.0 /0.0 B:20.5 /0.0",
)
ERRORS = (
    (),
    ("Error:{why}, Last Line: {last}",),
    ("Error: {why}, Last Line: {last}",),
    ("error:{why}, last line: {last}",),
    ("Error:that was no good",),
    ("echo:{why}",),
    ("// {why}",),
    ("Error:expected line {next} got something else",),
    ("!! {why}",),
)
RESENDS = (
    "Resend: {next}",
    "Resend:{next}",
    "rs {next}",
    "rs N{next}",
    "RESEND: {next}",
    "resend {next}",
    "Resend: N{next}",
    "Resend:N{next} E255",
)
TEMPERATURES = (
    ("ok T:21.0 /0.0 B:20.5 /0.0 @:0 B@:0",),
    ("ok T:21.0/0.0 B:20.5/0.0 X:32.00/36.00 A:40.45/0.00 @:0 B@:0 C@:27.65 HBR@:0",),
    ("ok T:27.62 /0 B:31.93 /0 B@:0 @:0",),
    ("ok T:21 B:20",),
    ("ok T0:21.0 /0.0 T1:20.6 /0.0 B:20.5 /0.0 @0:0 @1:0 B@:0",),
    ("T:21.0 /0.0 B:20.5 /0.0 @:0", "{ok}"),
    ("{ok}", "T:21.0 /0.0 B:20.5 /0.0 @:0 B@:0"),
    ("{ok} T:21.0 /0.0 B:20.5 /0.0 @:0 B@:0",),
    ("{ok}",),
)
IDENTITIES = (
    (
        "FIRMWARE_NAME:Mooring 3 SOURCE_CODE_URL:none PROTOCOL_VERSION:1.0",
        "Cap:AUTOREPORT_TEMP:1",
        "Cap:EEPROM:0",
        "{ok}",
    ),
    ("FIRMWARE_NAME: Mooring FIRMWARE_VERSION: 3.5 ELECTRONICS: none", "{ok}"),
    ("ok PROTOCOL_VERSION:0.1 FIRMWARE_NAME:Mooring FIRMWARE_URL:none EXTRUDER_COUNT:1",),
    ("{ok}", "FIRMWARE_NAME:Mooring 3 Cap:EMERGENCY_PARSER:1", "Cap:AUTOREPORT_TEMP:0"),
    ("Mooring board, built in spring", "{ok}"),
    ("{ok}",),
)
UNKNOWN_SAYINGS = (
    ('echo:Unknown command: "{command}"', "{ok}"),
    ("echo:Unknown command: {command}", "{ok}"),
    ('Error:Unknown command: "{command}"', "{ok}"),
    ('// Unknown command:"{command}"', "{ok}"),
    ("{ok}", 'echo:Unknown command: "{command}"'),
    ("unknown command", "{ok}"),
    ("{ok}",),
)
GREETINGS = (
    (),
    ("start",),
    (
        "start",
        "echo:Mooring 3",
        "echo: Last Updated: spring | Author: harbour",
        "",
        "echo:Hardcoded Default Settings",
        "echo:  G21",
        "echo:  M92 X80.00 Y80.00",
        "echo:SD init fail",
    ),
    ("Mooring 3 ready",),
    ("START",),
    ("", "start", ""),
    ("\N{WHITE SMILING FACE} start-up of Mooring", "start"),
)
# "wait" and "busy" are not among these: a printer says them of itself, idle or at work (`waits`, `busy`). One that said
# "busy" whatever it does would have every host wait for it, for ever: facts.md 1.2 has "busy" restart the time-out.
CHATTER = (
    "T:21.0 /0.0 B:20.5 /0.0 @:0",
    "echo:hello",
    "// a remark",
    "Bed is level",
    "",
    "T0:21.0 /0.0 B:20.5 /0.0 @0:0",
    "fan on",
    " T:20.1 /0.0",
    "// action:notification Tide 3.1 m",
    "X:1.00 Y:2.00 Z:3.00 E:0.00 Count X:80 Y:160 Z:1200",
    "[INFO] all is well",
    "echo: ok, so far",
    "0",
)


def dialect_of(chance: random.Random) -> dict[str, Any]:
    """Draw one dialect; what a printer can't have both of is left out."""
    ways: dict[str, Any] = {
        "ok": chance.choice(OKS),
        "line_end": chance.choice((b"\n", b"\r\n", b"\r", b"\n\n", b"\n\r")),
        "greeting": chance.choice(GREETINGS),
        "greets_after_s": chance.choice((0.0, 0.05, 0.4, 1.5)),
        "deaf_s": chance.choice((0.0, 0.0, 0.3, 2.0)),
        "temperature": chance.choice(TEMPERATURES),
        "identity": chance.choice(IDENTITIES),
        "unknown": tuple(code for code in ("M115", "M155", "M400", "M140") if chance.random() < 0.3),
        "says_unknown": chance.choice(UNKNOWN_SAYINGS),
        "ring_bytes": chance.choice((48, 64, 96, 128, 256)),
        "move_s": chance.choice((0.0, 0.002, 0.05, 0.4)),
        "heat_s": chance.choice((0.0, 3.0, 25.0)),
        "slow_s": chance.choice((0.0, 10.0, 45.0)),
        "tells_heat": chance.choice(("T:{c:.1f} E:0 W:?", "T:{c:.1f} /205.0 B:20.0 /60.0 @:127 B@:127 W:5", "")),
        "busy": chance.choice(("", "", "busy: processing", "echo:busy: processing", "echo:busy: heating")),
        "planner_moves": chance.choice((0, 1, 4, 16)),
        "answers_blank": chance.random() < 0.15,
        "strict": chance.random() < 0.8,
        "silent_on_doubles": chance.random() < 0.1,
        "knows_m110": chance.random() < 0.85,
        "echoes": chance.choice(("", "", "", "echo:{command}", "{line}", "> {command}")),
        "waits": chance.choice(("", "", "", "wait")),
        "cut": chance.choice(("whole", "whole", "bytes", "joined")),
    }
    if " B" in ways["ok"]:
        # Free slots say nothing of bytes; where they are all that is known, a host has to take facts.md 1.3 at its word.
        ways["ring_bytes"] = max(64, ways["ring_bytes"])
    if ways["greeting"]:
        ways["deaf_s"] = max(ways["deaf_s"], ways["greets_after_s"])  # a boot word comes before anything is answered
    refusal = (*chance.choice(ERRORS), chance.choice(RESENDS))
    # After the Resend by facts.md 1.2. Before it is against the convention, which says that an ``ok`` accepts: lines count as
    # taken and then are not. It is drawn all the same, as practice that may be met, and is held to the same.
    order = chance.random()
    ways["refusal"] = (*refusal, "{ok}") if order < 0.5 else ("{ok}", *refusal) if order < 0.6 else refusal
    if chance.random() < 0.5:
        ways["chatter"] = tuple(chance.sample(CHATTER, chance.randint(1, 6)))
        ways["chatter_s"] = chance.choice((0.013, 0.11, 0.7, 1.9))
    share = chance.choice((0.0, 0.0, 0.03, 0.15))
    ways["bad_lines"] = frozenset(line for line in range(1, 160) if chance.random() < share)
    return ways


def safely_ended(quay: Quay, ended: dict[str, Any]) -> bool:
    """Whether a run that was not completed ended as it may: aborted, with a reason, nothing printed out of order."""
    job, whole = job_of(quay.printer), expected(TEXT)
    return ended["outcome"] == "aborted" and bool(ended["reason"]) and job == whole[: len(job)]


@pytest.mark.parametrize("seed", SEEDS)
def test_a_job_is_printed_whole_by_any_printer(seed: int) -> None:
    """Command for command and once each; the link needs no more than its time-outs beyond what the printer takes.

    A printer that says ``!!`` of a refused line claims a machine fault (facts.md 1.2): there the run may end instead.
    One that says it of M110 too, which it does not know, has halted by its own word: no host may print on it.
    """
    chance = random.Random(seed)
    ways = Ways(**dialect_of(chance))
    ring = chance.choice((None, None, ways.ring_bytes))
    quay = Quay(ways, TEXT, ring_bytes=ring, block_bytes=600)
    faults = any(line.startswith("!!") for line in ways.refusal)
    if faults and not ways.knows_m110:
        assert quay.until("printer-error", 60)["text"].startswith("!!")
        assert not quay.streamer.ready
        return
    quay.until("link-up", 60)
    quay.streamer.start("run-1", quay.index, quay.now)
    began = quay.now
    ended = quay.until("run-ended", 3000)
    if faults and ended["outcome"] == "aborted":
        assert safely_ended(quay, ended)
        return
    assert ended["outcome"] == "completed", (ended, ways)
    assert job_of(quay.printer) == expected(TEXT)
    least_s = 122 * ways.move_s + 2 * ways.heat_s + 2 * ways.slow_s
    # Where repeated numbers bring nothing, a doubt costs a time-out or two, of up to 10 s each.
    most_s = least_s * 1.15 + 30 + 0.7 * len(ways.bad_lines) + 60 * ways.silent_on_doubles
    assert quay.now - began <= most_s, (quay.now - began, least_s, quay.streamer.status(), ways)
    assert not [text for kind, text in quay.events if kind in ("printer-error", "printer-reset", "link-lost")]
