"""Settling, time constants, noise: closed forms, and refusals in words."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.analysis import (
    allan_deviation,
    noise_density,
    settling_time,
    time_constant,
    two_time_constants,
)
from sequencer.analysis.calculations import NotWorkedOut
from tests.sequencer.analysis.made_traces import Floats

TIME = np.arange(601) * 0.5
DECAY = np.exp(-TIME / 10.0)
CHANCE = np.random.default_rng(4)
NOISE = CHANCE.normal(0.0, 1.0, 601)


@pytest.mark.parametrize(("share", "seconds"), [(1e-2, 46.05), (1e-3, 69.08), (1e-4, 92.10)])
def test_the_wait_behind_100_gigaohm_and_100_picofarad(share: float, seconds: float) -> None:
    """τ = 10 s; to 1 %, 0.1 %, 0.01 % of the step: −τ ln(share), listed to four digits."""
    assert settling_time(TIME, 5.0 + DECAY, share).value == pytest.approx(seconds, abs=0.01)
    assert settling_time(TIME, 5.0 - DECAY, share).value == pytest.approx(seconds, abs=0.01)


def test_settling_counts_from_the_last_time_outside_the_band() -> None:
    """Overshoot: it leaves the band anew at 7 s and comes back halfway to 8 s."""
    column = np.array([0.0, 2, 3, 3, 3, 3, 3, 5, 3, *[3.0] * 40])
    found = settling_time(np.arange(len(column)) * 1.0, column, 1.0)
    assert found.value == pytest.approx(7.5)
    assert found.method == "within the band about the mean of the last tenth (5 readings)"


def test_what_never_leaves_the_band_is_settled_from_the_start() -> None:
    assert settling_time(TIME, np.full(601, 3.0), 1e-6).value == 0.0


@settings(deadline=None)
@given(
    st.floats(1e-6, 1e6),
    st.floats(-1e3, 1e3),
    st.floats(0.01, 100.0) | st.floats(-100.0, -0.01),
    st.floats(5.0, 40.0),
)
def test_an_exponential_gives_its_time_constant(
    tau: float, final: float, change: float, lasts: float
) -> None:
    """x∞ + a exp(−t/τ), read for 5 to 40 time constants; digits are lost to a large x∞, and to the
    3 s beside a microsecond."""
    time = 3.0 + np.linspace(0.0, lasts * tau, 400)
    found = time_constant(time, final + change * np.exp(-(time - 3.0) / tau))
    assert found.value == pytest.approx(tau, rel=1e-8 + 1e-12 * abs(final / change))


def test_the_method_names_the_readings_and_their_scatter() -> None:
    assert time_constant(TIME, DECAY, (0.0, 60.0)).method.startswith(
        "least-squares exponential through 121 readings, 60 s, ±"
    )


@settings(deadline=None, max_examples=25)
@given(st.floats(3.0, 30.0), st.floats(0.2, 5.0))
def test_two_exponentials_are_told_apart(apart: float, weight: float) -> None:
    """The slow one is 3 to 30 times the fast one, with 0.2 to 5 times its change."""
    time = np.linspace(0.0, 8.0 * apart, 800)
    column = 2.0 + np.exp(-time) - weight * np.exp(-time / apart)
    found = two_time_constants(time, column).values
    assert found == pytest.approx(
        {"fast": 1.0, "slow": apart, "fast_change": 1.0, "slow_change": -weight, "final": 2.0},
        rel=1e-5,
    )


def refusal_of(function: object, *arguments: object) -> str:
    assert callable(function)
    with pytest.raises(NotWorkedOut) as refusal:
        function(*arguments)
    return str(refusal.value)


SLOW = np.exp(-TIME / 1000)


@pytest.mark.parametrize(
    ("column", "words"),
    [
        (
            np.full(601, 2.0),
            "the column is the same in all readings; missing: readings from while it still changes",
        ),
        (
            1.0 + 0.1 * TIME,
            "the column is not bent enough: the time constant would be longer than the 5 min that "
            "was read; missing: readings for three time constants or more",
        ),
        (
            np.exp(-TIME / 0.1),
            "the time constant is shorter than the 500 ms between the first two readings; missing: "
            "readings closer by, or a part that begins earlier",
        ),
        (
            np.sin(TIME / 20),
            "the column does not settle exponentially: 34 % of its change is left of the fit, and "
            "that is no noise; missing: a part of the trace in which one cause alone makes it "
            "settle",
        ),
    ],
)
def test_what_does_not_settle_so_is_refused(column: Floats, words: str) -> None:
    assert refusal_of(time_constant, TIME, column) == words


def test_a_time_constant_lost_in_noise_is_refused() -> None:
    for seed in range(20):
        noise = np.random.default_rng(seed).normal(0.0, 1.0, 601)
        with pytest.raises(NotWorkedOut):
            time_constant(TIME, 0.05 * DECAY + noise)


def test_one_exponential_in_noise_is_not_sold_as_two() -> None:
    for seed in range(20):
        noise = np.random.default_rng(seed).normal(0.0, 1e-3, 601)
        with pytest.raises(NotWorkedOut, match="one of the time constants"):
            two_time_constants(TIME, DECAY + noise)


def test_settling_that_cannot_be_told_is_refused() -> None:
    assert refusal_of(settling_time, TIME, 0.1 * TIME, 1.0) == (
        "the column leaves the band 5 min after the first row, within the last tenth of the "
        "trace: it has not settled to it; missing: a longer trace, or a wider band"
    )
    assert refusal_of(settling_time, TIME, DECAY, 0.0) == (
        "the band has no width; missing: a band above zero, as in 1 mV"
    )
    assert refusal_of(settling_time, TIME[:9], DECAY[:9], 0.1) == (
        "there are 9 readings; missing: at least 10 readings"
    )


def test_the_noise_s_method_and_what_it_refuses() -> None:
    assert noise_density(TIME, NOISE, (0.1, 0.5)).method == (
        "mean of a one-sided periodogram (Hann) at 120 frequencies, 5 min of readings every 500 ms"
    )
    for column, band, words in (
        (
            NOISE,
            (0.5, 2.0),
            "the band reaches up to 2 Hz, and readings every 500 ms tell nothing above 1 Hz; "
            "missing: readings closer by, or a lower band",
        ),
        (
            NOISE,
            (1e-3, 0.5),
            "the band begins at 1 mHz, and a trace of 5 min tells nothing below 9.98336 mHz; "
            "missing: a longer trace, or a higher band",
        ),
        (
            NOISE,
            (0.1, 0.102),
            "the trace tells the noise at 0 frequencies of the band alone; missing: at least 4: a "
            "longer trace, or a wider band",
        ),
        (
            np.full(601, 1.0),
            (0.1, 0.5),
            "the column is the same in all readings: its noise is below its resolution; missing: a "
            "finer range, or a finer resolution",
        ),
    ):
        assert refusal_of(noise_density, TIME, column, band) == words


def test_uneven_readings_carry_no_noise() -> None:
    uneven = TIME.copy()
    uneven[200:] += 0.3
    words = (
        "the readings are not evenly spaced: row 201 is 200 ms off its place at one every "
        "500.5 ms; missing: readings on an even grid: `every …:`, at a pace that the aperture "
        "allows"
    )
    assert refusal_of(noise_density, uneven, NOISE, (0.1, 0.5)) == words
    assert refusal_of(allan_deviation, uneven, NOISE, 1.0) == words
    late = TIME.copy()
    late[200] += 0.05
    assert math.isfinite(allan_deviation(late, NOISE, 1.0).value)


def test_the_allan_deviation_s_method_and_what_it_refuses() -> None:
    assert allan_deviation(TIME, NOISE, 5.0).method == (
        "overlapping averages of 10 readings, 5 s, 582 differences"
    )
    assert refusal_of(allan_deviation, TIME, NOISE, 0.1) == (
        "the averaging time of 100 ms is shorter than the 500 ms from reading to reading; missing: "
        "readings closer by, or a longer averaging time"
    )
    assert refusal_of(allan_deviation, TIME, NOISE, 150.0) == (
        "the averaging time of 2 min 30 s is more than a third of the trace, which is 5 min long; "
        "missing: a trace of 3 times the averaging time, better of ten times"
    )
