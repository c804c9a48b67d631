"""Writes a plan as text in one style, and notes on the way what is true of it; decides nothing about the part.

It follows the modes as a printer does (G90/G91, M82/M83, G20/G21, G92, M200) and works in whole units of the last
decimal, so that absolute and relative words add up to the same places without drift.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random

from .bead import filament_area_mm2
from .plan import Bead, Command, LayerStart, Note, ObjectLabel, Pull, Step, Travel
from .styles import WritingStyle
from .truth import Box, LayerTruth, PrimeTruth

__all__ = ["Written", "write"]

INCH_MM = 25.4  # mm, exactly


@dataclass(slots=True)
class Written:
    """The text and what was counted while writing it."""

    text: bytes
    layers: list[LayerTruth]
    prime: PrimeTruth | None
    final_debt_mm: float
    lines: int
    box_mm: Box


@dataclass(slots=True)
class _Tally:
    start: LayerStart
    first_line: int
    z_line: int = 0
    beads: int = 0
    path: float = 0.0
    filament: float = 0.0
    thin: float = 0.0
    z_low: float = math.inf
    z_high: float = -math.inf
    last_line: int = 0
    box: list[float] = field(default_factory=lambda: [math.inf, math.inf, -math.inf, -math.inf])
    roles: dict[str, float] = field(default_factory=dict)

    def box_mm(self) -> Box:
        a, b, c, d = self.box
        return (a, b, c, d)


def _arc(start: tuple[float, float], end: tuple[float, float], centre: tuple[float, float]) -> tuple[float, Box]:
    """Length and bounds of a counter-clockwise arc; end = start means the full circle."""
    r = math.dist(start, centre)
    a0 = math.atan2(start[1] - centre[1], start[0] - centre[0])
    sweep = (math.atan2(end[1] - centre[1], end[0] - centre[0]) - a0) % math.tau
    if sweep < 1e-9:
        sweep = math.tau
    points = [start, end]
    for quarter in range(math.ceil(a0 / (math.pi / 2)), math.floor((a0 + sweep) / (math.pi / 2)) + 1):
        a = quarter * math.pi / 2
        points.append((centre[0] + r * math.cos(a), centre[1] + r * math.sin(a)))
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    return r * sweep, (min(xs), min(ys), max(xs), max(ys))


class _Writer:
    def __init__(
        self,
        style: WritingStyle,
        *,
        filament_d: float,
        e_letter: str,
        no_e: bool,
        r_form: bool,
        reset_e: bool,
        rng: Random,
    ) -> None:
        self.style, self.rng = style, rng
        self.area, self.e_letter, self.no_e, self.r_form, self.reset_e = (
            filament_area_mm2(filament_d),
            e_letter,
            no_e,
            r_form,
            reset_e,
        )
        self.out: list[str] = []
        self.number = 0
        self.xyz_relative = self.e_relative = self.inches = self.volumetric = False
        self.at = [0, 0, 0]  # X Y Z in whole units of the last decimal
        self.e_exact = 0.0  # units of the job
        self.e_ticks = 0
        self.feed: float | None = None
        self.debt = 0.0
        self.tool, self.debts = "T0", {"T0": 0.0}
        self.pushing = False
        self.role = ""
        self.layers: list[LayerTruth] = []
        self.tally: _Tally | None = None
        self.prime: _Tally | None = None
        self.count = 0
        self.g_width = 2 if style.padded_codes else 1

    # Units: decimals of a coordinate and of an E word, and how many mm one unit is.
    @property
    def decimals(self) -> int:
        return 5 if self.inches else 3

    @property
    def unit(self) -> float:
        return INCH_MM if self.inches else 1.0

    def mm(self, ticks: int) -> float:
        return ticks / float(10**self.decimals) * self.unit

    def ticks(self, mm: float) -> int:
        return round(mm / self.unit * float(10**self.decimals))

    @property
    def e_decimals(self) -> int:
        return 7 if self.inches else 5

    def fixed(self, ticks: int, decimals: int, *, signed: bool = False) -> str:
        s = self.style
        if ticks == 0 and s.minus_zero and self.rng.random() < 0.3:
            return "-" + f"{0:.{decimals}f}"
        text = f"{ticks / 10**decimals:.{decimals}f}"
        if s.strip_zeros:
            text = text.rstrip("0").rstrip(".") or "0"
            text = "0" if text == "-0" else text
        if s.strip_leading:
            text = text.replace("-0.", "-.") if text.startswith("-0.") else text[1:] if text.startswith("0.") else text
        return f"+{text}" if signed and s.plus and ticks > 0 else text

    def plain(self, value: float) -> str:
        return str(int(value)) if value == int(value) else f"{value:.4f}".rstrip("0")

    def emit(self, words: Sequence[str], remark: str = "") -> None:
        s = self.style
        line = s.blank.join(words)
        if s.lower:
            line = line.lower()
        if s.numbered:
            self.number += 1
            line = f"N{self.number}{s.blank}{line}"
            check = 0
            for byte in line.encode():
                check ^= byte
            line += f"*{check}"
        elif remark and s.trailing_comment and s.comment:
            line += f" ; {remark}" if s.comment == ";" else f" ({remark})"
        self.out.append(line)

    def comment(self, text: str) -> None:
        if self.style.comment == ";":
            self.out.append(f"; {text}")
        elif self.style.comment == "(":
            self.out.append("(" + text.replace("(", "[").replace(")", "]") + ")")

    def code(self, letter: str, number: str) -> str:
        return letter + number.zfill(self.g_width)

    def move(
        self,
        code: str,
        target: Sequence[float | None],
        e: int | None,
        speed: float | None,
        extra: dict[str, str] | None = None,
    ) -> None:
        """Write one move; target in mm, e in ticks since the last E, speed in mm/s."""
        s = self.style
        words: dict[str, str] = dict(extra or {})
        asked = any(v is not None for v in target)
        for i, (axis, value) in enumerate(zip("XYZ", target, strict=True)):
            goal = self.at[i] if value is None else self.ticks(value)
            if goal != self.at[i] or (s.repeat_words and axis != "Z" and asked):
                shown = goal - self.at[i] if self.xyz_relative else goal
                words[axis] = axis + self.fixed(shown, self.decimals, signed=axis == "Z")
            self.at[i] = goal
        if e is not None and not self.no_e:
            shown = e if self.e_relative else self.e_ticks + e
            self.e_ticks += e
            words["E"] = self.e_letter + self.fixed(shown, self.e_decimals)
        elif e is None and s.exponent_noise and self.e_relative and not self.no_e and self.rng.random() < 0.3:
            words["E"] = f"{self.e_letter}{self.rng.choice((1.2899, -1.1102, 2.2204))}e-1{self.rng.randrange(4, 7)}"
        if not words:
            return
        if speed is not None:
            feed = round(speed * 60 / self.unit, 2 if self.inches else 0)
            if feed != self.feed or s.repeat_words:
                if s.feed_alone and feed != self.feed:
                    self.emit([self.code("G", "1"), "F" + self.plain(feed)])
                else:
                    words["F"] = "F" + self.plain(feed)
            self.feed = feed
        self.emit([code, *(words[k] for k in s.order if k in words)])

    def e_step(self, mm: float) -> int:
        """Advance the exact E by mm of filament; whole ticks to write."""
        scale = float(10**self.e_decimals)
        before = round(self.e_exact * scale)
        self.e_exact += mm * (self.area if self.volumetric else 1 / self.unit)
        return round(self.e_exact * scale) - before

    def e_mm(self, ticks: int) -> float:
        units = ticks / float(10**self.e_decimals)
        return units / self.area if self.volumetric else units * self.unit

    def switch(self, on: bool) -> None:
        if self.no_e and on != self.pushing:
            self.emit([self.code("M", "101" if on else "103")])
        self.pushing = on

    def offsets(self, centre: tuple[float, float]) -> tuple[dict[str, str], tuple[float, float]]:
        """I and J words, and the centre that they really say."""
        i, j = self.ticks(centre[0]) - self.at[0], self.ticks(centre[1]) - self.at[1]
        words = {"I": "I" + self.fixed(i, self.decimals), "J": "J" + self.fixed(j, self.decimals)}
        return words, (self.mm(self.at[0] + i), self.mm(self.at[1] + j))

    def arch(self, x: float, rise: float) -> tuple[dict[str, str], str]:
        """I and K words of an arc in the ZX plane that rises and comes down again, and its command."""
        half = (self.ticks(x) - self.at[0]) / 2
        up = self.ticks(rise)
        radius = (half * half + up * up) / (2 * up)
        words = {
            "I": "I" + self.fixed(round(half), self.decimals),
            "K": "K" + self.fixed(round(up - radius), self.decimals),
        }
        # Seen from +Y, Z runs to the right and X upwards (RS-274/NGC 3.5.3): over the top towards +X is counter-clockwise.
        return words, self.code("G", "3" if half > 0 else "2")

    def travel(self, step: Travel) -> None:
        self.switch(False)
        e = None
        if step.pull:
            e = self.e_step(-step.pull)
            self.debt -= self.e_mm(e)
        lines = len(self.out)
        code = self.code("G", "0" if self.style.g0_travels and not step.pull else "1")
        if step.arch and step.x is not None:
            words, code = self.arch(step.x, step.arch)
            self.move(code, (step.x, step.y, step.z), e, step.speed, words)
            return
        if step.centre is not None:
            words, _ = self.offsets(step.centre)
            self.move(self.code("G", "3"), (None, None, step.z), e, step.speed, words)
        else:
            self.move(code, (step.x, step.y, step.z), e, step.speed)
        if step.layer_z and self.tally is not None and len(self.out) > lines:
            self.tally.z_line = len(self.out)

    def bead(self, step: Bead) -> None:
        self.switch(True)
        if step.role != self.role and self.style.role_note:
            self.comment(self.style.role_note.format(role=step.role))
        self.role = step.role
        start = (self.mm(self.at[0]), self.mm(self.at[1]))
        end = (self.mm(self.ticks(step.x)), self.mm(self.ticks(step.y)))
        z0 = self.mm(self.at[2])
        words: dict[str, str] = {}
        code = self.code("G", "1")
        if step.centre is None:
            length = math.dist(start, end)
            box = (min(start[0], end[0]), min(start[1], end[1]), max(start[0], end[0]), max(start[1], end[1]))
            if length == 0:
                return
        else:
            code = self.code("G", "3")
            words, centre = self.offsets(step.centre)
            length, box = _arc(start, end, centre)
            if self.r_form:
                words = {"R": "R" + self.fixed(self.ticks(math.dist(start, centre)), self.decimals)}
        e = self.e_step(step.area * length / self.area)
        filament = 0.0 if self.no_e else self.e_mm(e)
        self.move(code, (step.x, step.y, step.z), e, step.speed, words)
        z1 = self.mm(self.at[2])
        tally = self.tally
        if tally is None:
            if self.prime is None:
                self.prime = _Tally(LayerStart(-1), len(self.out))
            tally = self.prime
        tally.beads += 1
        tally.path += length
        tally.filament += filament
        tally.last_line = len(self.out)
        tally.roles[step.role] = tally.roles.get(step.role, 0.0) + length
        if step.role == "ironing":
            tally.thin += length
        tally.z_low, tally.z_high = min(tally.z_low, z0, z1), max(tally.z_high, z0, z1)
        tally.box = [
            min(tally.box[0], box[0]),
            min(tally.box[1], box[1]),
            max(tally.box[2], box[2]),
            max(tally.box[3], box[3]),
        ]

    def pull(self, step: Pull) -> None:
        if self.no_e:
            return
        if step.firmware:
            self.emit([self.code("G", "10" if step.length > 0 else "11")])
            return
        e = self.e_step(-step.length)
        self.debt -= self.e_mm(e)
        self.move(self.code("G", "1"), (None, None, None), e, step.speed)

    def command(self, step: Command) -> None:
        words = [(step.code[0] + step.code[1:].zfill(self.g_width)) if step.code[0] in "GM" else step.code]
        for letter, value in step.words:
            text = self.plain(value)
            if letter == "S" and self.style.fraction_s and value == int(value):
                text = f"{value:.2f}"
            words.append(self.e_letter + self.plain(value) if letter == "E" else letter + text)
        if step.code == "G1":
            raise ValueError("moves are no commands: use Travel, Bead or Pull")
        if step.text:
            # Free text keeps its blanks and its case even where words are packed or small.
            words[-1] = words[-1] + " " + step.text
        if step.code[0] == "T":
            self.debts[self.tool] = self.debt
            self.tool = step.code
            self.debt = self.debts.get(self.tool, 0.0)
        match step.code:
            case "G90" | "G91":
                self.xyz_relative = step.code == "G91"
            case "M82" | "M83":
                self.e_relative = step.code == "M83"
            case "G20" | "G21":
                self.inches = step.code == "G20"
            case "M200":
                self.volumetric = True
            case "G92":
                for letter, value in step.words:
                    if letter == "E":
                        self.e_ticks = round(value * 10**self.e_decimals)
                        self.e_exact = self.e_ticks / 10**self.e_decimals
                    else:
                        self.at["XYZ".index(letter)] = self.ticks(value * self.unit)
        self.emit(words, step.remark)

    def close(self) -> None:
        if self.tally is None:
            return
        t = self.tally
        last = len(self.out)
        if t.beads:
            self.layers.append(
                LayerTruth(
                    index=len(self.layers),
                    z_mm=t.z_high,
                    z_low_mm=t.z_low,
                    height_mm=t.start.height,
                    beads=t.beads,
                    path_mm=t.path,
                    volume_mm3=t.filament * self.area,
                    filament_mm=t.filament,
                    thin_pass_mm=t.thin,
                    first_line=t.first_line,
                    last_line=last,
                    z_line=t.z_line or t.first_line,
                    box_mm=t.box_mm(),
                    object_name=t.start.object_name,
                    roles=t.roles,
                )
            )
        self.tally = None

    def layer(self, step: LayerStart, facts: dict[str, object]) -> None:
        self.close()
        if step.index < 0:
            return
        self.tally = _Tally(step, len(self.out) + 1)
        s = self.style
        if s.blank_lines:
            self.out.append("")
        if s.layer_note:
            self.comment(s.layer_note.format(n=step.index + s.first_layer_number, z=step.z, **facts))
        if self.reset_e:
            self.command(Command("G92", (("E", 0.0),)))

    def label(self, step: ObjectLabel) -> None:
        self.emit([self.code("M", "486"), f"S{step.number}"])


def write(
    steps: Sequence[Step],
    style: WritingStyle,
    *,
    facts: dict[str, object],
    filament_d: float,
    e_letter: str,
    no_e: bool,
    r_form: bool,
    reset_e: bool,
    seed: str,
) -> Written:
    """The plan as text. `facts` fills the notes: part, count (layers), filament (mm), height (mm)."""
    w = _Writer(
        style, filament_d=filament_d, e_letter=e_letter, no_e=no_e, r_form=r_form, reset_e=reset_e, rng=Random(seed)
    )
    for text in style.head_notes:
        w.comment(text.format(**facts))
    for step in steps:
        match step:
            case Travel():
                w.travel(step)
            case Bead():
                w.bead(step)
            case Pull():
                w.pull(step)
            case Command():
                w.command(step)
            case Note():
                w.comment(step.text)
            case LayerStart():
                w.layer(step, facts)
            case ObjectLabel():
                w.label(step)
    w.close()
    if style.tail_note:
        w.comment(style.tail_note.format(**facts))
    prime = None
    if w.prime is not None:
        p = w.prime
        prime = PrimeTruth(p.beads, p.path, p.filament * w.area, p.first_line, p.last_line)
    body = style.newline.join([*w.out, ""]).encode()
    boxes = [layer.box_mm for layer in w.layers]
    box = (min(b[0] for b in boxes), min(b[1] for b in boxes), max(b[2] for b in boxes), max(b[3] for b in boxes))
    return Written((b"\xef\xbb\xbf" if style.bom else b"") + body, w.layers, prime, w.debt, len(w.out), box)
