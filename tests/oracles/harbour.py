"""Small jobs for rules: square rings and plates of the harbour workshop, every word written out, one line at a time."""

HEAD = ["G21", "G90", "M83", "M140 S60", "M104 S205", "M190 S60", "M109 S205", "G28"]
TAIL = ["M104 S0", "M140 S0", "M84"]
E_PER_MM = 0.033849  # 0.45 x 0.20 stadium of 1.75 mm filament (facts.md 3.1)


def ring(z: float, x: float = 50.0, y: float = 50.0, *, side: float = 20.0, e_per_mm: float = E_PER_MM) -> list[str]:
    """A square ring: lift, travel, four beads. Six lines."""
    corners = [(x + side, y), (x + side, y + side), (x, y + side), (x, y)]
    return [
        f"G1 Z{z:.3f} F600", f"G1 X{x:.3f} Y{y:.3f} F6000",
        *(f"G1 X{a:.3f} Y{b:.3f} E{side * e_per_mm:.5f} F1800" for a, b in corners),
    ]  # fmt: skip


def rings(count: int, height: float = 0.2, *, first: int = 1, x: float = 50.0, y: float = 50.0) -> list[str]:
    """Rings at `first` * height and up."""
    return [line for n in range(first, first + count) for line in ring(height * n, x, y)]


def job(*parts: list[str], head: list[str] | None = None, tail: list[str] | None = None) -> bytes:
    """Head, parts, tail; lines count from 1 and the head has eight of them."""
    lines = [
        *(HEAD if head is None else head),
        *(line for part in parts for line in part),
        *(TAIL if tail is None else tail),
    ]
    return ("\n".join(lines) + "\n").encode()
