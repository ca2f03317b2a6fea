"""Thresholds of a laser diode whose light is a closed form; smoothing against scipy's filter."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import savgol_filter
from scipy.stats import linregress

from sequencer.analysis import slope_efficiency, threshold_current
from sequencer.analysis.calculations.regression import straight
from sequencer.analysis.calculations.smoothing import smoothed
from tests.sequencer.analysis.made_traces import Floats


def light_of(current: Floats) -> Floats:
    """L = ½ η ((I − I_th) + √((I − I_th)² + w²)): 20 mA, 0.8 W/A, w 1 mA."""
    above = current - 20e-3
    return 0.4 * (above + np.sqrt(above**2 + 1e-6))


CURRENT = np.arange(601) * 1e-4
TIME, FREE = np.arange(601.0), np.zeros(601)


def test_threshold_by_three_methods() -> None:
    """Grid of 0.1 mA; line 40–60 mA, segment 0–15 mA, ends in; computed twice."""
    light = light_of(CURRENT)
    found = threshold_current(TIME, CURRENT, light, FREE, (40e-3, 60e-3), (0.0, 15e-3)).values
    assert found["by_second_derivative"] == pytest.approx(20e-3, rel=1e-9)
    assert found["by_line"] == pytest.approx(19.982395e-3, rel=3e-8)
    assert found["by_two_segments"] == pytest.approx(20.031302e-3, rel=3e-8)
    slope = slope_efficiency(TIME, CURRENT, light, FREE, (40e-3, 60e-3)).value
    assert slope == pytest.approx(0.7997617, rel=1e-7)


def test_parabolas_on_an_even_grid_are_savitzky_and_golay_s_filter() -> None:
    rng = np.random.default_rng(1)
    light = light_of(CURRENT) + rng.normal(0, 1e-5, len(CURRENT))
    found = smoothed(CURRENT, light)
    half = found.readings // 2
    inner = slice(half, len(CURRENT) - half)
    for order, values in enumerate((found.value, found.slope, found.curvature)):
        expected = savgol_filter(light, found.readings, 2, deriv=order, delta=1e-4)[inner]
        assert values == pytest.approx(expected, rel=1e-7, abs=1e-9 * np.max(np.abs(expected)))
    assert found.place == pytest.approx(CURRENT[inner], abs=1e-15)


def test_the_scatter_of_a_smoothed_value_is_what_repetition_shows() -> None:
    """Normal noise of 1e-5 on a straight line, 400 times: no source but the definition."""
    rng = np.random.default_rng(2)
    values, scatters = [], []
    for _ in range(400):
        found = smoothed(CURRENT, CURRENT + rng.normal(0, 1e-5, len(CURRENT)))
        values.append(found.value[300])
        scatters.append(found.scatter)
    assert np.mean(scatters) == pytest.approx(np.std(values), rel=0.1)


def test_the_standard_error_of_a_slope() -> None:
    """scipy's linregress is the judge."""
    rng = np.random.default_rng(3)
    x = rng.uniform(-1, 5, 40)
    y = 2 - 3 * x + rng.normal(0, 0.2, 40)
    judge = linregress(x, y)
    found = straight(x, y)
    assert found == pytest.approx((judge.slope, judge.intercept, judge.stderr), rel=1e-12)
