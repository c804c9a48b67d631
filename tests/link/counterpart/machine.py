"""What is moved and heated: executes one command at a time and says what a printer says besides its acknowledgements.

Plans moves one after another at their feed rate; heats and cools at one rate. Knows no lines, numbers and checksums.
Commands and replies are those of facts.md 1.2 to 1.4.
"""

import argparse
import asyncio
import re
import time
from collections import deque
from collections.abc import Callable

AXES = "XYZE"
ROOM_C = 21.0
CAPABILITIES = ("EEPROM", "AUTOREPORT_POS", "PROGRESS", "PRINT_JOB", "AUTOLEVEL", "RUNOUT", "Z_PROBE", "ARCS")
TAKEN_AS_READ = frozenset((
    "G10", "G11", "G17", "G21", "G29", "M17", "M18", "M73", "M75", "M76", "M77", "M84", "M106", "M107", "M110", "M117", "M118",
    "M119", "M201", "M203", "M204", "M205", "M207", "M208", "M220", "M221", "M412", "M413", "M420", "M900",
))  # fmt: skip
_COMMAND = re.compile(r"([GMT])\s*0*(\d+)")
_WORD = re.compile(r"([A-Z])\s*(-?\d+\.?\d*|-?\.\d+)?")


class Machine:
    """Axes, heaters and a motion queue; a new one for every start of the printer."""

    def __init__(self, chosen: argparse.Namespace, say: Callable[[str], None]) -> None:
        self._chosen, self._say = chosen, say
        self.at = dict.fromkeys(AXES, 0.0)
        """Where the last move planned ends, mm."""
        self._really_at = dict(self.at)
        self.moves: deque[tuple[float, dict[str, float]]] = deque()
        """When each planned move ends, and where."""
        self._feed_mm_min = 1500.0
        self._relative = self._relative_e = False
        self.heaters = {"T": [ROOM_C, 0.0], "B": [ROOM_C, 0.0]}
        """Temperature and target, deg C."""
        self._settled_at = time.monotonic()
        self.report_s = 0.0
        self._busy_s: float = chosen.busy_s
        self.break_wait = False

    async def execute(self, command: str) -> None:
        """Do one command; take as long as it takes."""
        head = _COMMAND.match(command.upper())
        code = head[1] + head[2] if head else ""
        found = _WORD.findall(command.upper()[head.end() :]) if head else []
        words = {letter: float(value) for letter, value in found if value}
        letters = {letter for letter, _ in found}
        match code:
            case "G0" | "G1" | "G2" | "G3":
                await self._move(words)
            case "G28":
                await self._drain()
                await self.take(self._chosen.home_s)
                for axis in [axis for axis in "XYZ" if axis in letters] or "XYZ":
                    self.at[axis] = self._really_at[axis] = 0.0
            case "G92":
                self.at.update({axis: words[axis] for axis in AXES if axis in words})
            case "G90" | "G91":
                self._relative = self._relative_e = code == "G91"
            case "M82" | "M83":
                self._relative_e = code == "M83"
            case "M104" | "M109" | "M140" | "M190":
                await self._set_heater(code, words)
            case "M155" if self._chosen.autoreport:
                self.report_s = words.get("S", 0.0)
            case "M113":
                self._busy_s = words.get("S", 0.0) if self._chosen.busy_s else 0.0
            case "M114":
                self._drop_done()
                shown = " ".join(f"{axis}:{self.at[axis]:.2f}" for axis in AXES)
                self._say(f"{shown} Count " + " ".join(f"{axis}:{self._really_at[axis] * 80:.0f}" for axis in "XYZ"))
            case "M115":
                self._identify()
            case "M500" | "M501" | "M502" | "M503":
                for number in range(70):
                    self._say(f"echo:  M{92 + number} X80.00 Y80.00 Z400.00 E93.00 ; setting {number}")
            case "M400" | "G4":
                await self._drain()
                await self.take(words.get("P", 0.0) / 1000 + words.get("S", 0.0) if code == "G4" else 0.0)
            case "M0" | "M1" | "M25" | "M600":
                await self._drain()
                await self.wait_for_person(words.get("S", 1.0))
            case "M410":
                self.moves.clear()
            case _ if code not in TAKEN_AS_READ and not code.startswith("T"):
                self._say(f'echo:Unknown command: "{command}"')

    def temperatures(self) -> str:
        """Give the report that M105 and M155 bring (facts.md 1.2)."""
        self._settle()
        gap = "" if self._chosen.spaceless else " "
        shown = " ".join(f"{name}:{value:.2f}{gap}/{target:.2f}" for name, (value, target) in self.heaters.items())
        return f"{shown} @:{127 if self.heaters['T'][0] < self.heaters['T'][1] else 0} B@:0"

    def heaters_off(self) -> None:
        """Cool down from here."""
        self._settle()
        for heater in self.heaters.values():
            heater[1] = 0.0

    async def wait_for_person(self, seconds: float) -> None:
        """Wait for somebody, who comes after so many seconds (facts.md 1.2: paused for user, action:paused)."""
        self._say("//action:paused")
        await self.take(seconds, "paused for user")
        self._say("//action:resumed")

    async def take(self, seconds: float, word: str = "processing") -> None:
        """Let time pass: with busy lines if this printer has them, else in silence."""
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            step = min(left, self._busy_s or left)
            await asyncio.sleep(step)
            if self._busy_s and step == self._busy_s:
                self._say(f"echo:busy: {word}")

    # -- heat -----------------------------------------------------------------------------------------------------

    async def _set_heater(self, code: str, words: dict[str, float]) -> None:
        self._settle()
        heater = self.heaters["T" if code in {"M104", "M109"} else "B"]
        heater[1] = words.get("S", words.get("R", 0.0))
        if code in {"M104", "M140"}:
            return
        await self._drain()
        self.break_wait, told = False, time.monotonic()
        while not self.break_wait and (heater[0] < heater[1] - 1 or ("R" in words and heater[0] > heater[1] + 1)):
            await asyncio.sleep(0.02)
            self._settle()
            if time.monotonic() - told >= 1.0:
                told = time.monotonic()
                self._say(self.temperatures() + (" W:?" if self._chosen.lineage == "common" else ""))

    def _settle(self) -> None:
        now = time.monotonic()
        step, self._settled_at = self._chosen.heat_c_s * (now - self._settled_at), now
        for heater in self.heaters.values():
            value, goal = heater[0], max(heater[1], ROOM_C)
            heater[0] = min(goal, value + step) if value < goal else max(goal, value - step)

    # -- motion ---------------------------------------------------------------------------------------------------

    async def _move(self, words: dict[str, float]) -> None:
        self._feed_mm_min = words.get("F", self._feed_mm_min)
        goal = dict(self.at)
        for axis in AXES:
            if axis in words:
                relative = self._relative_e if axis == "E" else self._relative
                goal[axis] = words[axis] + (self.at[axis] if relative else 0.0)
        path_mm = sum((goal[axis] - self.at[axis]) ** 2 for axis in "XYZ") ** 0.5
        length_mm = max(path_mm, abs(goal["E"] - self.at["E"]))
        self._drop_done()
        while len(self.moves) >= self._chosen.planner:
            await self.take(max(0.0, self.moves[0][0] - time.monotonic()))
            self._drop_done()
        begin = max(time.monotonic(), self.moves[-1][0] if self.moves else 0.0)
        self.moves.append((begin + length_mm / (self._feed_mm_min / 60) / self._chosen.speedup, goal))
        self.at = dict(goal)

    def _drop_done(self) -> None:
        while self.moves and self.moves[0][0] <= time.monotonic():
            self._really_at = self.moves.popleft()[1]

    async def _drain(self) -> None:
        while self.moves:
            await self.take(max(0.0, self.moves[-1][0] - time.monotonic()))
            self._drop_done()

    def _identify(self) -> None:
        self._say("FIRMWARE_NAME:Counterpart 1 PROTOCOL_VERSION:1.0 MACHINE_TYPE:Quay EXTRUDER_COUNT:1")
        if self._chosen.caps:
            for name in CAPABILITIES:
                self._say(f"Cap:{name}:1")
            self._say(f"Cap:AUTOREPORT_TEMP:{self._chosen.autoreport}")
            self._say(f"Cap:EMERGENCY_PARSER:{self._chosen.emergency}")
