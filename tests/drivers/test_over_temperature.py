"""The over-temperature protection of a simulated instrument, at its exact times."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from drivers.channel import Setpoint
from drivers.figures import OverTemperature, Protections
from drivers.simulated.conditions import Profile
from drivers.simulated.parts.supercapacitor import Supercapacitor
from tests.drivers.simulated_states import channel, on, resistor

HEAT = OverTemperature.model_construct(limit=323.15, rise=2.0, time_constant=50.0)


def warm(heat: OverTemperature = HEAT) -> dict[str, Any]:
    protections = Protections.model_construct(
        over_voltage=None, over_current=None, over_temperature=heat
    )
    return {"protections": protections}


def store(capacitance: str, resistance: str, volts: str) -> Supercapacitor:
    return Supercapacitor.model_validate(
        {
            "model": "supercapacitor",
            "capacitance": capacitance,
            "series_resistance": resistance,
            "initial": {"voltage": volts},
        }
    )


def test_what_takes_too_much_for_too_long_gets_too_warm() -> None:
    """From 20 °C to 50 °C are 15 W of 2 K/W: 16 W with a lag of 50 s get there in 50 s · ln 16.

    4 A at 4 V from a store of 1e13 F, whose voltage stands still: 4 V across the output.
    """
    full = store("1e13 F", "1 uohm", "4.000004 V")
    made, clock = channel(full, air=Profile.constant(293.15), **warm())
    on(made, "current", -4.0, -5.0, 5.0)
    begin = clock.now()
    clock.wait_until(3600.0)
    (dropped,) = made.poll()
    assert dropped.time - begin == pytest.approx(50.0 * math.log(16.0), rel=1e-7)
    assert (dropped.kind, dropped.exact) == ("dropped", True)
    assert dropped.text == "the over-temperature protection of 50 °C dropped the output"
    assert not made.read_back().output
    assert made.measure().current == pytest.approx(0.0, abs=1e-9)


def test_a_power_that_falls_meanwhile_is_followed() -> None:
    """4 A out of 1000 F at 6 V behind 10 mohm: P = 4 A·(5.96 V − 4 mV/s·t), lagged by 50 s.

    y' = (P_0 − a t − y)/τ from 0 is y = P_0 (1 − e) − a (t − τ (1 − e)), with e = exp(−t/τ).
    """
    made, clock = channel(store("1000 F", "10 mohm", "6 V"), air=Profile.constant(293.15), **warm())
    on(made, "current", -4.0, -7.0, 7.0)
    begin = clock.now()
    clock.wait_until(3600.0)

    def excess(t: float) -> float:
        reached = 1 - math.exp(-t / 50.0)
        return 4 * 5.96 * reached - 0.016 * (t - 50.0 * reached) - 15.0

    when = brentq(excess, 1.0, 200.0, xtol=1e-9)
    assert made.poll()[-1].time - begin == pytest.approx(when, rel=1e-7)


def test_what_gives_doesnt_get_warm_and_what_rests_cools() -> None:
    """4 A from 4 V for 60 s, 60 s at rest, and so on: e^-1.2 is left of it each time."""
    made, clock = channel(resistor(1.0), **warm())
    on(made, "voltage", 4.0, -4.5, 4.5)
    clock.wait_until(3600.0)
    assert made.poll() == []

    part = store("1e9 F", "1 uohm", "4 V")
    made, clock = channel(part, air=Profile.constant(293.15), **warm())
    made.program(Setpoint("current", -4.0, -5.0, 5.0))
    for k in range(5):
        clock.wait_until(120.0 * k)
        made.switch(True)
        clock.wait_until(120.0 * k + 60.0)
        made.switch(False)
    assert [event.kind for event in made.poll()] == []
    made.switch(True)
    clock.wait_until(3600.0)
    assert [event.kind for event in made.poll()] == ["dropped"]


def test_warm_air_makes_it_too_warm_sooner() -> None:
    """The air rises from 20 °C to 48 °C within 280 s: 2 K are left, which are 1 W of 0.9 W taken.

    After 281 s it stays at 48.1 °C: 1.9 K, 0.95 W. At 48.3 °C, reached after 283 s, 0.85 W are
    too much: the line of the air, 20 °C + 0.1 K/s, meets 50 °C − 2 K/W · 0.9 W at 282 s.
    """
    part = store("1e9 F", "1 uohm", "0.9 V")
    air = Profile((0.0, 1000.0), (293.15, 393.15))
    short = HEAT.model_copy(update={"time_constant": 1.0})
    made, clock = channel(part, air=air, **warm(short))
    on(made, "current", -1.0, -5.0, 5.0)
    clock.wait_until(900.0)
    assert made.poll()[-1].time == pytest.approx(282.0, abs=1e-3)


def test_readings_foreseen_end_before_it_gets_too_warm() -> None:
    part = store("1e9 F", "1 uohm", "4 V")
    made, clock = channel(part, air=Profile.constant(293.15), **warm())
    on(made, "current", -4.0, -5.0, 5.0)
    begins_ns = clock.now_ns + np.arange(300) * 1_000_000_000
    found = made.peek_many(begins_ns)
    assert len(found.voltage) == math.ceil(50.0 * math.log(16.0))
    made.take(len(found.voltage))
    clock.wait_until(200.0)
    assert [event.kind for event in made.poll()] == ["dropped"]
