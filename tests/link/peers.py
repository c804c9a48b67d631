"""Peers for link tests, written to facts.md 1 and apart from the simulated printer.

`Peer` is the printer's side of the line protocol as a plain function of bytes: it accepts a line only if its number is the
last accepted + 1 and its checksum fits, and it keeps what it has executed. `Wire` joins it to a streamer under a virtual
clock, with damage from a seeded generator that counts what it did.
"""

import random
import re
from collections import Counter
from dataclasses import dataclass, field
from heapq import heappop, heappush
from typing import Any

from layergate.jobindex import JobIndex
from layergate.link.streamer import Streamer

_LINE = re.compile(rb"^N(-?\d+) ?([^*]*)\*(\d+)$")
_SENT = re.compile(rb"^N(\d+) ([^\n]*)\*\d+$", re.M)
OURS = re.compile(rb"^(M110 N0|M105|M115|M155 S\d+|M400|M104( T\d)? S0|M140 S0)$")
"""What a link sends on its own account (facts.md 1.3)."""


def xor_by_hand(text: bytes) -> int:
    """The checksum, spelled out: the oracle of the one in the product."""
    total = 0
    for byte in text:
        total ^= byte
    return total


@dataclass
class Peer:
    """A printer's firmware, as far as the line protocol goes. Replies are whole byte strings, in order."""

    ok_after_resend: bool = True
    """One lineage sends ``ok`` right after Resend (facts.md 1.2)."""
    resend_form: str = "Resend: {}"
    ok_form: str = "ok"
    """``{n}`` stands for the number of the line accepted."""
    flush_on_error: bool = False
    """Bytes received so far are thrown away with a bad line."""
    error_lines: bool = True
    says_wait: bool = False
    firmware: str = "FIRMWARE_NAME:Harbour 1.0 SOURCE_CODE_URL:none PROTOCOL_VERSION:1.0"
    capabilities: tuple[str, ...] = ()
    doubled_number_is_ok: bool = False
    executed: list[bytes] = field(default_factory=list)
    last: int = 0
    urgent: list[bytes] = field(default_factory=list)
    mute: bool = False
    numbered_since_sync: list[tuple[int, bytes]] = field(default_factory=list)
    """Numbers and commands accepted since the last M110."""
    bare: int = 0
    """Commands taken without number and checksum."""
    _rest: bytes = b""

    def receive(self, data: bytes) -> list[bytes]:
        """Take bytes; give the replies that follow from them."""
        if self.mute:
            return []
        *lines, self._rest = (self._rest + data).replace(b"\r", b"\n").split(b"\n")
        replies: list[bytes] = []
        for line in lines:
            if not line:
                continue
            before = len(replies)
            self._take(line, replies)
            if self.flush_on_error and any(b"esend" in reply or reply[:2] == b"rs" for reply in replies[before:]):
                self._rest = b""
                break
        return replies

    def _take(self, line: bytes, replies: list[bytes]) -> None:
        if line == b"M112":
            self.urgent.append(line)
            self.mute = True
            return
        if b"*" not in line and not line.startswith(b"N"):
            self.bare += 1
            replies.extend(self._execute(line, None))
            return
        match = _LINE.match(line)
        if not match:
            self._bad("No Checksum with line number" if b"*" not in line else "No Line Number with checksum", replies)
            return
        number, command = int(match[1]), match[2]
        if xor_by_hand(line[: line.rindex(b"*")]) != int(match[3]):
            self._bad("checksum mismatch", replies)
        elif command.startswith(b"M110"):
            self.numbered_since_sync.clear()
            self.last = int(command[6:]) if command[5:6] == b"N" else number
            replies.extend(self._execute(command, number))
        elif number != self.last + 1:
            if self.doubled_number_is_ok and number <= self.last:
                replies.append(b"ok duplicate line:%d\n" % number)
            else:
                self._bad("Line Number is not Last Line Number+1", replies)
        else:
            self.last = number
            self.numbered_since_sync.append((number, command))
            replies.extend(self._execute(command, number))

    def _bad(self, what: str, replies: list[bytes]) -> None:
        if self.error_lines:
            replies.append(f"Error:{what}, Last Line: {self.last}\n".encode())
        replies.append(self.resend_form.format(self.last + 1).encode() + b"\n")
        if self.ok_after_resend:
            replies.append(b"ok\n")

    def _execute(self, command: bytes, number: int | None) -> list[bytes]:
        self.executed.append(command)
        ok = self.ok_form.format(n=number if number is not None else "").strip().encode() + b"\n"
        if command == b"M105":
            return [b"ok T:20.3 /0.0 B:19.2 /0.0 @:0 B@:0\n"]
        if command == b"M115":
            return [self.firmware.encode() + b"\n", *(f"Cap:{cap}\n".encode() for cap in self.capabilities), ok]
        return [ok]

    @property
    def job(self) -> list[bytes]:
        """What was executed of the job: all but what a link sends on its own account."""
        return [command for command in self.executed if not OURS.match(command)]


@dataclass
class Damage:
    """Damage of one direction, per byte and per reply; counts what happened."""

    seed: int = 0
    corrupt: float = 0.0
    lose: float = 0.0
    lose_reply: float = 0.0
    double_reply: float = 0.0
    counts: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self._random = random.Random(self.seed)

    def garble(self, data: bytes) -> bytes:
        """Corrupt and lose bytes."""
        if not (self.corrupt or self.lose):
            return data
        out = bytearray()
        for byte in data:
            chance = self._random.random()
            if chance < self.corrupt:
                self.counts["corrupted"] += 1
                out.append(self._random.randrange(256))
            elif chance < self.corrupt + self.lose:
                self.counts["lost"] += 1
            else:
                out.append(byte)
        return bytes(out)

    def reply(self, reply: bytes) -> list[bytes]:
        """Lose and double whole acknowledgements."""
        if reply.startswith(b"ok"):
            chance = self._random.random()
            if chance < self.lose_reply:
                self.counts["lost acknowledgements"] += 1
                return []
            if chance < self.lose_reply + self.double_reply:
                self.counts["doubled acknowledgements"] += 1
                return [reply, reply]
        return [reply]


class Wire:
    """A streamer and a peer, joined under a virtual clock (seconds)."""

    def __init__(
        self,
        streamer: Streamer,
        peer: Peer,
        *,
        latency_s: float = 0.001,
        up: Damage | None = None,
        down: Damage | None = None,
        execution_s: float = 0.0,
        baud: int = 0,
    ) -> None:
        """Take a baud rate to have bytes take their time each way (8N1); 0: they take none."""
        self.streamer, self.peer = streamer, peer
        self.latency_s, self.execution_s = latency_s, execution_s
        self.up, self.down = up or Damage(), down or Damage()
        self.now = 0.0
        self.events: list[tuple[str, dict[str, Any]]] = []
        self.blocks: list[list[tuple[int, bytes]]] = []
        self.index: JobIndex
        self.sent = bytearray()
        self.streamer_frames: dict[int, bytes] = {}
        """Command sent under each number of this numbering; always the same one."""
        self.longest_silence_s = 0.0
        self._queue: list[tuple[float, int, str, bytes]] = []
        self._order = 0
        self._byte_s = 10 / baud if baud else 0.0
        self._free_at = {"up": 0.0, "down": 0.0}
        self._progress_at = 0.0

    def open(self) -> None:
        """Make the connection."""
        self.streamer.opened(self.now)
        self.settle()

    def say(self, data: bytes) -> None:
        """Let the printer say something on its own account, now."""
        self._push(self.now, "up", data)

    def settle(self) -> None:
        """Carry away what the streamer has for the wire and for its owner."""
        streamer = self.streamer
        while True:
            data = streamer.take_urgent() + streamer.take_output()
            if data:
                self.sent += data
                for number, command in _SENT.findall(data):
                    if command.startswith(b"M110"):
                        self.streamer_frames.clear()
                    elif self.streamer_frames.setdefault(int(number), command) != command:
                        raise AssertionError(f"number {number!r} was used for two commands")
                damaged = self.down.garble(data)
                if damaged:
                    self._push(self.now + self.latency_s, "down", damaged)
            self.events += streamer.take_events()
            block = streamer.wanted_block
            if block is None:
                if not data:
                    return
                continue
            streamer.offer(streamer.run or "", block, self.blocks[block], self.now)

    def step(self) -> bool:
        """Go to the next thing that happens; False when nothing will ever happen again."""
        deadline = self.streamer.deadline()
        if self._queue and (deadline is None or self._queue[0][0] <= deadline):
            at, _, kind, data = heappop(self._queue)
            self.now = max(self.now, at)
            if kind == "down":
                before = len(self.peer.executed)
                at = self.now
                for reply in self.peer.receive(data):
                    at += self.execution_s
                    for sent in self.up.reply(reply):
                        if damaged := self.up.garble(sent):
                            self._push(at + self.latency_s, "up", damaged)
                if len(self.peer.executed) > before:
                    self.longest_silence_s = max(self.longest_silence_s, self.now - self._progress_at)
                    self._progress_at = self.now
            else:
                self.streamer.receive(data, self.now)
        elif deadline is not None:
            self.now = max(self.now, deadline)
            self.streamer.tick(self.now)
        else:
            return False
        self.settle()
        return True

    def run_until(self, kind: str, *, within_s: float = 3600.0, steps: int = 2_000_000) -> dict[str, Any]:
        """Go on until an event of a kind; fail where it does not come within virtual seconds or steps."""
        seen = 0
        limit = self.now + within_s
        for _ in range(steps):
            for found, data in self.events[seen:]:
                if found == kind:
                    del self.events[: seen + 1]
                    return data
                seen += 1
            if not self.step() or self.now > limit:
                break
        raise AssertionError(f"no {kind!r} within {within_s} s; now {self.now:.3f}; events: {self.events[-8:]}")

    def run_for(self, seconds: float) -> None:
        """Let virtual time pass."""
        until = self.now + seconds
        while True:
            deadline = self.streamer.deadline()
            times = [time for time in (deadline, self._queue[0][0] if self._queue else None) if time is not None]
            if not times or min(times) > until:
                self.now = until
                return
            self.step()

    def _push(self, at: float, kind: str, data: bytes) -> None:
        self._order += 1
        if self._byte_s:
            start = max(at - self.latency_s, self._free_at[kind])
            self._free_at[kind] = start + len(data) * self._byte_s
            at = self._free_at[kind] + self.latency_s
        heappush(self._queue, (at, self._order, kind, data))
