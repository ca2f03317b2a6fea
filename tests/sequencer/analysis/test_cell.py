"""Capacity, efficiencies, states and curves of a cell: closed forms and refusals in words."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.analysis import (
    capacity,
    coulombic_efficiency,
    energy_efficiency,
    incremental_capacity,
    open_circuit_curve,
    state_of_charge,
    state_of_charge_by_voltage,
    state_of_health,
)
from sequencer.analysis.calculations import CALCULATIONS, NotWorkedOut
from tests.sequencer.analysis.examples import discharge, rests

# 2 Ah taken out at 1 A, from 4.1 V down by 0.5 V an hour; the counter was at 500 C before.
TIME = np.arange(0.0, 7201.0, 60.0)
VOLTAGE = 4.1 - 0.5 * TIME / 3600
COUNTER = 500.0 - TIME


def refusal_of(function: Callable[..., object], *arguments: object) -> str:
    with pytest.raises(NotWorkedOut) as refusal:
        function(*arguments)
    return str(refusal.value)


def test_capacity_down_to_the_cut_off_on_the_line_between_two_rows() -> None:
    found = capacity(TIME, VOLTAGE, COUNTER, 3.333)
    assert found.value == pytest.approx((4.1 - 3.333) / 0.5 * 3600, rel=1e-12)
    assert found.method == "charge counter from 4.1 V down to 3.333 V, in 1 h 32 min 2 s"
    assert capacity(TIME, VOLTAGE, COUNTER).value == pytest.approx(7200.0, rel=1e-12)
    assert capacity(TIME, VOLTAGE, COUNTER, float(VOLTAGE[7])).value == pytest.approx(420.0)


def test_what_is_no_capacity_is_refused() -> None:
    assert refusal_of(capacity, TIME, VOLTAGE, COUNTER, 3.0) == (
        "the voltage never falls to 3 V: its lowest is 3.1 V; missing: readings down to 3 V"
    )
    assert refusal_of(capacity, TIME, VOLTAGE, COUNTER, 4.2) == (
        "the voltage begins at 4.1 V, at or below the cut-off; missing: a trace that begins above "
        "4.2 V"
    )
    assert refusal_of(capacity, TIME, VOLTAGE, -COUNTER) == (
        "the charge counter moves by 2 Ah in the discharge, so that nothing was given back (wrong "
        "sign); missing: a trace of a discharge, its current negative: positive is into the part"
    )


def test_efficiencies_are_what_the_counters_moved() -> None:
    charged = 1000.0 + 1.01 * TIME
    found = coulombic_efficiency(TIME, charged, 9000 + TIME, COUNTER)
    assert found.value == pytest.approx(1 / 1.01, rel=1e-12)
    assert found.method == "2 Ah given back of 2.02 Ah put in, by the charge counter"
    found = energy_efficiency(TIME, 4.0 * charged, 9000 + TIME, 3.6 * COUNTER)
    assert found.value == pytest.approx(3.6 / 4.04, rel=1e-12)
    assert found.method == "25.92 kJ given back of 29.088 kJ put in, by the energy counter"


def test_the_discharge_in_the_place_of_the_charge_is_refused() -> None:
    assert refusal_of(coulombic_efficiency, TIME, COUNTER, TIME, -COUNTER) == (
        "the charge puts in -2 Ah (wrong sign); missing: the trace of the charge first, then that "
        "of the discharge"
    )
    assert refusal_of(energy_efficiency, TIME, -COUNTER, TIME, -COUNTER).startswith(
        "the energy counter moves by 7.2 kJ in the discharge"
    )


def test_state_of_charge_is_counted_from_the_start() -> None:
    found = state_of_charge(TIME, COUNTER, 9000.0, 0.95)
    assert found.value == pytest.approx(0.95 - 7200 / 9000, rel=1e-12)
    assert found.method == "-2 Ah counted on 95 % of 2.5 Ah"
    assert refusal_of(state_of_charge, TIME, COUNTER, 7000.0, 0.5) == (
        "the state of charge would be -52.86 %: -2 Ah counted on 50 % of 1.94444 Ah; missing: the "
        "cell's own capacity, and the state in which the trace begins"
    )
    assert refusal_of(state_of_charge, TIME, COUNTER, 0.0, 0.5) == (
        "the capacity is 0 mAh; missing: the cell's capacity, above zero"
    )


def test_state_of_health_needs_the_first_record() -> None:
    found = state_of_health(TIME, VOLTAGE, COUNTER, 9000.0)
    assert found.value == pytest.approx(0.8, rel=1e-12)
    assert found.method.startswith("2 Ah over 2.5 Ah at first; charge counter from 4.1 V")
    assert refusal_of(state_of_health, TIME, VOLTAGE, COUNTER) == (
        "nothing is known of the cell's first test to hold it against; missing: its capacity then, "
        "as in first_capacity = 2.5 Ah"
    )
    assert refusal_of(state_of_health, TIME, VOLTAGE, COUNTER, -1.0).endswith("one above zero")


def test_the_open_circuit_curve_takes_the_last_row_of_each_rest() -> None:
    """Tenths of 9 s at 1 A out of 100 C, then three rows at rest."""
    made = rests()
    columns = (made.columns[f"smu.{name}"] for name in ("voltage", "current", "charge"))
    found = open_circuit_curve(made.columns["time"], *columns, 100.0, 1.0)
    # The row at which the current begins counts from the row before it: 8 s, then 9 s each.
    assert found.columns["state_of_charge"] == pytest.approx(1.08 - 0.09 * np.arange(1, 11) - 0.07)
    assert found.columns["time"] == pytest.approx(11 + 12.0 * np.arange(10))
    assert found.method == "the last of each of 10 rests, charge counted from 100 %"


def test_a_trace_of_the_rests_alone_is_a_curve_too() -> None:
    """One reading a rest, a microampere of offset, and a counter that moved in between."""
    time, charge = 3600.0 * np.arange(5), -900.0 * np.arange(5)
    found = open_circuit_curve(time, 4.0 + charge / 3600, np.full(5, 1e-6), charge, 4500.0)
    assert found.columns["state_of_charge"] == pytest.approx(1 - 0.2 * np.arange(5))


def test_a_curve_of_a_trace_keeps_the_other_columns() -> None:
    made = rests()
    made.columns["temperature"] = 20 + made.columns["time"] / 100
    found = CALCULATIONS["open_circuit_curve"](made, 100.0)
    assert set(found.columns) == {*made.columns, "state_of_charge"}
    assert found.columns["temperature"] == pytest.approx(20.11 + 0.12 * np.arange(10))
    # And another calculation reads the curve.
    state = CALCULATIONS["state_of_charge_by_voltage"](found, 3.5)
    assert state.value == pytest.approx(0.51, abs=0.01)


@given(st.lists(st.floats(0.01, 1.0), min_size=2, max_size=12), st.floats(0.0, 1.0))
def test_the_state_by_voltage_against_numpy(rises: list[float], share: float) -> None:
    """`numpy.interp` is the judge."""
    levels = 3.0 + np.cumsum(rises)
    states = np.linspace(0.0, 1.0, len(levels))
    rested = float(levels[0] + share * (levels[-1] - levels[0]))
    order = slice(None, None, -1)  # a discharge: from full to empty
    time = np.arange(len(levels)) * 3600.0
    found = state_of_charge_by_voltage(time, levels[order], states[order], rested)
    assert found.value == pytest.approx(float(np.interp(rested, levels, states)), abs=1e-12)


@pytest.mark.parametrize(
    ("levels", "rested", "words"),
    [
        (
            [3.0, 3.4, 3.4, 3.9],
            3.4,
            "the curve does not rise from 33.33 % to 66.67 %: a voltage there tells no state; "
            "missing: a curve of one direction, each rest long enough, that rises throughout",
        ),
        (
            [3.0, 3.4, 3.6, 3.9],
            4.0,
            "4 V lies beyond the curve, which goes from 3 V to 3.9 V; missing: a rested voltage "
            "within the curve",
        ),
    ],
)
def test_a_voltage_that_tells_no_state_is_refused(
    levels: list[float], rested: float, words: str
) -> None:
    time, states = np.arange(4.0), np.array([0, 1, 2, 3]) / 3
    assert refusal_of(state_of_charge_by_voltage, time, np.array(levels), states, rested) == words


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_incremental_capacity_of_a_bent_curve(sign: float) -> None:
    """q = 1000 C · (u − 3 V)²: dQ/dV = 2000 C/V · (u − 3 V), exact at the middle of a step."""
    voltage = np.linspace(3.095, 4.105, 20_001)[:: int(sign)]
    time, charge = np.arange(20_001.0), 1000.0 * (voltage - 3.0) ** 2
    found = incremental_capacity(time, voltage, charge, 0.01).columns
    assert len(found["voltage"]) == 100
    assert np.all(sign * np.diff(found["voltage"]) > 0)
    expected = 2000.0 * (found["voltage"] - 3.0)
    assert found["incremental_capacity"] == pytest.approx(expected, rel=1e-6)
    assert np.interp(found["time"], time, charge) == pytest.approx(found["charge"], rel=1e-9)


def test_incremental_capacity_holds_at_the_ends_and_where_the_voltage_turns() -> None:
    """Constant voltage at both ends, as in a hold, adds no step and no charge to one."""
    ramp = np.linspace(3.0, 4.0, 1001)
    voltage = np.concatenate((np.full(50, 3.0), ramp, np.full(200, 4.0)))
    time = np.arange(len(voltage)) * 1.0
    found = incremental_capacity(time, voltage, time.copy(), 0.1).columns
    assert found["incremental_capacity"] == pytest.approx(np.full(9, 1000.0), rel=1e-9)
    # Up to 3.55 V, a rest in which it falls by 0.2 V, and up again: each edge counts once.
    turns, marks = np.array([0.0, 550.0, 750.0, 1400.0]), np.array([3.0, 3.55, 3.35, 4.0])
    time = np.arange(1401.0)
    found = incremental_capacity(time, np.interp(time, turns, marks), time.copy(), 0.1).columns
    capacity_f = [1000.0] * 4 + [5000.0] + [1000.0] * 4
    assert found["incremental_capacity"] == pytest.approx(capacity_f, rel=1e-9)


def test_steps_that_give_no_curve_are_refused() -> None:
    assert refusal_of(incremental_capacity, TIME, VOLTAGE, COUNTER, 0.0) == (
        "the step has no height; missing: a step above zero, as in 10 mV"
    )
    assert refusal_of(incremental_capacity, TIME, VOLTAGE, COUNTER, 1e-9) == (
        "steps of 1 nV would be more than 100000 rows; missing: a larger step"
    )
    assert refusal_of(incremental_capacity, TIME, VOLTAGE, COUNTER, 3.0) == (
        "the voltage goes from 4.1 V to 3.1 V and passes 0 multiples of the step; missing: a "
        "smaller step, or readings over a wider range of voltage"
    )


def test_a_curve_by_steps_of_a_trace_keeps_the_other_columns() -> None:
    made = discharge()
    found = CALCULATIONS["incremental_capacity"](made, 0.1)
    assert set(found.columns) == {*made.columns, "incremental_capacity"}
    whole = found.columns["smu.voltage"] < 2.6
    assert found.columns["incremental_capacity"][whole] == pytest.approx(10.0, rel=1e-9)
    assert found.columns["smu.power"] == pytest.approx(-found.columns["smu.voltage"])
    lengths = {len(column) for column in found.columns.values()}
    assert len(lengths) == 1
