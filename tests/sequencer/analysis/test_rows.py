"""Results with rows, several answers and traces of their own, over made traces of the checker's
own recipes. Numbers are worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grammar.parse import parse
from sequencer.analysis import grouping
from sequencer.analysis.calculations import Table, Trace
from sequencer.analysis.results import evaluate
from sequencer.analysis.verdicts import Outcome, Row
from sequencer.checker import check
from tests.sequencer.analysis.made_traces import ideal_discharge

HEAD = """recipe "Ridge weather station: rows"
channel smu: measure, measure open
setting most = 10 V in 1 V to 10 V "most"
steps:
    let heat = 300 K
    for cycle in values(1, 2, 3):
        repeat 3 times:
            measure smu into looks with heat
            measure smu into again
    measure smu into whole
    for other in values(1 V, 2 V):
        measure smu into levels
results:
"""


def trace(cycles: list[float], volts: list[float], name: str = "looks") -> Table:
    time = 10.0 + np.arange(len(volts))
    current = np.full(len(volts), 0.5)
    return Table(
        name,
        {
            "time": time,
            "cycle": np.array(cycles),
            "heat": np.full(len(volts), 300.0),
            "smu.voltage": np.array(volts),
            "smu.current": current,
            "smu.charge": 0.5 * np.arange(len(volts)),
            "smu.power": 0.5 * np.array(volts),
        },
    )


LOOKS = trace([1, 1, 2, 2, 1, 3, np.nan], [1.0, 2.0, 5.0, 7.0, 6.0, 9.0, 99.0])
WHOLE = Table("whole", {"time": np.array([0.0]), "smu.voltage": np.array([4.0])})


def results(lines: str, **traces: Trace | None) -> list[Outcome]:
    text = "".join(f"    {line}\n" for line in lines.split("\n"))
    recipe, problems = parse(HEAD + text, "rows.recipe")
    checked = check(recipe, problems)
    assert [problem.message for problem in problems if problem.severity == "error"] == []
    given: dict[str, Trace | None] = {
        "looks": LOOKS, "again": None, "whole": WHOLE, "levels": None, **traces,
    }  # fmt: skip
    return evaluate(checked, given, {"heat": 300.0})


def told(outcome: Outcome) -> list[tuple[str, str]]:
    return [(row.label, row.text or f"{row.verdict}: {row.reason}") for row in outcome.rows]


def test_a_row_for_each_value_in_the_order_in_which_they_come() -> None:
    """(1 + 2 + 6)/3, (5 + 7)/2, 9; the row without a cycle belongs to none."""
    (found,) = results('m = mean(looks, voltage) for each cycle as mV "Mean"')
    assert (found.value, found.text, found.verdict, found.each) == (None, "3 rows", "", "cycle")
    assert found.rows[0] == Row(
        1.0, "cycle = 1", "", 3.0, "mV", "3000 mV", method="mean of 3 readings"
    )
    assert told(found) == [
        ("cycle = 1", "3000 mV"), ("cycle = 2", "6000 mV"), ("cycle = 3", "9000 mV"),
    ]  # fmt: skip


def test_a_span_of_time_counts_from_the_group_s_first_row() -> None:
    """The second cycle begins 2 s after the trace."""
    (found,) = results("m = maximum(looks, voltage, 0 s to 0.5 s) for each cycle")
    assert [row.value for row in found.rows] == [1.0, 5.0, 9.0]


def test_what_a_group_can_t_bear_stops_no_other() -> None:
    (found,) = results("s = slope(looks, voltage) for each cycle")
    assert [row.value is None for row in found.rows] == [False, False, True]
    assert found.rows[2].verdict == "not worked out"
    assert found.rows[2].reason == (
        "`slope(looks, voltage)`: there is 1 reading, and a slope takes two; missing: a longer "
        "part, or readings closer by"
    )
    assert (found.verdict, found.text) == ("", "3 rows")


def test_a_trace_without_the_column_is_taken_whole() -> None:
    (found,) = results("d = mean(looks, voltage) - mean(whole, voltage) for each cycle")
    assert [row.value for row in found.rows] == [-1.0, 2.0, 5.0]


def test_traces_with_the_column_are_joined_by_its_value() -> None:
    again = trace([3, 1, 1], [90.0, 10.0, 30.0], "again")
    (found,) = results(
        "d = mean(again, voltage) - mean(looks, voltage) for each cycle", again=again
    )
    # In the order of the first trace of the expression.
    assert told(found) == [
        ("cycle = 3", "81 V"),
        ("cycle = 1", "17 V"),
        ("cycle = 2", "not measured: no reading was taken into “again” for cycle = 2"),
    ]


def test_what_rests_on_a_result_with_rows_has_rows_as_well() -> None:
    _, found, third = results(
        "m = mean(looks, voltage) for each cycle\n"
        "twice = 2 * m + 1 V\n"
        "n = m - minimum(looks, voltage) for each cycle"
    )
    assert [row.value for row in found.rows] == [7.0, 13.0, 19.0]
    assert found.each == "cycle"
    assert [row.value for row in third.rows] == [2.0, 1.0, 0.0]


def test_a_row_that_the_other_hasn_t_is_not_measured() -> None:
    again = trace([1, 4], [10.0, 30.0], "again")
    _, found = results(
        "m = mean(looks, voltage) for each cycle\nd = mean(again, voltage) - m for each cycle",
        again=again,
    )
    assert told(found) == [
        ("cycle = 1", "7 V"),
        ("cycle = 4", "not measured: `m` has no row for cycle = 4"),
    ]


@pytest.mark.parametrize("nothing", [None, trace([], [])])
def test_an_unfilled_trace_has_no_rows_and_nothing_that_rests_on_it_has(
    nothing: Trace | None,
) -> None:
    first, second, third = results(
        "m = mean(looks, voltage) for each cycle\ntwice = 2 * m\nexpect m > 1 V", looks=nothing
    )
    assert (first.verdict, first.reason, first.rows) == (
        "not measured", "no reading was taken into “looks”", (),
    )  # fmt: skip
    assert (second.verdict, second.reason, second.rows) == (
        "not measured",
        "`m` is not measured",
        (),
    )
    assert (third.verdict, third.reason, third.rows) == (
        "not applicable", "`m` is not measured", (),
    )  # fmt: skip
    assert third.is_satisfied


def test_a_column_that_is_empty_throughout_gives_no_row() -> None:
    (found,) = results(
        "m = mean(looks, voltage) for each cycle", looks=trace([np.nan, np.nan], [1.0, 2.0])
    )
    assert (found.verdict, found.reason) == ("not measured", "no row has a value in `cycle`")


def test_more_rows_than_anybody_reads_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(grouping, "MOST_ROWS", 5)
    (found,) = results("m = mean(looks, current) for each voltage")
    assert (found.verdict, found.reason, found.rows) == (
        "not worked out",
        "`for each voltage` would give 7 rows: group by a loop variable, or by a value that is set",
        (),
    )


EXPECTED = {
    "met": ("m < most", "in all 3 rows", ["met", "met", "met"]),
    "one not": ("m < 8 V", "cycle = 3: m = 9 V is not < 8 V", ["met", "met", "not met"]),
    "none": (
        "m < 1 V",
        "cycle = 1: m = 3 V is not < 1 V; cycle = 2: m = 6 V is not < 1 V; cycle = 3: m = 9 V is "
        "not < 1 V",
        ["not met", "not met", "not met"],
    ),
}


@pytest.mark.parametrize("case", EXPECTED)
def test_an_expectation_is_for_every_row(case: str) -> None:
    condition, reason, verdicts = EXPECTED[case]
    _, found = results(f"m = mean(looks, voltage) for each cycle\nexpect {condition}")
    assert found.reason == reason
    assert [row.verdict for row in found.rows] == verdicts
    assert found.verdict == ("met" if case == "met" else "not met")
    assert found.is_satisfied == (case == "met")
    assert found.method == "plain comparison, uncertainty not stated"


def test_of_many_rows_that_fail_some_are_named_and_the_others_counted() -> None:
    many = trace([1, 2, 3, 4, 5], [1.0, 2.0, 3.0, 4.0, 5.0])
    _, found = results("m = mean(looks, voltage) for each cycle\nexpect m > 9 V", looks=many)
    assert found.reason.endswith("cycle = 3: m = 3 V is not > 9 V; and 2 rows more")


def test_rows_that_can_t_be_worked_out_or_were_not_measured() -> None:
    again = trace([1, 2], [1.0, 2.0], "again")
    lines = "d = mean(looks, voltage) - mean(again, voltage) for each cycle\nexpect d > 0 V"
    _, found = results(lines, again=again)
    assert found.verdict == "met"
    assert found.reason == "in 2 of 3 rows; the others are not applicable"
    _, found = results("s = slope(looks, voltage) for each cycle\nexpect s > 0 V/s")
    assert (found.verdict, found.is_satisfied) == ("not worked out", False)
    assert found.reason == "cycle = 3: `s` is not worked out"


def test_several_answers_are_on_record_and_taken_apart() -> None:
    """V = 1 V + 2 Ω × I, exactly."""
    current = np.array([0.0, 1.0, 2.0, 3.0])
    looks = Table(
        "looks",
        {"time": np.arange(4.0), "smu.voltage": 1 + 2 * current, "smu.current": current},
    )
    fit, slope, sum_, expectation = results(
        'fit = line_fit(looks, voltage, current) "Line"\n'
        "R = fit.slope as mohm\n"
        "U = fit.intercept + fit.slope * 1 A\n"
        "expect fit.intercept in 1 V ± 1 %",
        looks=looks,
    )
    assert (fit.value, fit.text, fit.each) == (None, "5 answers", "")
    assert [(row.answer, row.text, row.label, row.key) for row in fit.rows] == [
        ("slope", "2 ohm", "", None), ("intercept", "1 V", "", None), ("spread", "0 V", "", None),
        ("slope_uncertainty", "0 ohm", "", None), ("intercept_uncertainty", "0 V", "", None),
    ]  # fmt: skip
    assert slope.text == "2000 mohm"
    assert sum_.text == "3 V"
    assert expectation.reason == "fit.intercept = 1 V is in 990 mV to 1.01 V"
    assert expectation.verdict == "met"


def test_several_answers_for_each_group() -> None:
    looks = trace([1, 1, 1, 2], [1.0, 2.0, 3.0, 7.0])
    fit, slope = results(
        "fit = line_fit(looks, voltage, charge) for each cycle\nS = fit.slope", looks=looks
    )
    assert fit.text == "2 rows, 5 answers"
    assert [(row.label, row.answer, row.value is None) for row in fit.rows] == [
        ("cycle = 1", "slope", False),
        ("cycle = 1", "intercept", False),
        ("cycle = 1", "spread", False),
        ("cycle = 1", "slope_uncertainty", False),
        ("cycle = 1", "intercept_uncertainty", False),
        ("cycle = 2", "slope", True),
        ("cycle = 2", "intercept", True),
        ("cycle = 2", "spread", True),
        ("cycle = 2", "slope_uncertainty", True),
        ("cycle = 2", "intercept_uncertainty", True),
    ]
    assert slope.rows[0].value == pytest.approx(2.0, rel=1e-15)
    assert slope.rows[1].reason == "`fit` is not worked out"


def test_answers_of_an_unfilled_trace_are_not_measured() -> None:
    fit, slope = results("fit = line_fit(again, voltage, current)\nR = fit.slope")
    assert (fit.verdict, fit.reason) == ("not measured", "no reading was taken into “again”")
    assert [row.verdict for row in fit.rows] == ["not measured"] * 5
    assert (slope.verdict, slope.reason) == ("not measured", "`fit` is not measured")


def test_trace_arithmetic_by_name_and_within_a_call() -> None:
    clean, first, second, rows = results(
        "clean = without_offset(looks, voltage, 1 V)\n"
        "a = mean(clean, voltage)\n"
        "b = mean(without_offset(looks, voltage, 1 V), voltage)\n"
        "c = mean(clean, voltage) for each cycle"
    )
    assert (clean.text, clean.value, clean.method) == (
        "a trace of 7 rows", None, "voltage less an offset",
    )  # fmt: skip
    assert first.value == second.value == pytest.approx((129 - 7) / 7, rel=1e-15)
    assert first.method == "voltage less an offset; mean of 7 readings"
    assert [row.value for row in rows.rows] == [2.0, 5.0, 8.0]


def test_an_offset_of_each_group_is_taken_from_that_group() -> None:
    _, found = results(
        "zero = minimum(looks, voltage) for each cycle\n"
        "m = mean(without_offset(looks, voltage, zero), voltage) for each cycle"
    )
    assert [row.value for row in found.rows] == [2.0, 1.0, 0.0]


def test_arithmetic_on_an_unfilled_trace_is_not_measured() -> None:
    first, second = results("clean = without_offset(again, voltage, 1 V)\nm = mean(clean, voltage)")
    for found in (first, second):
        assert (found.verdict, found.reason) == (
            "not measured",
            "no reading was taken into “again”",
        )


def test_a_column_called_like_an_earlier_result_is_still_a_column() -> None:
    """`current` is a result with rows, and a column; a mean of the column has no rows of it."""
    _, found = results("current = mean(looks, current) for each cycle\nm = mean(looks, current)")
    assert (found.value, found.each, found.rows) == (0.5, "", ())


def test_a_plot_is_no_outcome() -> None:
    assert len(results("plot looks: voltage against time\nx = 1")) == 1


@given(st.lists(st.sampled_from([-1.0, 0.0, 2.5, math.nan, math.inf]), max_size=30))
def test_groups_hold_the_rows_of_their_value_in_the_order_of_time(values: list[float]) -> None:
    """Each group against the rows picked one by one."""
    made = trace(values, [float(k) for k in range(len(values))])
    groups = grouping.Groups(made, "cycle")
    assert groups.keys == list(dict.fromkeys(v for v in values if math.isfinite(v)))
    for key in groups.keys:
        picked = [float(k) for k, value in enumerate(values) if value == key]
        assert groups.of(key).columns["smu.voltage"].tolist() == picked


def test_each_discharge_starts_from_the_newest_reading_before_it() -> None:
    """10 F and 20 mΩ at 1 A, twice, each 0.1 s after a reading at rest: half of that time at
    0.1 V/s takes 5 mV from the drop of 20 mV, as for a single discharge."""
    one = ideal_discharge(10.0, 1.0, 2.7, 0.1, 250, 0.02)
    both = {name: np.concatenate([values, values]) for name, values in one.columns.items()}
    both["time"] = np.concatenate([one.columns["time"], 1000.0 + one.columns["time"]])
    both["cycle"] = np.repeat([1.0, 2.0], 250)
    rest = np.array([-0.1, 999.9])
    at_rest = {
        "time": rest, "smu.voltage": np.array([2.7, 2.7]), "smu.current": np.zeros(2),
        "smu.limited": np.zeros(2), "cycle": np.array([1.0, 2.0]),
    }  # fmt: skip
    resistance, capacitance = results(
        "R = internal_resistance(looks, 2.16 V to 1.08 V) for each cycle as mohm\n"
        "C = capacitance(looks, 2.16 V to 1.08 V) for each cycle",
        looks=Table("looks", both), again=Table("again", at_rest),
    )  # fmt: skip
    assert [row.value for row in resistance.rows] == pytest.approx([0.015, 0.015], rel=1e-8)
    assert [row.value for row in capacitance.rows] == pytest.approx([10.0, 10.0], rel=1e-10)
