"""Solar calculations: laws of the curve, what each refuses and in which words, the traps.

The curves come of the model that the fit knows; `tests/reference` has others' curves and figures.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.analysis import (
    direction_difference,
    pulse_flatness,
    shunt_resistance,
    single_diode_fit,
    solar_curve,
    solar_efficiency,
    solar_resistances,
    translated_by_procedure_1,
)
from sequencer.analysis.calculations import CALCULATIONS, NotWorkedOut
from sequencer.analysis.calculations.single_diode import SingleDiode
from tests.sequencer.analysis.made_traces import Floats, Table

PANEL = SingleDiode(0.6, 2e-9, 0.9, 1 / 900, 0.95)
OPEN_V = 18.5
Curve = tuple[Floats, Floats, Floats]


def swept(
    model: SingleDiode = PANEL, points: int = 101, low: float = -0.1, high: float = 19.0
) -> Curve:
    voltage = np.linspace(low, high, points)
    return np.arange(float(points)), voltage, -model.current(voltage)


def noisy(sigma_A: float, seed: int = 1, points: int = 101) -> Curve:
    time, voltage, current = swept(points=points)
    return time, voltage, current + np.random.default_rng(seed).normal(0, sigma_A, points)


@given(st.integers(-10, 10), st.integers(-7, 7), st.integers(60, 300))
def test_figures_scale_with_current_and_voltage(
    current_2: int, voltage_2: int, points: int
) -> None:
    """Dimensional analysis: nothing in the regressions has a unit of its own.

    By powers of two, which round nothing: a reading on the edge of a span stays on its side.
    """
    amperes, volts = 2.0**current_2, 2.0**voltage_2
    time, voltage, current = swept(points=points)
    base = solar_curve(time, voltage, current).values
    found = solar_curve(time, volts * voltage, amperes * current).values
    for name, value in base.items():
        factor = {"current": amperes, "voltage": volts, "power": amperes * volts, "factor": 1.0}
        assert found[name] == pytest.approx(value * factor[name.split("_")[-1]], rel=1e-9)


def test_figures_do_not_depend_on_the_order_of_the_readings() -> None:
    time, voltage, current = swept()
    mixed = np.random.default_rng(3).permutation(len(time))
    expected = solar_curve(time, voltage, current)
    assert solar_curve(time, voltage[mixed], current[mixed]).values == pytest.approx(
        expected.values, rel=1e-9
    )


def test_the_method_stands_with_the_figures() -> None:
    assert solar_curve(*swept()).method == (
        "regressions after ASTM E1036: line through 20 readings about 0 V, cubic through 5 about "
        "open circuit, quintic of the power through 19 from 90 % of its maximum up"
    )


def test_noise_moves_the_figures_as_far_as_it_may_and_biases_nothing() -> None:
    """0.02 % of the short-circuit current a reading, 200 times; the mean is the noise-free one."""
    exact = solar_curve(*swept()).values
    found = [solar_curve(*noisy(1.2e-4, seed)).values for seed in range(200)]
    for name in ("short_circuit_current", "open_circuit_voltage", "maximum_power"):
        ratio = np.array([one[name] / exact[name] - 1 for one in found])
        assert np.std(ratio) < 2e-4
        assert abs(np.mean(ratio)) < 3 * np.std(ratio) / np.sqrt(200)


def test_a_curve_that_begins_above_0_volts_is_drawn_on_to_it() -> None:
    """As one that was moved from a warm module to 25 °C; a tenth of it at most."""
    exact = solar_curve(*swept()).values["short_circuit_current"]
    found = solar_curve(*swept(low=1.2))
    assert found.values["short_circuit_current"] == pytest.approx(exact, rel=1e-5)
    assert "line through 15 readings about 0 V drawn on from 1.2 V, cubic" in found.method


def refusal(calculation: Any, *arguments: Any) -> str:
    with pytest.raises(NotWorkedOut) as refused:
        calculation(*arguments)
    return str(refused.value)


def stepped() -> Curve:
    """Half of the module in half of the light behind a bypass diode: a step in the curve."""
    time, voltage, _ = swept()
    current = np.minimum(PANEL.current(voltage), 0.3) + np.where(voltage < 8.0, 0.3, 0.0)
    return time, voltage, -current


REFUSED = {
    "starts at 2 V": (
        swept(low=2.0),
        "the voltage doesn't go from short circuit to open circuit: its lowest is 2 V; missing: a "
        "sweep from a little below 0 V to a little beyond open circuit",
    ),
    "only reverse": (
        swept(low=-2.0, high=-0.1),
        "the voltage doesn't go from short circuit to open circuit: its highest is -100 mV; "
        "missing: a sweep from a little below 0 V to a little beyond open circuit",
    ),
    "ends before open circuit": (
        swept(high=16.0),
        "the voltage ends at 16 V, where the part still gives ",
    ),
    "covered": (
        swept(SingleDiode(0.0, 2e-9, 0.9, 1 / 900, 0.95)),
        "(wrong sign); missing: light on it, and its plus at high",
    ),
    "sparse": (
        swept(points=25),
        "there are 5 readings from 90 % of the largest power up; missing: at least 8 there: points "
        "closer by",
    ),
    "few": (swept(points=5), "there are 5 readings; missing: at least 8 readings"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_curves_that_cannot_carry_the_figures(name: str) -> None:
    curve, words = REFUSED[name]
    assert words in refusal(solar_curve, *curve)


def test_light_that_flickers_about_the_maximum_is_told_from_a_hump() -> None:
    time, voltage, current = swept()
    flicker = 1 + 0.02 * np.sin(2 * time)
    words = refusal(solar_curve, time, voltage, flicker * current)
    assert words.startswith("about maximum power the readings leave a smooth curve by ")
    assert "missing: a curve that is smooth there to 1 %" in words
    assert solar_curve(time, voltage, (1 + 0.1 * (flicker - 1)) * current).values


def test_the_largest_of_two_maxima_counts() -> None:
    time, voltage, current = stepped()
    found = solar_curve(time, voltage, current).values
    assert found["maximum_power"] == pytest.approx(np.max(-voltage * current), rel=2e-3)
    assert found["maximum_power_voltage"] > 14


def test_efficiency() -> None:
    power = solar_curve(*swept()).values["maximum_power"]
    found = solar_efficiency(*swept(), 0.081, 800.0)
    assert found.value == pytest.approx(power / 64.8, rel=1e-12)
    assert found.method == "maximum power over 64.8 W of light at 800 W/m^2"
    assert "no light falls on 0 m^2" in refusal(solar_efficiency, *swept(), 0.0, 800.0)
    assert "of 800 mW of light" in refusal(solar_efficiency, *swept(), 0.001, 800.0)


def test_a_slope_lost_in_noise_is_no_shunt() -> None:
    """The shunt alone is refused; the slope at open circuit stands."""
    found = solar_resistances(*noisy(5e-3))
    assert list(found.values) == ["series_resistance"]
    assert "can't be told from none beneath its scatter" in str(found.refused["shunt_resistance"])
    quiet = solar_resistances(*noisy(1e-6))
    assert quiet.values["shunt_resistance"] == pytest.approx(900, rel=0.01)


def test_a_dark_shunt_from_a_line_through_noise_is_refused() -> None:
    """10 GΩ within ±10 mV is 1 pA at the ends: beneath 10 pA of noise there is nothing to see."""
    voltage = np.linspace(-0.01, 0.01, 21)
    noise = np.random.default_rng(5).normal(0, 1e-11, 21)
    time = np.arange(21.0)
    words = refusal(shunt_resistance, time, voltage, voltage / 10e9 + noise)
    assert words.startswith(
        "about 0 V the slope of the current can't be told from none beneath its scatter: the shunt "
        "is more than "
    )
    found = shunt_resistance(time, voltage, voltage / 10e9 + 1e-3 * noise)
    assert found.value == pytest.approx(10e9, rel=0.01)
    assert found.method == "least-squares line through 21 readings from -10 mV to 10 mV"


def test_how_often_pure_noise_passes_for_a_shunt() -> None:
    """Three standard errors of 21 readings: in half a percent of draws, not in a third of them."""
    voltage, time = np.linspace(-0.01, 0.01, 21), np.arange(21.0)
    rng, passed = np.random.default_rng(6), 0
    for _ in range(1000):
        try:
            shunt_resistance(time, voltage, rng.normal(0, 1e-11, 21))
            passed += 1
        except NotWorkedOut:
            pass
    assert passed < 12


def test_what_a_shunt_refuses() -> None:
    time, voltage = np.arange(5.0), np.linspace(-0.01, 0.01, 5)
    assert "(wrong sign)" in refusal(shunt_resistance, time, voltage, -voltage / 1e6)
    assert "0 V doesn't lie between" in refusal(
        shunt_resistance, time, voltage, voltage, (0.005, 0.01)
    )
    assert "2 readings at 2 voltages" in refusal(
        shunt_resistance, time, voltage, voltage, (-0.001, 0.005)
    )
    assert "5 readings at 1 voltage to go by" in refusal(
        shunt_resistance, time, np.zeros(5), voltage
    )


def test_the_fit_without_a_shunt_refuses_that_alone() -> None:
    found = single_diode_fit(*swept(PANEL._replace(conductance=0.0)), 298.15, 36)
    assert set(found.refused) == {"shunt_resistance"}
    assert found.values["series_resistance"] == pytest.approx(0.9, rel=1e-6)
    assert found.values["photocurrent"] == pytest.approx(0.6, rel=1e-9)


def test_the_fit_of_a_cell_without_series_resistance() -> None:
    found = single_diode_fit(*swept(PANEL._replace(series=0.0)), 298.15, 36).values
    assert found["series_resistance"] == pytest.approx(0.0, abs=1e-9)
    assert found["shunt_resistance"] == pytest.approx(900, rel=1e-6)


def test_the_fit_under_noise_is_unbiased_within_its_spread() -> None:
    found = [single_diode_fit(*noisy(1e-4, seed), 298.15, 36).values for seed in range(30)]
    for name, truth in (("series_resistance", 0.9), ("photocurrent", 0.6)):
        values = np.array([one[name] for one in found])
        assert abs(np.mean(values) - truth) < 4 * np.std(values) / np.sqrt(30)
        assert np.std(values) < 0.03 * truth


def test_the_fit_finds_parts_of_all_kinds_from_one_start() -> None:
    """From dim light to a cold cell, with and without either resistance, random but drawn once."""
    draw = np.random.default_rng(8)
    for _ in range(60):
        steepness = float(np.exp(draw.uniform(np.log(4), np.log(60))))
        series = float(draw.choice([0.0, 10 ** draw.uniform(-3, -0.7)]))
        conductance = float(10 ** draw.uniform(-5, -0.5))
        saturation = float((1 - conductance) / np.expm1(steepness))
        model = SingleDiode(1.0, saturation, series, conductance, 1 / steepness)
        found = single_diode_fit(*swept(model, 101, -0.02, 1.03), 298.15).values
        slope_V = found["ideality"] * 0.0256925791211
        assert slope_V == pytest.approx(1 / steepness, rel=1e-7)
        assert found["series_resistance"] == pytest.approx(series, abs=1e-7)
        assert found["shunt_resistance"] == pytest.approx(1 / conductance, rel=1e-6)


def test_a_fit_that_does_not_come_to_rest_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sequencer.analysis.calculations.single_diode._EVALUATIONS", 3)
    assert refusal(single_diode_fit, *swept(), 298.15).startswith(
        "the fit doesn't come to rest within 3 steps"
    )


def test_what_the_fit_refuses() -> None:
    assert "the curve leaves a single diode's by" in refusal(single_diode_fit, *stepped(), 298.15)
    assert "the temperature is -273.15 °C" in refusal(single_diode_fit, *swept(), 0.0)
    assert "0 cells in series" in refusal(single_diode_fit, *swept(), 298.15, 0.0)


def test_a_translation_to_the_same_conditions_changes_nothing() -> None:
    time, voltage, current = swept()
    found = translated_by_procedure_1(
        time, voltage, current, 1000.0, 298.15, 1e-3, -0.07, 0.9, 2e-3
    )
    assert found.columns["voltage"] == pytest.approx(voltage, abs=1e-12)
    assert found.columns["current"] == pytest.approx(current, abs=1e-12)
    assert found.method == (
        "procedure 1 of IEC 60891:2009, 1000 W/m^2 and 25 °C to 1000 W/m^2 and 25 °C"
    )


def test_a_translated_trace_keeps_its_other_columns_and_has_its_power_anew() -> None:
    time, voltage, current = swept()
    columns = {
        "time": time, "smu.voltage": voltage, "smu.current": current,
        "smu.power": voltage * current, "back.temperature": 310.0 + time,
    }  # fmt: skip
    found = CALCULATIONS["translated_by_procedure_1"](
        Table("upward", columns), 800.0, 310.0, 3e-4, -0.075, 0.9, 2e-3
    )
    assert found.name == "upward"  # type: ignore[union-attr]
    moved = found.columns  # type: ignore[union-attr]
    assert moved["smu.power"] == pytest.approx(moved["smu.voltage"] * moved["smu.current"])
    assert moved["back.temperature"] == pytest.approx(310.0 + time)
    short = solar_curve(time, voltage, current).values["short_circuit_current"]
    # I_2 − I_1 = I_sc (1000/800 − 1) + α (25 °C − T), out of the part.
    shift = short * 0.25 + 3e-4 * (298.15 - 310.0)
    assert current - moved["smu.current"] == pytest.approx(np.full(101, shift), rel=1e-9)


@pytest.mark.parametrize("light", [0.0, -5.0])
def test_a_translation_without_light_is_refused(light: float) -> None:
    words = refusal(translated_by_procedure_1, *swept(), light, 298.15, 0.0, 0.0, 0.9, 0.0)
    assert "light, above 0 W/m^2" in words


def test_direction_difference() -> None:
    time, voltage, current = swept()
    down = (time, voltage[::-1], 0.99 * current[::-1])
    found = direction_difference(time, voltage, current, *down)
    assert found.value == pytest.approx(0.01 / 0.995, rel=1e-9)
    assert found.method.startswith("maximum power ")
    assert "the one up and the other down" in refusal(
        direction_difference, time, voltage, current, time, voltage, current
    )


def test_flatness_of_a_pulse() -> None:
    """A pulse that approaches its end: x = 1 − e^(−t/1 ms), means of it over two windows."""
    time = 100.0 + np.arange(501) * 1e-5
    column = -8.0 * (1 - np.exp(-(time - 100) / 1e-3))
    early, late = (2.5e-3, 3e-3), (4e-3, 4.5e-3)

    def mean_of(ends: tuple[float, float]) -> float:
        # The closed form's integral over the window; 51 samples of it have both ends in.
        start, end = ends
        return -8.0 * (1 - 1e-3 * (np.exp(-start / 1e-3) - np.exp(-end / 1e-3)) / (end - start))

    found = pulse_flatness(time, np.zeros(501), column, early, late)
    expected = (mean_of(late) - mean_of(early)) / mean_of(late)
    assert found.value == pytest.approx(expected, rel=1e-3)
    assert found.method == "means over 2.5 ms to 3 ms and 4 ms to 4.5 ms of the capture"


def test_a_pulse_that_its_limit_holds_flat_says_nothing() -> None:
    time, limited = np.arange(100.0), np.zeros(100)
    limited[85] = 1
    words = refusal(pulse_flatness, time, limited, np.ones(100), (10, 20), (80, 90))
    assert words.startswith("the limit was in control 85 s after the first row")
    limited[:] = 0
    limited[50] = 1  # between the windows
    assert pulse_flatness(time, limited, np.ones(100), (10, 20), (80, 90)).value == 0.0
    assert "before the early one ends" in refusal(
        pulse_flatness, time, limited, np.ones(100), (10, 20), (15, 30)
    )
    assert "the late window's mean is 0" in refusal(
        pulse_flatness, time, limited, np.zeros(100), (10, 20), (80, 90)
    )
