"""Noise density and Allan deviation against scipy, a published set, and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import constants, signal, stats

from sequencer.analysis import allan_deviation, noise_density
from tests.sequencer.analysis.made_traces import Floats


def white(rows: int, deviation: float, seed: int) -> Floats:
    return np.random.default_rng(seed).normal(0.0, deviation, rows)


@pytest.mark.parametrize("rows", [999, 1000, 1024])
def test_the_density_against_scipy(rows: int) -> None:
    """`scipy.signal.periodogram`, same window, same line taken away, averaged over the band."""
    time = 3.0 + np.arange(rows) * 0.02
    seen = white(rows, 1e-3, rows) + 0.5 + 0.01 * time + 1e-3 * np.sin(2 * np.pi * 7.0 * time)
    frequencies, power = signal.periodogram(seen, 50.0, "hann", detrend="linear")
    for low, high in ((1.0, 5.0), (0.5, 25.0), (6.0, 8.0)):
        inside = (frequencies >= low) & (frequencies <= high)
        judge = math.sqrt(float(np.mean(power[inside])))
        assert noise_density(time, seen, (low, high)).value == pytest.approx(judge, rel=1e-9)


def test_the_johnson_noise_of_a_gigaohm() -> None:
    """4.070355 µV/√Hz at 300 K (4 k T R, CODATA), as white noise of that density.

    The periodogram's mean over B frequencies scatters like chi-square with 2 B · 18/35 degrees of
    freedom (the window makes neighbours alike: 35/18 of the variance, from memory); judged at
    99.9 %.
    """
    density = math.sqrt(4 * constants.k * 300.0 * 1e9)
    assert density == pytest.approx(4.070355e-6, rel=2e-7)
    period = 0.1
    time = np.arange(20_000) * period
    seen = white(len(time), density * math.sqrt(0.5 / period), 5)
    found = noise_density(time, seen, (0.1, 4.0))
    freedom = 2 * 0.95 * (4.0 - 0.1) * len(time) * period * 18 / 35
    low, high = stats.chi2.ppf((0.0005, 0.9995), freedom) / freedom
    assert low < (found.value / density) ** 2 < high
    assert high - low < 0.12


def overlapping(values: Floats, m: int) -> float:
    """The definition, one average after another."""
    means = [sum(values[k : k + m]) / m for k in range(len(values) - m + 1)]
    steps = [(means[k + m] - means[k]) ** 2 for k in range(len(means) - m)]
    return math.sqrt(sum(steps) / len(steps) / 2)


@pytest.mark.parametrize("m", [1, 2, 7, 40, 66])
def test_the_allan_deviation_against_its_definition(m: int) -> None:
    seen = 5.0 + np.cumsum(white(200, 1e-3, 2))
    found = allan_deviation(np.arange(200) * 0.5, seen, m * 0.5)
    assert found.value == pytest.approx(overlapping(seen, m), rel=1e-11)


@pytest.mark.parametrize(
    ("m", "expected"), [(1, 2.922319e-1), (10, 9.159953e-2), (100, 3.241343e-2)]
)
def test_the_allan_deviation_of_the_thousand_point_set(m: int, expected: float) -> None:
    """NIST Special Publication 1065, thousand-point set, overlapping Allan deviation (from memory).

    The set is n_{k+1} = 16807 n_k mod 2147483647 from 1234567890, over 2147483647.
    """
    whole = [1234567890]
    while len(whole) < 1000:
        whole.append(16807 * whole[-1] % 2147483647)
    seen = np.array(whole) / 2147483647
    assert seen.mean() == pytest.approx(4.897745e-1, rel=2e-7)
    found = allan_deviation(np.arange(1000.0), seen, float(m))
    assert found.value == pytest.approx(expected, rel=2e-7)


@pytest.mark.parametrize("m", [1, 4, 16, 64])
def test_white_noise_averages_down_with_the_root_of_the_readings(m: int) -> None:
    """Closed form s/√m; at least n/m − 1 degrees of freedom, judged at 99.9 %."""
    rows, deviation = 100_000, 2e-6
    found = allan_deviation(np.arange(rows) * 0.02, white(rows, deviation, 9), m * 0.02)
    freedom = rows / m - 1
    low, high = np.sqrt(stats.chi2.ppf((0.0005, 0.9995), freedom) / freedom)
    assert low < found.value * math.sqrt(m) / deviation < high


def test_an_even_drift_grows_with_the_averaging_time() -> None:
    """Closed form d τ/√2."""
    time = np.arange(3000) * 0.1
    for averaging in (0.1, 1.0, 30.0):
        found = allan_deviation(time, 4.0 + 2e-6 * time, averaging)
        assert found.value == pytest.approx(2e-6 * averaging / math.sqrt(2), rel=1e-9)
