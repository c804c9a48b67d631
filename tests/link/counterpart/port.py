"""The line and its answers: a ring that may overflow, command slots, numbers and checksums, and what goes wrong.

Knows a connection and a machine. Mishaps (``--event COUNT:KIND:ARGUMENT``) by kind: ``reset``; ``kill`` with words;
``close`` the connection; ``silent``, ``lost`` (what is said is never heard), ``deaf``, ``half`` (a line in two halves),
``runout`` with seconds; ``say`` with a line. Rules and forms are those of facts.md 1.1 to 1.3.
"""

import argparse
import asyncio
import contextlib
import json
import random
import re
import socket
import time
from collections import deque
from functools import reduce
from operator import xor
from typing import Any

from tests.link.counterpart.machine import Machine

_NUMBER = re.compile(r"N\s*(-?\d+)\s*")
_SETTER = re.compile(r"M110(?:\s+N(-?\d+))?\s*$")
_CHATTER = ("echo:Settings are kept", "echo:SD card released", "// a remark", "echo:")
_REPEATS_KNOWN = 20
"""Lines back that count as there before, where a printer tells them from others (common practice)."""


class Printer:
    """One printer; it outlives its connections, a reset empties it."""

    def __init__(self, chosen: argparse.Namespace) -> None:
        self.chosen = chosen
        self._chance = random.Random(chosen.seed)
        self._record, self._wire = open(chosen.record, "w", 1), open(chosen.wire, "w", 1)  # noqa: SIM115
        self._began = time.monotonic()
        self._writer: asyncio.StreamWriter | None = None
        self._gathered = b""
        self._mishaps = deque(chosen.event)
        self._work: asyncio.Task[None] | None = None
        self._deaf_until = self._silent_until = 0.0
        self._held: list[str] = []
        self._executed = 0
        self._last = chosen.counter
        self._empty()

    def _empty(self) -> None:
        self.machine = Machine(self.chosen, self.say)
        self._ring, self._line, self._ended_by = bytearray(), b"", b"\n"
        self._slots: deque[tuple[int | None, str]] = deque()
        self._halted = False
        self._idle_since = time.monotonic()
        self._wake = asyncio.Event()

    # -- out ------------------------------------------------------------------------------------------------------

    def say(self, line: str) -> None:
        """Send one line, unless a mishap is in the way."""
        if time.monotonic() < self._silent_until:
            self._held.append(line)
        elif line.startswith("ok") and self._chance.random() < self.chosen.lose_ok:
            self._note("x", line)
        else:
            self._note(">", line)
            self._put(line.encode("latin-1") + (b"\r\n" if self.chosen.eol == "crlf" else b"\n"))

    def _put(self, data: bytes) -> None:
        if self._writer is None or self._writer.is_closing():
            return
        if self.chosen.chunk == "gather":
            if not self._gathered:
                asyncio.get_running_loop().call_later(0.01, self._send_gathered)
            self._gathered += data
            return
        if self.chosen.chunk == "byte":
            self._writer.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        size = 1 if self.chosen.chunk == "byte" else len(data)
        for at in range(0, len(data), size):
            self._writer.write(data[at : at + size])

    def _send_gathered(self) -> None:
        if self._writer is not None:
            self._writer.write(self._gathered)
        self._gathered = b""

    def _acknowledge(self, number: int | None) -> None:
        named = number is not None
        match self.chosen.ok:
            case "slots":
                free = self.chosen.planner - len(self.machine.moves), self.chosen.slots - len(self._slots)
                self.say(f"ok{f' N{number}' if named else ''} P{max(0, free[0] - 1)} B{max(0, free[1] - 1)}")
            case "temps":
                self.say(f"ok{f' {number}' if named else ''} {self.machine.temperatures()}")
            case "number" if named:
                self.say(f"ok {number}")
            case "colon" if named:
                self.say(f"ok N:{number}")
            case _:
                self.say("ok")

    def _answer_m105(self) -> None:
        """Temperatures on the acknowledgement, before it or after it; that of an accepted line is out already."""
        form = self.chosen.m105
        if self.chosen.ok_at == "accepted" or form == "ok-after":
            self.say(self.machine.temperatures())
        if self.chosen.ok_at == "executed":
            self.say(f"ok {self.machine.temperatures()}" if form == "ok-first" else "ok")
            if form == "ok-before":
                self.say(self.machine.temperatures())

    def _note(self, way: str, text: str) -> None:
        self._wire.write(f"{time.monotonic() - self._began:9.4f} {way} {text}\n")

    def _keep(self, **row: Any) -> None:
        self._record.write(json.dumps(row) + "\n")

    # -- in -------------------------------------------------------------------------------------------------------

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Be connected; whoever came before is cut off."""
        if self._writer is not None:
            self._writer.close()
        self._writer = writer
        self._note("#", "connected")
        if self.chosen.reset_on_connect or self._work is None:
            self._reset("connect", last=self._last if self._work is None else 0)
        with contextlib.suppress(ConnectionError):
            while data := await reader.read(4096):
                if self.chosen.boot_keeps:
                    await asyncio.sleep(max(0.0, self._deaf_until - time.monotonic()))
                if time.monotonic() >= self._deaf_until:
                    self._take(data)
        self._note("#", "disconnected")
        self._writer = None if self._writer is writer else self._writer
        writer.close()

    def _take(self, data: bytes) -> None:
        size, cut = self.chosen.ring or float("inf"), False
        for byte in data:
            if len(self._ring) >= size:
                self._intake()
            if len(self._ring) < size:
                self._ring.append(byte)
            else:
                cut = True
            if byte in b"\r\n" and self.chosen.emergency:
                self._emergency()
        if cut:
            self._note("#", "ring full, bytes lost")
        self._intake()

    def _emergency(self) -> None:
        line = re.split(rb"[\r\n]", (self._line + bytes(self._ring)).rstrip(b"\r\n"))[-1].decode("latin-1")
        command = _NUMBER.sub("", line).split("*")[0].strip()
        if command == "M112":
            self._kill("M112")
        self.machine.break_wait |= command == "M108"
        if command == "M410":
            self.machine.moves.clear()

    def _intake(self) -> None:
        """Read the ring into a line, and whole lines into command slots, as long as there is a free one."""
        while self._ring and len(self._slots) < self.chosen.slots:
            end = re.search(rb"[\r\n]", self._ring)
            if end is None:
                self._line += self._ring
                self._ring.clear()
                return
            raw, self._line = (self._line + self._ring[: end.start()])[: self.chosen.line_limit], b""
            del self._ring[: end.end()]
            crlf, self._ended_by = (self._ended_by, end[0]) == (b"\r", b"\n"), end[0]
            if not raw.strip():
                if self.chosen.empty == "ok" and not crlf:
                    self._acknowledge(None)
                continue
            if self._chance.random() < self.chosen.corrupt:
                at = self._chance.randrange(len(raw))
                raw = raw[:at] + bytes([raw[at] ^ (1 << self._chance.randrange(5))]) + raw[at + 1 :]
            self._note("<", raw.decode("latin-1"))
            if not self._halted:
                self._accept(raw.decode("latin-1"))

    def _accept(self, line: str) -> None:
        """Check number and checksum, and put the command into a slot."""
        head, star = _NUMBER.match(line), line.rfind("*")
        number = int(head[1]) if head else None
        body = line[head.end() if head else 0 : star if star >= 0 else len(line)].strip()
        if self.chosen.checksum == "unread":
            number, body = None, line.strip()
        elif self.chosen.checksum != "ignored":
            if number is None and (star >= 0 or self.chosen.checksum == "required"):
                return self._refuse("No Line Number with checksum, Last Line: {last}")
            if number is not None and star < 0:
                return self._refuse("No Checksum with line number, Last Line: {last}")
            if number is not None:
                digits = re.match(r"\d+", line[star + 1 :])
                if digits is None or int(digits[0]) != reduce(xor, line[:star].encode("latin-1"), 0):
                    return self._refuse("checksum mismatch, Last Line: {last}")
                setter = _SETTER.match(body) if self.chosen.m110 != "refuse" else None
                if setter and setter[1] and self.chosen.m110 == "param":
                    number = int(setter[1])
                elif setter is None and number != self._last + 1:
                    return self._out_of_turn(number)
                self._last = number
        self._slots.append((number, body))
        if self.chosen.ok_at == "accepted":
            self._acknowledge(number)
        self._wake.set()
        return None

    def _out_of_turn(self, number: int) -> None:
        if self.chosen.duplicate != "resend" and self._last - _REPEATS_KNOWN < number <= self._last:
            for line in (
                [f"skip {number}", "ok"] if self.chosen.duplicate == "skip" else [f"ok duplicate line:{number}"]
            ):
                self.say(line)
        elif self.chosen.lineage == "numbered":
            self._refuse(f"expected line {{next}} got {number}")
        else:
            self._refuse("Line Number is not Last Line Number+1, Last Line: {last}")

    def _refuse(self, why: str) -> None:
        if self.chosen.flush:
            self._ring.clear()
        if self.chosen.error_line:
            self.say("Error:" + why.format(last=self._last, next=self._last + 1))
        self.say(self.chosen.resend.format(self._last + 1))
        if self.chosen.resend_ok:
            self.say("ok")

    # -- work -----------------------------------------------------------------------------------------------------

    async def _run(self) -> None:
        while True:
            self._intake()
            if not self._slots:
                self._wake.clear()
                await self._wake.wait()
                continue
            number, command = self._slots.popleft()
            self._intake()
            if self.chosen.echo:
                self.say(f"echo:{command}")
            asked = command.upper().startswith("M105")
            if asked:
                self._answer_m105()
            elif command.upper() == "M112":
                self._kill("M112")
            else:
                await self.machine.execute(command)
            self._executed += 1
            self._keep(number=number, command=command, seconds=round(time.monotonic() - self._began, 3))
            if self.chosen.ok_at == "executed" and not asked:
                self._acknowledge(number)
            self._idle_since = time.monotonic()
            while self._mishaps and self._mishaps[0].count <= self._executed:
                mishap = self._mishaps.popleft()
                await self._happen(mishap.kind, mishap.argument)
            if self.chosen.chatter and self._executed % self.chosen.chatter == 0:
                self.say(self._chance.choice(_CHATTER))
            await asyncio.sleep(0)

    async def _happen(self, kind: str, argument: str) -> None:
        now, seconds = time.monotonic(), float(argument) if re.fullmatch(r"\d+(\.\d+)?", argument) else 0.0
        self._note("#", f"{kind} {argument}")
        match kind:
            case "reset":
                self._reset("event", last=0)
                await asyncio.sleep(3600)  # this task is canceled
            case "kill":
                self._kill(argument)
            case "close" if self._writer is not None:
                self._writer.close()
            case "silent":
                self._silent_until = now + seconds
                await asyncio.sleep(seconds + 0.01)
                held, self._held = self._held, []
                for line in held:
                    self.say(line)
            case "lost":
                writer, self._writer = self._writer, None
                asyncio.get_running_loop().call_later(seconds, self._heard_again, writer)
            case "deaf":
                self._deaf_until = now + seconds
            case "half":
                self._put(b"echo:half a li")
                await asyncio.sleep(seconds)
                self._put(b"ne\n")
            case "runout":
                self.say("echo:Filament runout detected")
                await self.machine.wait_for_person(seconds)
            case "say":
                self.say(argument)

    def _heard_again(self, writer: asyncio.StreamWriter | None) -> None:
        self._writer = self._writer or writer

    def _kill(self, why: str) -> None:
        """Halt: heaters off, nothing is taken any more until a reset."""
        self.say(f"Error:{why}. Printer halted")
        self._halted = True
        self._slots.clear()
        self.machine.heaters_off()
        self._keep(event="halted", why=why)

    def _reset(self, why: str, *, last: int) -> None:
        if self._work is not None:
            self._work.cancel()
        self._empty()
        self._last = last
        self._keep(event="reset", why=why)
        self._deaf_until = time.monotonic() + self.chosen.boot_s
        loop = asyncio.get_running_loop()
        self._work = loop.create_task(self._run())
        if self.chosen.greet == "connect" or (self.chosen.greet == "reset" and why != "connect"):
            loop.call_later(self.chosen.boot_s, self._greet)

    def _greet(self) -> None:
        for line in ("start", "echo: External Reset", "echo: Free Memory: 3931", "echo:Hardcoded settings loaded"):
            self.say(line)

    async def clock(self) -> None:
        """Send temperature reports and wait lines: they come whatever else goes on."""
        told = waited = time.monotonic()
        while True:
            await asyncio.sleep(0.05)
            now, every_s = time.monotonic(), self.chosen.wait_s
            if self.machine.report_s and now - told >= self.machine.report_s:
                told = now
                self.say(self.machine.temperatures())
            idle = not (self._slots or self._ring or self._halted) and now - self._idle_since >= every_s
            if every_s and idle and now - waited >= every_s:
                waited = now
                self.say("wait")
