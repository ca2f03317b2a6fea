"""Diodes and suppressors: laws, methods in words, what each calculation refuses."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.analysis import (
    breakdown_voltage,
    clamping_voltage,
    diode_fit,
    dynamic_resistance,
    pulse_energy,
    standoff_leakage,
)
from sequencer.analysis.calculations import CALCULATIONS, NotWorkedOut
from tests.sequencer.analysis.made_traces import Floats, Table

ROOM_V = 0.0256925791211


def forward(current: Floats, ideality: float = 1.7, resistance: float = 0.2) -> Floats:
    """V = n V_t ln(I/I_0 + 1) + R I with I_0 2 nA, at 25 °C."""
    return ideality * ROOM_V * np.log1p(current / 2e-9) + resistance * current


def fit(current: Floats, voltage: Floats, *more: Any) -> Any:
    return diode_fit(np.arange(float(len(current))), voltage, current, 298.15, *more)


def refusal(calculation: Any, *arguments: Any) -> str:
    with pytest.raises(NotWorkedOut) as refused:
        calculation(*arguments)
    return str(refused.value)


CURRENT = np.geomspace(1e-6, 0.2, 80)


@given(st.floats(0.8, 80.0), st.floats(0.0, 10.0), st.integers(5, 200))
def test_a_forward_curve_gives_its_own_figures(
    ideality: float, resistance: float, points: int
) -> None:
    current = np.geomspace(1e-6, 0.2, points)
    found = fit(current, forward(current, ideality, resistance)).values
    assert found["ideality"] == pytest.approx(ideality, rel=1e-8)
    assert found["saturation_current"] == pytest.approx(2e-9, rel=1e-6)
    assert found["series_resistance"] == pytest.approx(resistance, rel=1e-7, abs=1e-9)


def test_the_span_and_the_temperature_stand_with_the_figures() -> None:
    found = fit(CURRENT, forward(CURRENT), (0.1e-3, 0.1))
    assert found.method.startswith(
        "V = a ln(I/I0 + 1) + Rs I by least squares of the voltage through 45 readings from "
    )
    assert " at 25 °C, " in found.method


def test_a_shunt_in_parallel_is_left_out_by_the_span() -> None:
    """2 kΩ carries all of the current at the lower end; the span above it gives the diode."""
    across = np.linspace(0.2, 0.9, 100)
    alone = 2e-9 * np.expm1(across / (1.7 * ROOM_V))
    current = alone + across / 2000
    time = np.arange(100.0)
    voltage = across + 0.2 * current
    words = refusal(diode_fit, time, voltage, current, 298.15)
    assert "the readings leave the law of a diode and a resistance by" in words
    assert "above its shunt" in words
    found = diode_fit(time, voltage, current, 298.15, (0.05, 1.0)).values
    assert found["ideality"] == pytest.approx(1.7, rel=0.03)
    assert found["series_resistance"] == pytest.approx(0.2, rel=0.03)


def test_a_shunt_that_is_known_is_taken_off() -> None:
    """The dark curve of a module: 1 kΩ beside the junctions, behind 0.2 Ω."""
    across = np.linspace(0.2, 0.9, 100)
    current = 2e-9 * np.expm1(across / (1.7 * ROOM_V)) + across / 1000
    voltage = across + 0.2 * current
    found = diode_fit(np.arange(100.0), voltage, current, 298.15, (1e-3, 1.0), 1000.0)
    assert found.values["ideality"] == pytest.approx(1.7, rel=1e-7)
    assert found.values["series_resistance"] == pytest.approx(0.2, rel=1e-6)
    assert found.values["saturation_current"] == pytest.approx(2e-9, rel=1e-5)
    assert found.method.startswith("V = a ln(I/I0 + 1) + Rs I beside 1 kohm by least squares")
    assert "the shunt of 500 ohm takes all of it" in refusal(
        diode_fit, np.arange(100.0), voltage, current, 298.15, (1e-3, 1.0), 500.0
    )
    assert "the shunt is 0 ohm" in refusal(
        diode_fit, np.arange(100.0), voltage, current, 298.15, (1e-3, 1.0), 0.0
    )


def test_a_diode_that_warms_has_no_series_resistance_below_zero() -> None:
    voltage = forward(CURRENT, resistance=0.0) - 0.05 * CURRENT
    found = fit(CURRENT, voltage)
    assert set(found.refused) == {"series_resistance"}
    assert "it warms up" in str(found.refused["series_resistance"])
    assert found.values["ideality"] == pytest.approx(1.7, rel=1e-8)


def test_noise_alone_doesn_t_refuse_a_resistance_of_none() -> None:
    """Below zero as often as above it: a number, with its sign, but for three standard errors."""
    rng, clean = np.random.default_rng(5), forward(CURRENT, resistance=0.0)
    found = [fit(CURRENT, clean + rng.normal(0, 1e-4, 80)) for _ in range(100)]
    assert sum("series_resistance" in one.refused for one in found) < 3
    below = [one.values.get("series_resistance", 0.0) < 0 for one in found]
    assert 30 < sum(below) < 70
    warm = clean - 0.05 * CURRENT + rng.normal(0, 1e-4, 80)
    assert "series_resistance" in fit(CURRENT, warm).refused


def test_noise_widens_the_figures_and_biases_nothing() -> None:
    rng, clean = np.random.default_rng(4), forward(CURRENT)
    found = [fit(CURRENT, clean + rng.normal(0, 1e-4, 80)).values for _ in range(100)]
    for name, truth in (("ideality", 1.7), ("series_resistance", 0.2)):
        values = np.array([one[name] for one in found])
        assert abs(np.mean(values) - truth) < 3.5 * np.std(values) / 10
        assert np.std(values) < 0.01 * truth


REFUSED_FITS = {
    "three currents": (
        np.repeat([1e-3, 2e-3, 3e-3], 3),
        "the curve has 9 readings at 3 currents to go by; missing: at least 4, at currents that "
        "differ",
    ),
    "reverse": (
        np.array([-1e-9, 1e-3, 2e-3, 3e-3]),
        "in row 1 -1 nA flow, which is not forward; missing: a span of currents above the noise, "
        "or anode and cathode the right way round",
    ),
}


@pytest.mark.parametrize("name", REFUSED_FITS)
def test_curves_that_carry_no_diode(name: str) -> None:
    current, words = REFUSED_FITS[name]
    assert refusal(fit, current, np.full(len(current), 0.5)) == words


def test_a_voltage_that_does_not_rise_is_no_diode() -> None:
    assert "doesn't rise with the logarithm" in refusal(fit, CURRENT, 1 - forward(CURRENT))
    assert "doesn't rise with the logarithm" in refusal(fit, CURRENT, np.full(80, 0.6))


def leaking(last: Floats, standoff: float = 12.0) -> Any:
    rows = len(last)
    return (np.arange(float(rows)), np.full(rows, standoff), last, np.zeros(rows))


def test_leakage_is_the_mean_of_the_last_tenth_at_the_standoff_voltage() -> None:
    current = 20e-9 * (1 + 10 * np.exp(-np.arange(100.0) / 5))
    found = standoff_leakage(*leaking(current), 12.0)
    assert found.value == pytest.approx(20e-9, rel=1e-6)
    assert found.method == "mean of the last 10 readings at 12 V, 99 s after the first at it"
    negative = standoff_leakage(*leaking(-current, -12.0), -12.0)
    assert negative.value == pytest.approx(-20e-9, rel=1e-6)


def test_leakage_that_still_falls_is_refused() -> None:
    current = 20e-9 * (1 + 10 * np.exp(-np.arange(20.0) / 5))
    words = refusal(standoff_leakage, *leaking(current), 12.0)
    assert words.startswith("the current has not settled: it moved by -")
    assert words.endswith("over the last 6 readings; missing: a longer wait at that voltage")


def test_leakage_elsewhere_or_at_its_limit_is_refused() -> None:
    time, voltage, current, limited = leaking(np.full(30, 1e-8))
    assert refusal(standoff_leakage, time, voltage, current, limited, 13.0) == (
        "there are 0 readings within 1 % of 13 V; missing: at least 6 at that voltage"
    )
    limited[28] = 1
    assert "the limit was in control in row 29" in refusal(
        standoff_leakage, time, voltage, current, limited, 12.0
    )


PULSED = (
    np.arange(4.0), np.array([14.1, 14.2, 14.5, 15.1]), np.array([0.999, 2.01, 4.99, 9.95]),
    np.zeros(4),
)  # fmt: skip


def test_a_voltage_at_a_current_is_read_there_or_between_its_neighbours() -> None:
    at = clamping_voltage(*PULSED, 10.0)
    assert (at.value, at.method) == (15.1, "mean of 1 reading at 9.95 A")
    between = clamping_voltage(*PULSED, 7.0)
    assert between.value == pytest.approx(14.5 + 0.6 * (7 - 4.99) / (9.95 - 4.99), rel=1e-12)
    assert between.method == "on the line between 4.99 A and 9.95 A"
    time, voltage, current, limited = PULSED
    turned = breakdown_voltage(time, -voltage, -current, limited, -10.0)
    assert turned.value == -15.1


def test_nothing_is_drawn_on_beyond_the_largest_current_measured() -> None:
    assert refusal(clamping_voltage, *PULSED, 30.0) == (
        "no reading lies at or above 30 A: the highest current is 9.95 A; missing: a reading at "
        "that current: what lies beyond the largest measured is a guess"
    )
    assert "the lowest current is 999 mA" in refusal(breakdown_voltage, *PULSED, 1e-3)


@pytest.mark.parametrize("wanted", [10.0, 7.0])
def test_a_limit_in_control_at_that_current_is_refused(wanted: float) -> None:
    time, voltage, current, limited = PULSED
    held = limited.copy()
    held[3] = 1
    words = refusal(clamping_voltage, time, voltage, current, held, wanted)
    assert words.startswith("the limit was in control in row 4, 3 s after the first")
    assert clamping_voltage(time, voltage, current, held, 2.0).value == 14.2


def test_dynamic_resistance_names_its_heating() -> None:
    time, voltage, current, _ = PULSED
    found = dynamic_resistance(time, voltage, current, (2.0, 10.0))
    assert found.value == pytest.approx(np.polyfit(current[1:], voltage[1:], 1)[0], rel=1e-9)
    assert found.method == (
        "least-squares line through 3 readings from 2 A to 10 A; the heating of 28.5 W to 150 W is "
        "in it"
    )


def test_what_dynamic_resistance_refuses() -> None:
    time, voltage, current, _ = PULSED
    assert "there is 1 reading from 1 A to 1.5 A, and no two" in refusal(
        dynamic_resistance, time, voltage, current, (1.0, 1.5)
    )
    assert "doesn't rise with the current" in refusal(
        dynamic_resistance, time, -voltage, current, (1.0, 10.0)
    )
    scattered = np.array([14.0, 16.0, 13.0, 15.5])  # rises by 0.05 ohm, ±0.2 ohm
    assert "by more than it scatters" in refusal(
        dynamic_resistance, time, scattered, current, (1.0, 10.0)
    )


def test_dynamic_resistance_takes_columns_of_a_trace_with_two_channels() -> None:
    """As of a laser diode beside its photodiode."""
    current = np.linspace(0.04, 0.06, 11)
    columns = {
        "time": np.arange(11.0), "drive.voltage": 1.6 + 3.5 * current, "drive.current": current,
        "eye.voltage": np.zeros(11), "eye.current": -current / 20,
    }  # fmt: skip
    found = CALCULATIONS["dynamic_resistance"](
        Table("curve", columns), (0.04, 0.06), "drive.voltage", "drive.current"
    )
    assert found.value == pytest.approx(3.5, rel=1e-9)  # type: ignore[union-attr]


def test_pulse_energy_over_the_whole_and_over_a_part() -> None:
    """A ramp of current at a constant voltage: E = V I_end t/2, trapezoids are exact on it."""
    time = 5.0 + np.linspace(0, 1e-3, 101)
    voltage, current = np.full(101, 12.0), np.linspace(0, 10.0, 101)
    found = pulse_energy(time, voltage, current)
    assert found.value == pytest.approx(0.06, rel=1e-12)
    assert found.method == "trapezoids over 101 readings, 1 ms; at most 120 W"
    half = pulse_energy(time, voltage, current, (0.0, 0.5e-3))
    assert half.value == pytest.approx(0.015, rel=1e-9)
