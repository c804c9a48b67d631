"""A desk for tests: a simulated printer, a virtual clock, and a plain host that gets a job through a bad line.

Knows the public convention (facts.md 1) and nothing of the daemon. Nothing here sleeps.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from functools import reduce
from operator import xor

from layergate_sim.printer import Instruction, MemoryRecords, PrinterSettings, SimulatedPrinter

FAST = PrinterSettings(time_scale=math.inf)


def frame(number: int, payload: str) -> bytes:
    """`N.. payload*checksum` and a line end; the checksum by a plain loop, as the public convention says it."""
    body = f"N{number} {payload}".encode("latin-1")
    return body + b"*%d\n" % reduce(xor, body)


class Desk:
    """One printer and one clock that starts at 100 s (so that nothing relies on zero)."""

    def __init__(self, settings: PrinterSettings = FAST, faults: Iterable[Instruction] = ()) -> None:
        self.memory = MemoryRecords()
        self.printer = SimulatedPrinter(settings, faults=faults, records=self.memory)
        self.now = 100.0
        self._text = b""
        self.printer.poll(self.now)
        self.run(1.5 if not settings.instant else 0.0)
        self.greeting = self.lines()

    def run(self, seconds: float) -> None:
        """Let this much host time pass, waking whenever the printer wants it."""
        end = self.now + seconds
        while True:
            self._text += self.printer.poll(self.now)
            wakeup = self.printer.next_wakeup_s()
            if wakeup is None or wakeup > end:
                break
            self.now = max(self.now, wakeup)
        self.now = end
        self._text += self.printer.poll(self.now)

    def send(self, data: bytes | str) -> None:
        """Bytes, now."""
        self.printer.receive(data.encode("latin-1") if isinstance(data, str) else data, self.now)
        self._text += self.printer.poll(self.now)

    def lines(self) -> list[str]:
        """Complete reply lines since the last call."""
        *whole, self._text = self._text.split(b"\n")
        return [line.decode("latin-1") for line in whole]

    def line(self, limit_s: float) -> str | None:
        """The next reply line, waiting at most so long; None when none came."""
        end = self.now + limit_s
        while b"\n" not in self._text:
            wakeup = self.printer.next_wakeup_s()
            if wakeup is None or wakeup > end:
                self.now = end
                self._text += self.printer.poll(self.now)
                if b"\n" not in self._text:
                    return None
                break
            self.now = max(self.now, wakeup)
            self._text += self.printer.poll(self.now)
        line, self._text = self._text.split(b"\n", 1)
        return line.decode("latin-1")

    def ask(self, payload: str, limit_s: float = 1000.0) -> list[str]:
        """Send one line without framing, return every reply line up to its acknowledgement."""
        self.send(payload + "\n")
        replies: list[str] = []
        while not replies or not replies[-1].startswith("ok"):
            line = self.line(limit_s)
            assert line is not None, f"no acknowledgement of {payload!r} within {limit_s} s, only {replies}"
            replies.append(line)
        return replies

    def executed(self) -> list[str]:
        """Executed commands, M110 left out (line numbers are the host's own business)."""
        commands = [payload.decode("latin-1") for payload in self.memory.commands]
        return [command for command in commands if not command.startswith("M110")]


def stream(desk: Desk, job: Sequence[str], *, patience_s: float = 2.0, attempts: int = 100_000) -> int:
    """Get a job through, one line outstanding, resending by number; returns the number of lines sent.

    A line that may have been lost is sent again under its own number: the printer then either takes it, or wants the
    next one, which acknowledges it. The job ends with M400 so that a forged acknowledgement can't hide a lost last line.
    """
    lines = ["M110 N0", *job, "M400", "M400"]
    at = sent = 0
    while at < len(lines):
        sent += 1
        assert sent < attempts, f"no progress at line {at} of {len(lines)}"
        desk.send(b"\n" + frame(at, lines[at]))
        wanted: int | None = None
        while True:
            line = desk.line(patience_s)
            if line is None:
                break
            if line == "wait":  # it has nothing to do, so the line or its acknowledgement was lost
                break
            resend = re.match(r"(?:Resend: ?|rs )(\d+)$", line)
            if resend:
                wanted = int(resend[1])
                if desk.printer.settings.lineage == "numbered":  # nothing follows
                    break
            acknowledged = re.match(r"ok(?: (\d+))?$", line)
            if acknowledged and (acknowledged[1] is None or int(acknowledged[1]) == at):
                if wanted is None:
                    at += 1
                break
        # A doubled acknowledgement puts us a little ahead; anything farther off is a damaged number.
        if wanted is not None and max(0, at - 5) <= wanted <= at + 1:
            at = wanted
    return sent
