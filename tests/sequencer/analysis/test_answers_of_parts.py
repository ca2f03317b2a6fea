"""Calculations for parts as results: answers refused by themselves, facts of a part, two channels.

From a recipe's text to outcomes over made traces; the calculations' own tests stand elsewhere.
"""

from __future__ import annotations

import numpy as np
import pytest

from grammar.parse import parse
from sequencer.analysis.calculations.single_diode import SingleDiode
from sequencer.analysis.results import evaluate
from sequencer.analysis.verdicts import Outcome
from sequencer.checker import check
from tests.sequencer.analysis.made_traces import Floats, Table

HEAD = """recipe "Ridge weather station: answers"
channel smu: measure, measure open
channel eye: measure
part panel is solar module on smu:
    in series 36
    voltage -1 V to 25 V
    current within 1 A
steps:
    measure smu into curve
    measure smu into dark
    measure smu, eye into both
results:
"""


def channel(name: str, voltage: Floats, current: Floats) -> dict[str, Floats]:
    return {f"{name}.voltage": voltage, f"{name}.current": current}


def results(lines: str, **traces: Table) -> list[Outcome]:
    text = "".join(f"    {line}\n" for line in lines.split("\n"))
    recipe, problems = parse(HEAD + text, "answers.recipe")
    checked = check(recipe, problems)
    assert [problem.message for problem in problems if problem.severity == "error"] == []
    return evaluate(checked, {"curve": None, "dark": None, "both": None, **traces}, {})


def panel(conductance: float) -> Table:
    voltage = np.linspace(-0.1, 20.5, 101)
    model = SingleDiode(0.6, 2e-9, 0.9, conductance, 36 * 1.1 * 0.0256925791211)
    columns = channel("smu", voltage, -model.current(voltage))
    return Table("curve", {"time": np.arange(101.0), **columns})


def test_an_answer_that_is_refused_takes_nothing_from_the_others() -> None:
    fit, rests, other, expectation = results(
        "fit = single_diode_fit(curve, 25 °C, panel.in_series)\n"
        "lost = 1 V / fit.shunt_resistance as mA\n"
        "n = fit.ideality\n"
        "expect fit.shunt_resistance > 100 ohm",
        curve=panel(0.0),
    )
    told = {row.answer: row for row in fit.rows}
    # In the signature's order, whichever was refused.
    assert list(told) == [
        "photocurrent", "saturation_current", "series_resistance", "shunt_resistance", "ideality",
    ]  # fmt: skip
    refused = told["shunt_resistance"]
    assert (refused.value, refused.verdict) == (None, "not worked out")
    assert refused.reason.startswith(
        "`single_diode_fit(curve, 25 °C, panel.in_series)`: about 0 V the slope of the current "
        "can't be told from none"
    )
    assert (fit.text, fit.verdict) == ("5 answers", "")
    assert told["series_resistance"].value == pytest.approx(0.9, rel=1e-6)
    assert (rests.verdict, rests.reason) == ("not worked out", "`fit` is not worked out")
    assert (expectation.verdict, other.verdict) == ("not worked out", "")
    # The ideality of one of 36 cells: the part's own number was read.
    assert other.value == pytest.approx(1.1, rel=1e-6)


def test_a_fact_of_a_part_is_a_number_in_results() -> None:
    (found,) = results("per_cell = maximum(curve, voltage) / panel.in_series", curve=panel(1e-3))
    assert found.value == pytest.approx(20.5 / 36, rel=1e-12)


def test_light_beside_a_laser_s_current_from_two_channels() -> None:
    drive = np.linspace(0, 0.07, 141)
    light = 0.4 * (drive - 0.02 + np.sqrt((drive - 0.02) ** 2 + 1e-6))
    both = {
        "time": np.arange(141.0),
        **channel("smu", 1.8 + 4 * drive, drive),
        **channel("eye", np.zeros(141), -0.06 * light),
    }
    threshold, resistance = results(
        "I_th = threshold_current(both, smu.current, eye.current, 30 mA to 50 mA, "
        "below = 0 mA to 12 mA)\n"
        "R_s = dynamic_resistance(both, 40 mA to 60 mA, smu.voltage, smu.current)",
        both=Table("both", both),
    )
    below, above = drive <= 0.012, (drive >= 0.03) & (drive <= 0.05)
    (slope, start), (low_slope, low_start) = (
        np.polyfit(drive[part], light[part], 1) for part in (above, below)
    )
    expected = {
        "by_second_derivative": 0.02,
        "by_two_segments": (low_start - start) / (slope - low_slope),
        "by_line": -start / slope,
    }
    found = {row.answer: row.value for row in threshold.rows}
    assert found == pytest.approx(expected, rel=1e-9)
    assert resistance.value == pytest.approx(4.0, rel=1e-9)
    assert "from 0 A to 12 mA" in threshold.method
