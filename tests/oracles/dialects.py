"""Writes a plate as a job in one of very many manners of the community G-code convention, drawn at random. Reads nothing.

Commands and their meanings: facts.md 1.4 (table), 2.3 (arcs), 2.4 (G92, units). Keeps its own account of what it asked for:
filament, volume and the layer of every line, so that a reader can be held against it.
"""

import math
from random import Random
from typing import Any

import numpy as np
from tests.oracles.arc_fit import fitted
from tests.oracles.manners import Manner
from tests.oracles.pathmaker import Bead, Layer
from tests.oracles.plates import Plate


class Writer:
    """Text of one plate. `spots` holds, for each line of `lines`, the layer's index (-1 before, -2 after) and what it does."""

    def __init__(self, plate: Plate, manner: Manner, r: Random, bed: tuple[float, float, float, float]) -> None:
        self.plate, self.m, self.r, self.bed = plate, manner, r, bed
        self.lines: list[str] = []
        self.spots: list[tuple[int, str]] = []
        self.layer = -1
        self.unit = 25.4 if manner.inches else 1.0
        self.per_mm3 = 1.0 if manner.volumetric else 4 / (math.pi * manner.diameter**2)
        self.at = {"X": 0.0, "Y": 0.0, "Z": 0.0}
        self.written = {"X": 0.0, "Y": 0.0, "Z": 0.0}  # as the printer has them after rounding (relative moves add up)
        self.e, self.e_sent, self.feed, self.tool = 0.0, 0.0, -1.0, 0
        self.retracted = False
        self.filament_mm = 0.0  # of beads and primes before them, net of retractions
        self.last: Any = None

    def text(self) -> bytes:
        """The whole job."""
        self._start()
        for number, layer in enumerate(self.plate.layers):
            self.layer = number
            self._one_layer(number, layer)
        self.layer = -2
        self._end()
        lines = self.lines
        if self.m.numbered:
            lines = framed(lines)
        return (self.m.newline.join(lines) + self.m.newline).encode()

    def put(self, line: str, what: str = "other") -> None:
        for piece in line.split("\n"):
            self.lines.append(piece)
            self.spots.append((self.layer, what))

    def number(self, value: float, decimals: int) -> str:
        text = f"{value:.{decimals}f}"
        if float(text) == 0:
            text = text.lstrip("-")
        if self.m.strip_zeros and "." in text:
            text = text.rstrip("0").rstrip(".")
        if self.m.bare_point and text.startswith(("0.", "-0.")):
            text = text.replace("0.", ".", 1)
        return text

    def move(
        self, code: str, what: str, words: dict[str, float], push: float = 0.0, feed: float = 0.0, extra: str = ""
    ) -> None:
        """One move. `push` in E units of the job, `feed` in mm/s; X, Y, Z always absolute here."""
        said: dict[str, str] = {}
        for axis, target in words.items():
            value = target / self.unit
            if self.m.xyz_relative:
                text = self.number(value - self.written[axis], self.m.decimals)
                self.written[axis] += float(text)
            else:
                text = self.number(value, self.m.decimals)
                self.written[axis] = float(text)
            said[axis] = text
            self.at[axis] = target
        if push:
            self.e += push / self.unit
            if self.m.e_absolute:
                said["E"] = self.number(self.e, self.m.e_decimals)
            else:
                said["E"] = self.number(self.e - self.e_sent, self.m.e_decimals)
                self.e_sent += float(said["E"])
        if feed and abs(feed - self.feed) > 1e-9:
            self.feed = feed
            text = self.number(feed * 60 / self.unit, 1 if not self.m.inches else 3)
            if self.m.feed_alone:
                self.put(self.m.blank.join(["G1", "F" + text]), "feed")
            else:
                said["F"] = text
        if said:
            body = [axis + said[axis] for axis in self.m.order if axis in said]
            self.put(self.m.blank.join([code, *body]) + (self.m.blank + extra if extra else ""), what)

    def zero_e(self) -> None:
        self.put("G92" + self.m.blank + "E0", "zero")
        self.e = self.e_sent = 0.0

    def _retraction(self, pull: bool, along: Any = None) -> None:
        if pull == self.retracted:
            return
        self.retracted = pull
        if self.m.firmware_retraction:
            self.put("G10" if pull else "G11", "retract" if pull else "prime")
            return
        amount = self.m.retract_mm * (math.pi * self.m.diameter**2 / 4 if self.m.volumetric else 1)
        if pull and self.m.wipe and along is not None and len(along) > 1:
            back = along[::-1][: max(2, int(len(along) * self.m.wipe_share))]
            steps = np.hypot(*np.diff(back, axis=0).T)
            whole = float(steps.sum())
            if 0.5 < whole < 40:
                first = amount * 0.3
                self.move("G1", "retract", {}, -first, 35)
                for (x, y), step in zip(back[1:], steps, strict=True):
                    self.move("G1", "wipe", {"X": float(x), "Y": float(y)}, -(amount - first) * float(step) / whole, 60)
                return
        self.move("G1", "retract" if pull else "prime", {}, -amount if pull else amount, 35)

    def _travel(self, x: float, y: float, z: float) -> None:
        far = math.hypot(x - self.at["X"], y - self.at["Y"])
        if far < 1e-4 and abs(z - self.at["Z"]) < 1e-6:
            return
        away = far > self.m.retract_beyond_mm
        if away:
            self._retraction(True, self.last)
        hop = self.m.hop_mm if away and self.layer >= 0 else 0.0
        if z > self.at["Z"] + 1e-6 or hop:
            if self.m.hop_with_travel and hop:
                self.move(self.m.travel_code, "travel", {"X": x, "Y": y, "Z": max(z, self.at["Z"]) + hop}, 0, 150)
            else:
                self.move(self.m.travel_code, "lift", {"Z": max(z, self.at["Z"]) + hop}, 0, 20)
        if abs(x - self.at["X"]) > 1e-4 or abs(y - self.at["Y"]) > 1e-4:
            self.move(self.m.travel_code, "travel", {"X": x, "Y": y}, 0, 150)
        if abs(self.at["Z"] - z) > 1e-6:
            self.move(self.m.travel_code, "lower", {"Z": z}, 0, 20)
        self._retraction(False)

    def _one_layer(self, number: int, layer: Layer) -> None:
        m = self.m
        previous = self.plate.layers[number - 1] if number else None
        if m.comments:
            self.put(m.comments.format(i=number, z=f"{layer.z:.3f}"))
        if number and m.e_reset != "never" and m.e_absolute:
            self.zero_e()
        if number == 1:
            self.put(self.r.choice(["M106 S255", "M106 S127.5", "M106 P0 S200"]))
        if m.extras > 1:
            self.put(
                self.r.choice(
                    [f"M73 P{100 * number // len(self.plate.layers)}", f"M117 at {layer.z:.2f}", "M204 S1000"]
                )
            )
        if previous is not None and layer.part != previous.part and self.plate.sequential:
            self._retraction(True)
            top = max(x.z for x in self.plate.layers[:number]) + 5
            self.move(m.travel_code, "lift", {"Z": top}, 0, 20)
            x, y = layer.beads[0].path[0]
            self.move(m.travel_code, "travel", {"X": float(x), "Y": float(y)}, 0, 150)
        if m.labels and (previous is None or layer.part != previous.part):
            self.put(f"M486 S{layer.part}")
        kind = ""
        for bead in layer.beads:
            if m.kinds and bead.kind != kind:
                kind = bead.kind
                self.put(f"; {kind}")
            if bead.tool != self.tool:
                self._retraction(True, self.last)
                self.put(f"T{bead.tool}", "tool")
                self.tool = bead.tool
                self.zero_e()
            self._bead(bead, layer)
            if m.e_reset == "often" and m.e_absolute and self.r.random() < 0.2:
                self.zero_e()

    def _bead(self, bead: Bead, layer: Layer) -> None:
        slow = 0.4 if self.layer == 0 else 1.0
        pace = {"outer": 0.6, "bridge": 0.6, "ironing": 0.3, "sparse": 1.3}.get(bead.kind, 1.0) * self.m.speed * slow
        self._travel(float(bead.path[0][0]), float(bead.path[0][1]), layer.z - bead.rise_mm)
        lengths = bead.lengths
        pieces = fitted(bead.path) if self.m.arcs and not bead.rise_mm and np.ptp(bead.area) < 1e-9 else None
        if pieces is None:
            climbed = np.cumsum(lengths) / max(float(lengths.sum()), 1e-9) * bead.rise_mm
            for (x, y), length, area, up in zip(bead.path[1:], lengths, bead.area, climbed, strict=True):
                words = {"X": float(x), "Y": float(y)}
                if bead.rise_mm:
                    words["Z"] = layer.z - bead.rise_mm + float(up)
                self._lay(words, float(length) * float(area), pace)
        else:
            for end, length, centre, clockwise in pieces:
                words = {"X": end[0], "Y": end[1]}
                extra = ""
                if centre is not None:
                    extra = self._arc_words(centre)
                code = "G1" if centre is None else ("G2" if clockwise else "G3")
                self._lay(words, length * float(bead.area[0]), pace, code, extra)
        self.last = bead.path

    def _arc_words(self, centre: tuple[float, float]) -> str:
        u, d = self.unit, 5
        dx, dy = centre[0] - self.at["X"], centre[1] - self.at["Y"]
        if self.m.arcs == "radius":
            return "R" + self.number(math.hypot(dx, dy) / u, d)
        return self.m.blank.join(["I" + self.number(dx / u, d), "J" + self.number(dy / u, d)])

    def _lay(self, words: dict[str, float], volume: float, pace: float, code: str = "G1", extra: str = "") -> None:
        push = volume * self.per_mm3
        self.filament_mm += push if not self.m.volumetric else push * 4 / (math.pi * self.m.diameter**2)
        self.move(code, "bead", words, push, pace, extra)

    def _start(self) -> None:
        m, r, put = self.m, self.r, self.put
        if m.claims:
            put(f"; layer_height = {self.plate.recipe.height}")
            put(f"; nozzle_diameter = {self.plate.recipe.nozzle}")
            put(f"; filament_diameter = {m.diameter}")
        tools = sorted({b.tool for layer in self.plate.layers for b in layer.beads})
        for line in r.sample(
            ["M107", "M201 X3000 Y3000 Z200", "M204 P1250 T1500", "M205 X8 Y8", "M220 S100", "M221 S100"], m.extras
        ):
            put(line)
        put("G20" if m.inches else "G21")
        put("G90")
        put("M82" if m.e_absolute else "M83")
        if m.volumetric:
            put(f"M200 D{m.diameter}")
        if m.firmware_retraction:
            put(f"M207 S{m.retract_mm} F2100")
        hot, bed = m.hot, m.bed
        if m.start == "macro":
            put(f"BEGIN_JOB BED={bed} NOZZLE={hot}" + ("\nG28" if m.xyz_relative else ""))
        elif m.start == "wait-both":
            put(f"M190 S{bed}" if bed else "M140 S0")
            put(f"M109 S{hot}")
            put(m.g28)
        elif m.start == "heat-while-homing":
            put(f"M140 S{bed}\nM104 S{hot - 50}")
            put(m.g28)
            put(f"M190 S{bed}\nM109 R{hot}")
        else:
            put(m.g28)
            put(f"M104 S{hot}\nM140 S{bed}")
            put(f"M190 S{bed}\nM109 S{hot}")
        for tool in tools:
            if tool:
                put(f"M104 T{tool} S{hot}\nM109 T{tool} S{hot}")
        if m.start == "level":
            put("G29" if r.random() < 0.5 else "M420 S1")
        if self.tool not in tools or len(tools) > 1:
            put("T0")
        self.zero_e()
        if m.xyz_relative:
            self.move("G1", "lift", {"Z": 5}, 0, 20)
            put("G91")
            if m.e_absolute:
                put("M82")
        if m.start in ("prime-line", "flush"):
            self._prime_line()

    def _prime_line(self) -> None:
        x, y = self.bed[0] + 4, self.bed[1] + 4
        area = 0.35 * 0.8
        self.move(self.m.travel_code, "lift", {"Z": 2}, 0, 20)
        self.move(self.m.travel_code, "travel", {"X": x, "Y": y}, 0, 100)
        self.move(self.m.travel_code, "lower", {"Z": 0.3}, 0, 20)
        if self.m.start == "flush":
            self.move("G1", "flush", {}, 6 * (1 if not self.m.volumetric else 2.4), 3)
        self.move("G1", "purge", {"Y": y + 60}, area * 60 * self.per_mm3, 20)
        self.move("G1", "purge", {"X": x + 0.6}, area * 0.6 * self.per_mm3, 20)
        self.move("G1", "purge", {"Y": y + 10}, area * 50 * self.per_mm3, 20)
        self.zero_e()
        self.move(self.m.travel_code, "lift", {"Z": 2}, 0, 20)

    def _end(self) -> None:
        m, put = self.m, self.put
        if m.start != "macro" or m.end != "short":
            self._retraction(True)
        if m.labels:
            put("M486 S-1")
        if m.end == "lift":
            put(f"G91\nG1 Z{10 / self.unit:.2f} F{600 / self.unit:.0f}\nG90")
        elif m.end == "park":
            top = max(layer.z for layer in self.plate.layers)
            self.move(m.travel_code, "lift", {"Z": top + 10}, 0, 20)
            self.move(m.travel_code, "travel", {"X": self.bed[0] + 5, "Y": self.bed[3] - 5}, 0, 100)
        if m.start == "macro" and m.end == "short":
            put("FINISH_JOB")
        else:
            tools = {b.tool for layer in self.plate.layers for b in layer.beads} | {0}
            for tool in sorted(tools):
                put(f"M104 T{tool} S0" if len(tools) > 1 or tool else "M104 S0")
            put("M140 S0\nM107")
            if m.end == "home":
                put("G28 X0")
            put(self.r.choice(["M84", "M18", "M84 X Y E"]))
        if m.claims:
            put(f"; filament used [mm] = {self.filament_mm:.2f}")
            put(
                f"; layer_count = {len({layer.z for layer in self.plate.layers})}"
                if not self.plate.sequential
                else "; the end"
            )


def framed(lines: list[str]) -> list[str]:
    """Every command with its number and checksum (facts.md 1.1); comments alone stay as they are."""
    made, number = list[str](), 0
    for line in lines:
        body = line.split(";")[0].split("(")[0].rstrip()
        if not body:
            made.append(line)
            continue
        number += 1
        text = f"N{number} {body}"
        check = 0
        for byte in text.encode():
            check ^= byte
        made.append(f"{text}*{check}")
    return made
