"""What the protocol machine tells: signals, as frozen values. Knows neither sockets nor runs."""

from dataclasses import dataclass

from layergate.link.replies import Reading


@dataclass(frozen=True, slots=True)
class Synced:
    """Printer and host agree that the next line is N1."""


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """Lines up to a number were accepted (not: executed). Numbers may go back after doubled acknowledgements."""

    number: int


@dataclass(frozen=True, slots=True)
class Proved:
    """The printer itself has named the number after our last line as the next: it has taken every line."""


@dataclass(frozen=True, slots=True)
class ResendAsked:
    """The printer asked for a line again; once per line and round."""

    number: int


@dataclass(frozen=True, slots=True)
class Temperatures:
    """Readings by sensor letter."""

    readings: dict[str, Reading]


@dataclass(frozen=True, slots=True)
class Position:
    """Answer to M114, in mm; E is None where not told."""

    x_mm: float
    y_mm: float
    z_mm: float
    e_mm: float | None


@dataclass(frozen=True, slots=True)
class Identity:
    """A part of the answer to M115."""

    firmware: str | None
    capabilities: dict[str, bool]


@dataclass(frozen=True, slots=True)
class Busy:
    """Alive, working on a long command; ``waits_for_person`` where it says so."""

    text: str
    waits_for_person: bool


@dataclass(frozen=True, slots=True)
class Remark:
    """Anything else that it said."""

    text: str
    kind: str


@dataclass(frozen=True, slots=True)
class Action:
    """The printer asks the host to do something (``// action:``); the streamer decides whether it may."""

    name: str


@dataclass(frozen=True, slots=True)
class MachineFault:
    """The machine reported a fault; nothing numbered is sent any more."""

    text: str


@dataclass(frozen=True, slots=True)
class PrinterReset:
    """The printer has restarted: its counter, position and temperatures are gone."""

    text: str


@dataclass(frozen=True, slots=True)
class GaveUp:
    """The line protocol can't go on; ``refused`` is the number of the line that is to blame, if one is."""

    reason: str
    refused: int | None = None


@dataclass(frozen=True, slots=True)
class Unresponsive:
    """Nothing was heard for so long that the connection counts as lost."""

    reason: str


Signal = (
    Synced | Acknowledged | Proved | ResendAsked | Temperatures | Position | Identity | Busy | Remark | Action |
    MachineFault | PrinterReset | GaveUp | Unresponsive
)  # fmt: skip
