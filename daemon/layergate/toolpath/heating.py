"""Heating time: how long the waits of a job last, by a first-order model of hot end and bed.

The figures are those of a small printer (lumped heat capacity, see the constants); a description of the machine's own
heaters would be better, and the estimate is reported apart from motion for that reason.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from layergate.toolpath.heat import HeatEvent

AMBIENT_C = 25.0


@dataclass(frozen=True, slots=True)
class Heater:
    """C dT/dt = P - G (T - ambient), by its two results."""

    time_constant_s: float
    settles_c: float
    """Where it would settle at full power."""

    def seconds(self, start_c: float, target_c: float) -> float:
        """Give the time from one temperature to a higher one at full power; 0 for a lower one, inf out of reach."""
        if target_c <= start_c:
            return 0.0
        if target_c >= self.settles_c:
            return math.inf
        return self.time_constant_s * math.log((self.settles_c - start_c) / (self.settles_c - target_c))

    def after(self, start_c: float, target_c: float, seconds: float) -> float:
        """Give the temperature after heating towards a target for some time."""
        if target_c <= start_c:
            return start_c
        heated = self.settles_c + (start_c - self.settles_c) * math.exp(-seconds / self.time_constant_s)
        return min(target_c, heated)


# Illustrative figures of typical parts: 40 W, 13 J/K, 0.08 W/K; bed 250 W, 865 J/K, 1.6 W/K (from memory).
HOT_END = Heater(162.5, 525.0)
BED = Heater(541.0, 181.0)
_LONGEST_WAIT_S = 1800.0  # a target out of the model's reach counts as this


def heating_seconds(events: Iterable[HeatEvent]) -> float:
    """Give the time of all waits for heaters, s. Heaters warm up together; cooling is not waited for."""
    temperature: dict[tuple[str, int], float] = {}
    target: dict[tuple[str, int], float] = {}
    total = 0.0
    for event in events:
        key = (event.heater, event.tool)
        target[key] = event.target_c
        if not event.waits:
            continue
        model = BED if event.heater == "bed" else HOT_END
        wait = min(_LONGEST_WAIT_S, model.seconds(temperature.get(key, AMBIENT_C), event.target_c))
        total += wait
        for other, goal in target.items():
            heater = BED if other[0] == "bed" else HOT_END
            temperature[other] = heater.after(temperature.get(other, AMBIENT_C), goal, wait)
    return total
