"""Draws random programs of payload lines: every mode, in every combination, with everything that changes them."""

import math
from random import Random


class Writer:
    """Writes one program; tracks just enough to keep absolute E growing and arcs round."""

    def __init__(self, rng: Random, *, inches: bool, volumetric: bool) -> None:
        self.rng = rng
        self.inches, self.volumetric = inches, volumetric
        self.e = 0.0

    def number(self, low: float, high: float, digits: int = 3) -> str:
        return f"{self.rng.uniform(low, high):.{digits}f}"

    def move(self) -> list[str]:
        rng = self.rng
        words = []
        if rng.random() < 0.7:
            words.append("X" + self.number(-5, 60))
        if rng.random() < 0.6:
            words.append("Y" + self.number(-5, 60))
        if rng.random() < 0.12:
            words.append("Z" + self.number(-0.2, 3))
        if rng.random() < 0.6:
            self.e += rng.choice((0.5, 0.5, 1.0, -0.8, 0.8, 0.0))
            words.append(f"E{self.e:.5f}" if rng.random() < 0.7 else "E" + self.number(-1, 2, 5))
        if rng.random() < 0.2:
            words.append("F" + rng.choice(("1200", "3000", "600.5", "0")))
        if rng.random() < 0.05:
            words.append(rng.choice("XYZEF"))
        rng.shuffle(words)
        unique = {word[0]: word for word in words}
        return [" ".join([rng.choice(("G1", "G1", "G0")), *unique.values()])]

    def arc(self) -> list[str]:
        """An arc from a place that is stated first, so that its centre fits; only sure in absolute mode."""
        rng = self.rng
        plane = rng.choice(("G17", "G17", "G18", "G19"))
        # The plane's two axes, the letters of their centres, and the axis of a helix (facts.md 2.3).
        p, q, i, j, normal = {"G17": "XYIJZ", "G18": "ZXKIY", "G19": "YZJKX"}[plane]
        cx, cy, r = rng.uniform(20, 40), rng.uniform(20, 40), rng.uniform(1, 8)
        a, b = rng.uniform(0, math.tau), rng.uniform(0, math.tau)
        if rng.random() < 0.2:
            b = a
        x0, y0, x1, y1 = cx + r * math.cos(a), cy + r * math.sin(a), cx + r * math.cos(b), cy + r * math.sin(b)
        self.e += 0.4
        along = f" {normal}{rng.uniform(0, 2):.3f}" if rng.random() < 0.2 else ""
        return [
            "G90", plane, f"G1 {p}{x0:.6f} {q}{y0:.6f}",
            f"{rng.choice(('G2', 'G3'))} {p}{x1:.6f} {q}{y1:.6f} {i}{cx - x0:.6f} {j}{cy - y0:.6f}{along} E{self.e:.5f}",
        ]  # fmt: skip

    def mode(self) -> list[str]:
        rng = self.rng
        choices = [
            "G90",
            "G91",
            "M82",
            "M83",
            "G28",
            "G28 X",
            "G28 X0 Y10",
            "G28 Z",
            "G92 E0",
            "G92",
            "G4 P250",
            "G4 S1 P9",
            "G4",
        ]
        choices += [
            f"G92 X{self.number(0, 9)}",
            f"G92 Z{self.number(0, 2)} E{self.number(0, 3)}",
            f"G92 Y{self.number(0, 9)}",
        ]
        choices += [
            "M220 S50",
            "M220 S100",
            "M220",
            "M221 S95",
            "M221 S100",
            "M221 T1 S80",
            "M221 S0",
            "M204 S800",
            "M204 P500 T1000",
            "M204 T900",
            "M400",
        ]
        choices += [
            "T0",
            "T1",
            "T255",
            "M104 S210",
            "M104 S0",
            "M109 R200",
            "M104 T1 S190",
            "G10 P1 S180 R150",
            "M140 S60",
            "M190 S60",
        ]
        choices += [
            "G54",
            "G55",
            "G59.3",
            "G10 L2 P2 X3 Y-4 Z0.5",
            f"G10 L2 P1 X{self.number(-3, 3)}",
            "G10 L20 P2 X5",
            f"G10 L20 P0 Z{self.number(0, 2)}",
            "G92.1",
            "G92.2",
            "G92.3",
            "G53 G0 X10 Y10",
            "G53 G1 Z3",
            "G53",
        ]
        choices += [
            "START_PRINT X=1",
            "G10",
            "G11",
            "G10",
            "G11",
            "M106 S255",
            "M117 X5 Y5",
            "nonsense ~",
            "M84",
            "G29",
            "M0",
        ]
        if self.inches:
            choices += ["G20", "G21", "G21"]
        else:
            choices += ["M207 S0.8", "M207 S2 F1800", "M208 S0.1 F900", "M208 S0"]
        if self.volumetric:
            choices += ["M200 D1.75", "M200 D0", "M200 D2.85", "M200 S0", "M200 S1", "M200"]
        text = rng.choice(choices)
        if text.startswith("G92") and ("E" in text or text == "G92"):
            self.e = 0.0
        return [text]


def program(rng: Random, lines: int) -> list[str]:
    """A program of about so many lines. Inches are mixed with nothing whose unit in inch mode is in doubt."""
    writer = Writer(rng, inches=rng.random() < 0.3, volumetric=rng.random() < 0.3)
    writer.volumetric = writer.volumetric and not writer.inches
    result: list[str] = ["G28", "G90"] if rng.random() < 0.7 else []
    while len(result) < lines:
        drawn = rng.random()
        result += writer.move() if drawn < 0.75 else writer.arc() if drawn < 0.8 else writer.mode()
    return result
