"""Decides when which fault happens, damages bytes, and counts what really happened. Seeded; no I/O, no clock.

Refuses to know how the printer carries out a fault: it hands out verbs with their arguments.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from collections.abc import Iterable

from layergate_sim.printer.scenario import Instruction


class _ByteChance:
    """Faults of single bytes at a constant rate, drawn as gaps between them so that clean bytes cost nothing."""

    def __init__(self, rate: float, randomness: random.Random) -> None:
        self._rate = rate
        self._random = randomness
        self._gap = self._draw()

    def _draw(self) -> int:
        if self._rate <= 0:
            return 1 << 60
        if self._rate >= 1:
            return 0
        return int(math.log(1.0 - self._random.random()) / math.log(1.0 - self._rate))

    def hits(self, length: int) -> list[int]:
        """Offsets hit among the next `length` bytes."""
        found = []
        position = self._gap
        while position < length:
            found.append(position)
            position += 1 + self._draw()
        self._gap = position - length
        return found


class Faults:
    """The faults of one printer. `counts` says how many of each have happened."""

    def __init__(self, instructions: Iterable[Instruction], seed: int) -> None:
        self.counts: Counter[str] = Counter()
        self._random = random.Random(seed)
        self._at_line: dict[int, list[Instruction]] = {}
        self._every_lines: list[Instruction] = []
        self._fired: dict[int, int] = {}  # place in _every_lines -> command number at which it happened last
        self._line_rates: list[Instruction] = []
        self._timed: list[tuple[float, Instruction]] = []
        self._bytes: dict[str, list[tuple[str, str, _ByteChance]]] = {"in": [], "out": []}
        for one in instructions:
            if one.verb in ("corrupt-byte", "drop-byte"):
                directions = ("in", "out") if one.arguments[0] == "both" else (one.arguments[0],)
                kind = one.arguments[1] if len(one.arguments) > 1 else ""
                for direction in directions:
                    chance = _ByteChance(one.value, random.Random(self._random.getrandbits(64)))
                    self._bytes[direction].append((one.verb, kind, chance))
            elif one.when == "at-line":
                self._at_line.setdefault(int(one.value), []).append(one)
            elif one.when == "every-lines":
                self._every_lines.append(one)
            elif one.when == "rate":
                self._line_rates.append(one)
            else:
                self._timed.append((one.value, one))
        self.per_line = bool(self._at_line or self._every_lines or self._line_rates)
        self.bytes_in = bool(self._bytes["in"])
        self.bytes_out = bool(self._bytes["out"])

    def for_line(self, number: int) -> list[Instruction]:
        """Faults due as the number-th command (from 1) is about to be accepted. Those tied to a number come once."""
        due = list(self._at_line.pop(number, ()))
        # A line refused comes again with the same number: what is tied to the number has been used up by then.
        for place, one in enumerate(self._every_lines):
            if number % int(one.value) == 0 and self._fired.get(place) != number:
                self._fired[place] = number
                due.append(one)
        due += [one for one in self._line_rates if self._random.random() < one.value]
        return due

    def next_time_s(self) -> float:
        """Host seconds since power-on of the next timed fault; inf when there is none."""
        return min((moment for moment, _ in self._timed), default=math.inf)

    def due(self, since_power_on_s: float) -> list[Instruction]:
        """Timed faults due by now, in order of time; those that repeat are wound on."""
        ready = sorted((pair for pair in self._timed if pair[0] <= since_power_on_s + 1e-9), key=lambda pair: pair[0])
        for pair in ready:
            self._timed.remove(pair)
            if pair[1].when == "every-s":
                skipped = math.floor((since_power_on_s - pair[0]) / pair[1].value) + 1
                self._timed.append((pair[0] + skipped * pair[1].value, pair[1]))
        return [one for _, one in ready]

    def mangle(self, data: bytes, direction: str) -> tuple[bytes, list[int]]:
        """Damage bytes by chance; returns what is left and the offsets in it that were touched."""
        touched: list[int] = []
        out = bytearray(data)
        for verb, kind, chance in self._bytes[direction]:
            hits = chance.hits(len(out))
            for offset in reversed(hits):
                self.counts[f"{verb}-{direction}"] += 1
                if verb == "drop-byte":
                    del out[offset]
                    touched = [place - (place > offset) for place in touched]
                else:
                    out[offset] = self.other_byte(out[offset], kind)
                touched.append(offset)
        return bytes(out), sorted(touched)

    def other_byte(self, byte: int, kind: str = "byte") -> int:
        """A byte that differs: one bit flipped, or any other value."""
        return byte ^ (1 << self._random.randrange(8) if kind == "bit" else self._random.randrange(1, 256))

    def damage_line(self, raw: bytes) -> bytes:
        """One byte of a line becomes another, never a line end (which would be two lines)."""
        place = self._random.randrange(len(raw))
        while True:
            byte = self.other_byte(raw[place])
            if byte not in (0x0A, 0x0D):
                return raw[:place] + bytes([byte]) + raw[place + 1 :]

    def shorten_line(self, raw: bytes) -> bytes:
        """One byte of a line is lost."""
        place = self._random.randrange(len(raw))
        return raw[:place] + raw[place + 1 :]

    def noise(self, count: int) -> bytes:
        """Random bytes."""
        return self._random.randbytes(count)
