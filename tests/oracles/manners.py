"""The manners in which jobs of the community G-code convention are written (facts.md 1.4, 2.3, 2.4), drawn at random."""

from dataclasses import dataclass
from random import Random

STEP_COMMENTS = ("", "; layer {i}", "(layer {i})", "; layer {i}, z = {z}", "; LAYER {i}", "; begin layer {i} at {z} mm")
STARTS = ("plain", "wait-both", "heat-while-homing", "macro", "prime-line", "flush", "level")
ENDS = ("plain", "lift", "home", "park", "short")


@dataclass
class Manner:
    """How a writer writes. All that is drawn is drawn here, so that one seed gives one manner for several plates."""

    e_absolute: bool = True
    e_reset: str = "layer"  # G92 E0: never | layer | often
    xyz_relative: bool = False
    inches: bool = False
    volumetric: bool = False
    firmware_retraction: bool = False
    arcs: str = ""  # "" | centre | radius
    decimals: int = 3
    e_decimals: int = 5
    strip_zeros: bool = False
    bare_point: bool = False
    order: str = "XYZEF"
    travel_code: str = "G0"
    feed_alone: bool = False
    blank: str = " "
    newline: str = "\n"
    numbered: bool = False
    comments: str = ""
    kinds: bool = False
    claims: bool = False
    labels: bool = False
    retract_mm: float = 0.8
    wipe: bool = False
    wipe_share: float = 0.5
    hop_mm: float = 0.0
    hop_with_travel: bool = False
    retract_beyond_mm: float = 2.0
    start: str = "plain"
    end: str = "plain"
    diameter: float = 1.75
    hot: int = 210
    bed: int = 60
    speed: float = 50.0
    extras: int = 0
    g28: str = "G28"

    @classmethod
    def drawn(cls, r: Random) -> "Manner":
        inches = r.random() < 0.04
        absolute = r.random() < 0.5
        return cls(
            e_absolute=absolute, e_reset=r.choice(["never", "layer", "layer", "often"]), xyz_relative=r.random() < 0.04,
            inches=inches, volumetric=r.random() < 0.05 and not inches, firmware_retraction=r.random() < 0.1,
            arcs=r.choice(["", "", "", "centre", "radius"]), decimals=5 if inches else r.choice([2, 3, 3, 3, 4]),
            e_decimals=7 if inches else r.choice([4, 5, 5, 6] if absolute else [5, 5, 6]), strip_zeros=r.random() < 0.5,
            bare_point=r.random() < 0.3, order=r.choice(["XYZEF", "XYZEF", "FXYZE", "EXYZF", "YXZFE"]),
            travel_code=r.choice(["G0", "G0", "G1"]), feed_alone=r.random() < 0.2,
            blank=r.choice([" ", " ", " ", " ", "", "  ", "\t"]),
            newline=r.choice(["\n", "\n", "\n", "\r\n"]),
            numbered=r.random() < 0.06, comments=r.choice(STEP_COMMENTS),
            kinds=r.random() < 0.5, claims=r.random() < 0.4, labels=r.random() < 0.15,
            retract_mm=r.choice([0.4, 0.8, 1.5, 4.0, 5.0]), wipe=r.random() < 0.35, wipe_share=r.uniform(0.3, 1.0),
            hop_mm=r.choice([0, 0, 0, 0.2, 0.4, 0.6]), hop_with_travel=r.random() < 0.3,
            retract_beyond_mm=r.choice([1.0, 2.0, 5.0]),
            start=r.choice(STARTS), end=r.choice(ENDS), diameter=r.choice([1.75] * 9 + [2.85]),
            hot=r.choice([195, 205, 210, 215, 240]),
            bed=r.choice([0, 50, 60, 60, 80]), speed=r.choice([30.0, 50.0, 80.0, 150.0]), extras=r.choice([0, 1, 2, 3]),
            g28=r.choice(["G28", "G28", "G28 W", "G28 X Y Z", "G28 X0 Y0\nG28 Z0", "G28 ; home"]),
        )  # fmt: skip
