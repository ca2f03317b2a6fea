"""Cells against closed forms and scipy, worked out elsewhere."""

from __future__ import annotations

import math
import random
from itertools import pairwise

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from drivers.channel import Acquisition, Setpoint
from drivers.clock import VirtualClock
from drivers.simulated.instruments.instrument import SimulatedChannel
from drivers.simulated.parts.curve import Curve
from drivers.simulated.parts.open_circuit import CHEMISTRIES, OpenCircuit
from tests.drivers.simulated_bench import on_part

FLAT = """model = "cell"
open_circuit = [ ["0 %", "3.7 V"], ["100 %", "3.7 V"] ]
capacity = "2.6 Ah"
series_resistance = "20 mohm"
branches = [ { resistance = "15 mohm", time_constant = "5 s" } ]
"""


def sensed(part: str, aperture_s: float = 10e-6) -> tuple[SimulatedChannel, VirtualClock]:
    channel, clock, _ = on_part(part, ideal=True)
    channel.configure(Acquisition(5.0, 5.0, aperture_s, None, remote_sense=True))
    return channel, clock


def test_two_step_resistance() -> None:
    """IEC 61960-3 (method; from a page that quotes it): 0.2 It for 10 s, then 1 It for 1 s.

    Closed form for 3.7 V, 20 milliohm, 15 milliohm with 5 s; to half a unit of the last digit.
    """
    channel, clock = sensed(FLAT)
    voltages = []
    for current, seconds in ((0.52, 10.0), (2.6, 1.0)):
        channel.program(Setpoint("current", -current, 2.5, 4.2))
        channel.switch(True)
        begin = clock.now()
        # A short aperture around the moment: its mean is the value there to 1e-10.
        clock.wait_until(begin + seconds - 5e-6)
        voltages.append(channel.measure().voltage)
    assert voltages == pytest.approx([3.682856, 3.635409], abs=5.1e-7)
    resistance = (voltages[0] - voltages[1]) / (2.6 - 0.52)
    assert resistance == pytest.approx(22.81103e-3, abs=5.1e-9)


@pytest.mark.parametrize("kelvins", [273.15, 288.15, 318.15])
def test_resistance_over_temperature(kelvins: float) -> None:
    """Arrhenius: 2200 K over temperature. (4.2 − 3.7) V over it is the first instant's current."""
    conditions = f'[conditions]\ntemperature = "{kelvins - 273.15:g} °C"\n'
    part = FLAT.replace('"20 mohm"', '"0.5 ohm"') + 'activation_temperature = "2200 K"\n'
    channel, _ = sensed(part + conditions)
    channel.program(Setpoint("voltage", 4.2, -4.5, 4.5))
    channel.switch(True)
    resistance = 0.5 * math.exp(2200 * (1 / kelvins - 1 / 298.15))
    # The branch takes 10 µs/(2·5 s) of 15 milliohm by then.
    assert channel.measure().current == pytest.approx(0.5 / resistance, rel=1e-6)


def test_charge_that_goes_in_and_comes_out() -> None:
    """1 A for an hour into 2 Ah at 98 %, and half an hour back: +49 % − 25 % of a straight line."""
    part = """model = "cell"
open_circuit = [ ["0 %", "3 V"], ["100 %", "4 V"] ]
capacity = "2 Ah"
series_resistance = "20 mohm"
coulombic_efficiency = "98 %"
initial = { charge = "20 %" }
"""
    channel, clock = sensed(part)
    channel.program(Setpoint("current", 1.0, 2.5, 4.5))
    channel.switch(True)
    clock.wait_until(clock.now() + 3600)
    assert channel.measure().voltage == pytest.approx(3 + 0.2 + 0.49 + 0.02, rel=1e-9)
    channel.program(Setpoint("current", -1.0, 2.5, 4.5))
    clock.wait_until(clock.now() + 1800)
    assert channel.measure().voltage == pytest.approx(3 + 0.2 + 0.49 - 0.25 - 0.02, abs=2e-8)


def test_self_discharge() -> None:
    """Open, from 50 % of a line of 3 V to 4 V: u = 3 V + s falls as exp(−t/(Q·R)), 7200 C · 2 ohm.

    So much leaks that it can be seen; the voltage itself is what leaks.
    """
    part = """model = "cell"
open_circuit = [ ["0 %", "3 V"], ["100 %", "4 V"] ]
capacity = "2 Ah"
series_resistance = "20 mohm"
leakage_resistance = "2 ohm"
"""
    channel, clock = sensed(part)
    clock.wait_until(1000.0 - 5e-6)
    assert channel.measure().voltage == pytest.approx(3.5 * math.exp(-1000 / 14400), rel=1e-9)


def test_the_curve_is_that_of_scipy() -> None:
    """PchipInterpolator, and its antiderivative, on random tables with flat and steep pieces."""
    draw = random.Random(5)
    for _ in range(100):
        size = draw.randint(2, 12)
        xs = np.cumsum([draw.uniform(0.01, 1) for _ in range(size)])
        ys = [draw.choice([draw.uniform(-1, 1), float(draw.randint(-1, 1))]) for _ in range(size)]
        judge = PchipInterpolator(xs, ys)
        summed = judge.antiderivative()
        curve = Curve(xs.tolist(), ys)
        for x in np.linspace(xs[0], xs[-1], 41).tolist():
            assert curve.at(x) == pytest.approx(float(judge(x)), abs=1e-13)
            expected = float(summed(x) - summed(xs[0]))
            assert curve.integral(x) == pytest.approx(expected, abs=1e-13)


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_open_circuit_curves(chemistry: str) -> None:
    """They rise everywhere, from under empty to over full, and their energy is their integral."""
    curve = OpenCircuit(CHEMISTRIES[chemistry])
    charges = np.linspace(-0.1, 1.2, 1301).tolist()
    voltages = [curve.at(charge) for charge in charges]
    assert all(before < after for before, after in pairwise(voltages))
    for low, high in ((-0.1, 0.0), (0.0, 0.37), (0.37, 1.0), (1.0, 1.2)):
        # Gauss's rule with 20 points a piece of 1/500, exact for cubics.
        points, weights = np.polynomial.legendre.leggauss(4)
        edges = sorted({low, high, *(c for c, _ in CHEMISTRIES[chemistry] if low < c < high)})
        total = sum(
            float(w) * (b - a) / 2 * curve.at((a + b) / 2 + (b - a) / 2 * float(p))
            for a, b in pairwise(edges)
            for p, w in zip(points, weights, strict=True)
        )
        assert curve.energy(high) - curve.energy(low) == pytest.approx(total, rel=1e-12)
