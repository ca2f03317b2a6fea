"""Spread, value at a time, integral, crossing, line and offsets: against the standard library's
statistics, numpy and closed forms."""

from __future__ import annotations

import math
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from scipy.stats import linregress

from sequencer.analysis.calculations import CALCULATIONS, NotWorkedOut, Several, Table
from tests.sequencer.analysis.made_traces import Floats, table

charge = CALCULATIONS["charge"]
crossing_time = CALCULATIONS["crossing_time"]
energy = CALCULATIONS["energy"]
integral = CALCULATIONS["integral"]
line_fit = CALCULATIONS["line_fit"]
mean = CALCULATIONS["mean"]
spread = CALCULATIONS["spread"]
value_at = CALCULATIONS["value_at"]
without_drift = CALCULATIONS["without_drift"]
without_offset = CALCULATIONS["without_offset"]

# To six decimals: squares of what is much smaller than that leave the range of a float.
VALUES = arrays.arrays(np.float64, st.integers(2, 40), elements=st.floats(-1e6, 1e6)).map(
    lambda values: np.round(values, 6)
)


def of(values: Floats, step_s: float = 1.0, start_s: float = 100.0) -> Table:
    time = start_s + np.arange(len(values)) * step_s
    return Table("leak", table("leak", time, np.zeros(len(values)), values).columns)


def refusal_of(function: object, *arguments: object) -> str:
    assert callable(function)
    with pytest.raises(NotWorkedOut) as refused:
        function(*arguments)
    return str(refused.value)


@given(VALUES)
def test_spread_against_the_standard_library(values: Floats) -> None:
    """`statistics.stdev` works in exact fractions; numpy loses digits where the mean is large."""
    scale = float(np.max(np.abs(values))) or 1.0
    judge = statistics.stdev(values.tolist())
    assert spread(of(values), "current").value == pytest.approx(judge, abs=1e-13 * scale, rel=1e-9)


def test_spread_of_a_part_and_of_one_reading() -> None:
    made = of(np.array([1.0, 2.0, 4.0, 9.0]))
    assert spread(made, "current", (1.0, 2.0)).value == pytest.approx(math.sqrt(2.0), rel=1e-15)
    assert spread(made, "current", (1.0, 2.0)).method == "standard deviation of 2 readings"
    assert refusal_of(spread, made, "current", (1.0, 1.0)) == (
        "there is 1 reading, and a spread takes two; missing: a longer part, or readings closer by"
    )


@given(VALUES, st.floats(0, 1))
def test_a_value_between_readings_against_numpy(values: Floats, share: float) -> None:
    """`numpy.interp` over the whole column is the judge."""
    made = of(values, 0.5)
    since = made.columns["time"] - made.columns["time"][0]
    moment = share * float(since[-1])
    judge = float(np.interp(moment, since, values))
    scale = float(np.max(np.abs(values))) or 1.0
    assert value_at(made, "current", moment).value == pytest.approx(judge, abs=1e-12 * scale)


def test_a_value_at_a_reading_looks_at_no_other() -> None:
    made = of(np.array([np.nan, 2.0, np.inf, 4.0, 6.0]))
    assert value_at(made, "current", 1.0).value == 2.0
    assert value_at(made, "current", 3.5).value == 5.0
    assert value_at(made, "current", 4.0).method == "at 4 s after the first row"
    assert "over range in row 3" in refusal_of(value_at, made, "current", 1.5)
    assert "empty in row 1" in refusal_of(value_at, made, "current", 0.0)


@pytest.mark.parametrize("moment", [-0.1, 4.1])
def test_a_time_outside_the_trace_has_no_value(moment: float) -> None:
    assert refusal_of(value_at, of(np.zeros(5)), "current", moment) == (
        f"{'-100 ms' if moment < 0 else '4.1 s'} lies outside the trace, which is 4 s long; "
        "missing: a time within it, counted from its first row"
    )


def test_the_integral_of_a_straight_line_is_exact() -> None:
    """∫ (3 + 2 t) dt from 0 to 4 is 28; from 1 to 3 it is 14."""
    made = of(3 + 2 * np.arange(5.0))
    assert integral(made, "current").value == pytest.approx(28.0, rel=1e-15)
    assert integral(made, "current", (1.0, 3.0)).value == pytest.approx(14.0, rel=1e-15)
    assert integral(made, "current").method == "trapezoids over 5 readings, 4 s"


def test_the_integral_of_a_decay_meets_its_closed_form() -> None:
    """∫ e^(−t/τ) dt = τ (1 − e^(−T/τ)), τ = 2 s, T = 10 s; trapezoids are off by h²/(12 τ²) of it,
    the leading term of the Euler-Maclaurin series: 2e-8 at 1 ms."""
    time = np.arange(10_001) * 1e-3
    made = table("decay", time, np.zeros(len(time)), np.exp(-time / 2.0))
    expected = 2.0 * (1 - math.exp(-5.0))
    found = integral(made, "current").value
    assert found == pytest.approx(expected * (1 + 1e-6 / 48), rel=1e-11)


def test_one_reading_has_no_integral() -> None:
    assert refusal_of(integral, of(np.zeros(1)), "current") == (
        "there is 1 reading, and an integral takes two; missing: a longer part, or readings closer "
        "by"
    )


def test_a_crossing_lies_on_the_line_between_two_readings() -> None:
    made = of(np.array([5.0, 4.0, 2.0, 3.0, 1.0]))
    assert crossing_time(made, "current", 2.5).value == pytest.approx(1.75, rel=1e-13)
    assert crossing_time(made, "current", 4.0).value == 1.0
    assert crossing_time(made, "current", 5.0).value == 0.0
    assert crossing_time(made, "current", 2.5, (2.0, 4.0)).value == pytest.approx(2.5, rel=1e-13)


@given(st.floats(0.05, 0.95), st.floats(0.1, 100.0))
def test_the_crossing_of_a_decay_against_its_closed_form(level: float, tau_s: float) -> None:
    """t = −τ ln L. On steps of τ/1000 the chord lies above the curve by at most h²/(8 τ²) of it."""
    time = np.arange(4001) * tau_s / 1000
    made = table("decay", time, np.zeros(len(time)), np.exp(-time / tau_s))
    expected = -tau_s * math.log(level)
    found = crossing_time(made, "current", level).value
    assert found == pytest.approx(expected, abs=tau_s * 1e-6 / 8 * 1.01)


def test_what_never_crosses_says_from_which_side() -> None:
    made = of(np.array([5.0, 4.0, 3.0]))
    assert refusal_of(crossing_time, made, "current", 2.5) == (
        "the column stays above the level in all 3 readings; missing: readings from both sides of "
        "the level"
    )
    assert "stays below" in refusal_of(crossing_time, made, "current", 9.0)


@given(VALUES.filter(lambda v: len(v) > 2), st.integers(0, 2**32 - 1))
def test_a_line_against_the_standard_library(y: Floats, seed: int) -> None:
    """`statistics.linear_regression`, in exact fractions, and the residuals about its line."""
    x = np.random.default_rng(seed).permutation(len(y)) * 0.25
    made = Table("pair", {"time": np.arange(len(y)) * 1.0, "x": x, "y": y})
    found = line_fit(made, "y", "x")
    judge = statistics.linear_regression(x.tolist(), y.tolist())
    apart = [b - judge.intercept - judge.slope * a for a, b in zip(x, y, strict=True)]
    scale = float(np.max(np.abs(y))) or 1.0
    assert found.values["slope"] == pytest.approx(judge.slope, abs=1e-11 * scale)
    assert found.values["intercept"] == pytest.approx(judge.intercept, abs=1e-11 * scale)
    deviation = math.sqrt(math.fsum(a * a for a in apart) / (len(y) - 2))
    assert found.values["spread"] == pytest.approx(deviation, abs=1e-10 * scale)


def test_the_uncertainties_of_a_line_against_scipy() -> None:
    """`scipy.stats.linregress` is the judge; x far from 0 makes the intercept's the larger one."""
    chance = np.random.default_rng(7)
    x = 40.0 + np.arange(50.0)
    y = 3.0 - 0.2 * x + chance.normal(0.0, 0.5, 50)
    found = line_fit(Table("pair", {"time": np.arange(50.0), "x": x, "y": y}), "y", "x")
    judge = linregress(x, y)
    assert isinstance(found, Several)
    assert found.values["slope_uncertainty"] == pytest.approx(judge.stderr, rel=1e-10)
    assert found.values["intercept_uncertainty"] == pytest.approx(judge.intercept_stderr, rel=1e-10)


def test_a_line_between_two_values_of_x_takes_only_what_lies_there() -> None:
    made = Table(
        "pair",
        {
            "time": np.arange(7.0),
            "x": np.array([0.0, 1.0, 2.0, 3.0, 4.0, np.nan, 9.0]),
            "y": np.array([50.0, 3.0, 5.0, 7.0, 9.0, 1.0, np.inf]),
        },
    )
    for between in ((1.0, 4.0), (4.0, 1.0)):
        found = line_fit(made, "y", "x", between)
        assert isinstance(found, Several)
        expected = {
            "slope": 2, "intercept": 1, "spread": 0, "slope_uncertainty": 0,
            "intercept_uncertainty": 0,
        }  # fmt: skip
        assert found.values == pytest.approx(expected, abs=1e-14)
        assert found.method == "least-squares line through 4 readings"
    assert "over range in row 7" in refusal_of(line_fit, made, "y", "x", (1.0, 9.0))
    assert "the x is empty in row 6" in refusal_of(line_fit, made, "y", "x")
    assert refusal_of(line_fit, made, "y", "x", (1.0, 2.0)) == (
        "the line has 2 readings to go by; missing: at least 3 readings between the two ends"
    )
    assert refusal_of(line_fit, made, "y", "x", (20.0, 30.0)).startswith("the line has no reading")


def test_x_that_does_not_change_bears_no_line() -> None:
    made = Table("pair", {"time": np.arange(3.0), "x": np.ones(3), "y": np.arange(3.0)})
    assert refusal_of(line_fit, made, "y", "x") == (
        "x is the same in all readings; missing: readings at different x"
    )


def leaking(offset_a: Floats) -> Table:
    """1 nA into a part at 2 V for 100 s, with an offset of the meter in everything measured."""
    time = np.arange(101.0)
    current = np.full(101, 1e-9) + offset_a
    made = table("leak", time, np.full(101, 2.0), current)
    # As the runner counts: each reading holds for the time since the one before it, the mean of
    # both; exact for what is straight between them.
    counted = np.concatenate(([0.0], np.cumsum((current[1:] + current[:-1]) / 2)))
    made.columns |= {
        "smu.charge": counted, "smu.energy": 2.0 * counted, "smu.power": 2.0 * current,
    }  # fmt: skip
    return Table("leak", made.columns)


def test_without_an_offset_charge_energy_and_power_are_those_of_the_part() -> None:
    """1 nA × 100 s = 100 nC, and 200 nJ at 2 V."""
    made = leaking(np.full(101, 5e-12))
    clean = without_offset(made, "current", 5e-12)
    assert mean(clean, "current").value == pytest.approx(1e-9, rel=1e-12)
    assert mean(clean, "power").value == pytest.approx(2e-9, rel=1e-12)
    assert charge(clean).value == pytest.approx(100e-9, rel=1e-12)
    assert energy(clean).value == pytest.approx(200e-9, rel=1e-12)
    assert integral(clean, "current").value == pytest.approx(charge(clean).value, rel=1e-12)
    assert clean.method == "current less an offset"
    assert charge(made).value == pytest.approx(100.5e-9, rel=1e-12), "the trace itself stays"


def test_without_a_drift_as_well() -> None:
    """An offset from −3 pA to 7 pA, straight over the trace."""
    clean = without_drift(leaking(np.linspace(-3e-12, 7e-12, 101)), "smu.current", -3e-12, 7e-12)
    assert spread(clean, "current").value == pytest.approx(0.0, abs=1e-24)
    assert charge(clean).value == pytest.approx(100e-9, rel=1e-12)
    assert energy(clean).value == pytest.approx(200e-9, rel=1e-12)


def test_an_offset_of_the_voltage_changes_the_energy_and_no_charge() -> None:
    """1 nA through 0.5 V of offset for 100 s is 50 nJ."""
    made = leaking(np.zeros(101))
    clean = without_offset(made, "voltage", 0.5)
    assert charge(clean).value == charge(made).value
    assert energy(clean).value == pytest.approx(150e-9, rel=1e-12)


def test_a_further_column_has_no_counters_to_correct() -> None:
    made = leaking(np.zeros(101))
    made.columns["drive"] = np.arange(101.0)  # type: ignore[index]
    clean = without_offset(made, "drive", 1.0)
    assert value_at(clean, "drive", 10.0).value == 9.0
    assert charge(clean).value == charge(made).value


def test_a_drift_takes_two_rows() -> None:
    assert refusal_of(without_drift, of(np.zeros(1)), "current", 0.0, 1.0) == (
        "there is 1 reading; missing: at least 2 readings"
    )
