"""A light reading of any job for the damage maker: where the nozzle is, what is laid, which lines make a layer.

Knows nothing of specimens or of the daemon's reader; reads what it can and leaves every other line alone. Lengths mm,
E in the units of the job. Lines are counted from 0 here (the damage reports count from 1).
"""

import math
import re
from dataclasses import dataclass

__all__ = ["LayerLines", "Line", "Scan", "scan_job", "words_of"]

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)"
# An exponent is taken only as noise is written, `1.29e-15`: `G92E0`, `X100E-2` and `Y3E2.5` are two words each.
WORD = re.compile(rf"([A-Za-z])\s*([-+]?\d*\.\d+e-\d{{1,3}}(?![\d.])|{_NUMBER})")
COMMENT = re.compile(r"\([^)]*\)|;.*")
HEIGHT_DIGITS = 3
FILAMENT_MM = 1.75  # mm: where nobody says otherwise
FIRST_LINES = 5000  # lines read to learn the letter of the filament's axis
MOVING = frozenset("XYZIJ")
RISE_MM = 0.2  # mm; about one layer: where one turn of a spiral is taken to end
LARGEST_MM = 1e5  # a coordinate beyond this is damage, not a place; it is read and not followed


@dataclass(slots=True)
class Line:
    """What one line does; places are where it ends. `de` and `laid` are in the units of the job."""

    code: str  # "G1", "M104", "" for comments, blanks and what is not understood
    words: dict[str, float]
    x: float
    y: float
    z: float
    e: float  # the counter of the printer
    debt: float
    feed: float
    xyz_relative: bool
    e_relative: bool
    unit: float  # mm per unit of a coordinate
    de: float = 0.0
    laid: float = 0.0
    mm3: float = 0.0
    length: float = 0.0  # XY path, mm
    moves: bool = False

    @property
    def bead(self) -> bool:
        """Lays material along a path."""
        return self.moves and self.laid > 0 and self.length > 0


@dataclass(slots=True)
class LayerLines:
    """Lines of one layer, from 0, both included; `z_line` is the move to its height."""

    z: float
    first: int
    last: int
    z_line: int
    length: float = 0.0


@dataclass(slots=True)
class Scan:
    """A job read: raw lines without line ends, one record for each, layers in print order."""

    raw: list[str]
    lines: list[Line]
    newline: str
    layers: list[LayerLines]
    e_letter: str
    no_e: bool

    def text(self, raw: list[str] | None = None) -> bytes:
        """The job as bytes; latin-1 keeps every byte as it was."""
        return self.newline.join(self.raw if raw is None else raw).encode("latin-1")


def words_of(raw: str) -> list[tuple[str, float]]:
    """Words of a line outside comments, in order, letters in upper case; a checksum is left out."""
    body = COMMENT.sub(" ", raw) if ";" in raw or "(" in raw else raw
    body = body.split("*")[0] if "*" in body else body
    return [(letter.upper(), float(number)) for letter, number in WORD.findall(body)]


def _arc_length(
    at: tuple[float, float], end: tuple[float, float], words: dict[str, float], unit: float, clockwise: bool
) -> float:
    (x, y), (nx, ny) = at, end
    if "R" in words:
        r = abs(words["R"]) * unit
        half = min(math.hypot(nx - x, ny - y) / 2 / r, 1.0) if r else 0.0
        return 2 * r * math.asin(half)
    cx, cy = x + words.get("I", 0.0) * unit, y + words.get("J", 0.0) * unit
    r = math.hypot(x - cx, y - cy)
    sweep = math.atan2(ny - cy, nx - cx) - math.atan2(y - cy, x - cx)
    sweep = (-sweep if clockwise else sweep) % math.tau
    return r * (sweep if sweep > 1e-9 else math.tau)


class _Reader:
    """The state of a printer that reads the job."""

    def __init__(self, e_letter: str, no_e: bool, filament_mm: float) -> None:
        self.e_letter, self.no_e = e_letter, no_e
        self.at = {"X": 0.0, "Y": 0.0, "Z": 0.0}
        self.e = self.debt = self.feed = 0.0
        self.tool = "T0"
        self.debts: dict[str, float] = {}
        self.filament_area_mm2 = math.pi * filament_mm**2 / 4
        self.unit, self.mm3_per_e = 1.0, self.filament_area_mm2
        self.xyz_relative = self.e_relative = self.pushing = False

    def record(self, code: str, words: dict[str, float]) -> Line:
        a = self.at
        return Line(
            code,
            words,
            a["X"],
            a["Y"],
            a["Z"],
            self.e,
            self.debt,
            self.feed,
            self.xyz_relative,
            self.e_relative,
            self.unit,
        )

    def move(self, code: str, words: dict[str, float]) -> Line:
        x, y = self.at["X"], self.at["Y"]
        self.feed = words.get("F", self.feed)
        for axis in "XYZ":
            if axis in words and abs(words[axis]) < LARGEST_MM:
                self.at[axis] = words[axis] * self.unit + (self.at[axis] if self.xyz_relative else 0.0)
        de = laid = 0.0
        if self.e_letter in words and abs(words[self.e_letter]) < LARGEST_MM * 100:
            de = words[self.e_letter] - (0.0 if self.e_relative else self.e)
            self.e += de
        end = (self.at["X"], self.at["Y"])
        arc = code in ("G2", "G3")
        length = _arc_length((x, y), end, words, self.unit, code == "G2") if arc else math.hypot(end[0] - x, end[1] - y)
        if self.no_e:
            laid = length if self.pushing else 0.0
        elif de < 0:
            self.debt -= de
        else:
            laid = max(de - self.debt, 0.0)
            self.debt = max(self.debt - de, 0.0)
            laid = laid if laid > 1e-7 else 0.0
        line = self.record(code, words)
        line.moves = not MOVING.isdisjoint(words) or self.e_letter in words
        line.de, line.laid, line.length = de, laid, length
        # Without E an ordinary bead of 0.4 x 0.2 mm stands for what is laid.
        line.mm3 = laid * (0.08 if self.no_e else self.mm3_per_e * self.unit)
        return line

    def other(self, code: str, words: dict[str, float]) -> Line:
        match code:
            case "G92":
                for axis in "XYZ":
                    if axis in words:
                        self.at[axis] = words[axis] * self.unit
                self.e = words.get(self.e_letter, self.e)
            case "G90" | "G91":
                self.xyz_relative = code == "G91"
            case "M82" | "M83":
                self.e_relative = code == "M83"
            case "G20" | "G21":
                self.unit = 25.4 if code == "G20" else 1.0
            case "M200":
                self.mm3_per_e = 1.0 if words.get("D", 0.0) > 0 else self.filament_area_mm2
            case "M101" | "M103":
                self.pushing = code == "M101"
            case _ if code[0] == "T":
                self.debts[self.tool] = self.debt
                self.tool = code
                self.debt = self.debts.get(code, 0.0)
        return self.record(code, words)


def _e_letter(raw: list[str]) -> str:
    """The axis that moves the filament: A in jobs that speak of A and never of E."""
    axis_a = False
    for text_line in raw[:FIRST_LINES]:
        found = words_of(text_line)
        if any(word in (("G", 0.0), ("G", 1.0)) for word in found):
            letters = {letter for letter, _ in found}
            if "E" in letters:
                return "E"
            axis_a = axis_a or "A" in letters
    return "A" if axis_a else "E"


def scan_job(text: bytes, *, filament_mm: float = FILAMENT_MM) -> Scan:
    """Read a job; never raises on odd lines. `filament_mm` is the diameter, for volumes."""
    decoded = text.decode("latin-1")
    newline = "\r\n" if "\r\n" in decoded else "\n"
    raw = decoded.split(newline)
    e_letter = _e_letter(raw)
    switched = re.search(r"^(?:N\d+\s*)?M101\b", decoded, re.MULTILINE | re.IGNORECASE) is not None
    # Some jobs switch the extruder and say all the same how much it pushes: then that counts.
    no_e = switched and not re.search(
        rf"^(?:N\d+\s*)?G0?1\b[^;(\n]*{e_letter}\s*[-+.\d]", decoded, re.MULTILINE | re.IGNORECASE
    )
    reader = _Reader(e_letter, no_e, filament_mm)
    lines: list[Line] = []
    for text_line in raw:
        found = words_of(text_line)
        if found and found[0][0] == "N":
            found = found[1:]
        if not found or found[0][0] not in "GMT":
            lines.append(reader.record("", {}))
            continue
        code = f"{found[0][0]}{found[0][1]:g}"
        words = {k: v for k, v in found[1:] if k not in "GM"}
        lines.append(reader.move(code, words) if code in ("G0", "G1", "G2", "G3") else reader.other(code, words))
    return Scan(raw, lines, newline, _layers(lines), e_letter, no_e)


def _layers(lines: list[Line]) -> list[LayerLines]:
    """Runs of beads at one height; a bead that rises along its length stays in its run until it rose by `RISE_MM`."""
    layers: list[LayerLines] = []
    z_line, last_z, begun_at = 0, 0.0, 0.0
    for i, line in enumerate(lines):
        if line.moves and abs(line.z - last_z) > 1e-6:
            z_line, last_z = i, line.z
        if not line.bead:
            continue
        rising = z_line == i and bool(layers) and layers[-1].z < line.z < begun_at + RISE_MM
        if rising:
            layers[-1].z = line.z
        elif not layers or round(layers[-1].z, HEIGHT_DIGITS) != round(line.z, HEIGHT_DIGITS):
            begun_at = line.z
            if layers:
                layers[-1].last = z_line - 1 if z_line > layers[-1].last else i - 1
            layers.append(LayerLines(line.z, z_line, i, z_line))
        layers[-1].last = i
        layers[-1].length += line.length
    return layers
