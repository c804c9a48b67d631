"""A job before it is written: steps, and the tool head that makes them; knows nothing of words or modes.

The tool head keeps the retraction debt: nothing is laid before what was pulled back has been paid back. Units mm,
mm/s, degrees Celsius.
"""

import math
from dataclasses import dataclass, field

__all__ = [
    "Bead",
    "Command",
    "Lay",
    "LayerStart",
    "Note",
    "ObjectLabel",
    "Pull",
    "Retraction",
    "Step",
    "ToolHead",
    "Travel",
]


ARCH_FROM_MM = 2.0  # mm along X; a shorter way is lifted straight up and down


@dataclass(slots=True)
class Travel:
    """Move without laying; `centre` makes it an arc (a helical lift), `pull` retracts on the way (a wipe)."""

    x: float | None = None
    y: float | None = None
    z: float | None = None
    speed: float = 150.0
    centre: tuple[float, float] | None = None
    pull: float = 0.0
    arch: float = 0.0  # rises by so much on the way and comes down again: an arc in the ZX plane (G18)
    layer_z: bool = False  # this move reaches the height of the layer


@dataclass(frozen=True, slots=True)
class Lay:
    """How a bead is laid: cross-section mm2, speed mm/s, what it is for."""

    area: float
    speed: float
    role: str


@dataclass(slots=True)
class Bead:
    """Lay a bead of cross-section `area` (mm2) to (x, y); `centre` makes it an arc, z a rising bead."""

    x: float
    y: float
    area: float
    speed: float
    role: str
    z: float | None = None
    centre: tuple[float, float] | None = None


@dataclass(slots=True)
class Pull:
    """Filament alone: positive pulls back, negative pays back; `firmware` leaves the amount to the printer."""

    length: float
    speed: float
    firmware: bool = False


@dataclass(slots=True)
class Command:
    """Any other command: code, words, a free text (macro arguments, messages)."""

    code: str
    words: tuple[tuple[str, float], ...] = ()
    text: str = ""
    remark: str = ""


@dataclass(slots=True)
class Note:
    """A comment."""

    text: str


@dataclass(slots=True)
class LayerStart:
    """Everything from here to the next start belongs to this layer; index -1 ends the last layer."""

    index: int
    z: float = 0.0
    height: float = 0.0
    object_name: str | None = None


@dataclass(slots=True)
class ObjectLabel:
    """Beads from here on belong to object `number` (-1: to none)."""

    number: int
    name: str = ""


Step = Travel | Bead | Pull | Command | Note | LayerStart | ObjectLabel


@dataclass(slots=True)
class Retraction:
    """How filament is held back on travels: `mode` is "e", "firmware" or "none"; lengths mm, speeds mm/s."""

    mode: str = "e"
    length: float = 0.8
    speed: float = 35.0
    hop: float = 0.0
    hop_as_helix: bool = False
    hop_as_arch: bool = False
    wipe: bool = False
    shortest_travel: float = 2.0


@dataclass(slots=True)
class ToolHead:
    """Makes steps; x, y, z is where the nozzle is, `debt` what is pulled back (per tool)."""

    retraction: Retraction
    travel_speed: float = 150.0
    steps: list[Step] = field(default_factory=list)
    x: float = 0.0
    y: float = 0.0
    z: float = 0.0
    tool: int = 0
    debts: dict[int, float] = field(default_factory=dict)
    last_stroke: tuple[float, float] | None = None  # start of the newest bead: where a wipe goes back to

    @property
    def debt(self) -> float:
        """Filament owed by the tool in use, mm."""
        return self.debts.get(self.tool, 0.0)

    def command(self, code: str, *words: tuple[str, float], text: str = "", remark: str = "") -> None:
        """Append a command that moves nothing."""
        self.steps.append(Command(code, words, text, remark))

    def note(self, text: str) -> None:
        """Append a comment."""
        self.steps.append(Note(text))

    def retract(self, extra: float = 0.0) -> None:
        """Pull back, once; wipes along the last bead where asked."""
        r = self.retraction
        if r.mode == "none" or self.debt > 0:
            return
        length = r.length + extra
        if r.mode == "firmware":
            self.steps.append(Pull(length, r.speed, firmware=True))
        else:
            rest = length
            if r.wipe and self.last_stroke is not None:
                # Back along the bead just laid, at most 2 mm, with most of the pull spread over the way.
                d = math.dist((self.x, self.y), self.last_stroke)
                if d > 0.5:
                    f = min(2.0 / d, 1.0)
                    self.x += f * (self.last_stroke[0] - self.x)
                    self.y += f * (self.last_stroke[1] - self.y)
                    self.steps.append(Travel(self.x, self.y, speed=40.0, pull=0.7 * length))
                    rest = 0.3 * length
            self.steps.append(Pull(rest, r.speed))
        self.debts[self.tool] = length
        self.last_stroke = None

    def pay_back(self) -> None:
        """Pay the debt of the tool in use."""
        if self.debt > 0:
            self.steps.append(Pull(-self.debt, self.retraction.speed, firmware=self.retraction.mode == "firmware"))
            self.debts[self.tool] = 0.0

    def lift(self, z: float, *, layer_z: bool = False, speed: float = 10.0) -> None:
        """Move Z alone."""
        if layer_z or abs(z - self.z) > 1e-9:
            self.steps.append(Travel(z=z, speed=speed, layer_z=layer_z))
            self.z = z

    def travel(self, x: float, y: float, *, hold_back: bool = True) -> None:
        """Go to (x, y) at this height, retracting and hopping where the way is long enough."""
        d = math.dist((self.x, self.y), (x, y))
        if d < 1e-6:
            return
        r = self.retraction
        z = self.z
        far = hold_back and d >= r.shortest_travel
        if far:
            self.retract()
        if far and r.hop > 0 and r.hop_as_arch and abs(x - self.x) > ARCH_FROM_MM:
            self.command("G18")
            self.steps.append(Travel(x, y, speed=self.travel_speed, arch=r.hop))
            self.command("G17")
            self.x, self.y = x, y
            return
        if far and r.hop > 0:
            if r.hop_as_helix:
                # Half a millimetre round: the lift leaves no mark on the bead.
                self.steps.append(Travel(z=z + r.hop, speed=40.0, centre=(self.x + 0.5, self.y)))
            else:
                self.steps.append(Travel(z=z + r.hop, speed=10.0))
        self.steps.append(Travel(x, y, speed=self.travel_speed))
        if far and r.hop > 0:
            self.steps.append(Travel(z=z, speed=10.0))
        self.x, self.y = x, y

    def bead(
        self, x: float, y: float, lay: Lay, *, z: float | None = None, centre: tuple[float, float] | None = None
    ) -> None:
        """Lay a bead from here to (x, y)."""
        if centre is None and math.dist((self.x, self.y), (x, y)) < 1e-3:
            return
        self.pay_back()
        self.last_stroke = (self.x, self.y) if centre is None else None
        self.steps.append(Bead(x, y, lay.area, lay.speed, lay.role, z, centre))
        self.x, self.y = x, y
        if z is not None:
            self.z = z
