"""A light reading of any job for the damage maker: where the nozzle is, what is laid, which lines make a layer.

Knows nothing of specimens or of the daemon's reader; reads what it can and leaves every other line alone. Lengths mm,
E in the units of the job. Lines are numbered from 0 here (the damage reports count from 1).
"""

import math
import re
from dataclasses import dataclass

__all__ = ["LayerLines", "Line", "Scan", "rewrite_word", "scan_job"]

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)"
# An exponent is taken only where no decimal point follows: `Y3E2.5` is Y3 and E2.5.
_WORD = re.compile(rf"([A-Za-z])\s*({_NUMBER}(?:[eE][-+]?\d{{1,3}}(?![\d.]))?)")
_COMMENT = re.compile(r"\([^)]*\)|;.*")
_NUMBERED = re.compile(r"^\s*N(\d+)\s*", re.IGNORECASE)
_HEIGHT_DIGITS = 3


@dataclass(slots=True)
class Line:
    """What one line does. `e_before`/`e_after` are the counter of the printer; x, y, z where the move ends (mm)."""

    code: str  # "G1", "M104", "" for comments and blanks
    words: dict[str, float]
    x: float
    y: float
    z: float
    e_after: float
    de: float = 0.0  # filament moved, units of the job
    length: float = 0.0  # XY path, mm
    laid: float = 0.0  # filament beyond the debt, units of the job
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
    body = _COMMENT.sub(" ", raw).split("*")[0]
    return [(m[1].upper(), float(m[2])) for m in _WORD.finditer(body)]


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


def scan_job(text: bytes) -> Scan:
    """Read a job; never raises on odd lines."""
    decoded = text.decode("latin-1")
    newline = "\r\n" if "\r\n" in decoded else "\n"
    raw = decoded.split(newline)
    # A job that speaks of axis A where others speak of E moves its filament there.
    sample = decoded[:200_000]
    e_letter = (
        "A"
        if re.search(r"^G1[^;\n]*\sA-?[\d.]", sample, re.M | re.I)
        and not re.search(r"^G1[^;\n]*E-?[\d.]", sample, re.M)
        else "E"
    )
    no_e = re.search(r"^\s*M101\b", decoded, re.M) is not None
    lines: list[Line] = []
    x = y = z = e = debt = 0.0
    unit, xyz_relative, e_relative, pushing = 1.0, False, False, False
    for text_line in raw:
        found = words_of(text_line)
        if found and found[0][0] == "N":
            found = found[1:]
        if not found or found[0][0] not in "GMT":
            lines.append(Line("", {}, x, y, z, e))
            continue
        code = f"{found[0][0]}{found[0][1]:g}"
        words = {k: v for k, v in found[1:] if k not in "GM"}
        line = Line(code, words, x, y, z, e)
        match code:
            case "G0" | "G1" | "G2" | "G3":
                nx, ny, nz = (
                    here if axis not in words else here + words[axis] * unit if xyz_relative else words[axis] * unit
                    for axis, here in (("X", x), ("Y", y), ("Z", z))
                )
                de = 0.0
                if e_letter in words:
                    de = words[e_letter] if e_relative else words[e_letter] - e
                    e += de
                arc = code in ("G2", "G3")
                line.length = (
                    _arc_length((x, y), (nx, ny), words, unit, code == "G2") if arc else math.hypot(nx - x, ny - y)
                )
                line.moves = True
                line.de = de
                if no_e:
                    line.laid = line.length if pushing else 0.0
                elif de < 0:
                    debt -= de
                else:
                    line.laid = max(de - debt, 0.0)
                    debt = max(debt - de, 0.0)
                if line.laid < 1e-9:
                    line.laid = 0.0
                x, y, z = nx, ny, nz
                line.x, line.y, line.z, line.e_after = x, y, z, e
            case "G92":
                for axis, value in words.items():
                    match axis:
                        case "X":
                            x = value * unit
                        case "Y":
                            y = value * unit
                        case "Z":
                            z = value * unit
                        case _ if axis == e_letter:
                            e = value
                line.x, line.y, line.z, line.e_after = x, y, z, e
            case "G90":
                xyz_relative = False
            case "G91":
                xyz_relative = True
            case "M82":
                e_relative = False
            case "M83":
                e_relative = True
            case "G20":
                unit = 25.4
            case "G21":
                unit = 1.0
            case "M101":
                pushing = True
            case "M103":
                pushing = False
        lines.append(line)
    return Scan(raw, lines, newline, _layers(lines), e_letter, no_e)


def _layers(lines: list[Line]) -> list[LayerLines]:
    """Runs of beads at one height; a run ends where a bead lies at another height."""
    layers: list[LayerLines] = []
    z_line = 0
    last_z = 0.0
    for i, line in enumerate(lines):
        if line.moves and abs(line.z - last_z) > 1e-6:
            z_line, last_z = i, line.z
        if line.bead:
            if not layers or round(layers[-1].z, _HEIGHT_DIGITS) != round(line.z, _HEIGHT_DIGITS):
                if layers:
                    layers[-1].last = z_line - 1 if z_line > layers[-1].z_line else i - 1
                layers.append(LayerLines(line.z, z_line if z_line else i, i, z_line))
            layers[-1].last = i
            layers[-1].length += line.length
    return layers


def rewrite_word(raw: str, letter: str, value: float, decimals: int = 5) -> str:
    """The line with the number of its first `letter` word outside comments replaced; the rest is kept as it was."""
    for m in _WORD.finditer(_COMMENT.sub(lambda c: " " * len(c[0]), raw)):
        if m[1].upper() == letter:
            return raw[: m.start(2)] + f"{value:.{decimals}f}" + raw[m.end(2) :]
    return raw


def renumber(raw: list[str]) -> list[str]:
    """Line numbers and checksums made right again, as though the generator had written these lines."""
    if not any(_NUMBERED.match(line) and "*" in line for line in raw[:50]):
        return raw
    out, n = [], 0
    for line in raw:
        if not line.strip():
            out.append(line)
            continue
        n += 1
        blank = re.match(r"^\s*N\d+(\s*)", line, re.IGNORECASE)
        body = _NUMBERED.sub("", line).split("*")[0]
        framed = f"N{n}{blank[1] if blank else ' '}{body}"
        check = 0
        for byte in framed.encode("latin-1"):
            check ^= byte
        out.append(f"{framed}*{check}")
    return out
