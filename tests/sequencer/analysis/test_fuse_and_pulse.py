"""Trips, held currents, resistances and captured pulses: closed forms and refusals in words."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.analysis import (
    apparent_inductance,
    delivered_share,
    hold_current,
    i_squared_t,
    mean_resistance,
    resistance_drift,
    rise_time,
    trip_energy,
    trip_time,
)
from sequencer.analysis.calculations import NotWorkedOut
from tests.sequencer.analysis.made_traces import Floats


def refusal_of(function: Callable[..., object], *arguments: object) -> str:
    with pytest.raises(NotWorkedOut) as refusal:
        function(*arguments)
    return str(refusal.value)


TIME = np.arange(101) * 0.1
FALLS = np.where(TIME < 5.05, 8.0, 0.2)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_trip_counts_from_the_first_row_or_from_the_current_s_rise(sign: float) -> None:
    """The line from 8 A at 5.0 s to 0.2 A at 5.1 s passes 4 A at 4/7.8 of its way."""
    crossing = 5.0 + 0.1 * 4 / 7.8
    found = trip_time(TIME, sign * FALLS)
    assert found.value == pytest.approx(crossing, rel=1e-12)
    assert found.method == "current below 50 % of 8 A, on the line between two readings"
    late = np.where(TIME < 0.95, 0.0, FALLS)
    assert trip_time(TIME, sign * late).value == pytest.approx(crossing - 0.95, rel=1e-12)
    assert trip_time(TIME, sign * FALLS, 0.9).value == pytest.approx(5.0 + 0.1 * 0.8 / 7.8)


def test_the_energy_of_a_trip_holds_the_last_reading_until_the_fall() -> None:
    found = trip_energy(TIME, np.where(FALLS > 1, 0.8, 12.0), FALLS)
    assert found.value == pytest.approx(6.4 * (5.0 + 0.1 * 4 / 7.8), rel=1e-12)
    assert "(wrong sign)" in refusal_of(trip_energy, TIME, np.full(101, -0.8), FALLS)


def test_what_does_not_trip_is_refused() -> None:
    assert refusal_of(trip_time, TIME, np.full(101, 8.0)) == (
        "the current does not fall below 4 A, from 8 A at first: its smallest is 8 A; missing: "
        "readings until the fuse has tripped"
    )
    assert refusal_of(trip_time, TIME, np.zeros(101)) == (
        "no current flows; missing: readings of the current that trips it"
    )
    assert refusal_of(trip_time, TIME, FALLS, 1.5) == (
        "a share of 150 % tells no trip; missing: one between 0 % and 100 %"
    )


@given(st.floats(0.1, 50.0), st.floats(0.01, 100.0))
def test_i_squared_t_of_an_exponential(amperes: float, tau: float) -> None:
    """∫ (I exp(−t/τ))² dt = I² τ/2 (1 − exp(−2T/τ)); trapezoids are h²/3τ² off."""
    time = np.linspace(0.0, 5 * tau, 5001)
    found = i_squared_t(time, -amperes * np.exp(-time / tau))
    expected = amperes**2 * tau / 2 * (1 - math.exp(-10))
    assert found.value == pytest.approx(expected, rel=5e-7)


LONG = np.arange(300.0)
STEPS = 1.0 + LONG // 100


def test_the_hold_current_is_that_of_the_largest_step_below_the_first_that_tripped() -> None:
    tripping = np.where(LONG > 250, 0.1, STEPS)
    found = hold_current(LONG, tripping, STEPS)
    assert (found.value, found.method) == (
        2.0, "carried for 99 s; the next tripped at 3 A, 3 steps",
    )  # fmt: skip
    one = hold_current(LONG[:100], tripping[:100], STEPS[:100])
    assert one.method == "carried for 99 s; none tripped, 1 step"
    # A step at a higher current that held after a smaller one has tripped says nothing.
    warm = np.where((LONG > 150) & (LONG < 200), 0.1, STEPS)
    assert hold_current(LONG, warm, STEPS).value == 1.0


def test_steps_are_told_by_the_current_where_the_level_stays() -> None:
    """12 V at a limit of 1 A, then of 2 A: the level is 12 V throughout."""
    current = np.where(LONG < 150, 1.0, np.where(LONG < 200, 2.0, 0.05))
    found = hold_current(LONG, current, np.full(300, 12.0))
    assert found.value == 1.0


def test_a_hold_current_that_cannot_be_told_is_refused() -> None:
    assert refusal_of(hold_current, LONG, np.where(LONG > 50, 0.1, 3.0), np.full(300, 3.0)) == (
        "it trips at 3 A, the smallest current of the trace, and held none; missing: steps of "
        "smaller currents, each carried long enough"
    )
    assert refusal_of(hold_current, LONG, np.zeros(300), STEPS) == (
        "there is no step of current with two readings; missing: readings while a current flows"
    )


def test_mean_resistance_and_its_drift() -> None:
    time, current = np.arange(20.0), np.full(20, 0.1)
    current[5] = 0.11
    found = mean_resistance(time, 47.0 * current, current, (2.0, 9.0))
    assert found.value == pytest.approx(47.0, rel=1e-12)
    assert found.method == "mean voltage over mean current of 8 readings, at 101.25 mA"
    drift = resistance_drift(
        time, 47.0 * current, current, 100 + time, 47.094 * current, current
    )  # fmt: skip
    assert drift.value == pytest.approx(0.002, rel=1e-9)
    assert drift.method == "47.094 ohm over 47 ohm, each mean voltage over mean current"


@pytest.mark.parametrize(
    ("voltage", "current", "words"),
    [
        (
            1.0,
            np.where(np.arange(20) % 2, 0.1, -0.1),
            "the current goes from -100 mA to 100 mA, so that it is not of one sign; missing: a "
            "current of one direction, well above the ammeter's offset",
        ),
        (
            -1.0,
            np.full(20, 0.1),
            "the voltage is -1 V at 100 mA (wrong sign); missing: voltage and current of the same "
            "part, both positive into it, the voltage above its meter's offset",
        ),
    ],
)
def test_what_is_no_resistance_is_refused(voltage: float, current: Floats, words: str) -> None:
    given_V = np.full(20, voltage)
    assert refusal_of(mean_resistance, np.arange(20.0), given_V, current) == words


def pulse(step_s: float = 0.05e-6, sign: float = 1.0) -> tuple[Floats, Floats]:
    """2 A with a time constant of 1 µs, 50 µs long, in a capture that begins 2 µs before."""
    time = np.arange(-2e-6, 60e-6, step_s)
    since, after = np.maximum(time, 0.0), np.maximum(time - 50e-6, 0.0)
    return time, sign * 2.0 * (1 - np.exp(-since / 1e-6)) * np.exp(-after / 1e-6)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_pulse_s_share_and_rise(sign: float) -> None:
    time, current = pulse(sign=sign)
    share = delivered_share(time, current, 2.5 * sign)
    assert share.value == pytest.approx(0.8, rel=1e-9)
    assert share.method == "mean from 80 % to 95 % of the pulse, 49.95 us long"
    rise = rise_time(time, current)
    assert rise.value == pytest.approx(1e-6 * math.log(9), rel=2e-4)
    assert rise.method == "10 % to 90 %, 44 samples between"


def test_a_pulse_in_noise_and_one_that_the_capture_cuts_off() -> None:
    time, current = pulse()
    noisy = current + np.random.default_rng(2).normal(0.0, 5e-3, len(time))
    assert delivered_share(time, noisy, 2.0).value == pytest.approx(1.0, abs=2e-3)
    assert rise_time(time, noisy).value == pytest.approx(1e-6 * math.log(9), rel=0.03)
    cut = time < 40e-6
    assert delivered_share(time[cut], current[cut], 2.0).value == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("R", [0.0, 0.1, 50.0])
def test_the_inductance_beside_any_resistance(R: float) -> None:
    """u = R i + L di/dt of 5 µH, the slope of the rise in closed form."""
    time, current = pulse()
    slope = np.where((time > 0) & (time < 50e-6), 2e6 * np.exp(-np.maximum(time, 0) / 1e-6), 0.0)
    found = apparent_inductance(time, R * current + 5e-6 * slope, current)
    # Trapezoids are (0.05)²/12 = 2e-4 off, of the flux of both.
    assert found.value == pytest.approx(5e-6, rel=1e-3)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (
            slice(0, 90),
            "the pulse still changes at its end: its top isn't known; missing: a capture that is "
            "several times as long as the rise",
        ),
        (
            slice(0, 40),
            "the column is the same in all samples; missing: a capture that begins before the "
            "pulse",
        ),
        (
            slice(0, None, 50),
            "the rise is over within 1 sample, in less than 5 us; missing: a capture with at least "
            "3 samples on the rise",
        ),
    ],
)
def test_a_rise_that_cannot_be_timed_is_refused(rows: slice, words: str) -> None:
    time, current = (column[rows] for column in pulse())
    assert refusal_of(rise_time, time, current) == words
    assert refusal_of(apparent_inductance, time, current, current) == words


def test_a_share_of_the_other_sign_and_no_inductance_are_refused() -> None:
    time, current = pulse()
    assert refusal_of(delivered_share, time, current, -2.0) == (
        "the pulse goes to the other side of zero than its level, or that is zero (wrong sign); "
        "missing: the programmed level of the column that is named"
    )
    noise = np.random.default_rng(5).normal(0.0, 0.05, len(time))
    assert refusal_of(apparent_inductance, time, 5.0 * current + noise, current) == (
        "no inductance stands out of the rise; missing: less noise, faster samples or a steeper "
        "rise"
    )
