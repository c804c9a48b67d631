"""A slow, plain reader of jobs for the tests: line by line, character by character. Shares no code with the makers.

Rules followed: words are a letter and a number, blanks may be missing (NISTIR 6556, 3.3); comments `;` and `( )`;
checksum by exclusive or (facts 1.1); I and J count from the start of an arc, end = start is the full circle (NISTIR
6556, 3.5.3). An exponent is taken only for a small `e` with a sign between capital words, as noise in E words is
written.
"""

import math
from dataclasses import dataclass, field


@dataclass
class ReadBead:
    """One command that lays material."""

    line: int
    z0: float
    z: float
    length: float
    filament: float  # mm of filament beyond the debt; 0 in jobs without E
    points: list[tuple[float, float]]


@dataclass
class Read:
    """A job as read."""

    beads: list[ReadBead] = field(default_factory=list)
    moves: list[tuple[int, tuple[float, float, float], tuple[float, float, float], bool]] = field(default_factory=list)
    commands: list[tuple[int, str, dict[str, float]]] = field(default_factory=list)
    comments: list[tuple[int, str]] = field(default_factory=list)
    debt: float = 0.0
    lines: int = 0
    pulled: float = 0.0
    feeds: list[float] = field(default_factory=list)  # mm/s of each move


def strip_comments(text: str) -> tuple[str, str]:
    """(words, comment) of a line."""
    words, comment, depth = "", "", False
    for i, c in enumerate(text):
        if depth:
            depth = c != ")"
            comment += c if depth else " "
        elif c == "(":
            depth = True
        elif c == ";":
            return words, comment + text[i + 1 :]
        else:
            words += c
    return words, comment


def tokens(text: str) -> list[tuple[str, float]]:
    """Words of a line without comments; stops at the first letter that carries no number (free text)."""
    out: list[tuple[str, float]] = []
    i = 0
    while i < len(text):
        c = text[i]
        i += 1
        if c.isspace():
            continue
        number = ""
        while i < len(text) and (
            text[i] in "+-.0123456789" or (number and text[i] == "e" and text[i + 1 : i + 2] in ("+", "-"))
        ):
            if text[i] in "+-" and number and number[-1] != "e":
                break
            number += text[i]
            i += 1
        if not number:
            return out
        out.append((c.upper(), float(number)))
    return out


def points_of_arc(
    x: float, y: float, nx: float, ny: float, words: dict[str, float], unit: float
) -> tuple[float, list[tuple[float, float]]]:
    """Length and sample points of a counter-clockwise arc (the makers write no other)."""
    if "R" in words:
        r = words["R"] * unit
        dx, dy = nx - x, ny - y
        d = math.hypot(dx, dy)
        h = math.sqrt(max(r * r - d * d / 4, 0.0))
        # Counter-clockwise with R > 0: the centre lies to the left of the chord (facts 2.3).
        cx, cy = (x + nx) / 2 - dy / d * h, (y + ny) / 2 + dx / d * h
    else:
        cx, cy = x + words.get("I", 0.0) * unit, y + words.get("J", 0.0) * unit
    r = math.hypot(x - cx, y - cy)
    a0 = math.atan2(y - cy, x - cx)
    sweep = (math.atan2(ny - cy, nx - cx) - a0) % (2 * math.pi)
    if sweep < 1e-9:
        sweep = 2 * math.pi
    n = max(8, math.ceil(sweep / 0.02))
    pts = [(cx + r * math.cos(a0 + sweep * i / n), cy + r * math.sin(a0 + sweep * i / n)) for i in range(n + 1)]
    return r * sweep, pts


def read(text: bytes, *, e_letter: str = "E", no_e: bool = False, filament_d: float = 1.75) -> Read:
    """Read a job; raises AssertionError at the first checksum or word that is wrong."""
    out = Read()
    area = math.pi * filament_d**2 / 4
    if text.startswith(b"\xef\xbb\xbf"):
        text = text[3:]
    x = y = z = e = debt = 0.0
    unit, e_unit, feed = 1.0, 1.0, 0.0
    xyz_rel = e_rel = pushing = False
    next_number = 1
    tool, debts = "T0", {"T0": 0.0}
    lines = text.decode().split("\n")
    assert lines[-1] == ""
    for n, raw in enumerate(lines[:-1], 1):
        line = raw.removesuffix("\r")
        out.lines = n
        body, comment = strip_comments(line)
        if comment:
            out.comments.append((n, comment))
        if "*" in body:
            framed, given = body.split("*")
            check = 0
            for byte in framed.encode():
                check ^= byte
            assert check == int(given), f"line {n}: checksum"
            assert int(framed[1:].split()[0].split("G")[0].split("M")[0]) == next_number
            next_number += 1
            body = framed
        words = tokens(body)
        if words and words[0][0] == "N":
            words = words[1:]
        if not words or words[0][0] not in "GMT":
            continue
        code = f"{words[0][0]}{words[0][1]:g}"
        args = dict(words[1:])
        if code in ("G0", "G1", "G2", "G3"):
            if "F" in args:
                feed = args["F"] * unit / 60
            if not set(args) - {"F"}:
                continue
            nx, ny, nz = (
                (here if xyz_rel else 0.0) + args[k] * unit if k in args else here
                for k, here in (("X", x), ("Y", y), ("Z", z))
            )
            de = 0.0
            if e_letter in args:
                de = args[e_letter] - (0.0 if e_rel else e)
                e = e + de
            filament = de * unit / e_unit
            length, pts = math.hypot(nx - x, ny - y), [(x, y), (nx, ny)]
            if code in ("G2", "G3"):
                length, pts = points_of_arc(x, y, nx, ny, args, unit)
            laid = 0.0
            if filament < 0:
                debt -= filament
                out.pulled -= filament
            else:
                laid = max(filament - debt, 0.0)
                debt = max(debt - filament, 0.0)
            laying = length > 0 and (pushing if no_e else laid > 1e-7)
            if laying:
                out.beads.append(ReadBead(n, z, nz, length, laid, pts))
            out.moves.append((n, (x, y, z), (nx, ny, nz), laying))
            out.feeds.append(feed)
            x, y, z = nx, ny, nz
            continue
        out.commands.append((n, code, args))
        if code[0] == "T":
            # Each tool keeps its own debt: what one pulled back the other cannot pay (facts 1.4, row T).
            debts[tool] = debt
            tool = code
            debt = debts.get(tool, 0.0)
        match code:
            case "G92":
                e = args.get(e_letter, e)
                x, y, z = (args[k] * unit if k in args else here for k, here in (("X", x), ("Y", y), ("Z", z)))
            case "G90":
                xyz_rel = False
            case "G91":
                xyz_rel = True
            case "M82":
                e_rel = False
            case "M83":
                e_rel = True
            case "G20":
                unit = 25.4
            case "G21":
                unit = 1.0
            case "M200":
                e_unit = area
            case "M101":
                pushing = True
            case "M103":
                pushing = False
    out.debt = debt
    return out


def read_specimen(specimen) -> Read:  # type: ignore[no-untyped-def]
    """Read with what a printer would know besides the job: diameter, and which axis moves the filament."""
    t = specimen.truth
    return read(
        specimen.text,
        e_letter="A" if t.kind == "axis-a" else "E",
        no_e="no-e" in t.flags,
        filament_d=t.filament_diameter_mm,
    )
