"""Capacitance and internal resistance: exact where a closed form is, refused in words elsewhere."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.analysis.calculations import CALCULATIONS, NotWorkedOut
from tests.sequencer.analysis.made_traces import Floats, Table, ideal_discharge, table

capacitance = CALCULATIONS["capacitance"]
internal_resistance = CALCULATIONS["internal_resistance"]

U1_V, U2_V = 2.16, 1.08
BETWEEN = (U1_V, U2_V)


def discharge(**changed: Floats) -> Table:
    """10 F at 1 A from 2.7 V, ten rows a second: below 1.08 V after 16.2 s."""
    made = ideal_discharge(10.0, 1.0, 2.7, 0.1, 200)
    made.columns |= {f"smu.{name}": column for name, column in changed.items()}
    return made


def with_row(column: Floats, row: int, value: float) -> Floats:
    column = column.copy()
    column[row] = value
    return column


@given(
    st.floats(1e-6, 1e3),
    st.floats(1e-6, 10.0),
    st.floats(0.2, 0.9),
    st.floats(0.05, 0.9),
    st.integers(8, 300),
    st.booleans(),
)
def test_an_ideal_capacitor_gives_its_capacitance_for_any_current_span_and_grid(
    C: float, current_A: float, high: float, share: float, rows: int, charges: bool
) -> None:
    """Closed form v = U0 ∓ I t/C; linear interpolation is exact on it."""
    start_V = 2.5
    duration_s = C * start_V / current_A
    made = ideal_discharge(C, current_A, start_V, duration_s / (rows - 1), rows)
    between = (start_V * high, start_V * high * share)
    if charges:
        made.columns["smu.voltage"] = start_V - made.columns["smu.voltage"]
        made.columns["smu.current"] = -made.columns["smu.current"]
        between = (between[1], between[0])
    inside = np.sum(
        (made.columns["smu.voltage"] > min(between)) & (made.columns["smu.voltage"] < max(between))
    )
    if inside < 2:
        with pytest.raises(NotWorkedOut, match="readings closer by"):
            capacitance(made, between)
    else:
        assert capacitance(made, between).value == pytest.approx(C, rel=1e-9)


@given(st.floats(0.01, 100.0), st.floats(0.01, 100.0), st.floats(0.01, 100.0))
def test_capacitance_scales_with_current_and_time_and_against_voltage(
    amperes: float, seconds: float, volts: float
) -> None:
    """C = I t/U: dimensional analysis, on a curved discharge rather than an ideal one."""
    time = np.linspace(0, 20, 150)
    voltage = 2.7 * np.exp(-time / 15)
    base = table("base", time, voltage, np.full(150, -1.0))
    scaled = table("scaled", time * seconds, voltage * volts, np.full(150, -amperes))
    expected = capacitance(base, (2.0, 1.0)).value * amperes * seconds / volts
    found = capacitance(scaled, (2.0 * volts, 1.0 * volts)).value
    assert found == pytest.approx(expected, rel=1e-12)


def test_the_method_is_named_with_the_number() -> None:
    answer = capacitance(discharge(), BETWEEN)
    assert answer.method == (
        "constant-current line from 2.16 V to 1.08 V (IEC 62391-1), 10.8 s at -1 A"
    )


def test_noise_larger_than_the_step_from_row_to_row_shortens_the_way_by_a_few_sigma() -> None:
    """A standard deviation of ten rows' worth of voltage; see the docstring of `passage`."""
    sigma_V, rows = 1e-3, 20_000
    for seed in range(20):
        made = ideal_discharge(10.0, 1.0, 2.7, 1e-3, rows)
        noise = np.random.default_rng(seed).normal(0.0, sigma_V, rows)
        made.columns["smu.voltage"] = made.columns["smu.voltage"] + noise
        error = capacitance(made, BETWEEN).value / 10.0 - 1
        assert -8 * sigma_V / 1.08 < error < 0


def test_a_drifting_current_counts_with_its_mean_between_the_crossings() -> None:
    """C = Q/U with Q the integral of the current, worked out by hand for a linear drift."""
    made = discharge()
    time = made.columns["time"]
    made.columns["smu.current"] = -(1.0 + 0.001 * time)
    # 2.16 V is crossed at 5.4 s and 1.08 V at 16.2 s, where the drift's mean is 1.0108 A.
    assert capacitance(made, BETWEEN).value == pytest.approx(1.0108 * 10.8 / 1.08, rel=1e-12)


def test_a_trace_with_charge_and_discharge_is_told_apart_by_the_order_of_the_span() -> None:
    time = np.arange(400) * 0.1
    up = np.linspace(0.5, 2.7, 200)
    down = np.linspace(2.7, 0.9, 200)
    current = np.concatenate((np.full(200, 2.0), np.full(200, -1.0)))
    made = table("both", time, np.concatenate((up, down)), current)
    assert capacitance(made, (1.08, 2.16)).value == pytest.approx(2.0 * 19.9 / 2.2, rel=1e-9)
    assert capacitance(made, (2.16, 1.08)).value == pytest.approx(1.0 * 19.9 / 1.8, rel=1e-9)


def test_a_voltage_that_just_reaches_the_second_value_has_passed() -> None:
    """100 F at 1 A from 2.5 V, a row every 12.5 s: exactly 1 V in the last of thirteen rows."""
    made = ideal_discharge(100.0, 1.0, 2.5, 12.5, 13)
    assert capacitance(made, (2.0, 1.0)).value == pytest.approx(100.0, rel=1e-12)


def rested(
    resistance_ohm: float = 0.02, apart_s: float = 0.1, rest_A: float = 0.0, rows: int = 200
) -> Table:
    """A reading at rest, then 10 F at 1 A; the current starts halfway to the first row under it."""
    made = ideal_discharge(10.0, 1.0, 2.7 - 1.0 * apart_s / 2 / 10.0, 0.1, rows, resistance_ohm)
    rest = {"time": -apart_s, "smu.voltage": 2.7, "smu.current": rest_A, "smu.limited": 0.0}
    made.columns = {
        name: np.concatenate(([rest[name]], column)) for name, column in made.columns.items()
    }
    return made


@given(st.floats(1e-3, 0.1), st.floats(0.001, 0.015))
def test_a_series_resistance_comes_out_whole(resistance_ohm: float, apart_s: float) -> None:
    """Closed form: the line of v = U0 − I (R + t/C) meets the start at U0 − I R."""
    found = internal_resistance(rested(resistance_ohm, apart_s), BETWEEN)
    assert found.value == pytest.approx(resistance_ohm, rel=1e-9)


def test_the_reading_at_rest_may_stand_before_the_trace() -> None:
    made = rested()
    bare = Table("discharging", {name: column[1:] for name, column in made.columns.items()})
    whole = internal_resistance(made, BETWEEN)
    assert internal_resistance(bare, BETWEEN, before=(-0.1, 2.7, 0.0)) == whole
    assert whole.method == (
        "least-squares line from 2.16 V to 1.08 V (108 readings) extrapolated to the start of -1 A "
        "(IEC 62391-1, start from 2.7 V, known to ±50 ms; slow "
        "branches count in it)"
    )


def test_the_current_must_be_constant_from_its_start_on_not_on_the_straight_part_alone() -> None:
    made = rested()
    made.columns["smu.current"][1:20] = -0.8
    assert capacitance(made, BETWEEN).value == pytest.approx(10.0, rel=1e-9)
    with pytest.raises(NotWorkedOut) as refusal:
        internal_resistance(made, BETWEEN)
    assert str(refusal.value) == (
        "the current is not constant: -800 mA 100 ms after the first row, -976.398 mA on average; "
        "missing: a current within 5 % of its mean throughout"
    )


def test_a_charge_gives_the_same_resistance() -> None:
    made = rested()
    made.columns["smu.voltage"] = 3.0 - made.columns["smu.voltage"]
    made.columns["smu.current"] = -made.columns["smu.current"]
    assert internal_resistance(made, (0.84, 1.92)).value == pytest.approx(0.02, rel=1e-9)


REFUSED = {
    "no reading": (
        table("t", np.empty(0), np.empty(0), np.empty(0)),
        BETWEEN,
        "there is no reading; missing: at least 2 readings",
    ),
    "one reading": (
        table("t", np.array([0.0]), np.array([2.0]), np.array([-1.0])),
        BETWEEN,
        "there is 1 reading; missing: at least 2 readings",
    ),
    "constant": (
        table("t", np.arange(5.0), np.full(5, 2.0), np.full(5, -1.0)),
        BETWEEN,
        "the voltage never reaches 2.16 V: its highest is 2 V; missing: readings up to 2.16 V",
    ),
    "ends too early": (
        ideal_discharge(10.0, 1.0, 2.7, 0.1, 100),
        BETWEEN,
        "the voltage never falls to 1.08 V: its lowest is 1.71 V; missing: readings down to 1.08 V",
    ),
    "not a number": (
        discharge(voltage=with_row(discharge().columns["smu.voltage"], 7, np.nan)),
        BETWEEN,
        "the voltage is empty in row 8, 700 ms after the first; missing: a value within its range "
        "in every row",
    ),
    "over range": (
        discharge(voltage=with_row(discharge().columns["smu.voltage"], 7, np.inf)),
        BETWEEN,
        "the voltage is over range in row 8, 700 ms after the first; missing: a value within its "
        "range in every row",
    ),
    "current over range": (
        discharge(current=with_row(discharge().columns["smu.current"], 100, -np.inf)),
        BETWEEN,
        "the current is over range in row 101, 10 s after the first; missing: a value within its "
        "range in every row",
    ),
    "unsorted": (
        table("t", np.array([0.0, 2.0, 1.0]), np.array([2.7, 2.0, 1.0]), np.full(3, -1.0)),
        BETWEEN,
        "the time does not rise from row 2 to row 3; missing: readings in the order in which they "
        "were taken",
    ),
    "twice at one time": (
        table("t", np.array([0.0, 1.0, 1.0]), np.array([2.7, 2.0, 1.0]), np.full(3, -1.0)),
        BETWEEN,
        "the time does not rise from row 2 to row 3; missing: readings in the order in which they "
        "were taken",
    ),
    "no time": (
        table("t", np.array([0.0, np.nan, 1.0]), np.array([2.7, 2.0, 1.0]), np.full(3, -1.0)),
        BETWEEN,
        "a row has no time; missing: a time in every row",
    ),
    "too few between": (
        ideal_discharge(10.0, 1.0, 2.7, 9.0, 3),
        BETWEEN,
        "there is 1 reading between 2.16 V and 1.08 V; missing: at least 2 there: readings closer "
        "by, or a smaller current",
    ),
    "the limit lets go": (
        discharge(limited=with_row(np.ones(200), 120, 0.0)),
        BETWEEN,
        "the limit lost control 12 s after the first row, within the stretch that must be at "
        "constant current; missing: a constant current over the whole of it",
    ),
    "the limit takes over": (
        discharge(limited=with_row(np.zeros(200), 120, 1.0)),
        BETWEEN,
        "the limit took control 12 s after the first row, within the stretch that must be at "
        "constant current; missing: a constant current over the whole of it",
    ),
    "current tapers": (
        discharge(current=-np.minimum(1.0, np.linspace(2.5, 0.5, 200))),
        BETWEEN,
        "the current is not constant: -932.161 mA 15.6 s after the first row, "
        "-990.726 mA on average; missing: a current within 5 % of its mean throughout",
    ),
    "no current": (
        discharge(current=np.zeros(200)),
        BETWEEN,
        "the current is not constant: 0 A 5.4 s after the first row, 0 A on average; missing: a "
        "current within 5 % of its mean throughout",
    ),
    "wrong sign": (
        discharge(current=np.full(200, 1.0)),
        BETWEEN,
        "the voltage falls while current flows into the part (wrong sign); missing: voltage and "
        "current of the same part, both positive into it",
    ),
    "the other way": (
        discharge(),
        (U2_V, U1_V),
        "the voltage falls from 2.16 V to 1.08 V and does not go back; missing: the two voltages "
        "in the order in which they are passed: 2.16 V to 1.08 V",
    ),
    "twice": (
        table(
            "t",
            np.arange(8.0),
            np.array([2.7, 2.0, 1.5, 1.0, 2.7, 2.0, 1.5, 1.0]),
            np.full(8, -1.0),
        ),
        BETWEEN,
        "the voltage goes 2 times from 2.16 V to 1.08 V; missing: a trace that holds one such way",
    ),
    "no span": (
        discharge(),
        (2.0, 2.0),
        "the span has no two ends that differ; missing: two voltages, as in 2.1 V to 1.1 V",
    ),
    "half a span": (
        discharge(),
        (-np.inf, 2.0),
        "the span has no two ends that differ; missing: two voltages, as in 2.1 V to 1.1 V",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_hostile_data_are_refused_in_words(case: str) -> None:
    made, between, message = REFUSED[case]
    with pytest.raises(NotWorkedOut) as capacitance_refusal:
        capacitance(made, between)
    assert str(capacitance_refusal.value) == message
    with pytest.raises(NotWorkedOut) as resistance_refusal:
        internal_resistance(made, between, before=(-0.1, 2.7, 0.0))
    assert str(resistance_refusal.value) == message.replace("at least 2 there", "at least 3 there")


STARTS_REFUSED = {
    "no reading at rest": (
        ideal_discharge(10.0, 1.0, 2.7, 0.1, 200),
        None,
        "the trace begins under current: the voltage that it started from is not in it; missing: a "
        "reading right before the current starts, into the same trace",
    ),
    "not at rest": (
        rested(rest_A=0.04),
        None,
        "the part was not at rest: 40 mA flowed at the last reading before the -1 A; missing: at "
        "most 1 % of it: hold longer, or look with the output open",
    ),
    "over range at rest": (
        ideal_discharge(10.0, 1.0, 2.7, 0.1, 200),
        (-0.1, np.inf, 0.0),
        "the reading before the current starts is over range or empty; missing: a voltage within "
        "its range right before the current starts",
    ),
    "wrong side": (
        rested(resistance_ohm=-0.02),
        None,
        "the line meets the start at 2.72 V, not beyond the 2.7 V before it (wrong sign); missing: "
        "a drop of voltage that stands out: a larger current or a finer voltage range",
    ),
    "start too long ago": (
        ideal_discharge(10.0, 1.0, 2.7, 0.1, 200, 0.02),
        (-10.0, 2.7, 0.0),
        "the start is known to ±5 s only, in which the voltage moves by 500 mV, more than the "
        "drop at the start; missing: a reading right before the current starts and one right after "
        "it",
    ),
}


@pytest.mark.parametrize("case", STARTS_REFUSED)
def test_a_start_that_cannot_be_known_is_refused_in_words(case: str) -> None:
    made, before, message = STARTS_REFUSED[case]
    with pytest.raises(NotWorkedOut) as refusal:
        internal_resistance(made, BETWEEN, before=before)
    assert str(refusal.value) == message


def test_columns_of_different_length_are_the_callers_mistake() -> None:
    made = discharge(voltage=np.ones(3))
    with pytest.raises(ValueError, match="different lengths"):
        capacitance(made, BETWEEN)
