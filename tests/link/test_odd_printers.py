"""The link prints on printers that do legally what ours does not (facts.md 1.1-1.3), each by a peer written apart.

Forms that facts.md does not list are common practice, from memory: upper case, ``ok`` that carries position or identity,
reasons given after a Resend, an unknown command called an error.
"""

import asyncio
from pathlib import Path
from typing import Any

import pytest
from tests.link.hosts import link_process
from tests.link.jobs import commands_of, write_job
from tests.link.odd import Odd, Quay, Ways
from tests.link.peers import OURS

from layergate.link.limits import Limits
from layergate.link.settings import Settings

MOVES = b"".join(b"G1 X%.3f Y%.3f E%.5f\n" % (n * 7 % 180, n * 11 % 170, n * 0.031) for n in range(700))
TEXT = b"; drawer pull\nM140 S60\nM104 S205\nG28 ; home\nM190 S60\nM109 S205\nG92 E0\n" + MOVES + b"M104 S0\nM140 S0\n"
BAD = frozenset({3, 4, 9, 40, 41, 42, 43, 200, 333, 501, 650, 705, 706, 707, 708, 709, 710})

WAYS: dict[str, dict[str, Any]] = {
    "says nothing when connected, knows neither M115 nor M155": {},
    "no M400 either": {"unknown": ("M115", "M155", "M400")},
    "no M400, and does not say what it is that it does not know": {
        "unknown": ("M115", "M155", "M400"),
        "says_unknown": ("echo:Unknown command", "{ok}"),
    },
    "calls an unknown command an error": {
        "unknown": ("M115", "M155", "M400"),
        "says_unknown": ('Error:Unknown command: "{command}"', "{ok}"),
    },
    "knows neither dwell nor M400": {"unknown": ("M115", "M155", "M400", "G4")},
    "greets at once, with a report": {
        "greeting": ("start", "echo:Mooring 3", "echo: Free Memory: 1200", "echo:M92 X80")
    },
    "greets late, deaf until then": {"greeting": ("start",), "greets_after_s": 6.0, "deaf_s": 6.0},
    "wakes late without a word": {"deaf_s": 11.0},
    "greets in capitals": {"greeting": ("Start",), "greets_after_s": 0.2},
    "CR LF": {"line_end": b"\r\n", "greeting": ("start",)},
    "CR": {"line_end": b"\r"},
    "LF CR": {"line_end": b"\n\r"},
    "OK": {"ok": "OK"},
    "ok and counts": {"ok": "ok P15 B3"},
    "ok and number": {"ok": "ok {n}"},
    "ok, number and counts": {"ok": "ok N{n} P15 B3"},
    "ok, always with temperatures": {"ok": "ok T:21.0 /0.0 B:20.5 /0.0"},
    "ok and text": {"ok": "ok (queued)"},
    "ok and a blank": {"ok": "ok "},
    "temperatures on a line of their own, before": {"temperature": ("T:21.0 /0.0 B:20.5 /0.0 @:0", "{ok}")},
    "temperatures on a line of their own, after": {"temperature": ("{ok}", " T:21.0 /0.0 B:20.5 /0.0 @:0")},
    "several tools": {"temperature": ("ok T:21.0 /0.0 B:20.5 /0.0 T0:21.0 /0.0 T1:20.6 /0.0 @:0 B@:0",)},
    "identity on the acknowledgement": {
        "unknown": (),
        "identity": ("ok PROTOCOL_VERSION:0.1 FIRMWARE_NAME:Mooring FIRMWARE_URL:none EXTRUDER_COUNT:1",),
    },
    "identity after the acknowledgement": {
        "unknown": (),
        "identity": ("{ok}", "FIRMWARE_NAME:Mooring 3", "Cap:EEPROM:1"),
    },
    "Resend, no ok": {"refusal": ("Error:{why}, Last Line: {last}", "Resend: {next}"), "bad_lines": BAD},
    "Resend and ok": {"bad_lines": BAD},
    "Resend without a blank": {"refusal": ("Resend:{next}", "ok"), "bad_lines": BAD},
    "resend in small letters": {"refusal": ("resend:{next}",), "bad_lines": BAD},
    "rs": {"refusal": ("rs {next}",), "bad_lines": BAD},
    "rs N and a reason": {"refusal": ("rs N{next} (checksum)", "ok"), "bad_lines": BAD},
    "ok before the Resend": {"refusal": ("ok", "Resend: {next}"), "bad_lines": BAD},
    "ok between error and Resend": {
        "refusal": ("Error:{why}, Last Line: {last}", "ok", "Resend: {next}"),
        "bad_lines": BAD,
    },
    "the reason after the Resend": {"refusal": ("Resend: {next}", "Error:that was no good", "ok"), "bad_lines": BAD},
    "an error in other words": {"refusal": ("Error: bad checksum in line", "Resend: {next}"), "bad_lines": BAD},
    "an unknown error before the Resend": {"refusal": ("Error:pardon?", "Resend: {next}"), "bad_lines": BAD},
    "chatters": {
        "chatter": (
            "T:21.0 /0.0 B:20.5 /0.0 @:0",
            "echo:hello",
            "// a remark",
            "wait",
            "Bed is level",
            "echo:busy: processing",
        ),
        "chatter_s": 0.013,
    },
    "chatters, and refuses": {
        "chatter": ("T:21.0 /0.0 B:20.5 /0.0 @:0", "wait", "Tide 3.1 m"),
        "chatter_s": 0.013,
        "bad_lines": BAD,
    },
    "heats for minutes and says so": {"heat_s": 240.0},
    "heats for minutes with signs of life": {"heat_s": 240.0, "tells_heat": "", "busy": "busy: processing"},
    "heats for minutes in silence": {"heat_s": 400.0, "tells_heat": ""},
    "heats and says ok T: meanwhile": {"heat_s": 60.0, "tells_heat": "T:{c:.1f} /205.0 B:20.0 /60.0 @:127 B@:127 W:5"},
    "slow, with a tiny ring": {"ring_bytes": 48, "move_s": 0.4},
    "very slow, with a small ring": {"ring_bytes": 64, "move_s": 3.0},
    "slow, and gives one reason for all": {
        "refusal": ("Error:checksum mismatch, Last Line: {last}", "Resend: {next}", "ok"),
        "ring_bytes": 64,
        "move_s": 3.0,
        "bad_lines": BAD,
    },
    "small ring, refuses": {"ring_bytes": 48, "move_s": 0.05, "bad_lines": BAD},
    "answers empty lines": {"answers_blank": True, "deaf_s": 5.0},
    "takes bare lines": {"strict": False},
    "does not know M110": {"knows_m110": False},
    "does not know M110, sends no ok after Resend, refuses": {
        "knows_m110": False,
        "refusal": ("Error:{why}, Last Line: {last}", "Resend: {next}"),
        "bad_lines": BAD,
    },
}


def job_of(printer: Odd) -> list[str]:
    return [command for command in printer.executed if not OURS.match(command.encode()) and command != "G4 P1"]


def expected(text: bytes = TEXT) -> list[str]:
    return [command.decode() for command in commands_of(text) if not OURS.match(command)]


@pytest.mark.parametrize("window", [None, 60], ids=["ping-pong", "ring-60"])
@pytest.mark.parametrize("name", WAYS)
def test_a_job_is_executed_whole_and_in_order(name: str, window: int | None) -> None:
    """Whatever the printer's ways are: link-up, the whole payload once each in order, completed."""
    ways = Ways(**WAYS[name])
    if window is not None and ways.ring_bytes < window:
        pytest.skip("the ring stated must be the printer's")
    quay = Quay(ways, TEXT, ring_bytes=window)
    up = quay.until("link-up", 60)
    if "identity" in name:
        assert up["firmware"].startswith("Mooring")
    quay.streamer.start("run-1", quay.index, quay.now)
    began = quay.now
    ended = quay.until("run-ended", 4000)
    assert ended["outcome"] == "completed", ended
    assert job_of(quay.printer) == expected()
    # Some lines under way behind a bad one are refused with it, and a probe may be; but refusals don't breed.
    syncs = 0 if ways.knows_m110 else 2 * (Limits().sync_refusals + 1)
    assert len(ways.bad_lines) <= quay.printer.refused <= len(ways.bad_lines) + 15 + syncs
    least_s = 701 * ways.move_s + 2 * ways.heat_s
    assert quay.now - began <= least_s * 1.15 + 25, "pauses that the printer did not make"
    assert not [text for kind, text in quay.events if kind in ("printer-error", "printer-reset", "link-lost")]


@pytest.mark.parametrize(
    "answer",
    [
        ("X:1.00 Y:2.00 Z:3.00 E:0.00 Count X:80 Y:160 Z:1200", "{ok}"),
        ("{ok}", "X:1.00 Y:2.00 Z:3.00 E:0.00 Count X:80 Y:160 Z:1200"),
        ("ok C: X:1.00 Y:2.00 Z:3.00 E:0.00",),
        ("X:1.00 Y:2.00 Z:3.00", "{ok}"),
    ],
)
def test_positions_are_read_in_every_form(answer: tuple[str, ...]) -> None:
    """The witness gets its answer, and an acknowledgement that carries a position is none of temperatures."""
    quay = Quay(Ways(position=answer), TEXT, settings=Settings(position_witness=True))
    quay.until("link-up", 30)
    quay.streamer.start("run-1", quay.index, quay.now)
    position = quay.until("position", 600)
    assert position["reported_mm"][:3] == [1.0, 2.0, 3.0]
    assert quay.until("run-ended", 600)["outcome"] == "completed"
    assert [line for line in job_of(quay.printer) if line != "M114"] == expected()


class Closing(asyncio.Protocol):
    """A printer on a TCP port that cuts the connection when it restarts, and numbers anew for the next."""

    def __init__(self, ways: Ways, reset_at: int, lives: list[Odd]) -> None:
        self._ways, self._reset_at, self._lives = ways, reset_at, lives

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._printer = Odd(self._ways)
        self._lives.append(self._printer)
        loop = asyncio.get_running_loop()
        self._printer.later = lambda seconds, do: self._alive(loop, seconds, do)
        self._printer.say = transport.write
        self._printer.connected()

    def _alive(self, loop: asyncio.AbstractEventLoop, seconds: float, do: Any) -> None:
        loop.call_later(seconds, lambda: None if self._transport.is_closing() else do())

    def data_received(self, data: bytes) -> None:
        self._printer.hear(data)
        if len(self._lives) == 1 and len(self._printer.executed) >= self._reset_at:
            self._transport.abort()


async def test_a_printer_that_closes_the_connection_at_its_reset(tmp_path: Path) -> None:
    """The run is aborted as lost, the link comes back by itself, switches heaters off and prints nothing more of it."""
    lives: list[Odd] = []
    server = await asyncio.get_running_loop().create_server(
        lambda: Closing(Ways(strict=True, line_end=b"\r\n", unknown=("M115", "M155", "M400")), 200, lives),
        "127.0.0.1",
        0,
    )
    device = f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}"
    async with server, link_process(tmp_path, device) as link:
        await link.event("link-up")
        await link.client.start("run-1", *write_job(tmp_path, TEXT))
        await link.event("link-lost")
        ended = (await link.event("run-ended")).data
        assert ended["outcome"] == "aborted"
        assert "link lost" in ended["reason"]
        await link.event("link-up")
        first, second = lives[0], lives[1]
        assert job_of(first) == expected()[: len(job_of(first))]
        assert job_of(second) == []
        assert {"M104 S0", "M140 S0"} <= set(second.executed)
        await link.client.start("run-2", *write_job(tmp_path, TEXT))
        assert (await link.event("run-ended")).data["outcome"] == "completed"
        assert job_of(second) == expected()
