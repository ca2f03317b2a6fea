"""Resistors: in the simplest form that does, with the air, and in pulses that open them."""

from __future__ import annotations

import math

import pytest

from drivers.clock import NANOSECONDS
from drivers.simulated.conditions import Conditions, Profile
from drivers.simulated.parts import resistor
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.stateless import OPENED_OHMS, Stateless
from tests.drivers.parts.driven import driven
from tests.drivers.parts.driving import at, holding, pushing
from tests.drivers.parts.energy import motion
from tests.drivers.parts.examples import dynamic_of, part_of, refusal
from tests.drivers.parts.laws import assert_undoes_itself

VOLTAGES = [sign * size for sign in (-1, 1) for size in (0, 1e-9, 1e-3, 0.4, 5, 60, 1e6)]
WEATHER = Conditions(temperature=Profile((0.0, 40.0, 400.0), (290.0, 296.0, 270.0)))
PLAIN = """
[parts.r]
model = "resistor"
resistance = "100 ohm"
"""
PULSED = """
[parts.film]
model = "resistor"
resistance = "10 ohm"
heating = { heat_capacity = "1 mJ/K", thermal_resistance = "80 K/W" }
pulse_failure_energy = "0.4 J"
"""


def test_the_simplest_form_that_does() -> None:
    for more, conditions, form, ohms in (
        ("", WEATHER, Ohmic, 100.0),
        ('temperature_coefficient = "0.1 %/K"', Conditions(), Ohmic, 100.3),
        ('temperature_coefficient = "0.1 %/K"', WEATHER, Stateless, 99.685),
        ('inductance = "2 uH"', WEATHER, Stateless, 100.0),
    ):
        physics = part_of(PLAIN + more).physics(conditions)
        assert type(physics) is form
        law = physics.law(0, 0.0, (), ()) if isinstance(physics, Stateless) else physics
        assert isinstance(law, Ohmic)
        assert law.voltage_at(1.0) == pytest.approx(ohms, rel=1e-12, abs=0)
        assert_undoes_itself(law, VOLTAGES, [0.0, 1e-3, 1e9])


def test_resistance_follows_the_air() -> None:
    """0.1 %/K from 20 °C on: at 290 K and 296 K, and half-way in time between them."""
    part = dynamic_of(part_of(PLAIN + 'temperature_coefficient = "0.1 %/K"'), WEATHER)
    assert part.kinks == (0.0, 40.0, 400.0)
    for time_s, kelvins in ((0.0, 290.0), (20.0, 293.0), (40.0, 296.0)):
        expected = 100 * (1 + 1e-3 * (kelvins - 293.15))
        assert part.law(0, time_s, (), ()).voltage_at(1.0) == pytest.approx(
            expected, rel=1e-12, abs=0
        )


@pytest.mark.parametrize("watts", [400.0, 100.0, 6.0, 4.9])
def test_a_film_resistor_opens(watts: float) -> None:
    """0.4 J in 1 mJ/K with 80 K/W: t = −τ·ln(1 − E/(P·τ)), τ 80 ms; 5 W it bears for ever.

    A strong pulse takes 0.4 J whatever its power, a weak one takes more.
    """
    port = driven(PULSED, pushing(math.sqrt(watts / 10), 1e3))
    port.advance(3 * NANOSECONDS)
    if watts < 5:
        assert port.happened == []
        return
    (happened,) = port.happened
    expected = -0.08 * math.log1p(-0.4 / (watts * 0.08))
    assert happened.time_s == pytest.approx(expected, rel=1e-9, abs=0)
    assert watts * expected == pytest.approx(0.4, rel=0.01, abs=0) or watts < 400
    assert happened.damage
    assert happened.text == (
        "the element opened by a punctured spot: it held 400 mJ of heat, the most that it bears, "
        "and was at 423 °C"
    )
    assert at(port, 3.0) == pytest.approx((1e3, 1e3 / OPENED_OHMS), rel=1e-9, abs=0)


def test_heat_is_not_the_circuits_business() -> None:
    """scipy's own solution of the example resistor, and the bench's solver: the same current."""
    text = resistor.EXAMPLE
    part = dynamic_of(part_of(text))
    solution = motion(part, [(lambda t: 20.0, 1.0)], 0.02, method="Radau")
    port = driven(text, holding(20.0, ohms=1.0))
    flows = float(solution.y[2, -1])
    assert at(port, 0.02)[1] == pytest.approx(flows, rel=1e-8, abs=0)


def test_an_energy_that_nothing_holds() -> None:
    text = PLAIN + 'pulse_failure_energy = "1 J"'
    said = refusal(text, "100 ohm", "10 ohm")
    assert "“parts.r” has a “pulse_failure_energy” and no “heating”, in which" in said
