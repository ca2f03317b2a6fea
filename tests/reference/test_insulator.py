"""The insulator against closed forms and ngspice.

Sources of the closed forms stand beside each test; the figures of the charge-up and of the
reversal were worked out from them outside this project, too.
"""

from __future__ import annotations

import math
import random
from pathlib import Path

import numpy as np
import pytest

from drivers.channel import Acquisition, Setpoint
from drivers.clock import NANOSECONDS
from tests.drivers.parts.driving import at, driven, holding, pushing
from tests.drivers.parts.examples import dynamic_of, part_of
from tests.drivers.simulated_bench import on_part
from tests.reference.test_ngspice import _ngspice_is_there, curves

__all__ = ["_ngspice_is_there"]

PLAIN = """
model = "insulator"
resistance = "100 Gohm"
capacitance = "100 pF"
"""


@pytest.mark.parametrize(
    ("moment", "rest"), [(46.05, 1e-2), (69.08, 1e-3), (92.10, 1e-4)], ids=["1%", "0.1%", "0.01%"]
)
@pytest.mark.parametrize("restless", ["", 'bears_voltage = "1 kV"\n'], ids=["exact", "integrated"])
def test_charge_up(moment: float, rest: float, restless: str) -> None:
    """0.2 nA into 100 Gohm and 100 pF, τ = 10 s: what is missing of 20 V at −τ·ln(rest).

    The times are given to 0.005 s, in which the rest changes by 0.0005 of itself; at the moment
    that the logarithm gives, it is met to 2e-5.
    """
    channel, clock, _ = on_part(PLAIN + restless, ideal=True)
    channel.configure(Acquisition(None, None, 0.02, None))
    channel.program(Setpoint("current", 2e-10, -30.0, 30.0))
    channel.switch(True)
    start = clock.now()
    assert -10 * math.log(rest) == pytest.approx(moment, abs=0.005)
    clock.wait_until(start - 10 * math.log(rest) - 0.01)
    # The series resistance of 100 kohm lifts it by i·R_s and lengthens τ by a millionth.
    assert 1 - channel.measure().voltage / 20 == pytest.approx(rest, rel=2e-5, abs=2e-6)


def test_reversal_takes_offset_and_drift_out() -> None:
    """±500 V on 100 Gohm with 100 pA that drift by -2 pA a step: from R = ΔV/ΔI by one, two, three.

    Three-point formula: (I1 − 2·I2 + I3)/4, as handbooks of low-level measurement give it.
    """
    text = PLAIN + 'offset_current = "102 pA"\noffset_drift = "-0.2 pA/s"\n'
    (port,) = driven(dynamic_of(part_of("[parts.it]" + text)))
    found = []
    for step, volts in enumerate((500.0, -500.0, 500.0)):
        port.connect(holding(volts), round(10 * step * NANOSECONDS))
        end = round((10 * step + 10) * NANOSECONDS)
        found.append(port.mean(end - 10_000_000, end)[1])
    # Windows of 10 ms whose middles lie 5 ms before 10, 20 and 30 s: 1 fA of drift.
    first, second, third = found
    assert 500 / first == pytest.approx(98.03922e9, rel=1e-6)
    assert 500 / ((first - second) / 2) == pytest.approx(99.98000e9, rel=1e-6)
    assert 500 / ((first - 2 * second + third) / 4) == pytest.approx(100e9, rel=1e-8)


@pytest.mark.parametrize("restless", ["", 'bears_voltage = "1 kV"\n'], ids=["exact", "integrated"])
def test_soak_falls_with_one_over_time(restless: str) -> None:
    """Curie and von Schweidler: i = V·share·C/(ln(longest/shortest)·t) in between, to 0.3 %.

    Within two decades of either end the first and the last of the branches still count.
    """
    soak = 'absorption = { share = "5 %", shortest = "1 ms", longest = "10 ks" }\n'
    channel, clock, _ = on_part(PLAIN + soak + restless, ideal=True)
    channel.configure(Acquisition(None, None, 1e-3, None))
    channel.program(Setpoint("voltage", 20.0, -1e-3, 1e-3))
    channel.switch(True)
    start = clock.now()
    for since in (0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0):
        clock.wait_until(start + since - 0.5e-3)
        reading = channel.measure()
        soaked = reading.current - 20 / 100e9
        law = 20 * 0.05 * 100e-12 / (math.log(1e7) * (reading.time - start))
        # Beyond the longest time constants exp(−t/longest) is missing; before, nothing is.
        assert soaked == pytest.approx(law, rel=0.003 + since / 1e4 * 1.3)


def test_a_movement_frees_its_charge() -> None:
    """∫ of the current over the movement, less what flows through R, is the charge."""
    text = PLAIN + 'movement = [ { at = "2 s", charge = "40 pC", decay = "50 ms" } ]\n'
    (port,) = driven(dynamic_of(part_of("[parts.it]" + text)), holding(0.0))
    assert at(port, 1.9)[1] == 0.0
    expected = 40e-12 / 0.0475 * (math.exp(-1) - math.exp(-20))
    assert at(port, 2.05)[1] == pytest.approx(expected, rel=1e-7)
    (port,) = driven(dynamic_of(part_of("[parts.it]" + text)), holding(0.0))
    _, mean, _ = port.mean(1_000_000_000, 6_000_000_000)
    assert mean * 5 == pytest.approx(40e-12, rel=1e-7)


@pytest.mark.ngspice
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_ngspice(seed: int, tmp_path: Path) -> None:
    """A current into the nonlinear resistance, its branches, an offset that drifts and a movement.

    Voltages in units of volts, currents in nanoamperes and resistances in gigaohms (so that nothing
    is near the simulator's least conductance): to 1e-5 of the largest.
    """
    draw = random.Random(seed)
    gigaohms, farads = draw.uniform(20, 200), 10 ** draw.uniform(-10.5, -9.5)
    bend, offset, drift = draw.uniform(1e-4, 2e-3), draw.uniform(-0.2, 0.2), draw.uniform(-2e-3, 0)
    moved_s, charge, decay = draw.uniform(5, 15), draw.uniform(-20, 20), draw.uniform(0.5, 2)
    drive, share = draw.uniform(1, 3), draw.uniform(0.05, 0.5)
    text = f"""[parts.it]
model = "insulator"
resistance = "{gigaohms!r} Gohm"
voltage_coefficient = "{-bend * 1e6!r} ppm/V"
capacitance = "{farads!r} F"
series_resistance = "1 Gohm"
absorption = {{ share = {share!r}, shortest = "1 s", longest = "100 s" }}
offset_current = "{offset!r} nA"
offset_drift = "{drift!r} nA/s"
movement = [ {{ at = "{moved_s!r} s", charge = "{charge * 1e-3!r} nC", decay = "{decay!r} s" }} ]
"""
    size = farads * 1e9 * share / 4
    lines = [f"R0 t n0 1\nC0 n0 0 {farads * 1e9!r} ic=0"]
    for k in range(4):
        time_constant = 100 ** ((k + 0.5) / 4)
        lines.append(f"R{k + 1} t n{k + 1} {time_constant / size!r}")
        lines.append(f"C{k + 1} n{k + 1} 0 {size!r} ic=0")
    first = f"{charge * 1e-3 / (0.95 * decay)!r}"
    since = f"(time-{moved_s!r})/{decay!r}"
    moving = f"{first}*(exp(-{since})-exp(-20*{since}))"
    deck = f"""insulator
I1 0 t {drive!r}
Br t 0 I = V(t)/{gigaohms!r}*(1+{bend!r}*abs(V(t)))
Bo t 0 I = {offset!r}+({drift!r})*time
Bm t 0 I = (time > {moved_s!r}) ? {moving} : 0
{chr(10).join(lines)}
.options reltol=1e-7 abstol=1e-12 vntol=1e-9
.control
set numdgt=14
set wr_singlescale
tran 1m 40 0 1m uic
wrdata out v(t)
.endc
.end
"""
    time, judged = curves(deck, tmp_path).T
    assert time[-1] >= 39.99
    (port,) = driven(dynamic_of(part_of(text)), pushing(drive * 1e-9))
    largest = np.abs(judged).max()
    for moment in np.linspace(0.5, 39.5, 40):
        expected = np.interp(moment, time, judged)
        assert at(port, float(moment))[0] == pytest.approx(expected, abs=1e-5 * largest)
