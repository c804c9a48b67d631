"""How the third outside maker's jobs are written: changes of filament in the nozzle, flushes beside the bed, macros between.

Commands: facts.md 1.4 (table); customs are common practice of the trade. Reads nothing.
"""

import math
from dataclasses import dataclass
from random import Random

from tests.oracles.customs import PURGE, RAM
from tests.oracles.habit_plates import Bed
from tests.oracles.scribe import Scribe
from tests.oracles.strokes import Sheet, Stroke
from tests.oracles.styles import Style

NOTES = ("; Schicht {n}", "; couche n° {n}", "; слой {n}", "; 層 {n}", "; camada {n} de cima", "", "", "")
CHANGES = ("", "in the nozzle", "chute", "macro", "prime at place")
EACH = ("", "", "", "TIMELAPSE_TAKE_FRAME", "M117 {n}", "wipe", "heat", "M105\nM114", "look", "M204 S1500\nM205 X8 Y8")
PAUSES = ("", "", "purge aside", "M600 B2 X10 Y10", "unload by hand")


@dataclass
class CustomStyle(Style):
    """How a job is written besides its style."""

    note: str = ""
    change: str = ""
    each: str = ""
    halt: str = ""
    halts: tuple[int, ...] = ()
    near_line: bool = False  # a thick purge line right beside the part

    @classmethod
    def drawn_custom(cls, r: Random) -> "CustomStyle":
        plain = Style.drawn(r)
        return cls(
            **plain.__dict__, note=r.choice(NOTES), change=r.choice(CHANGES), each=r.choice(EACH), halt=r.choice(PAUSES),
            halts=tuple(r.randint(3, 30) for _ in range(r.choice([1, 2, 4]))), near_line=r.random() < 0.15,
        )  # fmt: skip


class CustomScribe(Scribe):
    """Writes as its style wants it."""

    s: CustomStyle

    def __init__(self, bed: Bed, style: CustomStyle, r: Random, size: tuple[float, float, float, float]) -> None:
        super().__init__(bed, style, r, size)
        self.s, self.count = style, 0

    def _push(self, mm: float, feed: float, **to: float) -> None:
        """So much filament, in mm whatever E counts, perhaps on the way somewhere."""
        self.go("G1", mm * (math.pi * 1.75**2 / 4 if self.s.e_mode == "volumetric" else 1), feed, **to)

    def _start(self) -> None:
        super()._start()
        if not self.s.near_line or self.s.start not in ("plain", "macro", "wipe brush", "offset"):
            return  # one purge is enough
        first = [one for sheet in self.bed.sheets for one in sheet.strokes]
        x = min(float(one.path[:, 0].min()) for one in first) - 5
        y = min(float(one.path[:, 1].min()) for one in first)
        self.go(self.s.travel, 0, 100, X=x, Y=y)
        self.go(self.s.travel, 0, 15, Z=0.8)
        self._pull(False)
        self._push(10, 5)
        self._push(12, 6, X=x, Y=y + 12)
        self.go("G1", 0, 100, X=x, Y=y + 22)
        self.go(self.s.travel, 0, 15, Z=2)

    def _change(self, tool: int) -> None:
        match self.s.change:
            case "in the nozzle":
                self._in_the_nozzle(tool)
            case "chute":
                self._chute(tool)
            case "macro":
                self._pull(True)
                self.put(f"CHANGE_TOOL TO={tool}")
                self.put(f"T{tool}")
                self.tool = tool
            case "prime at place":
                super()._change(tool)
                self._pull(False)
                self._push(-2, 30)
                self._push(2.05, 20)
            case _:
                super()._change(tool)

    def _in_the_nozzle(self, tool: int) -> None:
        """Unload and load with little moves to and fro, as on a tower."""
        x, y = self.at["X"], self.at["Y"]
        self._pull(False)
        self._push(-15, 100)
        self._push(-50, 80)
        self._push(-20, 40)
        for k in range(3):  # cools the tip
            self._push(5, 20, X=x + (3 if k % 2 == 0 else 0), Y=y)
            self._push(-5, 20, X=x + (0 if k % 2 == 0 else 3), Y=y)
        self.put(f"T{tool}\nG4 S0")
        self.tool = tool
        if self.s.e_mode != "relative":
            self.zero()
        self._push(20, 20, X=x, Y=y)
        self._push(50, 40, X=x + 3, Y=y)
        self._push(15, 20, X=x, Y=y)
        self.last = None

    def _chute(self, tool: int) -> None:
        """Aside, cut, change, flush into a chute, wipe, and back."""
        x, y, z = (self.at[axis] for axis in "XYZ")
        self._pull(True)
        self.go(self.s.travel, 0, 15, Z=z + 3)
        self.go(self.s.travel, 0, 250, X=self.size[0] - 10, Y=self.size[3] + 5)
        self.put(f"M400\nT{tool}")
        self.tool = tool
        if self.s.e_mode != "relative":
            self.zero()
        for k in range(4):
            self._push(12, 6)
            self._push(0.8, 3)
            self.put("M106 S255" if k == 3 else "G4 P100")
        self._push(-2, 30)
        for k in range(4):
            self.go("G1", 0, 200, X=self.size[0] - 10 + 12 * (k % 2))
        self._push(2, 30)
        self.go(self.s.travel, 0, 250, X=x, Y=y)
        self.go(self.s.travel, 0, 15, Z=z)
        self.last = None

    def _between(self, number: int, sheet: Sheet, before: Sheet | None) -> None:
        super()._between(number, sheet, before)
        if before is not None and before.z == sheet.z:
            return
        self.count += 1
        s = self.s
        if s.note:
            self.put(s.note.format(n=self.count))
        if self.count < 3:
            return
        if s.halt and self.count in s.halts:
            self._halt()
        match s.each:
            case "wipe" if self.count % 5 == 0:
                self._aside(self.size[0] + 20, self.size[3] + 2, wiggle=True)
            case "look" if self.count % 2 == 0:
                self._aside(self.size[0] + 2, self.size[1] + 2)
            case "heat" if self.count % 6 == 0:
                self.put(f"M104 S{s.hot - self.count // 6}")
            case "" | "wipe" | "look" | "heat":
                pass
            case text:
                self.put(text.format(n=self.count))

    def _aside(self, x: float, y: float, *, wiggle: bool = False) -> None:
        back = dict(self.at)
        self._pull(True)
        self.go(self.s.travel, 0, 15, Z=back["Z"] + 1)
        self.go(self.s.travel, 0, 200, X=x, Y=y)
        for k in range(4 if wiggle else 0):
            self.go("G1", 0, 200, X=x + 8 * ((k + 1) % 2))
        self.put("G4 P200")
        self.go(self.s.travel, 0, 200, X=back["X"], Y=back["Y"])
        self.go(self.s.travel, 0, 15, Z=back["Z"])

    def _halt(self) -> None:
        """A change of colour by hand."""
        back, s = dict(self.at), self.s
        if s.halt.startswith("M600"):
            self.put(s.halt)
            return
        self._pull(True)
        self.go(s.travel, 0, 15, Z=back["Z"] + 10)
        self.go(s.travel, 0, 100, X=self.size[0] + 5, Y=self.size[1] + 5)
        if s.halt == "purge aside":
            self.put("M0")
            for _ in range(3):
                self._push(15, 4)
            self._push(-2, 30)
            self._push(2, 30)
        else:
            self._push(5, 5)
            self._push(-80, 60)
            self.put("M0 Load the next colour")
            self._push(70, 20)
            self._push(30, 4)
            if s.e_mode != "relative":
                self.zero()
        self.go(s.travel, 0, 100, X=back["X"], Y=back["Y"])
        self.go(s.travel, 0, 15, Z=back["Z"])
        self.last = None

    def _stroke(self, sheet: Sheet, one: Stroke) -> None:
        if one.kind in (RAM, PURGE):
            one.pace = 1.5
        super()._stroke(sheet, one)


__all__ = ["CustomScribe", "CustomStyle"]
