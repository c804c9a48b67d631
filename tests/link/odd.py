"""Printers that keep to the community convention (facts.md 1) each in a way of its own, and a virtual wire to them.

Written apart from peers.py and from the simulated printer, so that a habit common to those can't hide a mistake. One
`Odd` is one printer: what it says when is set by its `Ways`. It has a small ring that drops what does not fit, takes one
command at a time, and needs its time for each.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import reduce
from heapq import heappop, heappush
from itertools import count
from operator import xor
from typing import Any

from tests.link.jobs import blocks_of, index_of

from layergate.link.limits import Limits
from layergate.link.protocol import LineProtocol
from layergate.link.settings import Settings
from layergate.link.streamer import Streamer

Reply = Callable[[int | None], str]


@dataclass(frozen=True, kw_only=True)
class Ways:
    """How one printer does what the convention leaves open. Times in s."""

    greeting: tuple[str, ...] = ()
    """Said once, ``greets_after_s`` the connection; empty: it says nothing."""
    greets_after_s: float = 0.0
    deaf_s: float = 0.0
    """Bytes within this after the connection stay in its ring unread."""
    line_end: bytes = b"\n"
    ok: str = "ok"
    """``{n}`` stands for the number of the line."""
    refusal: tuple[str, ...] = ("Error:{why}, Last Line: {last}", "Resend: {next}", "ok")
    """``{why}``: the reason in the usual words; ``{last}`` and ``{next}``: the last line accepted and the one after."""
    temperature: tuple[str, ...] = ("ok T:21.0 /0.0 B:20.5 /0.0 @:0 B@:0",)
    position: tuple[str, ...] = ("X:1.00 Y:2.00 Z:3.00 E:0.00 Count X:80 Y:160 Z:1200", "{ok}")
    identity: tuple[str, ...] = ("FIRMWARE_NAME:Mooring 3 PROTOCOL_VERSION:1.0", "Cap:AUTOREPORT_TEMP:0", "{ok}")
    unknown: tuple[str, ...] = ("M115", "M155")
    """Commands that it has never heard of."""
    says_unknown: tuple[str, ...] = ('echo:Unknown command: "{command}"', "{ok}")
    ring_bytes: int = 128
    move_s: float = 0.002
    heat_s: float = 0.0
    tells_heat: str = "T:{c:.1f} E:0 W:?"
    """Said once a second while it heats; empty: nothing."""
    busy: str = ""
    """Said every 2 s while a command goes on."""
    chatter: tuple[str, ...] = ()
    """Said in turn, ``chatter_s`` apart, whatever goes on."""
    chatter_s: float = 0.7
    waits: str = ""
    """Said once a second while it has nothing to do and nothing in its ring."""
    bad_lines: frozenset[int] = frozenset()
    """Lines that arrive damaged the first time, by number."""
    answers_blank: bool = False
    strict: bool = True
    """Refuses lines without number and checksum."""
    slow_s: float = 0.0
    """What homing and probing (G28, G29) take."""
    planner_moves: int = 0
    """Moves that it queues: one is acknowledged as soon as there is room for it. 0: when it is done."""
    silent_on_doubles: bool = False
    """Drops lines that it has had already without a word."""
    echoes: str = ""
    """Said of every line before anything else; ``{command}``, ``{line}`` (whole, as it came)."""
    knows_m110: bool = True
    """Else M110 is a line like any other: refused unless its number is the next."""
    cut: str = "whole"
    """How the wire cuts what it says: ``whole``, ``bytes`` (one by one), ``joined`` (as much as comes within 2 ms)."""


@dataclass
class Odd:
    """One printer; `job` is what it executed of a job."""

    ways: Ways
    executed: list[str] = field(default_factory=list)
    accepted: int = 0
    overrun: int = 0
    refused: int = 0
    say: Callable[[bytes], None] = lambda _: None
    later: Callable[[float, Callable[[], None]], None] = lambda _, __: None
    _ring: bytearray = field(default_factory=bytearray)
    _line: str = ""
    _working: bool = False
    _hurt: set[int] = field(default_factory=set)
    _queued: int = 0
    _when_room: Callable[[], None] | None = None
    _when_empty: Callable[[], None] | None = None

    def connected(self) -> None:
        """Begin to live."""
        ways = self.ways
        self._working = ways.deaf_s > 0
        if ways.deaf_s:
            self.later(ways.deaf_s, self._free)
        if ways.greeting:
            self.later(ways.greets_after_s, lambda: self._tell(*ways.greeting))
        if ways.chatter:
            self.later(ways.chatter_s, lambda: self._chat(0))
        if ways.waits:
            self.later(1.0, self._wait)

    def hear(self, data: bytes) -> None:
        """Take bytes into the ring; what does not fit is gone."""
        room = max(0, self.ways.ring_bytes - len(self._ring))
        self._ring += data[:room]
        self.overrun += len(data) - len(data[:room])
        self._read()

    def _tell(self, *lines: str) -> None:
        self.say(b"".join(line.encode() + self.ways.line_end for line in lines))

    def _chat(self, turn: int) -> None:
        self._tell(self.ways.chatter[turn % len(self.ways.chatter)])
        self.later(self.ways.chatter_s, lambda: self._chat(turn + 1))

    def _wait(self) -> None:
        if not (self._working or self._ring or self._queued):
            self._tell(self.ways.waits)
        self.later(1.0, self._wait)

    def _free(self) -> None:
        self._working = False
        self._read()

    def _read(self) -> None:
        while not self._working and self._ring:
            byte = self._ring.pop(0)
            if byte != 10:
                self._line += chr(byte)
                continue
            line, self._line = self._line, ""
            if line:
                self._take(line)
            elif self.ways.answers_blank:
                self._tell(self._ok(None))

    def _take(self, line: str) -> None:
        if self.ways.echoes:
            self._tell(self.ways.echoes.format(line=line, command=line.partition("*")[0].partition(" ")[2] or line))
        if line[0] != "N":
            if not self.ways.strict:
                self._begin(line, None)
            else:
                self._refuse("No Line Number with checksum")
            return
        covered, _, checksum = line.rpartition("*")
        word, _, command = covered.partition(" ")
        if not (word[1:].isdigit() and checksum.isdigit()):
            self._refuse("checksum mismatch")  # two lines run together, in a ring that was full
            return
        number = int(word[1:])
        hurt = number in self.ways.bad_lines and number not in self._hurt
        self._hurt.add(number)
        if hurt or reduce(xor, covered.encode(), 0) != int(checksum):
            self._refuse("checksum mismatch")
        elif command.startswith("M110") and self.ways.knows_m110:
            self.accepted = int(command.partition("N")[2] or number)
            self._tell(self._ok(number))
        elif number <= self.accepted and self.ways.silent_on_doubles:
            return
        elif number != self.accepted + 1:
            self._refuse("Line Number is not Last Line Number+1")
        else:
            self.accepted = number
            self._begin(command, number)

    def _refuse(self, why: str) -> None:
        self.refused += 1
        given = {"why": why, "last": self.accepted, "next": self.accepted + 1, "ok": self._ok(None)}
        self._tell(*(form.format(**given) for form in self.ways.refusal))

    def _ok(self, number: int | None) -> str:
        return self.ways.ok.format(n=number if number is not None else "").rstrip()

    def _begin(self, command: str, number: int | None) -> None:
        ways, code = self.ways, command.split(" ", maxsplit=1)[0]
        self.executed.append(command)
        self._working = True
        ok = self._ok(number)
        takes = ways.heat_s if code in ("M109", "M190") else 0.0 if code[0] == "M" else ways.move_s
        if code in ("G28", "G29"):
            takes = ways.slow_s
        forms: tuple[str, ...] = ("{ok}",)
        if code in ways.unknown:
            forms = ways.says_unknown
        elif code in ("M105", "M114", "M115"):
            forms = {"M105": ways.temperature, "M114": ways.position, "M115": ways.identity}[code]
        ended = [False]

        def sign(every: float, text: str, at: float) -> None:
            if not ended[0]:
                self._tell(text.format(c=20 + at))
                self.later(every, lambda: sign(every, text, at + every))

        def end() -> None:
            ended[0] = True
            self._tell(*(form.format(ok=ok, command=command) for form in forms))
            self._free()

        if ways.tells_heat and code in ("M109", "M190"):
            self.later(1.0, lambda: sign(1.0, ways.tells_heat, 1.0))
        if ways.busy:
            self.later(2.0, lambda: sign(2.0, ways.busy, 2.0))
        if ways.planner_moves and code in ("G0", "G1"):
            self._queue_move(end)
        elif self._queued and code in ("G4", "G28", "G29", "M400"):
            self._when_empty = lambda: self.later(takes, end)
        else:
            self.later(takes, end)

    def _queue_move(self, accepted: Callable[[], None]) -> None:
        self._queued += 1
        if self._queued == 1:
            self.later(self.ways.move_s, self._move_done)
        if self._queued <= self.ways.planner_moves:
            self.later(0.0, accepted)
        else:
            self._when_room = accepted

    def _move_done(self) -> None:
        self._queued -= 1
        if self._queued:
            self.later(self.ways.move_s, self._move_done)
        if (accepted := self._when_room) is not None:
            self._when_room = None
            accepted()
        if not self._queued and (emptied := self._when_empty) is not None:
            self._when_empty = None
            emptied()


class Quay:
    """A streamer and an odd printer, moored together under a virtual clock."""

    def __init__(
        self,
        ways: Ways,
        text: bytes,
        *,
        settings: Settings | None = None,
        ring_bytes: int | None = None,
        block_bytes: int = 4096,
    ) -> None:
        self.now = 0.0
        self.events: list[tuple[str, dict[str, Any]]] = []
        # What the command line makes of socket:// devices (link/__main__.py).
        self.streamer = Streamer(LineProtocol(ring_bytes=ring_bytes, limits=Limits(boot_s=0.5)), settings)
        self.printer = Odd(ways)
        self.index = index_of(text, block_bytes=block_bytes)
        self._blocks = blocks_of(text, self.index)
        self._heap: list[tuple[float, int, Callable[[], None]]] = []
        self._order = count()
        self.printer.later = self.later
        self.printer.say = {"whole": self._whole, "bytes": self._bytes, "joined": self._joined}[ways.cut]
        self._said = b""
        self._free_at = 0.0
        self.streamer.opened(0.0)
        self.printer.connected()
        self._carry()

    def later(self, seconds: float, do: Callable[[], None]) -> None:
        """Do something so much later."""
        heappush(self._heap, (self.now + seconds, next(self._order), do))

    def _whole(self, data: bytes) -> None:
        self.later(0.0003, lambda: self.streamer.receive(data, self.now))

    def _bytes(self, data: bytes) -> None:
        for byte in data:
            self._free_at = max(self._free_at, self.now) + 0.0001
            self.later(self._free_at - self.now, lambda byte=byte: self.streamer.receive(bytes([byte]), self.now))  # type: ignore[misc]  # bound now

    def _joined(self, data: bytes) -> None:
        if not self._said:
            self.later(0.002, self._flush)
        self._said += data

    def _flush(self) -> None:
        said, self._said = self._said, b""
        self.streamer.receive(said, self.now)

    def _carry(self) -> None:
        streamer = self.streamer
        while True:
            data = streamer.take_urgent() + streamer.take_output()
            if data:
                self.later(0.0003, lambda data=data: self.printer.hear(data))  # type: ignore[misc]  # bound now
            self.events += streamer.take_events()
            if (block := streamer.wanted_block) is not None:
                streamer.offer(streamer.run or "", block, self._blocks[block], self.now)
            elif not data:
                return

    def until(self, kind: str, within_s: float) -> dict[str, Any]:
        """Go on until an event of a kind, at most so many virtual seconds; AssertionError where it does not come."""
        limit = self.now + within_s
        while True:
            for place, (found, data) in enumerate(self.events):
                if found == kind:
                    del self.events[: place + 1]
                    return data
            deadline = self.streamer.deadline()
            if deadline is not None and (not self._heap or deadline < self._heap[0][0]):
                self.now = max(self.now, deadline)
                self.streamer.tick(self.now)
            elif self._heap:
                self.now, _, do = heappop(self._heap)
                do()
            else:
                break
            self._carry()
            if self.now > limit:
                break
        raise AssertionError(f"no {kind!r} within {within_s} s; {self.streamer.status()}; last {self.events[-5:]}")
