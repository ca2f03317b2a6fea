"""Resistors in pulses: inductance and heat against ngspice and closed forms."""

from __future__ import annotations

import math
import random
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from drivers.channel import Acquisition, Pulse, Setpoint
from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.dynamic import DynamicPort
from tests.drivers.parts.driven import driven
from tests.drivers.parts.driving import at, holding, pushing
from tests.drivers.simulated_bench import on_part
from tests.reference.test_ngspice import NETLISTS, _ngspice_is_there, curves, measured, spice

__all__ = ["_ngspice_is_there"]

# The circuit of `rl.cir`: 10 V behind 1 Ω, two leads of 10 mΩ and 1 µH, a part of 0.1 Ω and 20 nH.
# All of the inductance is the part's here, which is the same to the current.
PULSED = """
[parts.film]
model = "resistor"
resistance = "0.1 ohm"
inductance = "2.02 uH"
"""
SOURCE = holding(10.0, 1e3, 1.02)


def test_rise_and_energy() -> None:
    """Figures computed from the deck, and its closed form; its edge of 1 ns is half up at 0.5 ns.

    The energy is that of 1.05 ms, with the voltage on for 1 ms.
    """
    port = driven(PULSED, SOURCE)
    tau_s = 2.02e-6 / 1.12
    assert tau_s == pytest.approx(1.803571e-6, rel=1e-6, abs=0)
    for time_s in (1e-6, 5e-6, 12.459130e-6, 500e-6):
        expected = 10 / 1.12 * -math.expm1(-time_s / tau_s)
        assert at(port, time_s)[1] == pytest.approx(expected, rel=1e-9, abs=0)
    port = driven(PULSED, SOURCE)
    found = at(port, 1.0005e-6 - 0.5e-9)[1]
    # An edge of 1 ns is not quite a step in its middle: (1 ns/τ)²/24 of the exponential.
    assert found == pytest.approx(3.80013422, rel=3e-7, abs=0)
    assert at(port, 12.459130e-6)[1] == pytest.approx(0.999 * 8.928571, rel=1e-6, abs=0)
    assert at(port, 900e-6)[1] == pytest.approx(8.928571, rel=1e-6, abs=0)
    # Its terminals without the leads' inductance: 1/50.5 of the whole is its own.
    shared = 0.02 / 2.02 * (10 - 1.12 * found) + 0.1 * found
    assert shared == pytest.approx(0.4368832, rel=1e-6, abs=0)
    port = driven(PULSED, SOURCE)
    spent_j = energy_until(port, 1e-3, 0.1)
    port.connect(holding(0.0, 1e3, 1.02), NANOSECONDS // 1000)
    spent_j += energy_until(port, 1.05e-3, 0.1, 1e-3)
    assert spent_j == pytest.approx(7.957561e-3, rel=1e-6, abs=0)


def energy_until(port: DynamicPort, until_s: float, ohms: float, since_s: float = 0.0) -> float:
    """∫ i²·R dt between two times (J), by Gauss's points in pieces that grow from the begin."""
    edges = since_s + (until_s - since_s) * np.concatenate([[0], np.geomspace(1e-6, 1, 120)])
    nodes, weights = np.polynomial.legendre.leggauss(12)
    total = 0.0
    for left, right in pairwise(edges):
        times = (left + right) / 2 + nodes * (right - left) / 2
        squares = [at(port, float(t))[1] ** 2 for t in times]
        total += float(weights @ squares) * (right - left) / 2
    return total * ohms


@pytest.mark.ngspice
def test_the_deck_as_written(tmp_path: Path) -> None:
    """`rl.cir` as it stands, to what its 5 ns steps leave."""
    printed = measured(spice((NETLISTS / "rl.cir").read_text("utf-8"), tmp_path))
    port = driven(PULSED, SOURCE)
    for name, time_s in (("i1u", 1e-6), ("i5u", 5e-6), ("i500u", 500e-6)):
        assert at(port, time_s)[1] == pytest.approx(printed[name], rel=1e-5, abs=0)
    assert printed["t999"] == pytest.approx(12.459130e-6 + 0.5e-9, rel=1e-4, abs=0)
    assert energy_until(driven(PULSED, SOURCE), 1e-3, 0.1) == pytest.approx(
        printed["i2t"], rel=1e-5
    )


@pytest.mark.ngspice
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_heat_and_inductance(seed: int, tmp_path: Path) -> None:
    """A long pulse into a resistor that warms: its resistance rises, the current falls."""
    draw = random.Random(seed)
    ohms, henries = draw.uniform(1, 5), draw.uniform(1e-6, 2e-5)
    coefficient = draw.uniform(1e-3, 4e-3) * draw.choice([1, -1])
    first, second = draw.uniform(0.05, 0.2), draw.uniform(0.3, 1)
    inner, outer = draw.uniform(1, 3), draw.uniform(4, 9)
    deck = f"""heated resistor
V1 s 0 pwl(0 0 1n 10)
R1 s a 1.3
L1 a b {henries!r} ic=0
Br b 0 I = v(b)/({ohms!r}*(1+{coefficient!r}*(3+v(t))))
Bp 0 t I = v(b)*(v(s)-v(a))/1.3
C1 t 0 {first!r} ic=0
R2 t u {inner!r}
C2 u 0 {second!r} ic=0
R3 u 0 {outer!r}
.options reltol=1e-8 abstol=1e-14 vntol=1e-12
.control
set numdgt=14
set wr_singlescale
tran 1m 2 0 0.5m uic
let current = (v(s)-v(a))/1.3
wrdata out v(b) current
.endc
.end
"""
    time, volts, amperes = curves(deck, tmp_path).T
    part = f"""
[parts.r]
model = "resistor"
resistance = "{ohms!r} ohm"
temperature_coefficient = "{coefficient * 1e6!r} ppm/K"
inductance = "{henries!r} H"
heating.heat_capacity = "{first!r} J/K"
heating.thermal_resistance = "{inner!r} K/W"
heating.outer = [{{ heat_capacity = "{second!r} J/K", thermal_resistance = "{outer!r} K/W" }}]
"""
    port = driven(part, holding(10.0, 100.0, 1.3))
    assert time[-1] > 1.999
    late = time > 20 * henries / ohms
    found = np.array([at(port, float(t)) for t in time[late]])
    np.testing.assert_allclose(found[:, 1], amperes[late], rtol=0, atol=1e-4 * amperes.max())
    np.testing.assert_allclose(found[:, 0], volts[late], rtol=0, atol=1e-4 * volts.max())
    assert abs(found[-1, 1] / found[0, 1] - 1) > 0.01


def test_on_the_bench() -> None:
    """What a person meets: a film resistor of 0.25 W opens under a pulse of hundreds of watts.

    2.2 Ω at 10 A are 220 W, and 0.1 J are there after 0.455 ms: it bears 0.3 ms and not 0.5 ms.
    That it opens so is common practice, no source.
    """
    part = """
model = "resistor"
resistance = "2.2 ohm"
heating = { heat_capacity = "0.2 mJ/K", thermal_resistance = "400 K/W" }
pulse_failure_energy = "0.1 J"
"""
    channel, clock, _ = on_part(part, ideal=True)
    channel.configure(Acquisition(40.0, 12.0, 20e-6, None))
    channel.program(Setpoint("current", 1e-3, -20.0, 20.0))
    channel.switch(True)
    begin = clock.now()
    before = channel.measure()
    assert before.voltage / before.current == pytest.approx(2.2, rel=1e-9, abs=0)
    reading = channel.pulse(Pulse(10.0, -25.0, 25.0, 300e-6))
    assert reading.current == pytest.approx(10.0, rel=1e-6, abs=0)
    clock.wait_until(begin + 0.2)
    channel.pulse(Pulse(10.0, -25.0, 25.0, 500e-6))
    after = channel.measure()
    assert after.voltage == pytest.approx(20.0, rel=1e-6, abs=0)
    assert after.current < 1e-9


def test_a_pulse_of_constant_power_takes_the_same_energy() -> None:
    """Adiabatic, in closed form: t·P = 0.2 J from 100 µs to 10 ms."""
    part = """
[parts.film]
model = "resistor"
resistance = "10 ohm"
heating = { heat_capacity = "0.4 mJ/K" }
pulse_failure_energy = "0.2 J"
"""
    for amperes in (1.5, 4.0, 14.0):
        port = driven(part, pushing(amperes, 1e3))
        port.advance(NANOSECONDS)
        (happened,) = port.happened
        assert happened.time_s * 10 * amperes**2 == pytest.approx(0.2, rel=1e-9, abs=0)
