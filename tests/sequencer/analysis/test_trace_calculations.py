"""Mean, smallest, largest, slope, energy and charge of a trace, and the table of calculations."""

from __future__ import annotations

import inspect

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from sequencer import analysis
from sequencer.analysis.calculations import (
    BY_NAME,
    CALCULATIONS,
    OF_ARRAYS,
    OF_TRACES,
    NotWorkedOut,
)
from sequencer.analysis.signatures import SIGNATURES
from tests.sequencer.analysis.made_traces import Floats, Table, table

charge = CALCULATIONS["charge"]
energy = CALCULATIONS["energy"]
maximum = CALCULATIONS["maximum"]
mean = CALCULATIONS["mean"]
minimum = CALCULATIONS["minimum"]
slope = CALCULATIONS["slope"]

VALUES = arrays.arrays(np.float64, st.integers(2, 50), elements=st.floats(-1e6, 1e6))


def of(values: Floats, step_s: float = 1.0, start_s: float = 100.0) -> Table:
    return table("leak", start_s + np.arange(len(values)) * step_s, np.zeros(len(values)), values)


def test_every_signature_has_its_calculation_with_the_same_arguments() -> None:
    assert set(CALCULATIONS) == set(SIGNATURES)
    for function, quantities in OF_ARRAYS.items():
        signature = SIGNATURES[function.__name__]
        taken = list(inspect.signature(function).parameters.values())
        kinds = [parameter.takes for parameter in signature.parameters]
        arrays = kinds.count("trace") * (1 + len(quantities)) + kinds.count("column")
        assert all("Floats" in parameter.annotation for parameter in taken[:arrays])
        given = [p for p in signature.parameters if p.takes in ("span", "value")]
        expected = [parameter.name for parameter in given]
        assert [p.name for p in taken[arrays:]] == expected + ["before"] * signature.looks_back
        for mine, theirs in zip(taken[arrays:], given, strict=False):
            assert (mine.default is not inspect.Parameter.empty) == theirs.optional
    for function in OF_TRACES:
        signature = SIGNATURES[function.__name__]
        assert list(inspect.signature(function).parameters) == [
            parameter.name for parameter in signature.parameters
        ]


def test_every_calculation_can_be_had_from_python_by_its_name() -> None:
    assert all(getattr(analysis, name) is function for name, function in BY_NAME.items())
    with pytest.raises(AttributeError, match="no attribute 'no_such_calculation'"):
        analysis.no_such_calculation  # noqa: B018


@given(VALUES, st.floats(1e-3, 1e3))
def test_against_numpy(values: Floats, step_s: float) -> None:
    """numpy's mean, min, max and polyfit are the judges."""
    made = of(values, step_s)
    scale = float(np.max(np.abs(values))) or 1.0
    assert mean(made, "current").value == pytest.approx(float(np.mean(values)), abs=1e-12 * scale)
    assert minimum(made, "current").value == np.min(values)
    assert maximum(made, "smu.current").value == np.max(values)
    since = made.columns["time"] - made.columns["time"][0]
    judge = np.polyfit(since, values, 1)[0]
    assert slope(made, "current").value == pytest.approx(judge, abs=1e-9 * scale / step_s)


@given(st.floats(-10, 10), st.floats(-10, 10), st.integers(2, 40))
def test_the_slope_of_a_straight_line_is_its_own(gradient: float, start: float, rows: int) -> None:
    values = start + gradient * np.arange(rows)
    assert slope(of(values), "current").value == pytest.approx(gradient, abs=1e-12)


def test_a_part_counts_from_the_first_row_with_both_ends_in() -> None:
    made = of(np.arange(10.0))
    assert mean(made, "current", (2.0, 4.0)).value == 3.0
    assert mean(made, "current", (4.0, 2.0)).value == 3.0
    assert minimum(made, "current", (7.0, np.inf)).value == 7.0
    assert maximum(made, "current", (-np.inf, 3.0)).value == 3.0
    assert mean(made, "current", (2.0, 4.0)).method == "mean of 3 readings"


def test_what_lies_outside_the_part_spoils_nothing() -> None:
    values = np.array([np.inf, 1.0, 2.0, 3.0, np.nan])
    assert mean(of(values), "current", (1.0, 3.0)).value == 2.0


def test_energy_and_charge_are_differences_of_the_counters() -> None:
    made = of(np.zeros(3))
    made.columns["smu.energy"] = np.array([5.0, 9.0, 7.5])
    made.columns["smu.charge"] = np.array([1.0, 0.0, -3.0])
    assert energy(made).value == 2.5
    assert charge(made).value == -4.0
    assert energy(made).method == "difference of the energy counter from the first row to the last"


def test_power_and_further_columns_are_columns_like_any_other() -> None:
    made = of(np.array([1.0, 3.0]))
    made.columns["smu.power"] = np.array([2.0, 6.0])
    made.columns["drive"] = np.array([10.0, 20.0])
    assert mean(made, "power").value == 4.0
    assert mean(made, "drive").value == 15.0


REFUSED = {
    "empty": (np.empty(0), None, "there is no reading; missing: at least 1 reading"),
    "one point": (
        np.array([1.0]),
        None,
        "there is 1 reading, and a slope takes two; missing: a longer part, or readings closer by",
    ),
    "not a number": (
        np.array([1.0, np.nan]),
        None,
        "the column is empty in row 2, 1 s after the first; missing: a value within its range in "
        "every row",
    ),
    "over range": (
        np.array([1.0, 2.0, np.inf]),
        (1.0, 2.0),
        "the column is over range in row 3, 2 s after the first; missing: a value within its range "
        "in every row",
    ),
    "part too late": (
        np.arange(5.0),
        (10.0, 20.0),
        "no reading lies between 10 s and 20 s: the trace is 4 s long; missing: readings in that "
        "part, counted from the first row",
    ),
    "open part too late": (
        np.arange(5.0),
        (10.0, np.inf),
        "no reading lies after 10 s: the trace is 4 s long; missing: readings in that part, "
        "counted from the first row",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_hostile_data_are_refused_in_words(case: str) -> None:
    values, part, message = REFUSED[case]
    with pytest.raises(NotWorkedOut) as refusal:
        slope(of(values), "current", part)
    assert str(refusal.value) == message


def test_a_time_that_runs_back_is_refused() -> None:
    made = of(np.arange(3.0))
    made.columns["time"] = made.columns["time"][::-1]
    with pytest.raises(NotWorkedOut) as refusal:
        mean(made, "current")
    assert str(refusal.value) == (
        "the time does not rise from row 1 to row 2; missing: readings in the order in which they "
        "were taken"
    )


def test_one_row_has_no_difference_of_counters() -> None:
    made = of(np.zeros(1))
    made.columns["smu.energy"] = np.zeros(1)
    with pytest.raises(NotWorkedOut) as refusal:
        energy(made)
    assert str(refusal.value) == "there is 1 reading; missing: at least 2 readings"


def test_two_channels_leave_open_which_is_meant() -> None:
    made = of(np.zeros(3))
    made.columns |= {"aux.voltage": np.zeros(3), "aux.current": np.zeros(3)}
    with pytest.raises(NotWorkedOut) as of_trace:
        energy(made)
    assert str(of_trace.value) == (
        "the trace “leak” holds 2 channels (smu, aux), and it isn't said which is meant; missing: "
        "a trace of the part's own channel: measure each channel into one of its own"
    )
    with pytest.raises(NotWorkedOut) as of_column:
        mean(made, "current")
    assert str(of_column.value) == (
        "the trace “leak” holds 2 columns current (smu.current, aux.current); missing: a column "
        "named in full, as in smu.current"
    )


def test_a_column_that_is_not_there() -> None:
    with pytest.raises(NotWorkedOut) as refusal:
        mean(of(np.zeros(3)), "drive")
    assert str(refusal.value) == (
        "the trace “leak” holds no column drive; missing: that column: measure it into it"
    )
