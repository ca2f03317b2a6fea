"""Resettable fuses: when they trip, by closed form and ngspice, and how they go on after that."""

from __future__ import annotations

import math
import random
from pathlib import Path

import numpy as np
import pytest

from drivers.channel import Acquisition, Setpoint
from tests.drivers.parts.driven import driven
from tests.drivers.parts.driving import at, holding, pushing
from tests.drivers.simulated_bench import on_part
from tests.reference.test_ngspice import NETLISTS, _ngspice_is_there, curves, measured, spice

__all__ = ["_ngspice_is_there"]

# The part of `ptc.cir`: 0.5 J/K, 0.02 W/K, 0.1 Ω; it switches 100 K above the air, which has 23 °C.
FUSE = """
model = "resettable fuse"
resistance = "100 mohm"
switching_temperature = "123 °C"
switching_width = "20 K"
heating.heat_capacity = "0.5 J/K"
"""
PART = "[parts.fuse]" + FUSE
LOSSY = 'heating.thermal_resistance = "50 K/W"\n'


def tripped_after(text: str, amperes: float, about_s: float, ohms: float = 0.1) -> float:
    """When the temperature reaches the switching temperature, by bisection on the resistance (s).

    Its rise begins with the third power, so that the moment is had from the resistance where it is
    up by a millionth, and what it takes to get there from the slope of the heating: both closed.
    """
    port = driven(text, pushing(amperes, 40.0))
    times = np.linspace(0.999 * about_s, 1.02 * about_s, 4000)
    risen = np.array([at(port, float(t))[0] for t in times]) / (ohms * amperes)
    # s(x) = x³·(10 − 15·x + 6·x²), lg R/R0 = 6·s: x by its inverse, to which time is nearly linear.
    found = (risen > 1 + 1e-6) & (risen < 1.2)
    decades = np.log10(risen[found]) / 6
    x = np.array([_inverse(float(s)) for s in decades])
    line = np.polynomial.Polynomial.fit(x, times[found], 4)
    return float(line(0.0))


def _inverse(step: float) -> float:
    low, high = 0.0, 1.0
    for _ in range(100):
        x = (low + high) / 2
        low, high = (x, high) if x**3 * (10 - 15 * x + 6 * x * x) < step else (low, x)
    return low


def test_time_and_energy_to_trip() -> None:
    """8 A: 9.367336 s and 59.950952 J; without loss 7.8125 s."""
    found = tripped_after(PART + LOSSY, 8.0, 9.367336)
    assert found == pytest.approx(9.367336, rel=2e-6, abs=0)
    assert found * 6.4 == pytest.approx(59.950952, rel=2e-6, abs=0)
    assert tripped_after(PART, 8.0, 7.8125) == pytest.approx(7.8125, rel=2e-6, abs=0)


def test_current_that_it_holds() -> None:
    """√(100 K/(50 K/W · 0.1 Ω)) = 4.472136 A bring it to its switching temperature, in a day.

    Just above, it is a little warmer and stays there, since its rise begins so softly; not much
    above, it trips.
    """
    for amperes, risen in ((4.4721, 0.0), (4.4722, 4e-10)):
        volts, _ = at(driven(PART + LOSSY, pushing(amperes, 20.0)), 86400.0)
        assert volts / (0.1 * amperes) - 1 == pytest.approx(risen, abs=1e-10)
    volts, flows = at(driven(PART + LOSSY, pushing(4.49, 20.0)), 86400.0)
    assert (volts, flows < 0.2) == (pytest.approx(20.0), True)


def test_on_the_bench() -> None:
    """What a person meets: 4.5 A trip it after 25 s·−ln(1 − (4.472136/4.5)²) = 109.86 s.

    Tripped, it keeps itself hot: at 20 V it takes what leaves it, (T − 23 °C)/50 K/W, with T in
    the 20 K of its rise. Cold again, its resistance is what it was, `raised` being left out.
    """
    channel, clock, _ = on_part(FUSE + LOSSY, ideal=True)
    channel.configure(Acquisition(40.0, 12.0, 1e-3, None))
    channel.program(Setpoint("current", 4.5, -20.0, 20.0))
    channel.switch(True)
    begin = clock.now() + 5e-3
    trips_s = -25 * math.log1p(-100 / (4.5**2 * 0.1 * 50))
    assert trips_s == pytest.approx(109.86, abs=5e-3)
    clock.wait_until(begin + trips_s - 2e-3)
    assert channel.measure().voltage == pytest.approx(0.45, rel=1e-9, abs=0)
    clock.wait_until(begin + trips_s + 0.5)
    assert channel.measure().voltage > 0.45 * (1 + 1e-7)
    clock.wait_until(begin + 600.0)
    tripped = channel.measure()
    assert (tripped.voltage, tripped.limited) == (pytest.approx(20.0), 1.0)
    assert 2.0 < tripped.voltage * tripped.current < 2.4
    channel.switch(False)
    clock.wait_until(begin + 1200.0)
    channel.program(Setpoint("current", 0.1, -1.0, 1.0))
    channel.switch(True)
    assert channel.measure().voltage == pytest.approx(0.01, rel=1e-6, abs=0)


@pytest.mark.ngspice
def test_the_deck_as_written(tmp_path: Path) -> None:
    """`ptc.cir` as it stands."""
    printed = measured(spice((NETLISTS / "ptc.cir").read_text("utf-8"), tmp_path))
    assert tripped_after(PART + LOSSY, 8.0, 9.367336) == pytest.approx(
        printed["ttrip"], rel=1e-5, abs=0
    )


@pytest.mark.ngspice
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_trip_and_after(seed: int, tmp_path: Path) -> None:
    """Tripped by a voltage through a resistance, held tripped, with a resistance that is raised.

    The deck has the part's own equations as expressions; ngspice integrates them.
    """
    draw = random.Random(seed)
    ohms, series = draw.uniform(0.2, 1.0), draw.uniform(2, 4)
    capacity, loss = draw.uniform(0.05, 0.2), draw.uniform(60, 120)
    rises, width, decades = draw.uniform(60, 110), draw.uniform(10, 30), draw.uniform(3, 6)
    raised, raising, relaxing = draw.uniform(1.2, 1.8), draw.uniform(1, 5), draw.uniform(100, 500)
    x = f"min(max((v(t)-{rises!r})/{width!r},0),1)"
    lift = f"exp({decades * math.log(10)!r}*({x})**3*(10-15*({x})+6*({x})**2))"
    deck = f"""fuse
V1 s 0 12
R1 s a {series!r}
Bf a 0 I = v(a)/({ohms!r}*v(r)*{lift})
Bp 0 t I = v(a)*(v(s)-v(a))/{series!r}
C1 t 0 {capacity!r} ic=0
R2 t 0 {loss!r}
Br 0 r I = (1-1/({lift}))*({raised!r}-v(r))/{raising!r} + (1-v(r))/({lift})/{relaxing!r}
Cr r 0 1 ic=1
.options reltol=1e-8 abstol=1e-14 vntol=1e-12
.control
set numdgt=14
set wr_singlescale
tran 5m 60 0 1m uic
let current = (v(s)-v(a))/{series!r}
wrdata out v(a) current v(r)
.endc
.end
"""
    time, volts, amperes, factor = curves(deck, tmp_path).T
    assert time[-1] > 59.99
    part = f"""
[parts.fuse]
model = "resettable fuse"
resistance = "{ohms!r} ohm"
switching_temperature = "{23 + rises!r} °C"
switching_width = "{width!r} K"
decades = {decades!r}
heating = {{ heat_capacity = "{capacity!r} J/K", thermal_resistance = "{loss!r} K/W" }}
raised = {raised!r}
raising_time = "{raising!r} s"
relaxation_time = "{relaxing!r} s"
"""
    port = driven(part, holding(12.0, 100.0, series))
    found = np.array([at(port, float(t)) for t in time[2:]])
    np.testing.assert_allclose(found[:, 1], amperes[2:], rtol=0, atol=1e-4 * amperes.max())
    np.testing.assert_allclose(found[:, 0], volts[2:], rtol=0, atol=1e-4 * volts.max())
    assert amperes[-1] < 0.1 * amperes[0]
    assert factor[-1] > 1.15
