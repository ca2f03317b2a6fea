"""A laser diode and the photodiode in its light against closed forms, worked out elsewhere."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from drivers.bench import open_simulated, read_bench
from drivers.channel import Acquisition, Setpoint
from drivers.clock import VirtualClock
from drivers.simulated.instruments.instrument import SimulatedChannel
from drivers.simulated.parts.emission import Emission
from grammar.diagnostic import draw

THRESHOLD, SLOPE, WIDTH = 20e-3, 0.8, 1e-3
EVER = math.inf
CURRENTS = np.arange(601) * 1e-4

BENCH = """
line_frequency = "50 Hz"
[channels.drive]
specification = "demo-source-measure"
part = "beam.laser"
[channels.light]
specification = "demo-source-measure"
part = "beam.photodiode"
[parts.beam]
model = "laser diode"
wavelength = "650 nm"
threshold_current = "20 mA"
slope_efficiency = "0.8 W/A"
threshold_width = "1 mA"
saturation_current = "1e-18 A"
ideality = 2
series_resistance = "4 ohm"
band_gap = "1.9 V"
coupling = "5 %"
photodiode = { responsivity = "0.4 A/W", dark_current = "1 nA", shunt_resistance = "300 Mohm" }
"""


def light(emission: Emission, celsius: float = 25.0) -> list[float]:
    return [emission.light(float(current), 273.15 + celsius) for current in CURRENTS]


def plain(**more: float) -> Emission:
    figures = {"roll_over": EVER, "threshold_e_fold": EVER, "slope_e_fold": EVER, **more}
    return Emission(THRESHOLD, SLOPE, WIDTH, nominal=298.15, **figures)


def line(lights: list[float], low: float, high: float) -> tuple[float, float]:
    """Slope and offset of the least-squares line between two currents, both ends in."""
    inside = (low - 1e-9 <= CURRENTS) & (high + 1e-9 >= CURRENTS)
    slope, offset = np.polyfit(CURRENTS[inside], np.array(lights)[inside], 1)
    return float(slope), float(offset)


def pair(text: str = BENCH) -> tuple[SimulatedChannel, SimulatedChannel, VirtualClock]:
    file, problems = read_bench(Path("ridge.bench.toml"), text)
    assert file is not None, "\n".join(map(draw, problems))
    opened = open_simulated(file, ideal=True)
    drive, receiver = opened.channels["drive"], opened.channels["light"]
    assert isinstance(drive, SimulatedChannel)
    assert isinstance(receiver, SimulatedChannel)
    assert isinstance(opened.clock, VirtualClock)
    drive.configure(Acquisition(5.0, 0.5, remote_sense=True))
    receiver.configure(Acquisition(5.0, 5e-3, remote_sense=True))
    return drive, receiver, opened.clock


def test_threshold_by_three_methods() -> None:
    """L = ½η[(I−Ith)+√((I−Ith)²+w²)] on a grid of 0.1 mA: to half a unit of the last digit.

    The two lines take in what is below threshold, where light here begins with the current: that
    factor, 1 − exp(−I/w), is taken out of it for the comparison.
    """
    lights = light(plain())
    assert CURRENTS[1:-1][np.diff(lights, 2).argmax()] == pytest.approx(20e-3, abs=1e-12)
    slope, offset = line(lights, 40e-3, 60e-3)
    assert slope == pytest.approx(0.7997617, abs=5.1e-8)
    assert -offset / slope == pytest.approx(19.982395e-3, abs=5.1e-10)
    whole = [
        value / -math.expm1(-float(current) / WIDTH) if current > 0 else math.nan
        for value, current in zip(lights, CURRENTS, strict=True)
    ]
    # The formula's own value at no current, where the factor is 0.
    whole[0] = 0.5 * SLOPE * (math.hypot(THRESHOLD, WIDTH) - THRESHOLD)
    lower, below = line(whole, 0.0, 15e-3)
    assert (below - offset) / (slope - lower) == pytest.approx(20.031302e-3, abs=5.1e-10)


def test_no_light_without_current() -> None:
    for current in (0.0, -1e-3, -1.0, -1e6):
        assert plain().light(current, 298.15) == 0.0
    assert 0 < plain().light(1e-9, 298.15) < 1e-10
    lights = light(plain())
    assert all(before < after for before, after in pairwise(lights))


@pytest.mark.parametrize("celsius", [5.0, 25.0, 60.0])
def test_threshold_over_temperature(celsius: float) -> None:
    """Threshold by e in 90 K, slope by 1/e in 400 K; the asymptote meets 0 at the threshold."""
    found = plain(threshold_e_fold=90.0, slope_e_fold=400.0)
    kelvins = 273.15 + celsius
    high, higher = (found.light(current, kelvins) for current in (2.0, 3.0))
    assert higher - high == pytest.approx(0.8 * math.exp(-(celsius - 25) / 400), rel=1e-6)
    threshold = 2.0 - high / (higher - high)
    # The hyperbola lies w²/4(I − Ith) = 0.13 µA above its asymptote at 2 A.
    assert threshold == pytest.approx(20e-3 * math.exp((celsius - 25) / 90), abs=1e-6)


def test_roll_over() -> None:
    """x·exp(−½(x/I_r)²) is at most at x = I_r: 120 mA above threshold, e^(−1/2) of the line."""
    found = plain(roll_over=0.12)
    around = [found.light(0.14 + step, 298.15) for step in (-1e-3, 0.0, 1e-3)]
    assert around[1] > max(around[0], around[2])
    assert around[1] == pytest.approx(0.8 * 0.12 * math.exp(-0.5), rel=1e-4)


@pytest.mark.parametrize("milliamperes", [5.0, 19.0, 20.0, 21.0, 45.0])
def test_from_one_channel_to_the_other(milliamperes: float) -> None:
    """Current on the one, photocurrent at 0 V on the other: 5 % of the light at 0.4 A/W.

    Without a heat path; k·T/q at 25 °C is 25.6925791 mV (CODATA).
    """
    current = milliamperes * 1e-3
    drive, receiver, _ = pair(BENCH + '[conditions]\ntemperature = "25 °C"\n')
    receiver.program(Setpoint("voltage", 0.0, -1e-3, 1e-3))
    receiver.switch(True)
    drive.program(Setpoint("current", current, 0.0, 4.0))
    drive.switch(True)
    forward = 2 * 0.0256925791 * math.log1p(current / 1e-18) + 4 * current
    assert drive.measure().voltage == pytest.approx(forward, rel=1e-8)
    above = current - THRESHOLD
    expected = 0.5 * SLOPE * (above + math.hypot(above, WIDTH)) * -math.expm1(-current / WIDTH)
    assert receiver.measure().current == pytest.approx(-0.05 * 0.4 * expected, rel=1e-9, abs=0)
    drive.program(Setpoint("current", 0.0, 0.0, 4.0))
    assert receiver.measure().current == 0.0


def test_warming_up() -> None:
    """60 K/W and 5 mJ/K: with a threshold that stays, v·i − L heats as 1 − exp(−t/0.3 s).

    v falls as the junction warms; so little here that the closed form with v as it is at 25 °C
    holds to 1 %; the light itself falls by e in 400 K.
    """
    heated = BENCH.replace(
        'coupling = "5 %"',
        'coupling = "5 %"\nefficiency_e_fold = "400 K"\n'
        'heating = { heat_capacity = "5 mJ/K", thermal_resistance = "60 K/W" }',
    )
    drive, receiver, clock = pair(heated + '[conditions]\ntemperature = "25 °C"\n')
    short = Acquisition(5.0, 5e-3, 10e-6, None, remote_sense=True)
    receiver.configure(short)
    receiver.program(Setpoint("voltage", 0.0, -1e-3, 1e-3))
    receiver.switch(True)
    drive.program(Setpoint("current", 60e-3, 0.0, 4.0))
    drive.switch(True)
    begin = clock.now()
    first = receiver.measure().current
    forward = 2 * 0.0256925791 * math.log(60e-3 / 1e-18) + 4 * 60e-3
    heat = forward * 60e-3 - first / -(0.05 * 0.4)
    for seconds in (0.1, 0.3, 1.0, 5.0):
        clock.wait_until(begin + seconds - 5e-6)
        warmer = -400 * math.log(receiver.measure().current / first)
        expected = 60 * heat * -math.expm1(-seconds / 0.3)
        assert warmer == pytest.approx(expected, rel=0.01)
