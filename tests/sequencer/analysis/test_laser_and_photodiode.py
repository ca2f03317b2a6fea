"""Laser diodes and photodiodes: laws, signs, methods in words, what each calculation refuses."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from sequencer.analysis import (
    dark_current,
    largest_kink,
    quantum_efficiency,
    responsivity,
    roll_over_current,
    slope_efficiency,
    threshold_current,
)
from sequencer.analysis.calculations import CALCULATIONS, NotWorkedOut
from tests.sequencer.analysis.made_traces import Floats, Table

CURRENT = np.linspace(0, 0.07, 141)
TIME, FREE = np.arange(141.0), np.zeros(141)
ABOVE = (0.03, 0.05)


def light_of(current: Floats, width_A: float = 1e-3) -> Floats:
    above = current - 0.02
    return 0.4 * (above + np.sqrt(above**2 + width_A**2))


LIGHT = light_of(CURRENT)


def refusal(calculation: Any, *arguments: Any) -> str:
    with pytest.raises(NotWorkedOut) as refused:
        calculation(*arguments)
    return str(refused.value)


@pytest.mark.parametrize("scale", [1.0, -0.06, 1e6])
def test_thresholds_do_not_depend_on_what_the_light_is_read_in(scale: float) -> None:
    """A photodiode's current is negative into it, and some watts or amperes to the light."""
    expected = threshold_current(TIME, CURRENT, LIGHT, FREE, ABOVE).values
    found = threshold_current(TIME, CURRENT, scale * LIGHT, FREE, ABOVE).values
    assert found == pytest.approx(expected, rel=1e-9)
    slope = slope_efficiency(TIME, CURRENT, scale * LIGHT, FREE, ABOVE).value
    assert slope == pytest.approx(
        scale * slope_efficiency(TIME, CURRENT, LIGHT, FREE, ABOVE).value, rel=1e-12
    )


def test_the_three_methods_stand_with_the_thresholds() -> None:
    found = threshold_current(TIME, CURRENT, LIGHT, FREE, ABOVE, (1e-3, 0.012))
    assert found.method == (
        "line from 30 mA to 50 mA; two segments, the other from 1 mA to 12 mA; maximum of the "
        "second derivative"
    )
    by_itself = threshold_current(TIME, CURRENT, LIGHT, FREE, ABOVE)
    # Three quarters of the 19.97 mA by line.
    assert "the other from 0 A to 14.97" in by_itself.method


def test_the_order_of_the_readings_is_none_of_the_curve_s() -> None:
    mixed = np.random.default_rng(2).permutation(141)
    expected = threshold_current(TIME, CURRENT, LIGHT, FREE, ABOVE).values
    found = threshold_current(TIME, CURRENT[mixed], LIGHT[mixed], FREE, ABOVE).values
    assert found == pytest.approx(expected, rel=1e-9)
    assert roll_over_current(TIME, CURRENT[mixed], rolling(CURRENT)[mixed], FREE).value == (
        pytest.approx(roll_over_current(TIME, CURRENT, rolling(CURRENT), FREE).value, rel=1e-9)
    )


def test_a_second_derivative_lost_in_noise_is_refused_and_the_lines_stand() -> None:
    noisy = LIGHT + np.random.default_rng(3).normal(0, 2e-4, 141)
    found = threshold_current(TIME, CURRENT, noisy, FREE, ABOVE)
    assert set(found.refused) == {"by_second_derivative"}
    assert "no peak that stands out" in str(found.refused["by_second_derivative"])
    assert found.values["by_line"] == pytest.approx(0.02, rel=0.02)
    quiet = LIGHT + np.random.default_rng(3).normal(0, 2e-6, 141)
    bend = threshold_current(TIME, CURRENT, quiet, FREE, ABOVE).values["by_second_derivative"]
    assert bend == pytest.approx(0.02, rel=2e-3)


def test_noise_on_a_line_seldom_bends_enough_to_be_a_threshold() -> None:
    """No threshold at all in it: less than one draw in twenty shows a second derivative's peak."""
    rng, found = np.random.default_rng(4), 0
    for _ in range(200):
        light = 0.8 * (CURRENT - 0.005) + rng.normal(0, 1e-4, 141)
        answer = threshold_current(TIME, CURRENT, light, FREE, ABOVE)
        found += "by_second_derivative" in answer.values
    assert found < 10


def test_a_curve_that_begins_above_threshold_has_no_lower_segment() -> None:
    late = CURRENT > 0.018
    found = threshold_current(TIME[late], CURRENT[late], LIGHT[late], FREE[late], ABOVE)
    assert "there are 0 readings" in str(found.refused["by_two_segments"])
    assert found.values["by_line"] == pytest.approx(0.02, rel=2e-3)


def held(first: int, last: int) -> Floats:
    limited = FREE.copy()
    limited[first:last] = 1
    return limited


REFUSED_THRESHOLDS = {
    "no readings": (
        LIGHT, FREE, (0.08, 0.09),
        "there are 0 readings from 80 mA to 90 mA; missing: at least 3 there, at currents that "
        "differ",
    ),
    "saturated": (
        LIGHT, held(90, 141), ABOVE,
        "the limit cuts the light off in 11 readings of those that count, the first in row 91; "
        "missing: a detector that isn't held by its limit: a larger one, or a filter",
    ),
    "dark": (
        np.zeros(141), FREE, ABOVE,
        "from 30 mA to 50 mA the light doesn't change with the current by more than it scatters; "
        "missing: two currents above threshold, and the light on its detector",
    ),
    "with daylight": (
        LIGHT + 1.0, FREE, ABOVE,
        "the line of the light meets no light at -1.23",
    ),
    "between below threshold": (
        np.where(CURRENT < 0.05, 0.01 * CURRENT + 1e-3, LIGHT), FREE, (0.005, 0.02),
        "the line of the light meets no light at -100 mA, not below 5 mA and within the curve",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED_THRESHOLDS)
def test_what_a_threshold_refuses(name: str) -> None:
    light, limited, between, words = REFUSED_THRESHOLDS[name]
    assert words in refusal(threshold_current, TIME, CURRENT, light, limited, between)


def test_the_largest_kink_is_found_where_it_is() -> None:
    light = 0.8 * (CURRENT - 0.02)
    light[100] *= 0.95  # at 50 mA
    found = largest_kink(TIME, CURRENT, light, FREE, (0.03, 0.06))
    assert found.values["current"] == pytest.approx(0.05, rel=1e-12)
    # The line through 61 readings gives way to the one that is off by a hundredth or two of it.
    assert found.values["deviation"] == pytest.approx(0.05, rel=0.03)
    assert found.method == "under the least-squares line from 30 mA to 60 mA"
    turned = largest_kink(TIME, CURRENT, -light, FREE, (0.03, 0.06))
    assert turned.values == pytest.approx(found.values, rel=1e-12)
    assert "the line has no light within" in refusal(
        largest_kink, TIME, CURRENT, light, FREE, (0.01, 0.06)
    )


def rolling(current: Floats) -> Floats:
    return 0.8 * (current - 0.02) - 10 * np.clip(current - 0.02, 0, None) ** 2


@pytest.mark.parametrize("scale", [1.0, -0.05])
def test_roll_over_of_a_parabola_is_its_vertex(scale: float) -> None:
    """L' = 0 at 20 mA + 0.8/20 A = 60 mA."""
    found = roll_over_current(TIME, CURRENT, scale * rolling(CURRENT), FREE)
    assert found.value == pytest.approx(0.06, rel=1e-9)
    assert found.method == "highest of parabolas through 7 readings each"


def test_light_that_only_rises_or_falls_within_its_scatter_has_not_rolled_over() -> None:
    words = "up to 70 mA the light doesn't fall by more than it scatters: it hasn't rolled over"
    assert words in refusal(roll_over_current, TIME, CURRENT, LIGHT, FREE)
    noisy = 0.8 * np.minimum(CURRENT, 0.05)
    noisy = noisy + np.random.default_rng(1).normal(0, 1e-3, 141)
    assert words in refusal(roll_over_current, TIME, CURRENT, noisy, FREE)


def test_a_saturated_detector_is_no_roll_over() -> None:
    light = np.minimum(LIGHT, 0.03)
    words = refusal(roll_over_current, TIME, CURRENT, light, held(114, 141))
    assert words.startswith("the limit cuts the light off in 27 readings")


def test_the_light_s_own_limit_is_taken_of_a_trace_with_two_channels() -> None:
    columns = {
        "time": TIME, "drive.voltage": FREE, "drive.current": CURRENT, "drive.limited": FREE + 1,
        "eye.voltage": FREE, "eye.current": -LIGHT / 20, "eye.limited": FREE,
    }  # fmt: skip
    calculation = CALCULATIONS["threshold_current"]
    lit = Table("curve", columns)
    found = calculation(lit, "drive.current", "eye.current", ABOVE)
    assert found.values["by_line"] == pytest.approx(0.02, rel=2e-3)  # type: ignore[union-attr]
    columns["eye.limited"] = held(70, 90)
    assert "the limit cuts the light off" in refusal(
        calculation, lit, "drive.current", "eye.current", ABOVE
    )


TEN, NONE = np.arange(10.0), np.zeros(10)


def test_responsivity_takes_the_dark_current_off() -> None:
    found = responsivity(TEN, np.full(10, -5.1e-6), NONE, 10e-6, -0.1e-6)
    assert found.value == pytest.approx(0.5, rel=1e-12)
    assert found.method == "mean of 10 readings less -100 nA in the dark, over 10 uW of light"
    assert "(wrong sign)" in refusal(responsivity, TEN, np.full(10, 5e-6), NONE, 10e-6)
    assert "the light is 0 W" in refusal(responsivity, TEN, np.full(10, -5e-6), NONE, 0.0)
    assert "in 10 readings: it cuts the current off" in refusal(
        responsivity, TEN, np.full(10, -5e-6), NONE + 1, 10e-6
    )


def test_dark_current_is_a_mean_under_bias() -> None:
    found = dark_current(TEN, np.full(10, -5.0), np.linspace(-1.2e-12, -0.8e-12, 10), NONE)
    assert found.value == pytest.approx(-1e-12, rel=1e-12)
    assert found.method == "mean of 10 readings at -5 V"


def test_what_dark_current_refuses() -> None:
    bias = np.full(10, -5.0)
    assert "the bias is 1 mV: what flows there is an offset voltage" in refusal(
        dark_current, TEN, np.full(10, 1e-3), np.full(10, 3e-12), NONE
    )
    assert "it gives power, as a diode does in light" in refusal(
        dark_current, TEN, bias, np.full(10, 1e-9), NONE
    )
    assert "the limit was in control in 10 readings" in refusal(
        dark_current, TEN, bias, np.full(10, -1e-9), NONE + 1
    )
    # Within its scatter either sign is a zero: that is a number, not a mistake.
    noise = np.where(TEN % 2, 1.02e-12, -0.98e-12)
    assert dark_current(TEN, bias, noise, NONE).value == pytest.approx(2e-14, rel=1e-9)


def test_what_quantum_efficiency_refuses() -> None:
    assert "the wavelength is 0 m" in refusal(quantum_efficiency, 0.5, 0.0)
    assert "the responsivity is -0.5 A/W" in refusal(quantum_efficiency, -0.5, 650e-9)
    assert quantum_efficiency(0.0, 650e-9).value == 0.0
