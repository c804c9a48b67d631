"""Writes beds as jobs in the habits of many writers: starts that purge and wipe, ends that park, pauses, slopes, arcs.

Reads nothing.

Commands and their meanings: facts.md 1.4 (table), 2.3 (arcs), 2.4 (G92, units). Habits are common practice of the trade.
"""

import math
from random import Random
from typing import Any

import numpy as np
from tests.oracles.arc_fit import fitted
from tests.oracles.habit_plates import Bed
from tests.oracles.strokes import Sheet, Stroke
from tests.oracles.styles import Style


class Scribe:
    """The text of one bed; E is counted to the rounding of what was written."""

    def __init__(self, bed: Bed, style: Style, r: Random, size: tuple[float, float, float, float]) -> None:
        self.bed, self.s, self.r, self.size = bed, style, r, size
        self.lines: list[str] = []
        self.u = 25.4 if style.inches else 1.0
        self.per_mm3 = 1.0 if style.e_mode == "volumetric" else 4 / (math.pi * 1.75**2)
        self.at = {"X": 0.0, "Y": 0.0, "Z": 0.0}
        self.e, self.sent, self.feed, self.tool, self.kind = 0.0, 0.0, -1.0, 0, ""
        self.pulled = False
        self.last: Stroke | None = None

    def text(self) -> bytes:
        self._start()
        before: Sheet | None = None
        for number, sheet in enumerate(self.bed.sheets):
            self._between(number, sheet, before)
            for one in sheet.strokes:
                self._stroke(sheet, one)
            before = sheet
        self._end()
        return (self.s.newline.join(self.lines) + self.s.newline).encode()

    def put(self, text: str) -> None:
        self.lines += text.split("\n")

    def num(self, value: float, decimals: int) -> str:
        text = f"{value:.{decimals}f}"
        if float(text) == 0:
            text = text.lstrip("-")
        if self.s.strip and "." in text:
            text = text.rstrip("0").rstrip(".")
        return text.replace("0.", ".", 1) if self.s.bare and text.startswith(("0.", "-0.")) else text

    def go(self, code: str, push: float = 0.0, feed: float = 0.0, extra: str = "", **to: float) -> None:
        """One move; `push` in mm of filament (or mm3), `feed` in mm/s."""
        said = {axis: self.num(value / self.u, self.s.decimals) for axis, value in to.items()}
        self.at.update(to)
        if push:
            self.e += push / self.u
            if self.s.e_mode in {"absolute", "volumetric"}:
                said["E"] = self.num(self.e, self.s.e_decimals)
            else:
                said["E"] = self.num(self.e - self.sent, self.s.e_decimals)
                self.sent += float(said["E"])
        if feed and abs(feed - self.feed) > 1e-9:
            self.feed = feed
            text = "F" + self.num(feed * 60 / self.u, 0 if not self.s.inches else 3)
            if self.s.f_alone:
                self.put("G1" + self.s.blank + text)
            else:
                said["F"] = text[1:]
        words = [axis + said[axis] for axis in self.s.order if axis in said]
        if words:
            self.put(self.s.blank.join([code, *words]) + (self.s.blank + extra if extra else ""))

    def zero(self) -> None:
        self.put("G92 E0")
        self.e = self.sent = 0.0

    def _pull(self, back: bool) -> None:
        if back == self.pulled or self.s.retract == "none":
            return
        self.pulled = back
        if self.s.retract == "firmware":
            self.put("G10" if back else "G11")
            return
        amount = self.s.retract_mm * (math.pi * 1.75**2 / 4 if self.s.e_mode == "volumetric" else 1)
        if not back:
            self.go("G1", amount + self.s.extra_prime, 35)
            return
        left = amount
        if self.s.wipe and self.last is not None and len(self.last.path) > 2 and self.last.rise is None:
            closed = np.hypot(*(self.last.path[0] - self.last.path[-1])) < 0.01 and self.last.coasted is None
            way = self.last.path if self.s.wipe == "on" and closed else self.last.path[::-1]
            if self.last.coasted is not None:
                way = np.vstack([self.last.coasted[::-1], way])
            for k in range(1, min(4, len(way))):
                step = float(np.hypot(*(way[k] - way[k - 1])))
                if step > 8 or left < amount * 0.4:
                    break
                left -= amount * 0.2
                self.go("G1", -amount * 0.2, 60, X=float(way[k][0]), Y=float(way[k][1]))
        self.go("G1", -left, 35)

    def _travel(self, x: float, y: float, z: float) -> None:
        far = math.hypot(x - self.at["X"], y - self.at["Y"])
        if far < 1e-4 and abs(z - self.at["Z"]) < 1e-6:
            self._pull(False)  # after a pause the nozzle is where it goes on
            return
        away, s = far > 1.5, self.s
        if away:
            self._pull(True)
        top = max(z, self.at["Z"])
        if away and s.hop:
            up = top + s.hop_mm
            if s.hop == "slope" and far > 4:
                share = 2 / far
                mid = {"X": self.at["X"] + share * (x - self.at["X"]), "Y": self.at["Y"] + share * (y - self.at["Y"])}
                self.go(s.travel, 0, 150, **mid, Z=up)
            elif s.hop == "helix":
                self.put("G17")
                self.go("G2", 0, 150, f"I{self.num(0.8 / self.u, 3)}{s.blank}J0{s.blank}P1", Z=up)
            else:
                self.go(s.travel, 0, 15, Z=up)
        elif top > self.at["Z"] + 1e-6:
            self.go(s.travel, 0, 15, Z=top)
        if far > 1e-4:
            self.go(s.travel, 0, 150, X=x, Y=y)
        if abs(self.at["Z"] - z) > 1e-6:
            self.go(s.travel, 0, 15, Z=z)
        self._pull(False)

    def _stroke(self, sheet: Sheet, one: Stroke) -> None:
        s = self.s
        if one.tool != self.tool:
            self._change(one.tool)
        if s.kinds and one.kind != self.kind:
            self.put(s.kinds.format(k=one.kind))
            if s.accel:
                self.put(s.accel.format(a={"outer": 800, "bridge": 600}.get(one.kind, 2000)))
        self.kind = one.kind
        rise = one.rise if one.rise is not None else np.zeros(len(one.path))
        pace = s.speed * one.pace * (0.4 if sheet is self.bed.sheets[0] else 1)
        self._travel(float(one.path[0][0]), float(one.path[0][1]), sheet.z + float(rise[0]))
        code = "G0" if s.g0_extrudes else "G1"
        if s.arcs and one.rise is None and np.ptp(one.area) < 1e-9 and one.area[0] > 0:
            for end, long, centre, clockwise in fitted(one.path):
                if centre is None:
                    self.go(code, long * float(one.area[0]) * self.per_mm3, pace, X=end[0], Y=end[1])
                else:
                    i, j = ((centre[k] - self.at["XY"[k]]) / self.u for k in (0, 1))
                    words = f"I{self.num(i, 5)}{s.blank}J{self.num(j, 5)}"
                    push = long * float(one.area[0]) * self.per_mm3
                    self.go("G2" if clockwise else "G3", push, pace, words, X=end[0], Y=end[1])
        else:
            for k, (long, area) in enumerate(zip(one.lengths, one.area, strict=True)):
                to = {"X": float(one.path[k + 1][0]), "Y": float(one.path[k + 1][1])}
                if one.rise is not None:
                    to["Z"] = sheet.z + float(rise[k + 1])
                self.go(code, float(long) * float(area) * self.per_mm3, pace, **to)
        if one.coasted is not None:
            for x, y in one.coasted[1:]:
                self.go("G1", 0, pace, X=float(x), Y=float(y))
        self.last = one

    def _change(self, tool: int) -> None:
        self._pull(True)
        self.put(f"T{tool}")
        self.tool = tool
        if self.s.e_mode != "relative" and self.r.random() < 0.5:
            self.zero()

    def _between(self, number: int, sheet: Sheet, before: Sheet | None) -> None:
        s = self.s
        if before is not None and before.z == sheet.z and before.part == sheet.part:
            return
        new_object = before is not None and self.bed.by_object and sheet.part != before.part
        if new_object and before is not None:
            self._pull(True)
            self.go(s.travel, 0, 15, Z=max(x.z for x in self.bed.sheets[:number]) + 10)
            if s.between == "home":
                self.put("G28 X Y")
                self.at["X"] = self.at["Y"] = 0.0
            if s.e_reset == "object":
                self.zero()
        if s.objects:
            self.put(s.objects.format(n=sheet.part))
        if before is None or before.z != sheet.z:
            count = len(self.bed.sheets)
            if s.head:
                self.put(
                    s.head.format(
                        i=number,
                        z=f"{sheet.z:.3f}",
                        h=sheet.height,
                        p=100 * number // count,
                        left=(count - number) // 4,
                    )
                )
                if "G92" in s.head:
                    self.e = self.sent = 0.0
            if s.e_reset == "layer" and "G92" not in s.head:
                self.zero()
            if s.fans and number == 2:
                self.put(f"M106 S{self.r.choice([128, 255, '127.5'])}")
            if s.hot_change and number == 1:
                self.put(f"M104 S{s.hot + s.hot_change}")
            if s.pause and number == s.pause_layer:
                self._pause()
            if s.lapse and number:
                self._pull(True)
                x, y = self.at["X"], self.at["Y"]
                self.go(s.travel, 0, 200, X=self.size[0] + 2, Y=self.size[3] - 2)
                self.put("M240\nG4 P300")
                self.go(s.travel, 0, 200, X=x, Y=y)
        if sheet.before:
            self.put(sheet.before)

    def _pause(self) -> None:
        s = self.s
        if s.pause == "park and M0":
            self._pull(True)
            x, y, z = (self.at[a] for a in "XYZ")
            self.go(s.travel, 0, 15, Z=z + 20)
            self.go(s.travel, 0, 100, X=self.size[0] + 10, Y=self.size[1] + 10)
            self.put("M0 Change the colour")
            self.go(s.travel, 0, 100, X=x, Y=y)
            self.go(s.travel, 0, 15, Z=z)
        else:
            self.put(s.pause)

    def _start(self) -> None:
        s, put = self.s, self.put
        x0, y0, x1, _y1 = self.size
        tools = sorted({one.tool for sheet in self.bed.sheets for one in sheet.strokes})
        put("G20" if s.inches else "G21")
        put("G90")
        put("M83" if s.e_mode == "relative" else "M82")
        if s.e_mode == "volumetric":
            put("M200 D1.75")
        if s.start == "macro":
            put(f"PRINT_START BED_TEMP={s.bed} EXTRUDER_TEMP={s.hot}")
        else:
            put(f"M140 S{s.bed}\nM104 S{s.hot - 40}\nG28\nM190 S{s.bed}\nM109 S{s.hot}")
        for tool in tools:
            if tool:
                put(f"M104 T{tool} S{s.hot}\nM109 T{tool} S{s.hot}")
        if len(tools) > 1 or 0 not in tools:
            put("T0")
        self.zero()
        go, a = self.go, 0.4 * self.per_mm3
        up = lambda z: go(s.travel, 0, 15, Z=z)  # noqa: E731
        to = lambda x, y: go(s.travel, 0, 120, X=x, Y=y)  # noqa: E731
        match s.start:
            case "edge line":
                up(0.3)
                to(x0 + 3, y0 + 5)
                go("G1", a * 100, 20, Y=y0 + 105)
            case "two lines":
                up(5)
                to(x0 + 3, y0 + 20)
                up(0.28)
                go("G1", a * 120, 25, Y=y0 + 140)
                to(x0 + 3.4, y0 + 140)
                go("G1", a * 120, 25, Y=y0 + 20)
                up(2)
            case "blob":
                up(4)
                to(x0 + 2, y0 + 2)
                go("G1", 20 * (1 if s.e_mode != "volumetric" else 2.4), 2)
                up(8)
                to(x0 + 20, y0 + 2)
            case "wipe brush":
                up(1)
                to(x1 + 2, y0 + 40)
                for k in range(4):
                    to(x1 + 2 + 3 * (k % 2), y0 + 40 + 4 * k)
                up(5)
            case "wipe on bed":
                up(0)
                to(x0 + 10, y0 + 1)
                go("G1", -0.5, 30)
                go("G1", 0, 60, X=x0 + 60, Z=-0.1)
                up(3)
                go("G1", 0.5, 30)
            case "slow descent":
                up(10)
                to(x0 + 5, y0 + 5)
                go("G1", a * 40, 10, X=x0 + 45, Z=0.3)
                up(2)
            case "cold purge":
                up(0.2)
                to(x0 + 40, y0 + 1)
                go("G1", 9 * self.per_mm3, 17, X=x0 + 60)
                go("G1", 30 * self.per_mm3, 17, X=x0 + 100)
            case "zigzag":
                up(0.25)
                to(x0 + 5, y0 + 2)
                for k in range(6):
                    go("G1", a * 30, 25, X=x0 + 35 if k % 2 == 0 else x0 + 5)
                    go("G1", a * 0.5, 25, Y=y0 + 2 + 0.5 * (k + 1))
                up(1)
            case "offset":
                up(5)
                put("M290 Z0.02")
        self.zero()
        if s.retract == "e" and s.start in ("edge line", "blob"):
            self._pull(True)

    def _end(self) -> None:
        s, put = self.s, self.put
        top = max(sheet.z for sheet in self.bed.sheets)
        tools = {one.tool for sheet in self.bed.sheets for one in sheet.strokes} | {0}
        off = "\n".join(f"M104 T{t} S0" if len(tools) > 1 else "M104 S0" for t in sorted(tools))
        if s.end == "macro":
            put("PRINT_END")
            return
        self._pull(True)
        match s.end:
            case "park":
                self.go(s.travel, 0, 15, Z=top + 2)
                self.go(s.travel, 0, 100, X=self.size[0] + 5, Y=self.size[3] - 5)
            case "present":
                put("G91\nG1 Z2 F600\nG90" if not s.inches else "G91\nG1 Z.1 F24\nG90")
                put("G28 X")
            case "retract far":
                self.go("G1", -15, 20)
                put("M83")
            case "cool":
                put(f"{off}\nM106 S255\nM190 R45" if s.bed > 50 else off)
            case "beep":
                put("M300 S440 P200\nM300 S660 P200")
            case "push off":
                self.go(s.travel, 0, 15, Z=top + 5)
                put(f"{off}\nG4 S5")
                self.go(s.travel, 0, 100, X=self.size[2] - 5, Y=self.size[3] - 5)
        put(f"{off}\nM140 S0\nM107\nM84")


def kinds_of(bed: Bed) -> dict[str, Any]:
    """Path by kind, mm."""
    found: dict[str, Any] = {}
    for one in (one for sheet in bed.sheets for one in sheet.strokes):
        found[one.kind] = found.get(one.kind, 0.0) + float(one.lengths.sum())
    return found
