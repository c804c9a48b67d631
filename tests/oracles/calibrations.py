"""Jobs that people print to set up a printer: towers, patches, lines, squares. Good jobs of odd shape. Lengths in mm.

Written by hand-made loops, as such jobs are; common practice of the trade. Commands: facts.md 1.4.
"""

import math
from collections.abc import Callable
from random import Random

PER_MM3 = 4 / (math.pi * 1.75**2)


class Hand:
    """Writes a small job line by line."""

    def __init__(self, r: Random, *, relative: bool | None = None) -> None:
        self.r = r
        self.relative = r.random() < 0.5 if relative is None else relative
        self.lines = ["; " + r.choice(["test print", "set-up piece", "harbour workshop"])] if r.random() < 0.5 else []
        self.x = self.y = self.z = self.e = 0.0
        self.h, self.w, self.retract = 0.2, 0.45, r.choice([0.5, 1.0, 4.0])

    def put(self, *lines: str) -> None:
        self.lines += lines

    def start(self, hot: int = 210, bed: int = 60) -> None:
        self.put(
            "G28",
            "G90",
            "M83" if self.relative else "M82",
            f"M140 S{bed}",
            f"M104 S{hot}",
            f"M190 S{bed}",
            f"M109 S{hot}",
            "G92 E0",
        )

    def end(self) -> bytes:
        self.put(f"G1 E{self._push(-2):.5f} F1800", f"G1 Z{self.z + 10:.2f} F600", "M104 S0", "M140 S0", "M107", "M84")
        return "\n".join([*self.lines, ""]).encode()

    def _push(self, e: float) -> float:
        self.e += e
        return e if self.relative else self.e

    def to(self, x: float, y: float, z: float | None = None, *, pull: bool = True) -> None:
        far = math.hypot(x - self.x, y - self.y) > 2 and pull
        if far:
            self.put(f"G1 E{self._push(-self.retract):.5f} F2100")
        if z is not None and abs(z - self.z) > 1e-9:
            self.put(f"G0 Z{z:.3f} F600")
            self.z = z
        self.put(f"G0 X{x:.3f} Y{y:.3f} F9000")
        self.x, self.y = x, y
        if far:
            self.put(f"G1 E{self._push(self.retract):.5f} F2100")

    def lay(self, x: float, y: float, *, flow: float = 1.0, f: float = 1800, width: float | None = None) -> None:
        w = self.w if width is None else width
        area = (w - self.h) * self.h + math.pi * self.h**2 / 4
        push = self._push(math.hypot(x - self.x, y - self.y) * area * PER_MM3 * flow)
        self.put(f"G1 X{x:.3f} Y{y:.3f} E{push:.5f} F{f:.0f}")
        self.x, self.y = x, y

    def square(
        self, x: float, y: float, side: float, deep: float | None = None, *, flow: float = 1.0, f: float = 1800
    ) -> None:
        deep = side if deep is None else deep
        self.to(x, y)
        for px, py in ((x + side, y), (x + side, y + deep), (x, y + deep), (x, y)):
            self.lay(px, py, flow=flow, f=f)

    def patch(
        self, x: float, y: float, side: float, deep: float, *, flow: float = 1.0, f: float = 1800, turned: bool = False
    ) -> None:
        """A solid rectangle of to-and-fro lines."""
        pitch = self.w - self.h * (1 - math.pi / 4)
        self.to(x, y)
        for k in range(int((side if turned else deep) / pitch) + 1):
            at = k * pitch
            if turned:
                self.lay(x + at, self.y, flow=flow, f=f)
                self.lay(x + at, y + deep if k % 2 == 0 else y, flow=flow, f=f)
            else:
                self.lay(self.x, y + at, flow=flow, f=f)
                self.lay(x + side if k % 2 == 0 else x, y + at, flow=flow, f=f)


def solid_layers(
    p: Hand, x: float, y: float, side: float, deep: float, count: int, *, flow: float = 1.0, f: float = 1800
) -> None:
    for k in range(count):
        p.to(x, y, p.z + p.h)
        p.square(x, y, side, deep, flow=flow, f=f)
        p.patch(x + p.w, y + p.w, side - 2 * p.w, deep - 2 * p.w, flow=flow, f=f, turned=k % 2 == 1)


def temperature_tower(r: Random) -> bytes:
    """Blocks with a narrow neck, the heat set anew at each."""
    p = Hand(r)
    p.start(230)
    solid_layers(p, 90, 90, 30, 14, 3)
    for block in range(5):
        p.put(f"M104 S{230 - 5 * block}")
        for k in range(r.choice([20, 25])):
            inset = 0.5 if k < 2 else 0.0
            p.to(95 + inset, 92 + inset, p.z + p.h)
            p.square(95 + inset, 92 + inset, 20 - 2 * inset, 10 - 2 * inset)
            p.square(95.43 + inset, 92.43 + inset, 19.14 - 2 * inset, 9.14 - 2 * inset)
            if k in (3, 4, 5):
                p.patch(96, 93, 18, 8, turned=k % 2 == 1)
            elif k > 10:
                p.to(96, 93)
                p.lay(114, 101)
    return p.end()


def flow_tower(r: Random) -> bytes:
    """Single-walled box whose flow changes every so many layers, by M221 or in E itself."""
    p, by_command = Hand(r), r.random() < 0.4
    p.start()
    flows = r.choice(
        [[0.85, 0.9, 0.95, 1.0, 1.05, 1.1], [1.1, 1.05, 1.0, 0.95, 0.9, 0.85], [1.0, 0.95, 1.05, 0.9, 1.1]]
    )
    for block, flow in enumerate(flows):
        if by_command:
            p.put(f"M221 S{100 * flow:.0f}")
        for _ in range(15):
            p.to(90, 90, p.z + p.h)
            p.square(90, 90, 25, flow=1 if by_command else flow)
        p.put(f"; block {block}")
    if by_command:
        p.put("M221 S100")
    return p.end()


def flow_patches(r: Random) -> bytes:
    """Small plates side by side, each with its own flow, seven layers high."""
    p = Hand(r)
    p.start()
    for k in range(7):
        for i in range(9):
            flow = (0.8 + 0.05 * i) if k > 2 else 1.0
            x, y = 60 + 30 * (i % 3), 60 + 30 * (i // 3)
            p.to(x, y, (k + 1) * p.h)
            p.square(x, y, 24, flow=1.0)
            p.patch(x + p.w, y + p.w, 24 - 2 * p.w, 24 - 2 * p.w, flow=flow, turned=k % 2 == 1)
    return p.end()


def speed_tower(r: Random) -> bytes:
    p = Hand(r)
    p.start()
    for k in range(100):
        p.to(90, 90, p.z + p.h)
        p.square(90, 90, 20, 20, f=1200 + 600 * (k // 10))
        p.square(90.43, 90.43, 19.14, 19.14, f=1200 + 600 * (k // 10))
    return p.end()


def two_cones(r: Random) -> bytes:
    """Stringing: two cones that shrink to points, retraction changing on the way up."""
    p = Hand(r)
    p.start()
    solid_layers(p, 80, 90, 60, 16, 2)
    for k in range(90):
        radius = 5.0 * (1 - k / 95)
        p.retract = 0.4 + 0.2 * (k // 15)
        for x in (90.0, 130.0):
            p.to(x + radius, 98, 0.4 + (k + 1) * p.h)
            for i in range(1, 25):
                a = i * math.tau / 24
                p.lay(x + radius * math.cos(a), 98 + radius * math.sin(a))
    return p.end()


def pressure_lines(r: Random) -> bytes:
    """One layer: lines that are slow, fast, slow, a setting changed between them, and two marks."""
    p = Hand(r)
    p.start()
    p.to(60, 60, p.h)
    p.square(55, 55, 110, 80)
    say = r.choice(["M900 K{k:.3f}", "SET_ADVANCE VALUE={k:.3f}", "M572 D0 S{k:.3f}"])
    for i in range(20):
        p.put(say.format(k=i * 0.005))
        y = 60 + 3.5 * i
        p.to(60, y)
        p.lay(80, y, f=1200)
        p.lay(120, y, f=6000)
        p.lay(140, y, f=1200)
    for x in (80, 120):
        p.to(x, 130)
        p.lay(x, 134)
    return p.end()


def pressure_corners(r: Random) -> bytes:
    """Rows of corners in a frame, some layers high, each corner with its own setting."""
    p = Hand(r)
    p.start()
    for k in range(r.choice([1, 3, 4])):
        p.to(60, 60, (k + 1) * p.h)
        p.square(60, 60, 100, 60)
        p.square(60.43, 60.43, 99.14, 59.14)
        for i in range(15):
            p.put(f"M900 K{i * 0.01:.3f}")
            for j in range(3):
                x = 65 + i * 5 + j * 0.43
                p.to(x, 70)
                p.lay(x + 15, 90, f=4800)
                p.lay(x, 110, f=4800)
    return p.end()


def level_squares(r: Random) -> bytes:
    """One layer of squares in the corners and the middle of the bed, perhaps joined by lines."""
    p = Hand(r)
    p.h, p.w = r.choice([(0.2, 0.45), (0.3, 0.6), (0.25, 0.5)])
    p.start()
    spots = [(15, 15), (180, 15), (180, 180), (15, 180), (100, 100)]
    p.to(15, 15, p.h)
    for x, y in spots:
        if r.random() < 0.5:
            p.patch(x, y, 25, 25)
        else:
            for k in range(3):
                p.square(x + k * 4, y + k * 4, 25 - 8 * k)
    return p.end()


def height_patches(r: Random) -> bytes:
    """First-layer patches, the nozzle a little nearer to the bed at each by an offset that the printer adds."""
    p = Hand(r)
    p.start()
    p.to(40, 40, p.h)
    for i in range(6):
        p.put(f"M290 Z{-0.01 if i else 0:.2f}")
        p.patch(30 + i * 26, 90, 20, 20)
    return p.end()


def nested_frames(r: Random) -> bytes:
    """Bed-wide frames one inside the other, a layer or two high."""
    p = Hand(r)
    p.start()
    for k in range(r.choice([1, 2])):
        p.to(10, 10, (k + 1) * p.h)
        for i in range(8):
            p.square(10 + 12 * i, 10 + 12 * i, 200 - 24 * i)
    return p.end()


def hollow_cube(r: Random) -> bytes:
    """One wall, no floor or a floor of two layers: to measure a bead."""
    p = Hand(r)
    p.start()
    if r.random() < 0.5:
        solid_layers(p, 90, 90, 25, 25, 2)
    for _ in range(r.randint(20, 60)):
        p.to(90, 90, p.z + p.h)
        p.square(90, 90, 25)
    return p.end()


def spiral_speed(r: Random) -> bytes:
    """How much a nozzle melts: a spiral ever faster, in wide beads."""
    p = Hand(r)
    p.h, p.w = 0.3, 0.8
    p.start(240)
    for k in range(3):
        p.to(130, 100, p.z + p.h)
        for radius in (30.0, 29.3):
            p.to(100 + radius, 100)
            for i in range(1, 65):
                a = i * math.tau / 64
                p.lay(100 + radius * math.cos(a), 100 + radius * math.sin(a))
        del k
    z, area = p.z, (p.w - p.h) * p.h + math.pi * p.h**2 / 4
    p.to(130, 100)
    for k in range(64 * 40):
        a, b = k * math.tau / 64, (k + 1) * math.tau / 64
        x, y = 100 + 30 * math.cos(b), 100 + 30 * math.sin(b)
        push = p._push(math.hypot(x - 100 - 30 * math.cos(a), y - 100 - 30 * math.sin(a)) * area * PER_MM3)
        p.put(f"G1 X{x:.3f} Y{y:.3f} Z{z + p.h * (k + 1) / 64:.4f} E{push:.5f} F{1200 + k}")
    p.z = z + p.h * 40
    return p.end()


def bridges(r: Random) -> bytes:
    """Posts joined by longer and longer bridges."""
    p = Hand(r)
    p.start()
    xs = [50.0, 62.0, 82.0, 112.0]
    for k in range(30):
        p.z = round(k * p.h, 3)
        for x in xs:
            p.to(x, 90, (k + 1) * p.h)
            p.square(x, 90, 5, 8)
            p.patch(x + p.w, 90 + p.w, 5 - 2 * p.w, 8 - 2 * p.w, turned=k % 2 == 1)
    for k in range(30, 34):
        p.to(50, 90, (k + 1) * p.h)
        p.square(50, 90, 67, 8)
        p.patch(50 + p.w, 90 + p.w, 67 - 2 * p.w, 8 - 2 * p.w, flow=1.05 if k == 30 else 1.0)
    return p.end()


def overhangs(r: Random) -> bytes:
    """A plate that leans out further with every centimetre of height, to 60 degrees."""
    p = Hand(r)
    p.start()
    x = 90.0
    for k in range(120):
        x += p.h * math.tan(math.radians(20 + 10 * (k // 25)))
        p.to(x, 90, p.z + p.h)
        p.square(x, 90, 6, 20)
        p.patch(x + p.w, 90 + p.w, 6 - 2 * p.w, 20 - 2 * p.w, turned=k % 2 == 1)
    return p.end()


def patch_line(r: Random) -> bytes:
    """Only a purge: two lines and nothing else, as people send to change filament."""
    p = Hand(r)
    p.start()
    p.to(10, 10, 0.3)
    p.h = 0.3
    p.lay(10, 150, width=0.8)
    p.lay(10.8, 150, width=0.8)
    p.lay(10.8, 10, width=0.8)
    return p.end()


def heights_tower(r: Random) -> bytes:
    """Blocks of layers of another height each."""
    p = Hand(r)
    p.start()
    for h in r.choice([[0.3, 0.24, 0.2, 0.16, 0.12], [0.1, 0.15, 0.2, 0.25, 0.3], [0.2, 0.1, 0.3, 0.15]]):
        p.h = h
        for _ in range(12):
            p.to(90, 90, p.z + h)
            p.square(90, 90, 20)
            p.square(90.4, 90.4, 19.2)
    return p.end()


def retraction_posts(r: Random) -> bytes:
    """Two thin posts far apart; at each layer a travel there and back."""
    p = Hand(r)
    p.start()
    for x in (70, 130):
        p.to(x - 4, 86, p.h)
        p.patch(x - 4, 86, 12, 12)
    for k in range(1, 80):
        p.retract = 0.5 + 0.5 * (k // 16)
        for x in (70, 130):
            p.to(x, 90, (k + 1) * p.h)
            p.square(x, 90, 4)
            p.square(x + 0.43, 90.43, 3.14)
    return p.end()


CALIBRATIONS: tuple[Callable[[Random], bytes], ...] = (
    temperature_tower, flow_tower, flow_patches, speed_tower, two_cones, pressure_lines, pressure_corners, level_squares,
    height_patches, nested_frames, hollow_cube, spiral_speed, bridges, overhangs, patch_line, heights_tower, retraction_posts,
)  # fmt: skip
