"""The evaluation of `results:`: values, refusals, verdicts, and what rests on what."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from grammar.quantity import CAPACITANCE, CURRENT, PLAIN, VOLTAGE, Dimension
from sequencer.analysis.calculations import Trace
from sequencer.analysis.results import evaluate
from sequencer.analysis.verdicts import Outcome
from tests.sequencer.analysis.checked_recipe import typed
from tests.sequencer.analysis.made_traces import Table, ideal_discharge

LINE = "80 % * rated to 40 % * rated"


def discharging() -> Table:
    """10 F and 20 mΩ at 1 A from 2.7 V."""
    made = ideal_discharge(10.0, 1.0, 2.7, 0.1, 250, 0.02)
    made.columns["smu.energy"] = -np.cumsum(made.columns["smu.voltage"]) * 0.1
    made.columns["smu.charge"] = -np.arange(250) * 0.1
    return made


def soak() -> Table:
    """At 2.7 V and 1 mA until 0.1 s before the discharge's first row."""
    time = np.linspace(-10.1, -0.1, 101)
    return Table(
        "soak",
        {
            "time": time,
            "smu.voltage": np.full(101, 2.7),
            "smu.current": np.full(101, 1e-3),
            "smu.limited": np.zeros(101),
            "smu.energy": np.linspace(100.0, 100.027, 101),
        },
    )


def results(
    lines: str,
    traces: dict[str, Trace | None] | None = None,
    values: dict[str, float] | None = None,
    lets: dict[str, Dimension] | None = None,
) -> list[Outcome]:
    given: dict[str, Trace | None] = {"discharging": discharging(), "soak": soak()}
    if traces is not None:
        given = traces
    return evaluate(typed(lines, lets), given, values or {})


def only(
    lines: str,
    traces: dict[str, Trace | None] | None = None,
    values: dict[str, float] | None = None,
    lets: dict[str, Dimension] | None = None,
) -> Outcome:
    (outcome,) = results(lines, traces, values, lets)
    return outcome


def test_a_calculation_with_its_method_and_title() -> None:
    found = only(f'C = capacitance(discharging, {LINE}) "Capacitance"')
    assert found.value == pytest.approx(10.0, rel=1e-12)
    assert replace(found, value=10.0) == Outcome(
        name="C",
        value=10.0,
        dimension=CAPACITANCE,
        title="Capacitance",
        text="10 F",
        method="constant-current line from 2.16 V to 1.08 V (IEC 62391-1), 10.8 s at -1 A",
        span=found.span,
    )
    assert (found.span.line, found.span.column) == (9, 5)


def test_named_arguments_and_a_unit_to_show() -> None:
    found = only(f"C = capacitance(between = {LINE}, trace = discharging) as mF")
    assert (found.text, found.unit) == ("10000 mF", "mF")


def test_internal_resistance_finds_the_reading_at_rest_in_another_trace() -> None:
    found = only(f"R = internal_resistance(discharging, {LINE}) as mohm")
    # The last soak reading is 0.1 s before the first row; half of that at 0.1 V/s is 5 mV more.
    assert found.value == pytest.approx(0.02 - 0.005, rel=1e-9)
    assert "start from 2.7 V, known to ±50 ms" in found.method


def test_of_several_readings_before_the_trace_the_newest_is_the_start() -> None:
    older, newest, later = soak(), soak(), soak()
    older.columns["time"] = older.columns["time"] - 50
    newest.columns["smu.voltage"] = newest.columns["smu.voltage"] + 0.01
    later.columns["time"] = later.columns["time"] + 1000
    traces: dict[str, Trace | None] = {
        "older": older, "newest": newest, "later": later, "none": None,
        "oldest": older, "discharging": discharging(),
    }  # fmt: skip
    found = only(f"R = internal_resistance(discharging, {LINE})", traces)
    assert "start from 2.71 V" in found.method


def test_without_any_reading_before_it_the_start_is_missing() -> None:
    found = only(f"R = internal_resistance(discharging, {LINE})", {"discharging": discharging()})
    assert (found.value, found.text, found.verdict) == (None, "", "not worked out")
    assert found.reason == (
        f"`internal_resistance(discharging, {LINE})`: the trace begins under current: the voltage "
        "that it started from is not in it; missing: a reading right before the current starts, "
        "into the same trace"
    )


@pytest.mark.parametrize(
    ("expression", "expected"),
    [
        ("1 + 2 * 3 - 4 / 8", 6.5),
        ("-2 ^ 2", -4.0),
        ("(1 + 2) * 3", 9.0),
        ("2 ^ -1", 0.5),
        ("abs(-3) + min(4, 2, 3) * max(1, 5)", 13.0),
        ("sqrt(16) + ln(exp(2))", 6.0),
        ("round(2.4) + round(3.6)", 6.0),
        ("rated / (2 * rated)", 0.5),
        ("80 %", 0.8),
    ],
)
def test_arithmetic(expression: str, expected: float) -> None:
    """Worked out by hand."""
    assert only(f"x = {expression}").value == pytest.approx(expected, rel=1e-15)


def test_results_see_lets_and_earlier_results() -> None:
    lines = "a = 2 * start\nb = a + start"
    first, second = results(lines, values={"start": 1.5}, lets={"start": VOLTAGE})
    assert (first.value, first.dimension, first.text) == (3.0, VOLTAGE, "3 V")
    assert second.text == "4.5 V"


def test_columns_by_quantity_and_by_channel() -> None:
    first, second = results(
        "a = mean(soak, current)\nb = maximum(soak, smu.voltage, at least 5 s) - 1 V"
    )
    assert first.value == pytest.approx(1e-3, rel=1e-12)
    assert (first.dimension, second.text) == (CURRENT, "1.7 V")


def test_a_part_of_the_time_may_be_written_as_any_span() -> None:
    parts = ["0 s to 2 s", "2 s to 0 s", "up to 2 s", "within 2 s", "1 s ± 1 s"]
    found = [only(f"m = mean(discharging, voltage, {part})").value for part in parts]
    # The closed form's mean over the first 2 s: 2.68 V less 0.1 V/s at 1 s.
    assert found == pytest.approx([2.58] * 5, rel=1e-12)


def test_methods_of_a_compound_result_are_named_once_each() -> None:
    found = only("e = -energy(discharging) / (energy(soak) + energy(soak))")
    assert found.method == "difference of the energy counter from the first row to the last"


@pytest.mark.parametrize(
    ("expression", "reason"),
    [
        ("1 / (rated - rated)", "`1 / (rated - rated)` divides by zero"),
        ("sqrt(-4)", "`sqrt(-4)` has no value for -4"),
        ("ln(0)", "`ln(0)` has no value for 0"),
        ("exp(1000)", "`exp(1000)` is too large a number"),
        ("10 ^ 400", "`10 ^ 400` is too large a number"),
        ("(0 - 8) ^ 0.5", "`(0 - 8) ^ 0.5` has no value for -8"),
        ("1e300 * 1e300", "`1e300 * 1e300` is too large a number"),
    ],
)
def test_what_has_no_value_says_so(expression: str, reason: str) -> None:
    found = only(f"x = {expression}")
    assert (found.value, found.verdict, found.reason) == (None, "not worked out", reason)


def test_a_refusal_stops_nothing_but_what_rests_on_it() -> None:
    bad, rests, own, expectation = results(
        "C = capacitance(discharging, 3 V to 1 V)\n"
        "E = C * rated * rated / 2\n"
        "m = mean(soak, current)\n"
        "expect C in nominal ± 20 %"
    )
    assert bad.reason == (
        "`capacitance(discharging, 3 V to 1 V)`: the voltage never reaches 3 V: its highest is "
        "2.68 V; missing: readings up to 3 V"
    )
    assert (rests.verdict, rests.reason) == ("not worked out", "`C` is not worked out")
    assert own.text == "1 mA"
    assert (expectation.verdict, expectation.reason) == ("not worked out", "`C` is not worked out")
    assert [outcome.is_satisfied for outcome in (bad, own, expectation)] == [True, True, False]


@pytest.mark.parametrize("nothing", [None, ideal_discharge(10.0, 1.0, 2.7, 0.1, 0)])
def test_an_unfilled_trace_is_not_measured_and_an_expectation_on_it_not_applicable(
    nothing: Trace | None,
) -> None:
    found = results(
        f"C = capacitance(discharging, {LINE})\n"
        "expect C > 9 F\n"
        "expect mean(discharging, voltage) > 1 V",
        {"discharging": nothing},
    )
    assert [outcome.verdict for outcome in found] == [
        "not measured", "not applicable", "not applicable",
    ]  # fmt: skip
    assert [outcome.reason for outcome in found] == [
        "no reading was taken into “discharging”",
        "`C` is not measured",
        "no reading was taken into “discharging”",
    ]
    assert all(outcome.is_satisfied for outcome in found)


def test_a_name_that_the_run_did_not_reach_is_not_measured() -> None:
    found = only("x = 2 * start", lets={"start": VOLTAGE})
    assert (found.verdict, found.reason) == (
        "not measured",
        "the run ended before `start` had a value",
    )


def test_what_cannot_be_worked_out_outweighs_what_was_not_measured() -> None:
    found = only(
        "x = mean(none, voltage) + capacitance(discharging, 3 V to 1 V)",
        {"none": None, "discharging": discharging()},
    )
    assert found.verdict == "not worked out"


@pytest.mark.parametrize(
    ("condition", "verdict", "reason"),
    [
        ("C in nominal ± 20 %", "met", "C = 10 F is in 8 F to 12 F"),
        ("C in nominal ± 1 F", "met", "C = 10 F is in 9 F to 11 F"),
        ("C in 11 F to 12 F", "not met", "C = 10 F is not in 11 F to 12 F"),
        ("C in up to 9 F", "not met", "C = 10 F is not in up to 9 F"),
        ("C in at least 9 F", "met", "C = 10 F is in at least 9 F"),
        ("R < 20 mohm", "met", "R = 15 mohm < 20 mohm"),
        ("R <= 1 mohm", "not met", "R = 15 mohm is not <= 1 mohm"),
        ("R >= 15.1 mohm", "not met", "R = 15 mohm is not >= 15.1 mohm"),
        ("2 * rated > 5 V", "met", "5.4 V > 5 V"),
        ("0 V - rated in -3 V ± 20 %", "met", "-2.7 V is in -3.6 V to -2.4 V"),
        ("not R > 20 mohm", "met", "R = 15 mohm is not > 20 mohm"),
        (
            "C > 9 F and R < 1 mohm",
            "not met",
            "C = 10 F > 9 F; R = 15 mohm is not < 1 mohm",
        ),
        ("C > 90 F or R < 20 mohm", "met", "C = 10 F is not > 90 F; R = 15 mohm < 20 mohm"),
    ],
)
def test_expectations(condition: str, verdict: str, reason: str) -> None:
    lines = f"C = capacitance(discharging, {LINE})\n"
    lines += f"R = internal_resistance(discharging, {LINE}) as mohm\nexpect {condition}"
    found = results(lines)[-1]
    assert (found.name, found.value, found.dimension) == ("", None, PLAIN)
    assert (found.text, found.verdict, found.reason) == (condition, verdict, reason)
    assert found.method == "plain comparison, uncertainty not stated"


@pytest.mark.parametrize(
    ("condition", "verdict"),
    [
        ("bad > 1 F or rated > 1 V", "met"),
        ("rated > 9 V and bad > 1 F", "not met"),
        ("bad > 1 F and rated > 9 V", "not met"),
        ("bad > 1 F and rated > 1 V", "not worked out"),
        ("mean(none, voltage) > 1 V and rated > 1 V", "not applicable"),
        ("mean(none, voltage) > 1 V and bad > 1 F", "not worked out"),
        ("not bad > 1 F", "not worked out"),
    ],
)
def test_a_missing_side_decides_nothing_that_the_other_decides_alone(
    condition: str, verdict: str
) -> None:
    """Kleene's three-valued logic."""
    lines = f"bad = capacitance(discharging, 3 V to 1 V)\nexpect {condition}"
    traces: dict[str, Trace | None] = {"discharging": discharging(), "none": None}
    assert results(lines, traces)[-1].verdict == verdict


def test_an_expectation_over_two_lines_is_shown_on_one() -> None:
    found = only("expect max(rated,\n        1 V) > 2 V")
    assert (found.text, found.verdict) == ("max(rated, 1 V) > 2 V", "met")


def test_a_result_sees_only_the_columns_that_the_recipe_declares() -> None:
    """The record has the current of a channel that is declared to measure voltage alone, too."""
    three = np.arange(3.0)
    reading = {"time": three, "smu.current": three, "meter.current": np.full(3, 9.0)}
    both = ("time", "smu.current", "meter.current")
    for known, verdict in ((both[:2], ""), (both, "not worked out")):
        checked = typed("most = maximum(curve, current)")
        checked.columns["curve"] = known
        (found,) = evaluate(checked, {"curve": Table("curve", reading)}, {})
        assert found.verdict == verdict
        if not verdict:
            assert found.value == 2.0
