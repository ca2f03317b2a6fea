"""Diodes, suppressors and photodiodes: closed forms, the Lambert W function, published points."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import lambertw

from sequencer.analysis import (
    breakdown_voltage,
    clamping_voltage,
    diode_fit,
    dynamic_resistance,
    pulse_energy,
    quantum_efficiency,
)
from sequencer.analysis.calculations.physics import VOLTS_PER_KELVIN
from tests.sequencer.analysis.made_traces import Floats

ROOM_K = 298.15
ROOM_V = 0.0256925791211  # k·T/q at 298.15 K, computed from CODATA's constants


def test_thermal_voltage() -> None:
    """At 298.15 K and 300 K, computed from CODATA's constants."""
    found = [VOLTS_PER_KELVIN * kelvin for kelvin in (ROOM_K, 300.0)]
    assert found == pytest.approx([0.0256925791, 0.0258519998], abs=5e-11)


def test_a_fit_through_published_points() -> None:
    """I_0 1 pA, 25 °C: at 0.6, 0.65 and 0.7 V, and behind 1 kΩ at 5 V; computed twice."""
    voltage = np.array([0.570671078909, 0.6, 0.65, 0.7])
    current = np.array([4.42932892109e-3, 0.01387073, 0.09711230, 0.67990651])
    found = diode_fit(np.arange(4.0), voltage, current, ROOM_K).values
    assert found["ideality"] == pytest.approx(1.0, abs=1e-6)
    assert found["saturation_current"] == pytest.approx(1e-12, rel=2e-5)
    assert found["series_resistance"] == pytest.approx(0.0, abs=1e-7)


def forward(voltage: Floats, saturation: float, slope_V: float, resistance: float) -> Floats:
    """The current by Lambert W: exact for a diode and a resistance in series."""
    scaled = resistance * saturation / slope_V
    inside = scaled * np.exp((voltage + resistance * saturation) / slope_V)
    return np.real(lambertw(inside)) * slope_V / resistance - saturation


@pytest.mark.parametrize("kelvin", [273.15, 298.15, 350.0])
@pytest.mark.parametrize(
    ("ideality", "saturation", "resistance"),
    [
        (1.0, 1e-14, 1e-3),
        (1.8, 3e-9, 0.4),
        (2.1, 2e-18, 3.0),
        (37.4, 1e-9, 1.1),
        (1.05, 1e-6, 0.02),
    ],
)
def test_a_fit_recovers_what_lambert_w_made(
    ideality: float, saturation: float, resistance: float, kelvin: float
) -> None:
    """From deep in the millivolts, where exp − 1 counts, to where the resistance rules."""
    slope_V = ideality * VOLTS_PER_KELVIN * kelvin
    highest = slope_V * math.log(0.2 / saturation) + 0.2 * resistance
    voltage = np.linspace(0.2 * highest, highest, 120)
    current = forward(voltage, saturation, slope_V, resistance)
    found = diode_fit(np.arange(120.0), voltage, current, kelvin).values
    assert found["ideality"] == pytest.approx(ideality, rel=1e-8)
    assert found["saturation_current"] == pytest.approx(saturation, rel=1e-6)
    assert found["series_resistance"] == pytest.approx(resistance, rel=1e-6)


# ngspice, deck `tvs.cir`: breakdown 12 V at 1 mA, 50 mΩ; computed from the same law, six decimals.
TVS = {1e-3: 12.000050, 1.0: 12.227478, 10.0: 12.736637, 20.0: 13.254446, 50.0: 14.777988}


def test_breakdown_clamping_and_dynamic_resistance_of_a_suppressor() -> None:
    current, voltage = np.array(list(TVS)), np.array(list(TVS.values()))
    time, free = np.arange(5.0), np.zeros(5)
    assert breakdown_voltage(time, voltage, current, free, 1e-3).value == 12.000050
    assert clamping_voltage(time, voltage, current, free, 20.0).value == 13.254446
    found = dynamic_resistance(time, voltage, current, (10.0, 20.0)).value
    assert found == pytest.approx(51.78087e-3, abs=1.1e-7)  # six decimals of 10 A apart


@pytest.mark.parametrize(("until_s", "joules"), [(20e-3, 0.363350), (10e-3, 0.363073)])
def test_the_energy_of_a_surge(until_s: float, joules: float) -> None:
    """20 A of 10/1000 µs into that suppressor; ngspice's deck `tvspulse.cir` integrates it.

    The surge is the double exponential whose constants were computed for it.
    """
    rise_s, fall_s, scale = 3.8164054402e-6, 1.4036942349e-3, 1.0190063159
    time = np.concatenate(
        (np.linspace(0, 100e-6, 4001)[1:], np.linspace(100e-6, until_s, 8000)[1:])
    )
    current = 20 * scale * (np.exp(-time / fall_s) - np.exp(-time / rise_s))
    voltage = 12 + ROOM_V * np.log(current / 1e-3) + 0.05 * current
    assert np.max(voltage) == pytest.approx(13.25445, abs=1e-5)
    assert pulse_energy(time, voltage, current).value == pytest.approx(joules, rel=3e-6)


@pytest.mark.parametrize(
    ("nanometres", "amperes_per_watt"),
    [(400, 0.3226218), (650, 0.5242604), (850, 0.6855712), (1310, 1.0565863), (1550, 1.2501593)],
)
def test_the_responsivity_at_a_quantum_efficiency_of_1(
    nanometres: float, amperes_per_watt: float
) -> None:
    """Computed from CODATA's constants, seven decimals."""
    found = quantum_efficiency(amperes_per_watt, nanometres * 1e-9).value
    assert found == pytest.approx(1.0, abs=2e-7)
