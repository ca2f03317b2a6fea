"""Contacts and insulators: what a reversal removes, groups of readings, refusals."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.analysis import (
    alternating_resistance,
    johnson_noise,
    reversal_resistance,
    shot_noise,
)
from sequencer.analysis.calculations import NotWorkedOut
from tests.sequencer.analysis.made_traces import Floats


def refusal(calculation: Any, *arguments: Any) -> str:
    with pytest.raises(NotWorkedOut) as refused:
        calculation(*arguments)
    return str(refused.value)


def reversed_readings(
    turns: int, each: int = 1, ohms: float = 1e-3, drift_V: float = 0.0, seed: int | None = None
) -> tuple[Floats, Floats, Floats, Floats]:
    """Time, voltage, current, limited: ±0.1 A, 2 µV that drifts by so much a second."""
    time = np.arange(float(turns * each))
    current = 0.1 * np.repeat(np.where(np.arange(turns) % 2, -1.0, 1.0), each)
    voltage = ohms * current + 2e-6 + drift_V * time
    if seed is not None:
        voltage = voltage + np.random.default_rng(seed).normal(0, 1e-6, len(time))
    return time, voltage, current, np.zeros(len(time))


@given(st.integers(3, 30), st.integers(1, 5), st.floats(0, 1.0), st.floats(-1e-6, 1e-6))
def test_three_points_drop_an_offset_and_an_even_drift(
    turns: int, each: int, ohms: float, drift_V: float
) -> None:
    found = reversal_resistance(*reversed_readings(turns, each, ohms, drift_V)).values
    assert found["three_point"] == pytest.approx(ohms, rel=1e-9, abs=1e-13)


@given(st.lists(st.floats(0.3, 5.0), min_size=3, max_size=20), st.floats(-1e-6, 1e-6))
def test_three_points_drop_an_even_drift_also_at_uneven_times(
    steps: list[float], drift_V: float
) -> None:
    time = np.cumsum(steps)
    current = np.where(np.arange(len(time)) % 2, -0.1, 0.1)
    voltage = 1e-3 * current + drift_V * time
    found = reversal_resistance(time, voltage, current, np.zeros(len(time))).values
    assert found["three_point"] == pytest.approx(1e-3, rel=1e-9)


def test_two_points_keep_half_a_step_of_drift() -> None:
    found = reversal_resistance(*reversed_readings(8, drift_V=0.4e-6)).values
    # (V_1 − V_2)/(2 I) = R − drift/(2 I): 0.4 µV over 0.2 A.
    assert found["two_point"] == pytest.approx(1e-3 - 2e-6, rel=1e-9)


def test_the_scatter_of_the_mean_and_the_times_stand_with_it() -> None:
    found = reversal_resistance(*reversed_readings(30, 2, seed=1))
    assert found.method.startswith(
        "30 stays at ±100 mA, 58 s from the first to the last, scattering by "
    )
    values = [
        reversal_resistance(*reversed_readings(30, seed=seed)).values["three_point"]
        for seed in range(200)
    ]
    # σ of a mean of 28 threes of white noise: about 1 µV/0.1 A/√30.
    assert np.std(values) == pytest.approx(1e-6 / 0.1 / np.sqrt(30), rel=0.15)
    stated = [
        float(reversal_resistance(*reversed_readings(30, seed=seed)).method.split()[-5])
        for seed in range(200)
    ]
    assert 1e-6 * np.mean(stated) == pytest.approx(np.std(values), rel=0.15)
    assert abs(np.mean(values) - 1e-3) < 3 * np.std(values) / np.sqrt(200)


def test_one_reversal_gives_two_points_and_refuses_three() -> None:
    found = reversal_resistance(*reversed_readings(2))
    assert found.values["two_point"] == pytest.approx(1e-3, rel=1e-12)
    assert found.values["thermal_voltage"] == pytest.approx(2e-6, rel=1e-9)
    assert str(found.refused["three_point"]) == (
        "the level was reversed 1 time; missing: three stays at least, for a drift to fall out"
    )


def test_a_short_may_read_a_little_below_zero_but_not_a_joint_the_wrong_way_round() -> None:
    found = [
        reversal_resistance(*reversed_readings(20, ohms=0.0, seed=seed)).values["three_point"]
        for seed in range(20)
    ]
    assert -1e-5 < min(found) < 0 < max(found) < 1e-5
    assert refusal(reversal_resistance, *reversed_readings(20, ohms=-1e-3)) == (
        "the resistance is -1 mohm (wrong sign); missing: sense leads the same way round as the "
        "force leads"
    )


def without_reversal(turns: int) -> tuple[Floats, Floats, Floats, Floats]:
    time, voltage, current, limited = reversed_readings(turns)
    return time, np.abs(voltage), np.abs(current), limited


def with_a_pause() -> tuple[Floats, Floats, Floats, Floats]:
    time, voltage, current, limited = reversed_readings(4)
    current[1] = 0.0
    return time, voltage, current, limited


def uneven() -> tuple[Floats, Floats, Floats, Floats]:
    time, voltage, current, limited = reversed_readings(4)
    current[1] *= 0.8
    return time, voltage, current, limited


def limited_once() -> tuple[Floats, Floats, Floats, Floats]:
    time, voltage, current, limited = reversed_readings(4)
    limited[2] = 1
    return time, voltage, current, limited


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        (without_reversal(6), "the level is never reversed; missing: readings at both polarities"),
        (with_a_pause(), "the level doesn't change its polarity from one stay to the next"),
        (
            uneven(),
            "the level doesn't change its polarity from one stay to the next, at the same size",
        ),
        (limited_once(), "the limit was in control in 1 stay of 4, in readings that count"),
        (
            tuple(0 * column if k else column for k, column in enumerate(reversed_readings(4))),
            "no current flows; missing: a test current, reversed from one to the next",
        ),
    ],
)
def test_what_a_reversal_refuses(readings: Any, words: str) -> None:
    assert refusal(reversal_resistance, *readings).startswith(words)


def turned(
    ohms: float = 100e9, seconds: int = 60, stays: int = 8, tau_s: float = 5.0, noise_A: float = 0.0
) -> tuple[Floats, Floats, Floats, Floats]:
    """±30 V a minute each; after each reversal twice the current decays, 2 pA of offset drifts."""
    time = np.arange(float(seconds * stays))
    side = np.where((time // seconds) % 2, -1.0, 1.0)
    charging = 2 * np.exp(-(time % seconds) / tau_s)
    current = 30 * side / ohms * (1 + charging) + 2e-12 + 1e-15 * time
    current = current + np.random.default_rng(7).normal(0, 1, len(time)) * noise_A
    # The first reading after a reversal spans it: the limit charges the insulator meanwhile.
    limited = (time % seconds == 0).astype(float)
    voltage = 30 * side
    voltage[seconds::seconds] *= -0.8
    return time, voltage, current, limited


def test_settled_halves_of_each_polarity_give_the_resistance() -> None:
    """A limit that charges the insulator right after the reversal doesn't count; absorption does
    by what is left of it: 2·exp(−30/5)·5/30 of the mean over the second half."""
    found = alternating_resistance(*turned())
    left = 2 * np.mean(np.exp(-np.arange(30.0, 60.0) / 5))
    assert found.values["three_point"] == pytest.approx(100e9 / (1 + left), rel=1e-6)
    # The drift's mean over what counts of the second to the seventh stay, about 255 s.
    assert found.values["offset_current"] == pytest.approx(2e-12 + 1e-15 * 254.5, rel=2e-3)
    assert found.method == (
        "8 stays at ±30 V of 240 readings in all after settling for half of each polarity, still "
        "moving by -0.16 %"
    )


def test_a_settling_time_that_is_given_is_left_out() -> None:
    found = alternating_resistance(*turned(), 50.0)
    assert found.values["three_point"] == pytest.approx(100e9, rel=1e-4)
    # The first reading of seven stays is on its way and belongs to none, so that nine are left.
    assert "of 73 readings in all after settling for 50 s" in found.method
    assert "no reading is left of a stay of 59 s" in refusal(
        alternating_resistance, *turned(), 60.0
    )


def test_a_current_that_has_not_settled_is_refused() -> None:
    assert refusal(alternating_resistance, *turned(tau_s=40.0)).startswith(
        "the current has not settled: it still moves by -"
    )


def test_a_current_lost_in_noise_is_no_resistance() -> None:
    words = refusal(alternating_resistance, *turned(1e18, noise_A=1e-12))
    assert words.startswith(
        "the current doesn't turn with the voltage by more than it scatters: it "
    )
    assert "a larger voltage, more reversals, a quieter set-up" in words
    time, voltage, current, limited = turned()
    assert "doesn't turn with the voltage" in refusal(
        alternating_resistance, time, voltage, -current, limited
    )


def test_a_limit_in_a_reading_that_counts_is_refused() -> None:
    time, voltage, current, limited = turned()
    limited[45] = 1
    assert refusal(alternating_resistance, time, voltage, current, limited).startswith(
        "the limit was in control in 1 stay of 8, in readings that count"
    )


def test_a_current_over_range_counts_only_once_it_has_settled() -> None:
    """The charge of the cable at a reversal may be more than the range holds."""
    time, voltage, current, limited = turned()
    expected = alternating_resistance(time, voltage, current, limited).values
    current[60:65] = np.inf
    current[62] = -np.inf
    assert alternating_resistance(time, voltage, current, limited).values == expected
    current[100] = -np.inf
    assert refusal(alternating_resistance, time, voltage, current, limited).startswith(
        "the current is over range in row 101, 100 s after the first"
    )


@given(st.floats(1e-3, 1e15), st.floats(1.0, 1000.0))
def test_floors_go_with_the_root(ohms: float, kelvin: float) -> None:
    base = johnson_noise(ohms, kelvin).value
    assert johnson_noise(4 * ohms, kelvin).value == pytest.approx(2 * base, rel=1e-12)
    assert johnson_noise(ohms, 4 * kelvin).value == pytest.approx(2 * base, rel=1e-12)
    # Both floors agree where R = 2 k T/(q I), as of a junction that carries its own current.
    current = 2 * 1.380649e-23 * kelvin / 1.602176634e-19 / ohms
    assert shot_noise(current).value == pytest.approx(base / ohms, rel=1e-12)


def test_what_the_floors_refuse() -> None:
    assert (
        refusal(shot_noise, -1e-9) == "the current is -1 nA; missing: its size, from 0 A up: abs(…)"
    )
    assert "the resistance is -1 ohm" in refusal(johnson_noise, -1.0, 300.0)
    assert "the temperature is" in refusal(johnson_noise, 1.0, 0.0)
    assert johnson_noise(0.0, 300.0).value == 0.0
    assert "the resistance is infinite" in refusal(johnson_noise, np.inf, 300.0)
