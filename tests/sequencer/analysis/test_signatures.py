"""The table of signatures: every calculation can be called as it says, and loads nothing heavy."""

from __future__ import annotations

import subprocess
import sys

import pytest

from grammar.parse import parse
from grammar.quantity import PLAIN, TEMPERATURE, TEMPERATURE_POINT, TIME, VOLTAGE, Dimension
from sequencer.analysis.signatures import (
    GROUPS,
    IN_STEPS,
    SIGNATURES,
    Parameter,
    Signature,
    answers_in_words,
    usage,
)
from sequencer.checker import Checked, check
from sequencer.checker.expressions.calls import FUNCTIONS, LISTS, OVER_TRACES

HEAD = """recipe "Ridge weather station: every calculation"
channel smu: measure, measure open
channel monitor: measure current
steps:
    let heat = 300 K
    every 1 s for 10 s:
        measure smu into one with heat
        measure smu, monitor into both with heat
results:
"""


def checked(results: str) -> Checked:
    recipe, problems = parse(HEAD + results, "all.recipe")
    return check(recipe, problems)


def written(dimension: Dimension | None) -> str:
    if dimension == TEMPERATURE_POINT:
        return "25 °C"
    unit = (dimension or PLAIN).unit
    return f"1 %{unit[1:]}" if unit.startswith("1/") else f"1 {unit}".strip()


def argument(signature: Signature, parameter: Parameter, given: dict[str, Dimension]) -> str:
    """An argument that fits; columns are currents, which every wish for a column allows but one."""
    wanted = parameter.wanted(given)
    match parameter.takes:
        case "trace":
            return "one" if signature.one_channel else "both"
        case "column":
            given[parameter.name] = wanted or SMU_CURRENT
            return "smu.voltage" if wanted == VOLTAGE else "smu.current"
        case "value":
            given[parameter.name] = wanted or PLAIN
            return written(wanted)
        case _:
            given[parameter.name] = wanted or PLAIN
            return f"{written(wanted)} to {written(wanted)}"


SMU_CURRENT = Dimension(current=1)


def call(signature: Signature, named: bool, optional: bool) -> str:
    given: dict[str, Dimension] = {}
    parts = []
    for parameter in signature.parameters:
        text = argument(signature, parameter, given)
        if optional or not parameter.optional:
            parts.append(f"{parameter.name} = {text}" if named else text)
    return f"{signature.name}({', '.join(parts)})"


@pytest.mark.parametrize("name", SIGNATURES)
@pytest.mark.parametrize(("named", "optional"), [(False, False), (True, True)])
def test_every_calculation_checks_when_it_is_called_as_it_says(
    name: str, named: bool, optional: bool
) -> None:
    signature = SIGNATURES[name]
    if signature.one_channel:
        named_columns = False
    else:
        # A column that is left out must be plain from the trace, and two channels have a current.
        named_columns = any(p.takes == "column" and p.optional for p in signature.parameters)
    found = checked(f"    x = {call(signature, named, optional or named_columns)}\n")
    assert [problem.message for problem in found.problems] == []


def test_names_are_one_word_each_and_nobody_else_s() -> None:
    assert sum(len(group) for group in GROUPS.values()) == len(SIGNATURES)
    assert not set(SIGNATURES) & {*FUNCTIONS, *LISTS}
    for signature in SIGNATURES.values():
        names = [parameter.name for parameter in signature.parameters]
        assert len(set(names)) == len(names)
        # An argument without its name after one that may be left out would be taken for that one.
        optional = [parameter.optional for parameter in signature.parameters]
        assert optional == sorted(optional)
        assert signature.text
        assert signature.single == (list(signature.answers) == [""])


def test_dimensions_of_answers() -> None:
    """By the units of the quantities alone: V over s, A·s, points stay points, K between them."""
    given = {"column": TEMPERATURE_POINT}
    assert SIGNATURES["mean"].answer(given) == TEMPERATURE_POINT
    assert SIGNATURES["minimum"].answer(given) == TEMPERATURE_POINT
    assert SIGNATURES["spread"].answer(given) == TEMPERATURE
    assert SIGNATURES["slope"].answer(given) == TEMPERATURE.over(TIME)
    assert SIGNATURES["slope"].answer({"column": VOLTAGE}).unit == "V/s"
    assert SIGNATURES["integral"].answer({"column": SMU_CURRENT}).unit == "C"
    line = SIGNATURES["line_fit"].dimensions({"y": VOLTAGE, "x": SMU_CURRENT})
    assert {name: found.unit for name, found in line.items()} == {
        "slope": "ohm", "intercept": "V", "spread": "V",
        "slope_uncertainty": "ohm", "intercept_uncertainty": "V",
    }  # fmt: skip
    density = SIGNATURES["noise_density"].answer({"column": VOLTAGE})
    assert density == VOLTAGE.over(Dimension(time=-1).power(0.5))


def test_those_in_steps_take_the_newest_part() -> None:
    assert list(IN_STEPS) == ["mean", "slope", "minimum", "maximum"]
    assert set(IN_STEPS) == OVER_TRACES
    for name, signature in IN_STEPS.items():
        assert usage(signature) == f"{name}(trace, column, newest)"
        assert signature.answers == SIGNATURES[name].answers


def test_how_a_calculation_is_told() -> None:
    assert usage(SIGNATURES["mean"]) == "mean(trace, column[, part])"
    assert answers_in_words(SIGNATURES["mean"]) == "a value"
    assert answers_in_words(SIGNATURES["largest_kink"]) == ".current, .deviation"
    assert answers_in_words(SIGNATURES["without_offset"]) == "a trace"
    assert answers_in_words(SIGNATURES["incremental_capacity"]) == (
        "a trace with `incremental_capacity`"
    )


def test_the_table_loads_no_numbers_library() -> None:
    code = (
        "import sys, sequencer.analysis.signatures, sequencer.analysis.results\n"
        "print([n for n in ('numpy', 'scipy', 'pydantic', 'pyvisa', 'rich') if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
