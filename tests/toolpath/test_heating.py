"""Heating time and heat timeline: figures of facts.md section 5, and what a job commands."""

import math

import pytest

from layergate.gcode.columns import read_columns
from layergate.gcode.dialect import Dialect
from layergate.toolpath.heat import HeatEvent, HeatTimeline
from layergate.toolpath.heating import BED, HOT_END, Heater, heating_seconds
from layergate.toolpath.reader import MoveReader


def event(heater: str, target: float, waits: bool, tool: int = 0) -> HeatEvent:
    return HeatEvent(1, heater, tool, target, waits)


@pytest.mark.parametrize(("target", "seconds"), [(200, 70.0), (210, 75.1), (240, 91.3), (260, 103.2)])
def test_hot_end_of_the_reference_model(target: float, seconds: float) -> None:
    """facts.md 5 (values from typical parts, results CALC): 40 W, 13 J/K, 0.08 W/K from 25 deg C."""
    assert HOT_END.seconds(25, target) == pytest.approx(seconds, abs=0.05)


@pytest.mark.parametrize(("target", "seconds"), [(60, 137), (80, 235), (100, 354)])
def test_bed_of_the_reference_model(target: float, seconds: float) -> None:
    """facts.md 5: 250 W, 865 J/K, 1.6 W/K; the figures there are to the second, of a rounded time constant."""
    assert BED.seconds(25, target) == pytest.approx(seconds, abs=1)


def test_temperature_after_a_minute() -> None:
    """facts.md 5: T(60 s) = 179.367, ODE and closed form agree."""
    assert HOT_END.after(25, 500, 60) == pytest.approx(179.367, abs=1e-3)


def test_incropera_thermocouple() -> None:
    """Incropera & DeWitt, Example 5.1 (figures CALC in facts.md 5): tau 1 s, 25 to 199 in 200 deg C gas: ln 175 = 5.165 s."""
    assert Heater(1.0, 200.0).seconds(25, 199) == pytest.approx(5.165, abs=5e-4)


def test_cengel_thermocouple() -> None:
    """Cengel, Example 4-1 (SEEN in facts.md 5): b 0.46324 /s, 99 % after 9.94 s, printed as 10 s."""
    assert Heater(1 / 0.46324, 100.0).seconds(0, 99) == pytest.approx(9.94, abs=5e-3)


def test_cooling_takes_no_time_and_out_of_reach_takes_for_ever() -> None:
    """A lower target is not waited for; one at or above where the heater settles is never reached."""
    assert HOT_END.seconds(200, 150) == 0
    assert HOT_END.seconds(25, 525) == math.inf
    assert HOT_END.after(200, 150, 100) == 200


def test_heaters_warm_up_together() -> None:
    """The hot end, set before the bed's wait, is warm when its own wait comes: only the bed's time counts."""
    alone = heating_seconds([event("bed", 60, True)])
    both = heating_seconds(
        [event("bed", 60, False), event("hot-end", 205, False), event("bed", 60, True), event("hot-end", 205, True)]
    )
    assert alone == pytest.approx(137, abs=1)
    assert both == pytest.approx(alone)


def test_only_waits_take_time() -> None:
    """Targets alone take none; one out of reach counts as half an hour; nothing in, nothing out."""
    assert heating_seconds([]) == 0
    assert heating_seconds([event("bed", 60, False)]) == 0
    assert heating_seconds([event("hot-end", 600, True)]) == 1800


def timeline(text: str) -> HeatTimeline:
    reader = MoveReader(Dialect())
    reader.read(read_columns(text.encode(), 1))
    return reader.heat


def test_every_way_to_state_a_temperature_is_an_event() -> None:
    """facts.md 1.4: M104, M109 S or R, M140, M190, T words; G10 P S (seen in real jobs, domain.md)."""
    heat = timeline("M104 S205\nM109 R210\nM140 S60\nM190 R65\nM104 T1 S190\nG10 P2 S180\nM104\nG10\n")
    assert [(e.line, e.heater, e.tool, e.target_c, e.waits) for e in heat.events] == [
        (1, "hot-end", 0, 205, False), (2, "hot-end", 0, 210, True), (3, "bed", 0, 60, False), (4, "bed", 0, 65, True),
        (5, "hot-end", 1, 190, False), (6, "hot-end", 2, 180, False),
    ]  # fmt: skip
    assert heat.bed_c == 65


def test_after_a_macro_what_was_off_is_unknown_and_what_was_hot_stays() -> None:
    """Unknown, not absent (domain.md, "macros that the printer expands")."""
    assert math.isnan(timeline("M104 S0\nSTART X=1\n").active_c())
    assert timeline("M104 S205\nSTART X=1\n").active_c() == 205
    assert timeline("M104 S205\nSTART X=1\nPARK\n").unknown_since == 2


def test_one_target_serves_all_tools_until_a_second_is_named() -> None:
    """Own choice: several filaments through one nozzle are usual; two targets mean two nozzles."""
    assert timeline("M104 S205\nT3\n").active_c() == 205
    assert math.isnan(timeline("M104 S205\nM104 T1 S200\nT3\n").active_c())
    assert timeline("M104 S205\nT255\n").tool == 0


def test_the_list_of_events_is_bounded() -> None:
    """A job that sets temperatures for ever fills no memory."""
    heat = timeline("M104 S205\n" * 5000)
    assert len(heat.events) == 4096
    assert heat.events_dropped == 904
