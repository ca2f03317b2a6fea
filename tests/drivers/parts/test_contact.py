"""Contacts: their law, a thermal voltage that drifts, films that give way, and welds."""

from __future__ import annotations

import math

import pytest

from drivers.clock import NANOSECONDS
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.spots import LORENZ_V2_PER_K2, Spots
from tests.drivers.parts.driven import driven
from tests.drivers.parts.driving import at, holding, pushing
from tests.drivers.parts.examples import part_of
from tests.drivers.parts.laws import assert_undoes_itself

VOLTAGES = [sign * size for sign in (-1, 1) for size in (0, 1e-9, 1e-3, 0.4, 5, 60, 1e6)]
JOINT = """
[parts.joint]
model = "contact"
resistance = "200 uohm"
"""


def test_laws_of_a_contact() -> None:
    for coefficient in (0.0, 1e-3, 3.9e-3, 4.5e-3):
        for emf in (0.0, 2e-6, -1e-3):
            for film in (0.0, 4.0):
                spots = Spots(2e-4, coefficient, 296.15, emf, film)
                assert_undoes_itself(spots, VOLTAGES, [1e3])
                # At the metal itself, far beyond melting, the current hardly rises any more.
                small = [v for v in VOLTAGES if abs(v) < 100]
                assert_undoes_itself(spots, small, [0.0, 1e-6, 0.01])


def test_a_contact_without_changes_is_static() -> None:
    """A thermal voltage of 3 µV through 10 mΩ drives 300 µA (practice; Ohm's law)."""
    text = JOINT.replace('"200 uohm"', '"10 mohm"') + 'thermal_voltage = "3 uV"'
    law = part_of(text).physics(Conditions())
    assert isinstance(law, Spots)
    assert law.current_through(0.0, 0.0) == pytest.approx(-300e-6, rel=1e-12, abs=0)
    assert law.voltage_at(0.0) == 3e-6


def test_a_thermal_voltage_that_drifts() -> None:
    """The sine of its period, by the solver and by its closed form."""
    port = driven(JOINT + 'drift = "2 uV"\ndrift_period = "7 min"', pushing(0.0, 1.0))
    for time_s in (0.0, 60.0, 105.0, 400.0, 3000.0):
        expected = 2e-6 * math.sin(math.tau * time_s / 420)
        assert at(port, time_s)[0] == pytest.approx(expected, abs=1e-13)


def test_a_film_gives_way() -> None:
    """4 Ω of oxide bear 60 mV, that is 15 mA; what remains is metal, and nothing is damaged."""
    text = JOINT + 'film = { resistance = "4 ohm", voltage = "60 mV" }'
    port = driven(text, holding(0.05, 0.1))
    assert at(port, 1.0)[1] == pytest.approx(0.05 / 4.0002, rel=1e-12, abs=0)
    port.connect(holding(0.07, 0.1), 2 * NANOSECONDS)
    assert at(port, 3.0) == pytest.approx((0.1 * 200e-6, 0.1), rel=1e-12, abs=0)
    (happened,) = port.happened
    assert (happened.time_s, happened.damage) == (2.0, False)
    assert happened.text == "the oxide film gave way at 60 mV across it: its 4 ohm are gone"


def test_a_contact_welds() -> None:
    """At 1000 °C by Kohlrausch's relation, from 23 °C: 2·√(L·(1273.15² − 296.15²)) = 387 mV."""
    text = JOINT + 'welding = { temperature = "1000 °C", resistance = "20 uohm" }'
    melts = 2 * math.sqrt(LORENZ_V2_PER_K2 * (1273.15**2 - 296.15**2))
    port = driven(text, holding(0.999 * melts))
    assert at(port, 1.0)[1] == pytest.approx(0.999 * melts / 200e-6, rel=1e-9, abs=0)
    port.connect(holding(1.001 * melts), 2 * NANOSECONDS)
    assert at(port, 3.0)[1] == pytest.approx(1.001 * melts / 20e-6, rel=1e-9, abs=0)
    (happened,) = port.happened
    assert (happened.time_s, happened.damage) == (2.0, True)
    assert happened.text == ("the contact welded: its spots reached 1000 °C; 20 uohm are left")
