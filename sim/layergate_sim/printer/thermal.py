"""Heaters with a first-order model in closed form (facts 5), their sensors, and the guards that small printers have.

Time in printer seconds, temperatures in degrees C. Refuses to know about commands and replies.
The controller is ideal: full power up to the target, then exactly the power that holds it.
"""

from __future__ import annotations

import math

from layergate_sim.printer.settings import HeaterSettings

SENSOR_OPEN_C = -15.0  # an open circuit reads very cold (facts 5); the figure is practice
SENSOR_SHORT_C = 850.0  # a short reads very hot (facts 5); the figure is practice


class Heater:
    """One heater and its sensor. Change anything through its methods: each first fixes the temperature at that time.

    Faults: `lost` (no power whatever is asked), `stuck` (full power whatever is asked), `sensor` ("ok", "open",
    "short").
    """

    def __init__(self, name: str, settings: HeaterSettings, room_c: float) -> None:
        self.name = name
        self.settings = settings
        self.room_c = room_c
        self.target_c = 0.0
        self.lost = False
        self.stuck = False
        self.sensor = "ok"
        self._t0 = 0.0
        self._c0 = room_c
        self._limit_c = room_c  # where the present power would settle
        self._hold_from = math.inf
        self._tau = settings.capacity_j_k / settings.loss_w_k
        # Guards.
        self._watch_from: float | None = None
        self._watch_c = 0.0
        self._reached = False
        self._below_since: float | None = None

    # -- the plant

    def true_c(self, t: float) -> float:
        """Temperature of the block itself at printer time t."""
        if t >= self._hold_from:
            return self.target_c
        return self._limit_c + (self._c0 - self._limit_c) * math.exp(-(t - self._t0) / self._tau)

    def read_c(self, t: float) -> float:
        """What the sensor says."""
        if self.sensor == "open":
            return SENSOR_OPEN_C
        if self.sensor == "short":
            return SENSOR_SHORT_C
        return self.true_c(t)

    def duty(self, t: float) -> float:
        """Share of full power that the controller asks for, 0..1 (a lost heater is asked in vain)."""
        if self.target_c <= 0:
            return 0.0
        read = self.read_c(t)
        if read < self.target_c - 0.01:
            return 1.0
        if read > self.target_c + 0.01:
            return 0.0
        return min(1.0, self.settings.loss_w_k * (self.target_c - self.room_c) / self.settings.power_w)

    def time_to(self, goal_c: float, t: float) -> float:
        """Printer time at which the true temperature first equals goal_c under the present power; inf for never."""
        now_c = self.true_c(t)
        if abs(now_c - goal_c) < 1e-9:
            return t
        limit = self.target_c if t >= self._hold_from else self._limit_c
        if t >= self._hold_from or (goal_c - now_c) * (limit - now_c) <= 0 or abs(limit - now_c) <= abs(goal_c - now_c):
            return math.inf
        reached = t + self._tau * math.log((limit - now_c) / (limit - goal_c))
        return reached if reached <= self._hold_from else math.inf

    def _repower(self, t: float) -> None:
        """Start a new stretch of constant power (or of holding) at time t."""
        self._c0 = self.true_c(t)
        self._t0 = t
        self._hold_from = math.inf
        full = self.room_c + self.settings.power_w / self.settings.loss_w_k
        if self.stuck:
            self._limit_c = full
        elif self.lost or self.target_c <= 0 or self.sensor == "short":
            self._limit_c = self.room_c
        elif self.sensor == "open":
            self._limit_c = full
        elif self._c0 <= self.target_c:
            self._limit_c = full
            self._hold_from = self.time_to(self.target_c, t)
        else:
            self._limit_c = self.room_c
            self._hold_from = self.time_to(self.target_c, t)

    # -- what is done to it

    def set_target(self, target_c: float, t: float) -> None:
        """Ask for a temperature; 0 or less switches off. Clipped 15 degrees below the highest allowed (practice)."""
        target = min(max(target_c, 0.0), self.settings.max_c - 15.0)
        held = self.true_c(t)
        self._c0, self._t0, self._hold_from, self._limit_c = held, t, math.inf, held
        self.target_c = target
        self._repower(t)
        self._reached = False
        self._below_since = None
        self._watch_from = t if target > 0 else None
        self._watch_c = self.read_c(t)

    def fail(self, t: float, *, lost: bool | None = None, stuck: bool | None = None, sensor: str | None = None) -> None:
        """Break (or mend) a part of it at time t."""
        held = self.true_c(t)
        self._c0, self._t0, self._hold_from, self._limit_c = held, t, math.inf, held
        self.lost = self.lost if lost is None else lost
        self.stuck = self.stuck if stuck is None else stuck
        self.sensor = self.sensor if sensor is None else sensor
        self._repower(t)

    # -- guards

    @property
    def needs_guard(self) -> bool:
        """True while something could trip: a target, or a fault."""
        return self.target_c > 0 or self.stuck or self.sensor != "ok"

    @property
    def changed_at(self) -> float:
        """Printer time since which the present power has been on."""
        return self._t0

    @property
    def sound(self) -> bool:
        """True while nothing of it is broken."""
        return not (self.lost or self.stuck) and self.sensor == "ok"

    def trip(self, t: float) -> str | None:
        """Reason why the guards stop the printer at time t, or None. To be asked about once a printer second."""
        if t < self._t0:
            return None
        read = self.read_c(t)
        limits = self.settings
        if read > limits.max_c:
            return f"{self.name} reads {read:.1f} C, above its limit of {limits.max_c:.0f} C (MAXTEMP)"
        if read < limits.min_c:
            return f"{self.name} reads {read:.1f} C, below its limit of {limits.min_c:.0f} C (MINTEMP)"
        if self.target_c <= 0:
            return None
        if not self._reached:
            if read >= self.target_c - limits.window_c:
                self._reached = True
            elif self._watch_from is not None and read < self.target_c and t - self._watch_from >= limits.watch_s:
                if read < self._watch_c + limits.watch_gain_c:
                    return f"heating failed, {self.name} gained {read - self._watch_c:.1f} K in {limits.watch_s:.0f} s"
                self._watch_from, self._watch_c = t, read
            return None
        if read >= self.target_c - limits.runaway_c:
            self._below_since = None
        elif self._below_since is None:
            self._below_since = t
        elif t - self._below_since >= limits.runaway_s:
            return (
                f"thermal runaway, {self.name} more than {limits.runaway_c:.0f} K below {self.target_c:.0f} C "
                f"for {limits.runaway_s:.0f} s"
            )
        return None
