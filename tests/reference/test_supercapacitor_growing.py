"""A supercapacitor whose capacitance grows with the voltage, against closed forms and ngspice.

q = C_0·v + k·v²/2, so that a constant current charges it along a parabola; the energy it takes is
C_0·v²/2 + k·v³/3.
"""

from __future__ import annotations

import math
import random
from pathlib import Path

import numpy as np
import pytest

from drivers.channel import Acquisition, Setpoint
from tests.drivers.parts.driving import at, driven, holding
from tests.drivers.parts.examples import dynamic_of, part_of
from tests.drivers.simulated_bench import on_part
from tests.reference.test_ngspice import _ngspice_is_there, curves

__all__ = ["_ngspice_is_there"]

GROWING = """
model = "supercapacitor"
capacitance = "8 F"
capacitance_per_volt = "1.5 F/V"
series_resistance = "10 mohm"
"""


def test_charged_along_a_parabola() -> None:
    """1 A on the bench: v = (−C_0 + √(C_0² + 2·k·q))/k, and 10 mV of series resistance."""
    channel, clock, _ = on_part(GROWING, ideal=True)
    channel.configure(Acquisition(5.0, 5.0, 20e-6, None))
    channel.program(Setpoint("current", 1.0, 0.0, 5.0))
    channel.switch(True)
    start = clock.now()
    for since in (0.1, 1.0, 10.0, 25.0):
        clock.wait_until(start + since - 10e-6)
        reading = channel.measure()
        charge = reading.time - start
        expected = (-8 + math.sqrt(64 + 3 * charge)) / 1.5 + 0.01
        assert reading.voltage == pytest.approx(expected, rel=1e-8)


def test_energy_to_charge_it() -> None:
    """Without losses between: what is stored at 2.5 V is 8·2.5²/2 + 1.5·2.5³/3."""
    part = dynamic_of(part_of("[parts.it]" + GROWING))
    assert part.stored((2.5,)) == pytest.approx(25 + 7.8125, rel=1e-14)
    assert part.stored((-2.5,)) == part.stored((2.5,))


@pytest.mark.ngspice
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_ngspice(seed: int, tmp_path: Path) -> None:
    """Charge through a resistance; there the capacitor is one of a charge that is a formula.

    What the current leaves of the voltage at the terminals, to 1e-5 of its full size.
    """
    draw = random.Random(seed)
    farads, growth = draw.uniform(3, 15), draw.uniform(0.5, 4)
    series, slow = draw.uniform(0.005, 0.05), (draw.uniform(0.5, 5), draw.uniform(0.5, 4))
    leak, ohms = 10 ** draw.uniform(1.5, 4), draw.uniform(0.2, 2)
    volts = draw.choice([-1, 1]) * draw.uniform(2, 2.8)
    text = f"""[parts.it]
model = "supercapacitor"
capacitance = "{farads!r} F"
capacitance_per_volt = "{growth!r} F/V"
series_resistance = "{series!r} ohm"
slow_branches = [ {{ resistance = "{slow[0]!r} ohm", capacitance = "{slow[1]!r} F" }} ]
leakage_resistance = "{leak!r} ohm"
"""
    deck = f"""growing
V1 s 0 {volts!r}
Rs s t {ohms!r}
Re t a {series!r}
C0 a 0 Q='{farads!r}*V(a)+{growth / 2!r}*V(a)*abs(V(a))'
R1 a b {slow[0]!r}
C1 b 0 {slow[1]!r} ic=0
Rl a 0 {leak!r}
.options reltol=1e-7 abstol=1e-12 vntol=1e-10
.control
set numdgt=14
set wr_singlescale
tran 2m 60 0 2m uic
wrdata out v(t)
.endc
.end
"""
    time, judged = curves(deck, tmp_path).T
    assert time[-1] >= 59.99
    (port,) = driven(dynamic_of(part_of(text)), holding(volts, ohms=ohms))
    for moment in np.linspace(0.5, 59.5, 60):
        _, current = at(port, float(moment))
        expected = np.interp(moment, time, judged)
        assert volts - ohms * current == pytest.approx(expected, abs=1e-5 * abs(volts))
