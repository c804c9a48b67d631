"""Interprets a job one line at a time, as a printer does: the oracle of layergate.toolpath.moves. Plain Python, no numpy.

Written from facts.md 1.4 (command table), 2.3 (arcs), 2.4 (G92, units), domain.md ("Rebuilding the part": move kinds,
retraction debt). Own choices, the same for reader and oracle: the position before homing is unknown until an absolute
word tells it; one hot-end target serves all tools until a second is named; tool words of 16 and more are no tools.
"""

import math
from dataclasses import dataclass, field

from tests.oracles.plain_arcs import Vector, arc_points, path_length
from tests.oracles.plain_words import MACRO, UNREAD, PlainLine, read_line

NAN = math.nan
SYSTEMS = ("G54", "G55", "G56", "G57", "G58", "G59", "G59.1", "G59.2", "G59.3")
WAITS = {"G28", "G29", "G4", "M400", "M0", "M1", "M109", "M190", "M191", "M116", "M600", "M601", "M226"}


@dataclass
class PlainMove:
    """One move, arcs whole. Lengths mm, speeds mm/s; positions in the machine's frame, NaN where unknown."""

    line: int
    kind: str
    start: tuple[float, float, float]
    end: tuple[float, float, float]
    xy: float
    length: float
    push: float
    laid: float
    feed: float
    acceleration: float
    dwell: float
    hot_end: float
    tool: int


@dataclass
class PlainMachine:
    """The state of a printer that reads a job."""

    scope: str = "while-relative"
    g4_p_is_seconds: bool = False
    at: dict[str, float] = field(default_factory=lambda: {"X": 0.0, "Y": 0.0, "Z": 0.0, "E": 0.0})
    offset: dict[str, float] = field(default_factory=lambda: {"X": 0.0, "Y": 0.0, "Z": 0.0})
    origins: dict[int, dict[str, float]] = field(default_factory=lambda: {1: {"X": 0.0, "Y": 0.0, "Z": 0.0}})
    system: int = 1
    saved: dict[str, float] = field(default_factory=lambda: {"X": 0.0, "Y": 0.0, "Z": 0.0})
    located: set[str] = field(default_factory=set)
    relative: bool = False
    e_relative: bool = False
    e_in_g91: bool = False
    unit: float = 1.0
    plane: str = "G17"
    volumetric_area: float = 0.0
    diameter: float = 1.75
    flows: dict[int, float] = field(default_factory=dict)
    speed: float = 1.0
    feed_mm_min: float = 1500.0
    accelerations: dict[str, float] = field(default_factory=dict)
    tool: int = 0
    targets: dict[int, float] = field(default_factory=dict)
    debts: dict[int, float] = field(default_factory=dict)
    retract_length: float = 1.0
    recover_extra: float = 0.0
    retract_feeds: dict[str, float] = field(default_factory=dict)
    retracted: dict[int, float] = field(default_factory=dict)

    def run(self, lines: list[str], first: int = 1) -> list[PlainMove]:
        """Every move of some lines of payload."""
        found = (self.take(number, read_line(text)) for number, text in enumerate(lines, first) if text)
        return [move for move in found if move is not None]

    def take(self, number: int, line: PlainLine) -> PlainMove | None:
        """Do one line."""
        words = {name: value for name, value in line.words.items() if not math.isnan(value)}
        code = line.code
        if code in ("G0", "G1", "G2", "G3"):
            return self._move(number, code, words)
        if code == "G53" and set(line.words) & set("XYZE"):
            return self._machine_move(number, words)
        push = self._other(code, words, set(line.words))
        if code in WAITS or push:
            kind = "wait" if code in WAITS else ("prime" if push > 0 else "retract")
            dwell = 0.0
            if code == "G4":
                dwell = words["S"] if "S" in words else words.get("P", 0.0) * (1 if self.g4_p_is_seconds else 1e-3)
            here = self._place()
            if kind == "retract" and any(map(math.isnan, here)):
                kind = "travel"
            return self._record(number, kind, (here, here), 0.0, push, self._lay(push), max(0.0, dwell), code=code)
        return None

    def _place(self) -> tuple[float, float, float]:
        x, y, z = (self.at[a] + self.offset[a] if a in self.located else NAN for a in "XYZ")
        return x, y, z

    def _active(self) -> float:
        if self.tool in self.targets:
            return self.targets[self.tool]
        return self.targets[0] if list(self.targets) == [0] else NAN

    def _lay(self, push: float) -> float:
        """What leaves the nozzle of a push, after the tool's retraction debt is paid back."""
        debt = self.debts.get(self.tool, 0.0)
        laid = max(0.0, push - debt)
        self.debts[self.tool] = max(0.0, debt - push)
        return laid if laid >= 1e-7 else 0.0

    def _record(
        self,
        number: int,
        kind: str,
        place: tuple[tuple[float, float, float], tuple[float, float, float]],
        xy: float,
        push: float,
        laid: float,
        dwell: float = 0.0,
        length: float = 0.0,
        code: str = "",
    ) -> PlainMove:
        feed = self.feed_mm_min / 60 * self.speed
        if code in self.retract_feeds:
            feed = self.retract_feeds[code] / 60
        # facts.md 1.4, M204: P printing, T travel, R retraction.
        letter = {"travel": "T", "lift": "T", "retract": "R", "prime": "R"}.get(kind, "P")
        acceleration = self.accelerations.get(letter, NAN)
        return PlainMove(
            number, kind, *place, xy, length, push, laid, feed, acceleration, dwell, self._active(), self.tool
        )

    def _move(self, number: int, code: str, words: dict[str, float]) -> PlainMove:
        start = self._place()
        if words.get("F", 0.0) > 0:
            self.feed_mm_min = words["F"] * self.unit
        for axis in "XYZ":
            if axis in words:
                if self.relative:
                    self.at[axis] += words[axis] * self.unit
                else:
                    self.at[axis] = words[axis] * self.unit
                    self.located.add(axis)
        push = 0.0
        if "E" in words:
            e_relative = self.e_relative or (self.scope == "while-relative" and self.e_in_g91)
            change = words["E"] * self.unit - (0.0 if e_relative else self.at["E"])
            self.at["E"] += change
            push = change / (self.volumetric_area or 1.0) * self.flows.get(self.tool, 1.0)
            push = push if abs(push) >= 1e-7 else 0.0  # noise, as in E-1.29e-15
        laid = self._lay(push)
        end = self._place()
        known = not any(math.isnan(v) for v in (*start, *end))
        xy, dz = math.hypot(end[0] - start[0], end[1] - start[1]), end[2] - start[2]
        length = math.hypot(xy, dz)
        points = self._arc(code, start, end, words) if code in ("G2", "G3") and known else None
        if points:
            length = path_length(points)
            xy = path_length([(x, y, 0.0) for x, y, _ in points])
        if not known:
            kind = "prime" if push > 0 else "travel"
        elif xy > 1e-6:
            kind = "deposit" if laid > 0 else "dry" if push > 0 else "wipe" if push < 0 else "travel"
        else:
            kind = "prime" if push > 0 else "retract" if push < 0 else "lift" if abs(dz) > 1e-6 else "travel"
        return self._record(number, kind, (start, end), xy if known else NAN, push, laid, length=length)

    def _arc(self, code: str, start: Vector, end: Vector, words: dict[str, float]) -> list[Vector] | None:
        """Points of an arc by its centre (facts.md 2.3); None where no centre is given in its plane."""
        if not any(letter in words for letter in {"G17": "IJ", "G18": "IK", "G19": "JK"}[self.plane]):
            return None
        i, j, k = (words.get(letter, 0.0) * self.unit for letter in "IJK")
        return arc_points(self.plane, code, start, end, (i, j, k), 4000)

    def _other(self, code: str, words: dict[str, float], named: set[str]) -> float:
        """Do a command that is no move; give the filament that it pushes."""
        match code:
            case "G17" | "G18" | "G19":
                self.plane = code
            case "G20" | "G21":
                self.unit = 25.4 if code == "G20" else 1.0
            case "G90" | "G91":
                self.relative = self.e_in_g91 = code == "G91"
                if self.scope == "until-stated":
                    self.e_relative = self.relative
            case "M82" | "M83":
                self.e_relative = code == "M83"
                self.e_in_g91 = self.e_in_g91 and code == "M83"
            case "G92":
                self._rename(words)
            case "G28":
                for axis in "XYZ":
                    if axis in named or not named & set("XYZ"):
                        self.offset[axis] = self._origin()[axis]
                        self.at[axis] = -self.offset[axis]
                        self.located.add(axis)
            case "G10" if "L" in named:
                self._set_origin(words)
            case "G92.1" | "G92.2" | "G92.3":
                for axis in "XYZ":
                    shift = self.offset[axis] - self._origin()[axis]
                    if code == "G92.3":
                        self._set_offset(axis, self._origin()[axis] + (shift or self.saved[axis]))
                    else:
                        self.saved[axis] = shift if code == "G92.2" else 0.0
                        self._set_offset(axis, self._origin()[axis])
            case _ if code in SYSTEMS:
                if len(self.origins.get(SYSTEMS.index(code) + 1, {})) == 3:
                    shift = {axis: self.offset[axis] - self._origin()[axis] for axis in "XYZ"}
                    self.system = SYSTEMS.index(code) + 1
                    for axis in "XYZ":
                        self._set_offset(axis, self._origin()[axis] + shift[axis])
            case "M200":
                self.diameter = words["D"] if words.get("D", 0.0) > 0 else self.diameter
                if words.get("D") == 0 or words.get("S") == 0:
                    self.volumetric_area = 0.0
                elif words.get("D", 0.0) > 0 or words.get("S", 0.0) > 0:
                    self.volumetric_area = math.pi * self.diameter**2 / 4
            case "M220" if words.get("S", 0.0) > 0:
                self.speed = words["S"] / 100
            case "M221" if words.get("S", -1.0) >= 0:
                # For each tool, by the convention (from memory).
                self.flows[int(words["T"]) if words.get("T", -1.0) >= 0 else self.tool] = words["S"] / 100
            case "M204":
                for letter in "PTR":
                    value = words.get(letter, 0.0 if letter == "R" else words.get("S", 0.0))
                    if value > 0:
                        self.accelerations[letter] = value
            case "M207" | "M208":
                if words.get("F", 0.0) > 0:
                    self.retract_feeds["G10" if code == "M207" else "G11"] = words["F"]
                if code == "M207":
                    self.retract_length = words.get("S", self.retract_length)
                else:
                    self.recover_extra = words.get("S", self.recover_extra)
            case "G10" | "G11" if not named & set("PL"):
                return self._firmware_retraction(code)
            case _:
                self._heat(code, words)
        return 0.0

    def _origin(self) -> dict[str, float]:
        return self.origins[self.system]

    def _set_offset(self, axis: str, offset: float) -> None:
        """Call the place where the axis stands by another number."""
        machine = self.at[axis] + self.offset[axis]
        self.offset[axis] = offset
        self.at[axis] = machine - offset

    def _set_origin(self, words: dict[str, float]) -> None:
        """G10 L2: the origin in machine coordinates (NISTIR 6556 3.5.5; facts.md 2.4). L20: so that the place where the
        axes stand has these coordinates (later editions, from memory)."""
        number = words.get("P", 0.0)
        if words.get("L") not in (2, 20) or number not in range(10):
            return
        number = int(number) or self.system
        for axis in "XYZ":
            if axis in words:
                value = words[axis] * self.unit
                shift = self.offset[axis] - self._origin()[axis]
                if words["L"] == 20:
                    value = self.at[axis] + self.offset[axis] - shift - value
                self.origins.setdefault(number, {})[axis] = value
                if number == self.system:
                    self._set_offset(axis, value + shift)

    def _machine_move(self, number: int, words: dict[str, float]) -> PlainMove:
        """G53: one absolute move in the machine's coordinates, whatever is in force (NISTIR 6556 3.5.12)."""
        before, relative, self.relative = dict(self.offset), self.relative, False
        for axis in "XYZ":
            self._set_offset(axis, 0.0)
        move = self._move(number, "G1", words)
        for axis in "XYZ":
            self._set_offset(axis, before[axis])
        self.relative = relative
        return move

    def _rename(self, words: dict[str, float]) -> None:
        """G92: the place where the axis stands gets another name (facts.md 2.4); bare, every axis is called 0."""
        named = {axis: words[axis] * self.unit for axis in "XYZE" if axis in words}
        for axis, value in (named or dict.fromkeys("XYZE", 0.0)).items():
            if axis != "E":
                self.offset[axis] += self.at[axis] - value
            self.at[axis] = value

    def _firmware_retraction(self, code: str) -> float:
        """facts.md 1.4: lengths and feeds from M207 and M208 (S on top of what was pulled); for each tool (from memory)."""
        if code == "G10":
            if self.tool in self.retracted:
                return 0.0
            self.retracted[self.tool] = self.retract_length
            return -self.retract_length
        return max(0.0, self.retracted.pop(self.tool) + self.recover_extra) if self.tool in self.retracted else 0.0

    def _heat(self, code: str, words: dict[str, float]) -> None:
        if code == MACRO:
            # A macro may have heated what was off.
            self.targets = {tool: target for tool, target in self.targets.items() if target >= 60}
        elif code[0] == "T" and code != UNREAD and float(code[1:]) < 16:
            self.tool = int(float(code[1:]))
        elif code in ("M104", "M109", "G10"):
            target = words.get("S", words.get("R"))
            named = words.get("P" if code == "G10" else "T")
            if target is not None and not (code == "G10" and named is None):
                self.targets[int(named) if named is not None and 0 <= named < 16 else self.tool] = target
