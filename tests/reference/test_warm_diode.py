"""Diodes that warm themselves and that store, against ngspice on the same circuits.

Its curves are compared to 1e-4 of their full size.
"""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from drivers.channel import Acquisition, Setpoint
from drivers.simulated.conditions import Conditions, Profile
from tests.drivers.parts.driven import driven
from tests.drivers.parts.driving import at, holding
from tests.drivers.simulated_bench import on_part
from tests.reference.test_ngspice import _ngspice_is_there, curves

__all__ = ["_ngspice_is_there"]

BOLTZMANN_OVER_CHARGE = 8.617333262e-5  # V/K, CODATA


@pytest.mark.ngspice
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_heating(seed: int, tmp_path: Path) -> None:
    """Two heat capacities; a voltage through a resistance, so that the current runs up.

    ngspice has the law as an expression of the temperature, which is a voltage of its own.
    """
    draw = random.Random(seed)
    saturation, ideality = 10 ** draw.uniform(-13, -10), draw.uniform(1, 1.9)
    series, gap, exponent = draw.uniform(0.01, 0.3), draw.uniform(0.9, 1.3), draw.uniform(2, 4)
    first, second = draw.uniform(0.5e-3, 3e-3), draw.uniform(0.02, 0.1)
    inner, outer = draw.uniform(5, 20), draw.uniform(40, 90)
    thermal = f"({ideality!r}*{BOLTZMANN_OVER_CHARGE!r}*(296.15+v(t)))"
    ratio = "((296.15+v(t))/298.15)"
    deck = f"""heated diode
V1 s 0 1.2
R1 s a 0.4
Rs a j {series!r}
Bd j 0 I = {saturation!r}*exp({exponent / ideality!r}*ln({ratio})+{gap!r}/{thermal}*({ratio}-1))
+*(exp(min(v(j)/{thermal},60))-1)
Bp 0 t I = v(a)*(v(s)-v(a))/0.4
C1 t 0 {first!r} ic=0
R2 t u {inner!r}
C2 u 0 {second!r} ic=0
R3 u 0 {outer!r}
.options reltol=1e-9 abstol=1e-15 vntol=1e-12 gmin=1e-18
.control
set numdgt=14
set wr_singlescale
tran 2m 4 0 1m uic
let current = (v(s)-v(a))/0.4
wrdata out v(a) current
.endc
.end
"""
    time, volts, amperes = curves(deck, tmp_path).T
    part = f"""
[parts.d]
model = "diode"
saturation_current = "{saturation!r} A"
ideality = {ideality!r}
series_resistance = "{series!r} ohm"
band_gap = "{gap!r} V"
saturation_exponent = {exponent!r}
[parts.d.heating]
heat_capacity = "{first!r} J/K"
thermal_resistance = "{inner!r} K/W"
outer = [{{ heat_capacity = "{second!r} J/K", thermal_resistance = "{outer!r} K/W" }}]
"""
    assert time[-1] > 3.999
    port = driven(part, holding(1.2, 100.0, 0.4))
    found = np.array([at(port, float(t)) for t in time[5:]])
    np.testing.assert_allclose(found[:, 0], volts[5:], rtol=0, atol=1e-4 * volts.max())
    np.testing.assert_allclose(found[:, 1], amperes[5:], rtol=0, atol=1e-4 * amperes.max())
    # It was worth looking: the heat changed the current by much more than they may differ.
    assert abs(found[-1, 1] / found[0, 1] - 1) > 5e-3


@pytest.mark.ngspice
@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("level", [-20.0, 0.62])
def test_depletion(seed: int, level: float, tmp_path: Path) -> None:
    """Steps of voltage through 1 kΩ: into reverse, and forward past half the potential."""
    draw = random.Random(seed)
    saturation, zero, potential, grading = (
        10 ** draw.uniform(-14, -12),
        draw.uniform(2e-9, 20e-9),
        draw.uniform(0.6, 0.9),
        draw.uniform(0.3, 0.5),
    )
    deck = f"""depletion
V1 s 0 pwl(0 0 0.1n {level!r})
R1 s a 1000
D1 a 0 dd
.model dd D(is={saturation!r} n=1.1 rs=2 cjo={zero!r} vj={potential!r} m={grading!r} fc=0.5 tnom=25)
.options temp=25 tnom=25 reltol=1e-8 abstol=1e-16 vntol=1e-12 gmin=1e-18 chgtol=1e-20 method=gear
.control
set numdgt=14
set wr_singlescale
tran 20n 60u 0 10n
wrdata out v(a)
.endc
.end
"""
    time, volts = curves(deck, tmp_path).T
    part = f"""
[parts.d]
model = "diode"
saturation_current = "{saturation!r} A"
ideality = 1.1
series_resistance = "2 ohm"
capacitance = "{zero!r} F"
junction_potential = "{potential!r} V"
grading = {grading!r}
"""
    port = driven(part, holding(level, 1.0, 1000.0))
    assert time[-1] > 59.9e-6
    late = time > 50e-9
    found = np.array([at(port, float(t))[0] for t in time[late]])
    np.testing.assert_allclose(found, volts[late], rtol=0, atol=1e-4 * abs(level))


def test_a_picoampere_diode_over_the_day() -> None:
    """Its leakage follows the air: by (T/T0)^(3/n)·exp(Eg/(n·Vt)·(T/T0 − 1)), in closed form.

    From 25 °C to 35 °C a silicon junction's grows about fourfold.
    """
    part = """
[parts.d]
model = "diode"
saturation_current = "1 pA"
heating = { heat_capacity = "1 mJ/K", thermal_resistance = "100 K/W" }
"""
    weather = Conditions(temperature=Profile((0.0, 3600.0, 7200.0), (298.15, 308.15, 308.15)))
    port = driven(part, holding(-5.0), weather)
    assert at(port, 1e-3)[1] == pytest.approx(-1e-12, rel=1e-6, abs=0)
    ratio = 308.15 / 298.15
    grown = ratio**3 * np.exp(1.11 / (BOLTZMANN_OVER_CHARGE * 308.15) * (ratio - 1))
    assert at(port, 7000.0)[1] == pytest.approx(-1e-12 * grown, rel=1e-6, abs=0)
    assert 4 < grown < 5


def test_on_the_bench() -> None:
    """What a person meets: at 1 A the forward voltage falls as the diode warms, by the closed form.

    Held long enough, T − T_a = R_th·V·I with V the law's at T.
    """
    part = """
model = "diode"
saturation_current = "1 nA"
ideality = 1.5
series_resistance = "50 mohm"
heating = { heat_capacity = "5 mJ/K", thermal_resistance = "40 K/W" }
"""
    channel, clock, _ = on_part(part, ideal=True)
    channel.configure(Acquisition(5.0, 5.0, 1e-4, None))
    channel.program(Setpoint("current", 1.0, -5.0, 5.0))
    channel.switch(True)
    begin = clock.now()
    cold = channel.measure()
    clock.wait_until(begin + 20.0)
    warm = channel.measure()
    temperature = 296.15 + 40.0 * warm.voltage * warm.current
    thermal = 1.5 * BOLTZMANN_OVER_CHARGE * temperature
    ratio = temperature / 298.15
    saturation = 1e-9 * ratio**2 * np.exp(1.11 / thermal * (ratio - 1))
    expected = thermal * np.log1p(1 / saturation) + 0.05
    assert warm.voltage == pytest.approx(expected, rel=1e-8, abs=0)
    assert warm.voltage < cold.voltage - 0.03
