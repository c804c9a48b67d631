"""Heaters: every figure from facts.md 5 (values of the parts from memory there, results calculated)."""

from __future__ import annotations

import math

import pytest

from layergate_sim.printer.settings import BED, HOTEND
from layergate_sim.printer.thermal import Heater


def heater(name: str = "hotend") -> Heater:
    return Heater(name, HOTEND if name == "hotend" else BED, 25.0)


def trip_after(one: Heater, start: float, limit: float = 600.0) -> tuple[float, str]:
    """Seconds until the guards act, looked at once a second, and why."""
    for second in range(1, int(limit)):
        reason = one.trip(start + second)
        if reason:
            return float(second), reason
    raise AssertionError("no guard acted")


@pytest.mark.parametrize(("target", "seconds"), [(200, 70.0), (210, 75.1), (240, 91.3), (260, 103.2)])
def test_hot_end_heating_times(target: float, seconds: float) -> None:
    """40 W into 13 J/K: 75.1 s to 210 C and so on."""
    one = heater()
    one.set_target(300.0, 0.0)
    assert one.time_to(target, 0.0) == pytest.approx(seconds, abs=0.05)


def test_hot_end_slope_and_a_minute() -> None:
    """3.08 K/s at first, 179.367 C after 60 s, and 525 C if nothing ever switched it off."""
    one = heater()
    one.set_target(250.0, 0.0)
    assert (one.true_c(0.01) - 25.0) / 0.01 == pytest.approx(3.08, abs=0.01)
    assert one.true_c(60.0) == pytest.approx(179.367, abs=1e-3)
    one.fail(0.0, stuck=True)
    assert one.true_c(5000.0) == pytest.approx(525.0, abs=0.01)


@pytest.mark.parametrize(("target", "seconds"), [(60, 137), (80, 235), (100, 354)])
def test_bed_heating_times(target: float, seconds: float) -> None:
    """250 W into 865 J/K: 137 s to 60 C and so on."""
    one = heater("bed")
    one.set_target(110.0, 0.0)
    assert one.time_to(target, 0.0) == pytest.approx(seconds, abs=0.5)


def test_bed_cools_freely() -> None:
    """From 60 to 35 C in 677 s."""
    one = heater("bed")
    one.set_target(60.0, 0.0)
    one.set_target(0.0, 1000.0)
    assert one.true_c(1000.0) == pytest.approx(60.0)
    assert one.time_to(35.0, 1000.0) - 1000.0 == pytest.approx(677, abs=1)


def test_holding_power() -> None:
    """Holding 210 C takes 14.8 W, 37 % of the hot end; 60 C takes 56 W of the bed."""
    hot, bed = heater(), heater("bed")
    hot.set_target(210.0, 0.0)
    bed.set_target(60.0, 0.0)
    assert hot.duty(500.0) == pytest.approx(0.37, abs=0.002)
    assert bed.duty(5000.0) * 250 == pytest.approx(56, abs=0.1)
    assert hot.duty(1.0) == 1.0


def test_a_lost_heater_cools_as_calculated() -> None:
    """At 210 C it falls 1.14 K/s at first, passes 170 C after 39.6 s and 50 C after 325 s."""
    one = heater()
    one.set_target(210.0, 0.0)
    one.fail(500.0, lost=True)
    assert (one.true_c(500.01) - 210.0) / 0.01 == pytest.approx(-1.14, abs=0.01)
    assert one.time_to(170.0, 500.0) - 500.0 == pytest.approx(39.6, abs=0.05)
    assert one.time_to(50.0, 500.0) - 500.0 == pytest.approx(325, abs=1)


def test_closed_form_equals_small_steps() -> None:
    """The closed form is the solution of C dT/dt = P - G (T - Ta): compared with an integration in steps of 1 ms."""
    one = heater()
    one.set_target(210.0, 0.0)
    temperature = 25.0
    for step in range(60_000):
        if step % 10_000 == 0:
            assert one.true_c(step / 1000) == pytest.approx(temperature, abs=0.01)
        temperature += 0.001 * (40.0 - 0.08 * (temperature - 25.0)) / 13.0


def test_guard_sees_a_heater_that_does_not_heat() -> None:
    """No 2 K within 20 s: the watch acts (facts.md 5, guards, from memory there)."""
    one = heater()
    one.fail(0.0, lost=True)
    one.set_target(210.0, 0.0)
    seconds, reason = trip_after(one, 0.0)
    assert seconds == 20
    assert "heating failed" in reason


def test_guard_sees_a_heater_lost_at_temperature() -> None:
    """More than 4 K below the target for 40 s: the runaway guard acts (facts.md 5, guards, from memory there)."""
    one = heater()
    one.set_target(210.0, 0.0)
    assert one.trip(300.0) is None
    one.fail(300.0, lost=True)
    seconds, reason = trip_after(one, 300.0)
    assert 40 <= seconds <= 46  # 4 K take 3.5 s at 1.14 K/s
    assert "thermal runaway" in reason


@pytest.mark.parametrize(("sensor", "word"), [("open", "MINTEMP"), ("short", "MAXTEMP")])
def test_guards_see_broken_sensors_at_once(sensor: str, word: str) -> None:
    """Open reads very cold, short very hot; both are faults (facts.md 5)."""
    one = heater()
    one.set_target(210.0, 0.0)
    one.fail(10.0, sensor=sensor)
    seconds, reason = trip_after(one, 10.0)
    assert seconds == 1
    assert word in reason


def test_guard_sees_a_heater_stuck_on_and_can_not_stop_it() -> None:
    """A switch stuck on passes the limit; taking the target away changes nothing (facts.md 5, the danger)."""
    one = heater()
    one.set_target(210.0, 0.0)
    one.fail(200.0, stuck=True)
    seconds, reason = trip_after(one, 200.0)
    assert "MAXTEMP" in reason
    one.set_target(0.0, 200.0 + seconds)
    assert one.true_c(3000.0) == pytest.approx(525.0, abs=0.1)


def test_a_sound_heater_never_trips() -> None:
    """Heating, holding, a new target up or down, switching off: no guard acts."""
    one = heater()
    for start, target in ((0, 210.0), (300, 240.0), (600, 190.0), (900, 191.0), (1200, 0.0), (1500, 210.0)):
        one.set_target(target, float(start))
        for second in range(1, 300):
            assert one.trip(float(start + second)) is None


def test_an_unreachable_temperature_has_no_time() -> None:
    """What the present power never reaches is at infinity."""
    one = heater()
    assert one.time_to(100.0, 0.0) == math.inf
    one.set_target(200.0, 0.0)
    assert one.time_to(10.0, 0.0) == math.inf
