"""The coil against closed forms and against scipy.

i = (V/R)·(1 − exp(−t·R/L)) at a held voltage; let go through R_p, the current decays with
L/(R + R_p) and the voltage is −R_p·i.
"""

from __future__ import annotations

import math
import random
from typing import Any

import pytest
from scipy.integrate import solve_ivp

from drivers.channel import Acquisition, Setpoint
from drivers.simulated.circuits.circuit import OPEN
from tests.drivers.parts.driving import at, driven, holding
from tests.drivers.parts.examples import dynamic_of, part_of
from tests.drivers.simulated_bench import on_part

COIL = """
model = "coil"
resistance = "12 ohm"
inductance = "80 mH"
"""
DAMPED = COIL + 'parallel_resistance = "2.2 kohm"\n'


def test_on_the_bench() -> None:
    """6 V through two leads of 50 mohm: what is missing of 6 V/12.1 ohm falls with 80 mH/12.1 ohm.

    From one reading to the next, since the instrument itself takes some microseconds to bring 6 V.
    """
    channel, clock, _ = on_part(COIL, leads="50 mohm", ideal=True)
    channel.configure(Acquisition(None, 0.5, 20e-6, None))
    channel.program(Setpoint("voltage", 6.0, -1.0, 1.0))
    channel.switch(True)
    start = clock.now()
    readings = []
    for since in (0.001, 0.003, 0.01, 0.02, 1.0):
        clock.wait_until(start + since)
        readings.append(channel.measure())
    assert readings[-1].current == pytest.approx(6 / 12.1, rel=1e-9)
    missing = [6 / 12.1 - reading.current for reading in readings]
    for k in range(3):
        decay = math.exp(-12.1 / 0.08 * (readings[k + 1].time - readings[k].time))
        assert missing[k + 1] / missing[k] == pytest.approx(decay, rel=1e-7)


def test_let_go() -> None:
    (port,) = driven(dynamic_of(part_of("[parts.it]" + DAMPED)), holding(6.0))
    assert at(port, 1.0)[1] == pytest.approx(6 / 12 + 6 / 2200, rel=1e-9)
    port.connect(OPEN, 1_000_000_000)
    for since in (1e-9, 10e-6, 50e-6, 100e-6):
        voltage, current = at(port, 1.0 + since)
        assert current == 0.0
        expected = -2200 * 0.5 * math.exp(-since * 2212 / 0.08)
        assert voltage == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_scipy_with_a_winding_that_warms(seed: int) -> None:
    draw = random.Random(seed)
    volts, ohms, henries = draw.uniform(2, 30), draw.uniform(1, 20), 10 ** draw.uniform(-3, 0)
    parallel, capacity = 10 ** draw.uniform(2, 4), draw.uniform(0.5, 5)

    def derivative(_: float, y: Any) -> list[float]:
        current, rise = y
        resistance = ohms * (1 + 0.00393 * (rise + 3.0))
        return [(volts - resistance * current) / henries, resistance * current**2 / capacity]

    judge = solve_ivp(
        derivative, (0, 20), [0, 0], "Radau", rtol=1e-11, atol=1e-13, dense_output=True
    )
    text = f"""[parts.it]
model = "coil"
resistance = "{ohms!r} ohm"
inductance = "{henries!r} H"
parallel_resistance = "{parallel!r} ohm"
heating = {{ heat_capacity = "{capacity!r} J/K" }}
"""
    (port,) = driven(dynamic_of(part_of(text)), holding(volts))
    for moment in (0.001, 0.01, 0.1, 1.0, 5.0, 19.0):
        expected = judge.sol(moment)[0] + volts / parallel
        assert at(port, moment)[1] == pytest.approx(expected, rel=2e-8)
