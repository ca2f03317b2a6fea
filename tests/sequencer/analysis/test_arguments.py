"""What is handed to a calculation from Python: lists for arrays, and refusals of what is no number.

Every public calculation is called with its own example, one argument changed.
"""

from __future__ import annotations

import math
import subprocess
import sys
from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

import numpy as np
import pytest

from sequencer import analysis
from sequencer.analysis.calculations import BY_NAME, OF_ARRAYS, Calculated, NotWorkedOut, Table
from sequencer.analysis.calculations.picking import on_traces
from sequencer.analysis.signatures import SIGNATURES
from tests.sequencer.analysis.examples import EXAMPLES

QUANTITIES = {function.__name__: quantities for function, quantities in OF_ARRAYS.items()}
WITH_COLUMNS = [name for name in QUANTITIES if EXAMPLES[name].traces]
NO_NUMBERS: dict[str, Any] = {
    "not a number": math.nan,
    "a text": "2",
    "nothing": None,
    "two": (1.0, 2.0),
    "an array": np.ones(3),
    "complex": 1j,
}
LEFT_OUT = {(name, "nothing") for name in ("capacity", "state_of_health", "alternating_resistance")}


def arguments_of(name: str) -> tuple[list[Any], dict[str, Any]]:
    """What the function of arrays is given for its example: the arrays, then the others."""
    example, signature = EXAMPLES[name], SIGNATURES[name]
    if name not in QUANTITIES:
        return [*example.traces], {**example.others}
    kept: list[tuple[list[Any], dict[str, Any]]] = []

    def keep(*arrays: Any, **others: Any) -> Calculated:
        kept.append(([*arrays], others))
        return Calculated(0.0, "kept")

    traces = [p.name for p in signature.parameters if p.takes == "trace"]
    by_name = dict(zip(traces, example.traces, strict=True))
    on_traces(signature, keep, QUANTITIES[name])(**by_name, **example.others)
    return kept[0]


def that_take(takes: str) -> list[str]:
    """The calculations with such an argument."""
    return [s.name for s in SIGNATURES.values() if any(p.takes == takes for p in s.parameters)]


def changed(name: str, takes: str) -> Iterator[tuple[str, Callable[[Any], object]]]:
    """Every argument of a kind by its name, with a call that has another in its place."""
    arrays, others = arguments_of(name)
    for parameter in SIGNATURES[name].parameters:
        if parameter.takes == takes:

            def call(given: Any, own: str = parameter.name) -> object:
                return BY_NAME[name](*arrays, **{**others, own: given})

            yield parameter.name.replace("_", " "), call


def refused(call: Callable[[Any], object], given: Any) -> NotWorkedOut:
    with pytest.raises(NotWorkedOut) as told:
        call(given)
    assert len(told.value.what_is_missing.split()) > 1
    return told.value


def test_every_public_calculation_is_looked_at() -> None:
    assert set(BY_NAME) == set(SIGNATURES) == set(EXAMPLES)
    takes = {p.takes for signature in SIGNATURES.values() for p in signature.parameters}
    assert takes == {"trace", "column", "span", "value"}


@pytest.mark.parametrize("case", NO_NUMBERS)
@pytest.mark.parametrize("name", that_take("value"))
def test_a_value_that_is_no_number_is_refused(name: str, case: str) -> None:
    for words, call in changed(name, "value"):
        # None stands for what is left out, in those that go by the trace then.
        if (name, case) not in LEFT_OUT:
            message = refused(call, NO_NUMBERS[case]).message
            assert message.startswith(f"the {words} is "), message
            assert message.endswith(("no number", "not a number")), message


@pytest.mark.parametrize("name", that_take("value"))
def test_a_value_without_bound_is_refused(name: str) -> None:
    for words, call in changed(name, "value"):
        for given in (math.inf, -math.inf):
            # A diode without a shunt has an infinite one.
            if (name, words, given) != ("diode_fit", "shunt", math.inf):
                assert refused(call, given).message == f"the {words} is infinite"


@pytest.mark.parametrize("case", NO_NUMBERS)
@pytest.mark.parametrize("name", that_take("span"))
def test_a_span_with_an_end_that_is_no_number_is_refused(name: str, case: str) -> None:
    for words, call in changed(name, "span"):
        for given in ((NO_NUMBERS[case], 1.0), (1.0, NO_NUMBERS[case])):
            message = refused(call, given).message
            assert f"span “{words}” is" in message, message


@pytest.mark.parametrize("given", [1.0, "ab", (1.0,), (1.0, 2.0, 3.0), {1.0: 2.0, 3.0: 4.0}])
@pytest.mark.parametrize("name", that_take("span"))
def test_what_is_no_span_is_refused(name: str, given: Any) -> None:
    for words, call in changed(name, "span"):
        assert refused(call, given).message.startswith(f"the span “{words}” is ")


@pytest.mark.parametrize("name", BY_NAME)
def test_numbers_may_be_of_any_kind(name: str) -> None:
    """The same to the last bit, words and all."""
    arrays, others = arguments_of(name)
    usual = BY_NAME[name](*arrays, **others)
    for kind in (np.float64, np.array, lambda number: Decimal(repr(number))):

        def other(given: Any, kind: Callable[[float], Any] = kind) -> Any:
            if isinstance(given, tuple):
                return [kind(end) for end in given]
            return given if isinstance(given, str) else kind(given)

        again = BY_NAME[name](*arrays, **{key: other(given) for key, given in others.items()})
        assert repr(again) == repr(usual)


@pytest.mark.parametrize("kind", [list, tuple, lambda values: values.astype(object)])
@pytest.mark.parametrize("name", WITH_COLUMNS)
def test_columns_may_be_lists(name: str, kind: Callable[[Any], Any]) -> None:
    arrays, others = arguments_of(name)
    usual = BY_NAME[name](*arrays, **others)
    assert repr(BY_NAME[name](*map(kind, arrays), **others)) == repr(usual)


@pytest.mark.parametrize(
    ("given", "why"),
    [
        ("abc", "holds what is no number"),
        (["1 V", "2 V"], "holds what is no number"),
        ([1.0, [2.0, 3.0]], "holds what is no number"),
        (np.array(["2026-03-14"], "M8[D]"), "holds what is no number"),
        (None, "is None, which is no column"),
        (2.5, "is 2.5, which is no column"),
        (np.ones((2, 3)), "is an array of shape (2, 3), which is no column"),
    ],
)
@pytest.mark.parametrize("name", WITH_COLUMNS)
def test_what_is_no_column_is_refused(name: str, given: Any, why: str) -> None:
    arrays, others = arguments_of(name)
    for place in range(len(arrays)):
        other = [*arrays[:place], given, *arrays[place + 1 :]]
        with pytest.raises(NotWorkedOut) as told:
            BY_NAME[name](*other, **others)
        assert told.value.message.endswith(f" {why}")
        assert told.value.what_is_missing == "an array or a list with a number for each reading"


@pytest.mark.parametrize("name", WITH_COLUMNS)
def test_columns_of_different_lengths_are_a_mistake(name: str) -> None:
    """Without it some answered with a number, from rows that don't belong together."""
    arrays, others = arguments_of(name)
    for place in range(len(arrays)):
        other = [*arrays[:place], arrays[place][:-1], *arrays[place + 1 :]]
        with pytest.raises(ValueError, match="the columns of a trace have different lengths"):
            BY_NAME[name](*other, **others)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (
            lambda t: analysis.crossing_time(t, t, math.nan),
            "the level is not a number; missing: a number in SI units",
        ),
        (
            lambda t: analysis.allan_deviation(t, t, math.nan),
            "the averaging is not a number; missing: a number in s",
        ),
        (
            lambda t: analysis.noise_density(t, t, (math.nan, 1.0)),
            "the first end of the span “band” is not a number; "
            "missing: two numbers in Hz, from and to",
        ),
        (
            lambda t: analysis.shot_noise("1 nA"),
            "the current is “1 nA”, which is no number; missing: a number in A",
        ),
        (
            # From Python a temperature is in kelvin.
            lambda t: analysis.johnson_noise(1e6, math.inf),
            "the temperature is infinite; missing: a finite number in K",
        ),
        (
            lambda t: analysis.step_resistance(t, t, t, 1.0, before=(0.0, 1.0)),
            "the reading before the trace is (0.0, 1.0), which is none; "
            "missing: its time in s, its voltage in V and its current in A",
        ),
        (
            lambda t: analysis.without_offset([1, 2], "voltage", 0.1),
            "the trace is [1, 2], which is none; missing: a trace of a run, with its time",
        ),
        (
            lambda t: analysis.without_offset(Table("T", {"time": t}), 3, 0.1),
            "the column is 3, which is no name; missing: the name of a column of the trace",
        ),
    ],
)  # fmt: skip
def test_a_refusal_in_full(call: Callable[[Any], object], words: str) -> None:
    with pytest.raises(analysis.NotWorkedOut) as told:
        call(np.arange(5.0))
    assert str(told.value) == words


def test_an_open_span_is_taken() -> None:
    time = np.arange(5.0)
    assert analysis.mean(time, time, (2, math.inf)).value == 3.0
    assert analysis.mean(time, time, (-math.inf, 2)).value == 1.0


def test_columns_may_be_named_in_any_order() -> None:
    time, values = np.arange(5.0), np.arange(5.0) * 2
    assert analysis.mean(values=values, time=time).value == 4.0
    assert analysis.mean(part=(0, 1), values=values, time=time).value == 1.0
    with pytest.raises(TypeError, match="unexpected keyword argument 'colour'"):
        analysis.mean(time, values, colour=3)
    with pytest.raises(TypeError, match="multiple values for argument 'time'"):
        analysis.mean(time, values, time=time)
    with pytest.raises(TypeError, match="too many positional arguments"):
        analysis.mean(time, values, None, 3)


def test_a_call_with_too_little_is_python_s_own_error() -> None:
    with pytest.raises(TypeError, match="missing 1 required positional argument: 'level'"):
        analysis.crossing_time([0, 1], [0, 1])


def test_a_notebook_finds_the_names_and_loads_nothing_for_it() -> None:
    assert {*SIGNATURES, "NotWorkedOut"} == set(analysis.__all__) <= set(dir(analysis))
    assert all(getattr(analysis, name).__doc__ for name in analysis.__all__)
    code = (
        "import sys, sequencer.analysis as a; assert 'mean' in dir(a); assert a.__all__;"
        "assert 'numpy' not in sys.modules;"
        "from sequencer.analysis import *; assert mean([0, 1], [1, 3]).value == 2; NotWorkedOut"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
