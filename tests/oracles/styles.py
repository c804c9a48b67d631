"""How the second outside maker's jobs are written: starts, ends, pauses, modes, comments; drawn at random.

Commands: facts.md 1.4 (table); habits are common practice of the trade.
"""

from dataclasses import dataclass
from random import Random

HEADS = ("; layer {i}", ";layer:{i}", "(layer {i})", "; ---- {i} ----", "", "", "; z {z}", "M117 Layer {i}",
         "; new layer {z}\n; height {h}",
         "M73 P{p} R{left}", ";{i}", "G92 E0 ; layer {i}")  # fmt: skip
STARTS = (
    "plain",
    "edge line",
    "two lines",
    "blob",
    "wipe brush",
    "wipe on bed",
    "macro",
    "slow descent",
    "cold purge",
    "zigzag",
    "offset",
)
ENDS = ("plain", "park", "present", "cool", "beep", "macro", "push off", "retract far")
PAUSES = (
    "",
    "",
    "",
    "M600",
    "M0 Insert the nut and press the button",
    "M25",
    "PAUSE",
    "M601",
    "M1",
    "G4 P500",
    "M226",
    "park and M0",
)


@dataclass
class Style:
    """How a writer writes; all drawn."""

    e_mode: str = "absolute"  # absolute | relative | volumetric
    e_reset: str = "layer"  # never | layer | object
    inches: bool = False
    retract: str = "e"  # e | firmware | none
    retract_mm: float = 0.8
    extra_prime: float = 0.0
    wipe: str = ""  # "" | back | on
    hop: str = ""  # "" | up | slope | helix
    hop_mm: float = 0.3
    arcs: bool = False
    decimals: int = 3
    e_decimals: int = 5
    strip: bool = True
    bare: bool = False
    g0_extrudes: bool = False
    travel: str = "G0"
    blank: str = " "
    order: str = "XYZEF"
    f_alone: bool = False
    newline: str = "\n"
    head: str = ""
    kinds: str = ""  # a comment before each kind of bead
    start: str = "plain"
    end: str = "plain"
    pause: str = ""
    pause_layer: int = 6
    lapse: bool = False  # a trip to the corner each layer, for pictures
    fans: bool = True
    accel: str = ""
    between: str = "lift"  # lift | home, between objects
    hot: int = 210
    bed: int = 60
    hot_change: int = 0
    speed: float = 60.0
    objects: str = ""

    @classmethod
    def drawn(cls, r: Random) -> "Style":
        inches = r.random() < 0.04
        return cls(
            e_mode="volumetric" if r.random() < 0.04 and not inches else r.choice(["absolute", "relative"]),
            e_reset=r.choice(["never", "layer", "layer", "object"]), inches=inches,
            retract=r.choice(["e", "e", "e", "e", "firmware", "none"]), retract_mm=r.choice([0.2, 0.5, 0.8, 1.5, 5.0, 6.5]),
            extra_prime=r.choice([0, 0, 0, 0.02]), wipe=r.choice(["", "", "back", "on"]),
            hop=r.choice(["", "", "up", "slope", "helix"]), hop_mm=r.choice([0.1, 0.2, 0.4, 1.0]), arcs=r.random() < 0.25,
            decimals=6 if inches else r.choice([2, 3, 3, 3, 4, 5]), e_decimals=8 if inches else r.choice([4, 5, 5, 5, 6]),
            strip=r.random() < 0.5, bare=r.random() < 0.3, g0_extrudes=r.random() < 0.04,
            travel=r.choice(["G0", "G1", "G0", "G00"]),
            blank=r.choice([" ", " ", " ", "", "  "]), order=r.choice(["XYZEF", "XYZEF", "FXYZE", "XYZFE"]),
            f_alone=r.random() < 0.3,
            newline=r.choice(["\n", "\n", "\r\n"]), head=r.choice(HEADS),
            kinds=r.choice(["", ";kind:{k}", "; {k}", "({k})", "M118 {k}"]),
            start=r.choice(STARTS), end=r.choice(ENDS), pause=r.choice(PAUSES), pause_layer=r.randint(3, 12),
            lapse=r.random() < 0.08,
            fans=r.random() < 0.7, accel=r.choice(["", "M204 S{a}", "M204 P{a} T1500", "ACCEL A={a}", "M201 X{a} Y{a}"]),
            between=r.choice(["lift", "home"]), hot=r.choice([190, 205, 210, 230, 245]), bed=r.choice([0, 55, 60, 75]),
            hot_change=r.choice([0, 0, -5, -10]), speed=r.choice([30.0, 60.0, 120.0, 250.0]),
            objects=r.choice(["", "", "M486 S{n}", "OBJECT_BEGIN NAME=part_{n}", "; printing object {n}"]),
        )  # fmt: skip
