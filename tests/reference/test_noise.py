"""The noise of parts in whole readings against closed forms: shot noise and Johnson noise.

An instrument without noise of its own reads; what is left is the part's. The variance of N normal
readings, times N − 1 and over its true value, is distributed as chi-square with N − 1 degrees of
freedom: it has to lie where 99.9 % of seeds would leave it, and the seed is fixed.
"""

from __future__ import annotations

import math
import re
import statistics
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from drivers.bench import open_simulated, read_bench
from drivers.channel import Acquisition, Reading, Setpoint
from drivers.clock import VirtualClock
from drivers.simulated.instruments.instrument import SimulatedChannel

COUNT = 4000
APERTURE_S = 0.02
SHOT_OF_A_NANOAMPERE = 17.90071e-15
"""In 1 Hz, √(2·q·I): worked out elsewhere, to seven digits."""
JOHNSON_OF_A_GIGAOHM = 4.070355e-6
"""In 1 Hz at 300 K, √(4·k·T·R): worked out elsewhere, to seven digits."""
BANDWIDTH_HZ = 1 / (2 * APERTURE_S)
"""That of a mean over the aperture, one-sided."""

DIODE = 'model = "diode"\nsaturation_current = "1 fA"\n'
PHOTODIODE = """model = "photodiode"
wavelength = "850 nm"
area = "1e-6 m^2"
responsivity = "0.5 A/W"
dark_current = "1 fA"
"""
WARM = '[conditions]\ntemperature = "26.85 °C"\n'
LASER = """model = "laser diode"
wavelength = "650 nm"
threshold_current = "5 uA"
slope_efficiency = "0.8 W/A"
threshold_width = "1 uA"
saturation_current = "1e-18 A"
band_gap = "1.9 V"
coupling = "1 %"
photodiode = { responsivity = "0.4 A/W", dark_current = "1 fA" }
"""


def channel_on(part: str, folder: Path, port: str = "", ideal: bool = False) -> SimulatedChannel:
    """An instrument without errors and noise on a part, seed 11."""
    own = (resources.files("drivers") / "specifications" / "demo-picoampere.toml").read_text()
    for key in ("resolution", "noise", "line_pick_up"):
        own = re.sub(rf'^{key}( *)= "\S+ (\S+)"', rf'{key}\1= "0 \2"', own, flags=re.MULTILINE)
    own = re.sub(r'of_value = "[^"]*", plus = "\S+ ', 'of_value = "0 %", plus = "0 ', own)
    own = re.sub(r"^noise_corner.*\n", "", own, flags=re.MULTILINE)
    own = re.sub(r"^(range_settling|warm_up|temperature).*\n", "", own, flags=re.MULTILINE)
    (folder / "quiet.toml").write_text(own, encoding="utf-8")
    text = f"""line_frequency = "50 Hz"
[channels.smu]
specification = "quiet.toml"
part = "it{port}"
[parts.it]
{part}"""
    file, problems = read_bench(folder / "ridge.bench.toml", text)
    assert file is not None, [problem.message for problem in problems]
    bench = open_simulated(file, seed=11, ideal=ideal)
    assert isinstance(bench.clock, VirtualClock)
    channel = bench.channels["smu"]
    assert isinstance(channel, SimulatedChannel)
    return channel


def readings(channel: SimulatedChannel, setpoint: Setpoint, ranges: tuple[float, float],
             aperture_s: float = APERTURE_S) -> list[Reading]:  # fmt: skip
    channel.configure(Acquisition(*ranges, aperture_s=aperture_s, aperture_cycles=None))
    channel.program(setpoint)
    channel.switch(True)
    channel._clock.spend_ns(10**9)
    return [channel.measure() for _ in range(COUNT)]


def is_variance(values: list[float], variance: float) -> bool:
    """Whether they may come from a normal distribution of that variance, at 99.9 %."""
    low, high = chi2.interval(0.999, len(values) - 1)
    return bool(low < (len(values) - 1) * statistics.variance(values) / variance < high)


def currents(found: list[Reading]) -> list[float]:
    return [reading.current for reading in found]


def voltages(found: list[Reading]) -> list[float]:
    return [reading.voltage for reading in found]


@pytest.mark.parametrize("aperture_s", [APERTURE_S, 1e-3])
def test_shot_noise_of_a_photodiode(aperture_s: float, tmp_path: Path) -> None:
    """1 nA of photocurrent at 0 V: (17.90071 fA)² in each hertz."""
    part = f'{PHOTODIODE}[conditions]\nirradiance = "2 mW/m^2"\n'
    channel = channel_on(part, tmp_path)
    found = currents(
        readings(channel, Setpoint("voltage", 0.0, -2e-9, 2e-9), (2.5, 2e-9), aperture_s)
    )
    assert is_variance(found, SHOT_OF_A_NANOAMPERE**2 / (2 * aperture_s))
    # The test can tell: it isn't the noise of a current of half or twice as much.
    assert not is_variance(found, SHOT_OF_A_NANOAMPERE**2 / (2 * aperture_s) / 1.2)
    assert not is_variance(found, SHOT_OF_A_NANOAMPERE**2 / (2 * aperture_s) * 1.2)


def test_shot_noise_goes_with_the_current(tmp_path: Path) -> None:
    """A diode at 1.2 nA, 13 nA and 0.3 µA, and in reverse at its 1 fA: 2·q·|I| of each."""
    for volts in (0.36, 0.42, 0.5, -1.0):
        channel = channel_on(DIODE, tmp_path)
        found = readings(channel, Setpoint("voltage", volts, -5e-5, 5e-5), (2.5, 6e-5))
        amperes = abs(1e-15 * math.expm1(volts / (1.380649e-23 * 298.15 / 1.602176634e-19)))
        variance = SHOT_OF_A_NANOAMPERE**2 * amperes / 1e-9 * BANDWIDTH_HZ
        assert is_variance(currents(found), variance)


def test_shot_noise_of_what_a_laser_shines_upon(tmp_path: Path) -> None:
    """The monitor's pair of terminals has it: here that of its dark current, 1 fA in reverse."""
    channel = channel_on(LASER, tmp_path, ".photodiode")
    dark = currents(readings(channel, Setpoint("voltage", -1.0, -1e-8, 1e-8), (2.5, 2e-9)))
    assert is_variance(dark, SHOT_OF_A_NANOAMPERE**2 * 1e-15 / 1e-9 * BANDWIDTH_HZ)


def test_no_shot_noise_in_what_has_no_junction(tmp_path: Path) -> None:
    """1 nA through 1 GΩ: Johnson noise alone, 4·k·T/R."""
    channel = channel_on(f'model = "resistor"\nresistance = "1 Gohm"\n{WARM}', tmp_path)
    found = readings(channel, Setpoint("voltage", 1.0, -2e-9, 2e-9), (2.5, 2e-9))
    assert is_variance(currents(found), (JOHNSON_OF_A_GIGAOHM / 1e9) ** 2 * BANDWIDTH_HZ)
    assert len(set(voltages(found))) == 1


def test_johnson_noise_of_the_voltage_where_current_is_sourced(tmp_path: Path) -> None:
    """1 nA through 1 GΩ at 300 K: (4.070355 µV)² in each hertz; the current is the source's."""
    channel = channel_on(f'model = "resistor"\nresistance = "1 Gohm"\n{WARM}', tmp_path)
    found = readings(channel, Setpoint("current", 1e-9, -2.0, 2.0), (2.5, 2e-9))
    assert is_variance(voltages(found), JOHNSON_OF_A_GIGAOHM**2 * BANDWIDTH_HZ)
    assert not is_variance(voltages(found), 1.2 * JOHNSON_OF_A_GIGAOHM**2 * BANDWIDTH_HZ)
    assert len(set(currents(found))) == 1


def test_johnson_noise_of_the_voltage_behind_a_capacitance(tmp_path: Path) -> None:
    """100 GΩ and 100 pF: not 4·k·T·R over the bandwidth, but k·T/C for what is short beside 10 s.

    The square root of k·T/C is 6.4359 µV at 300 K; after 10 s of it a mean over 20 ms has lost
    20 ms/(3·10 s) of that variance.
    """
    insulator = f'model = "insulator"\nresistance = "100 Gohm"\ncapacitance = "100 pF"\n{WARM}'
    channel = channel_on(insulator, tmp_path)
    found = voltages(readings(channel, Setpoint("current", 0.0, -2.0, 2.0), (2.5, 2e-9)))
    assert is_variance(found, 1.380649e-23 * 300 / 100e-12)


def test_ideal_takes_the_noise_away(tmp_path: Path) -> None:
    channel = channel_on(DIODE, tmp_path, ideal=True)
    found = readings(channel, Setpoint("voltage", 0.42, -5e-5, 5e-5), (2.5, 6e-5))
    assert len(set(currents(found))) == 1
    resistor = channel_on(
        f'model = "resistor"\nresistance = "1 Gohm"\n{WARM}', tmp_path, ideal=True
    )
    found = readings(resistor, Setpoint("current", 1e-9, -2.0, 2.0), (2.5, 2e-9))
    assert len(set(voltages(found))) == 1


def test_readings_ahead_have_the_same_noise_to_the_bit(tmp_path: Path) -> None:
    """A block of a diode's readings, and the same taken one by one."""
    one, many = (channel_on(DIODE, tmp_path) for _ in range(2))
    setpoint = Setpoint("voltage", 0.42, -5e-5, 5e-5)
    for channel in (one, many):
        channel.configure(Acquisition(2.5, 6e-5))
        channel.program(setpoint)
        channel.switch(True)
        channel._clock.spend_ns(10**9)
        channel.poll()
    begin_ns = many._clock.now_ns
    block = many.peek_many(begin_ns + np.arange(300) * 20_000_000)
    singly = [one.measure() for _ in range(300)]
    assert block.current.tolist() == currents(singly)
    assert len(set(currents(singly))) == 300


def test_the_figures_are_those_of_the_constants() -> None:
    """q and k as the SI has had them since 2019, to the digits of the figures above."""
    shot = math.sqrt(2 * 1.602176634e-19 * 1e-9)
    assert shot == pytest.approx(SHOT_OF_A_NANOAMPERE, rel=5e-7, abs=0)
    johnson = math.sqrt(4 * 1.380649e-23 * 300 * 1e9)
    assert johnson == pytest.approx(JOHNSON_OF_A_GIGAOHM, rel=5e-7)
