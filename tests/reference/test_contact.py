"""Contacts: thermal voltages taken out by reversal, and the heat of their spots."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_bvp

from drivers.channel import Acquisition, Setpoint
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.spots import LORENZ_V2_PER_K2, Spots
from tests.drivers.parts.examples import part_of
from tests.drivers.simulated_bench import on_part


def test_reversal_takes_out_what_drifts() -> None:
    """1 mΩ, 0.1 A, 2 µV that drift 0.3 µV from one reading to the next, a second later.

    A single reading gives 1.020 mΩ, one less that without current 0.997, two of opposite currents
    0.9985, three of them (V1 − 2·V2 + V3)/4I 1.000: read in the published methods. A slow sine
    begins with such a slope: 2π·477.4648 µV in 10,000 s.
    """
    part = """
model = "contact"
resistance = "1 mohm"
thermal_voltage = "2 uV"
drift = "477.4648 uV"
drift_period = "10000 s"
"""

    def readings(*currents: float) -> list[float]:
        channel, clock, _ = on_part(part, ideal=True)
        channel.configure(Acquisition(0.2, 0.5, 1e-3, None))
        channel.program(Setpoint("current", currents[0], -1.0, 1.0))
        channel.switch(True)
        found = []
        for second, amperes in enumerate(currents, start=1):
            channel.program(Setpoint("current", amperes, -1.0, 1.0))
            clock.wait_until(second - 0.5e-3)
            found.append(channel.measure())
            assert found[-1].time == pytest.approx(second, abs=1e-9)
        # The first of them a second after the bench has begun: what drifted until then isn't meant.
        return [reading.voltage - 0.3e-6 for reading in found]

    single, opposite, third = readings(0.1, -0.1, 0.1)
    _, off = readings(0.1, 0.0)
    for found, milliohms in (
        (single / 0.1, 1.020),
        ((single - off) / 0.1, 0.997),
        ((single - opposite) / 0.2, 0.9985),
        ((single - 2 * opposite + third) / 0.4, 1.000),
    ):
        assert found == pytest.approx(milliohms * 1e-3, rel=1e-6, abs=0)


def test_wiedemann_and_franz() -> None:
    """The Lorenz number is 2.443e-8 V²/K² (from memory, any textbook)."""
    assert pytest.approx(2.443e-8, rel=2e-4, abs=0) == LORENZ_V2_PER_K2


@pytest.mark.parametrize("volts", [0.05, 0.2, 0.4])
def test_hottest_place(volts: float) -> None:
    """scipy's boundary value problem of a conductor, ends at 296.15 K, whose heat makes it hot.

    (L/ρ·T·T')' + ρ·J² = 0 along a length of 1, so that J·ρ is the voltage; Kohlrausch's relation
    gives the temperature in its middle.
    """

    def slopes(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        temperature, flux = y
        return np.vstack([flux / (LORENZ_V2_PER_K2 * temperature), np.full_like(x, -(volts**2))])

    grid = np.linspace(0, 1, 201)
    guess = np.vstack([296.15 + 500 * grid * (1 - grid), np.zeros_like(grid)])
    solved = solve_bvp(
        slopes, lambda a, b: np.array([a[0] - 296.15, b[0] - 296.15]), grid, guess, tol=1e-6
    )
    assert solved.success
    spots = Spots(1e-4, 0.0, 296.15, 0.0, 0.0)
    assert spots.temperature_at(volts) == pytest.approx(solved.sol(0.5)[0], rel=1e-5, abs=0)


def test_copper_melts_at_four_tenths_of_a_volt() -> None:
    """Holm's melting voltage of copper, 0.43 V (from memory); the relation gives 0.414 V."""
    melts = 2 * math.sqrt(LORENZ_V2_PER_K2 * (1356.15**2 - 293.15**2))
    assert melts == pytest.approx(0.43, rel=0.05, abs=0)


def test_resistance_follows_the_spots() -> None:
    """R·(1 + ⅔·α·(T − T_a)), in closed form, at 100 mV across copper; and what the air adds."""
    part = part_of("""
[parts.joint]
model = "contact"
resistance = "100 uohm"
temperature_coefficient = "0.39 %/K"
""")
    law = part.physics(Conditions())
    assert isinstance(law, Spots)
    hot = math.sqrt(296.15**2 + 0.1**2 / (4 * LORENZ_V2_PER_K2))
    expected = 1e-4 * (1 + 3.9e-3 * 3 + 2 / 3 * 3.9e-3 * (hot - 296.15))
    assert law.current_through(0.1, 0.0) == pytest.approx(0.1 / expected, rel=1e-12, abs=0)
    assert hot - 296.15 > 100
