"""What a command in progress can wait for. A command that blocks is a generator that yields these.

Refuses to know who waits. Times in printer seconds unless a name says host.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from layergate_sim.printer.thermal import Heater


@dataclass(slots=True)
class Room:
    """A free block in the planner."""


@dataclass(slots=True)
class Drained:
    """All motion at its end."""


@dataclass(slots=True)
class Until:
    """A moment; `account` names the total that the time is booked to (dwell, homing, probing)."""

    t: float
    account: str = "dwell"


@dataclass(slots=True)
class HostUntil:
    """A moment of host time: a fault that stalls the printer, whatever the time scale."""

    host_s: float


@dataclass(slots=True)
class User:
    """A person (M108), or a moment."""

    t: float = math.inf


@dataclass(slots=True)
class Heat:
    """A heater within its window of the target for the residency time. `cooling`: also from above."""

    heater: Heater
    cooling: bool
    in_window_since: float | None = None

    def over(self, t: float) -> bool:
        """True when the wait is over at time t."""
        heater = self.heater
        if heater.target_c <= 0:
            return True
        difference = heater.read_c(t) - heater.target_c
        window = heater.settings.window_c
        if not self.cooling and difference >= window:
            return True
        if abs(difference) > window + 1e-9:
            self.in_window_since = None
            return False
        if self.in_window_since is None:
            self.in_window_since = t
        return t - self.in_window_since >= heater.settings.residency_s - 1e-9

    def next_event(self, t: float) -> float:
        """When to look again: the window is reached, or the residency is over; inf when that never happens."""
        heater = self.heater
        if self.in_window_since is not None:
            return self.in_window_since + heater.settings.residency_s
        if not heater.sound:
            return math.inf
        side = -1.0 if heater.true_c(t) < heater.target_c else 1.0
        return heater.time_to(heater.target_c + side * heater.settings.window_c, t)

    def seconds_left(self, t: float) -> str:
        """Text behind `W:`: seconds still to hold, or ? while the window is not reached."""
        if self.in_window_since is None:
            return "?"
        return str(math.ceil(max(0.0, self.in_window_since + self.heater.settings.residency_s - t)))


Wait = Room | Drained | Until | HostUntil | User | Heat
