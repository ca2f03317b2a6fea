"""Every calculation on data that no bench should give: a clear refusal, or a right kind of number.

Each one's own example is spoilt in one way after another. What is asked is that nothing but the
refusal is raised, that it says what is wrong and what is missing, and that no answer is empty or
without bound. Which data each refuses, in which words, is for its own tests.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

import numpy as np
import pytest

from sequencer.analysis.calculations import (
    CALCULATIONS,
    Calculated,
    NotWorkedOut,
    Several,
    Table,
)
from sequencer.analysis.signatures import SIGNATURES
from tests.sequencer.analysis.examples import EXAMPLES, Example
from tests.sequencer.analysis.made_traces import Floats

Spoil = Callable[[str, Floats], Floats]
"""A column's name and values to spoilt ones."""


def first_rows(number: int) -> Spoil:
    return lambda _, values: values[:number]


def to_readings(change: Callable[[Floats], Floats]) -> Spoil:
    """Changes what was read, neither the time nor what the instrument says of its limit."""
    return lambda name, values: values if name in ("time", "smu.limited") else change(values)


def to_time(change: Callable[[Floats], Floats]) -> Spoil:
    return lambda name, values: change(values) if name == "time" else values


def to_column(column: str, change: Callable[[Floats], Floats]) -> Spoil:
    return lambda name, values: change(values) if name == column else values


def middle(value: float) -> Callable[[Floats], Floats]:
    def change(values: Floats) -> Floats:
        values = values.copy()
        values[len(values) // 2] = value
        return values

    return change


def swapped(values: Floats) -> Floats:
    values = values.copy()
    third = len(values) // 3
    values[[third, 2 * third]] = values[[2 * third, third]]
    return values


def noise(values: Floats) -> Floats:
    return np.random.default_rng(1).normal(0.0, 1.0, len(values))


def last_bit(values: Floats) -> Floats:
    same = np.full(len(values), values[-1])
    return np.where(np.arange(len(values)) % 2, same, np.nextafter(same, np.inf))


HOSTILE: Mapping[str, Spoil] = {
    "no reading": first_rows(0),
    "one reading": first_rows(1),
    "two readings": first_rows(2),
    "three readings": first_rows(3),
    "five readings": first_rows(5),
    "constant": to_readings(lambda values: np.full(len(values), values[-1])),
    "constant but for the last bit": to_readings(last_bit),
    "all zero": to_readings(np.zeros_like),
    "a place empty": to_readings(middle(np.nan)),
    "a voltage empty": to_column("smu.voltage", middle(np.nan)),
    "a current empty": to_column("smu.current", middle(np.nan)),
    "all empty": to_readings(lambda values: np.full(len(values), np.nan)),
    "over range": to_readings(middle(np.inf)),
    "over range below": to_readings(middle(-np.inf)),
    "all over range": to_readings(lambda values: np.full(len(values), np.inf)),
    "unsorted": to_time(swapped),
    "twice at one time": to_time(lambda time: np.repeat(time[::2], 2)[: len(time)]),
    "backwards": to_time(lambda time: time[::-1].copy()),
    "a time empty": to_time(middle(np.nan)),
    "a time without bound": to_time(lambda time: np.append(time[:-1], np.inf)),
    "uneven": to_time(lambda time: time + 0.7 * (time - time[0]) ** 2 / (time[-1] - time[0])),
    "long ago": to_time(lambda time: time + 1e9),
    "limit held": to_column("smu.limited", np.ones_like),
    "limit at times": to_column("smu.limited", lambda limited: np.arange(len(limited)) % 2 * 1.0),
    "the wrong sign": to_column("smu.current", np.negative),
    "the voltage constant": to_column("smu.voltage", lambda values: np.full(len(values), 1.0)),
    "the current constant": to_column("smu.current", lambda values: np.full(len(values), 1.0)),
    "noise alone": to_readings(noise),
    "one spike": to_readings(lambda values: middle(1.0)(np.zeros(len(values)))),
    "a jump": to_readings(lambda values: (np.arange(len(values)) > len(values) / 2) * 1.0),
    # What instruments send for infinity, taken for a number.
    "huge": to_readings(lambda values: 9.9e37 * values),
    "one huge": to_readings(middle(9.9e37)),
    "tiny": to_readings(lambda values: 1e-60 * values),
}
NOTHING_TO_GO_BY = ("no reading", "unsorted", "backwards", "a time empty", "a time without bound")
VALUES = (0.0, -1.0, 1e-12, 1e12)
"""What values and ends of spans are in place of those that fit."""


def spoilt(trace: Table, spoil: Spoil) -> Table:
    with np.errstate(all="ignore"):
        return Table("trace", {name: spoil(name, c) for name, c in trace.columns.items()})


def call(
    name: str, example: Example, others: Mapping[str, object] | None = None
) -> Calculated | Several | Table:
    signature = SIGNATURES[name]
    traces = [p.name for p in signature.parameters if p.takes == "trace"]
    given = dict(zip(traces, example.traces, strict=True))
    return CALCULATIONS[name](**given, **(example.others if others is None else others))


def numbers_in(name: str, answer: Calculated | Several | Table) -> Iterator[float]:
    if isinstance(answer, Calculated):
        yield answer.value
    elif isinstance(answer, Several):
        assert {*answer.values, *answer.refused} == {*SIGNATURES[name].answers}
        yield from answer.values.values()
    else:
        assert len({len(column) for column in answer.columns.values()}) == 1
        for column in ("time", *SIGNATURES[name].answers):
            yield from answer.columns[column].tolist()


def answered(name: str, example: Example, others: Mapping[str, object] | None = None) -> bool:
    """Whether it answered in full; anything but numbers or a refusal in words fails."""
    try:
        answer = call(name, example, others)
    except NotWorkedOut as refusal:
        refusals = [refusal]
    else:
        assert np.all(np.isfinite(list(numbers_in(name, answer)))), answer
        assert answer.method
        refusals = list(answer.refused.values()) if isinstance(answer, Several) else []
    for refusal in refusals:
        for words in (refusal.message, refusal.what_is_missing):
            assert len(words.split()) > 2, words
            assert not {"nan", "inf", "-inf"} & set(words.replace(",", " ").split()), words
    return not refusals


def test_every_calculation_has_its_example_and_answers_it() -> None:
    assert set(EXAMPLES) == set(CALCULATIONS)
    assert [name for name, example in EXAMPLES.items() if not answered(name, example)] == []


@pytest.mark.parametrize("case", HOSTILE)
@pytest.mark.parametrize("name", [name for name in CALCULATIONS if EXAMPLES[name].traces])
def test_hostile_data(name: str, case: str) -> None:
    traces, others = EXAMPLES[name]
    for place, trace in enumerate(traces):
        bad = spoilt(trace, HOSTILE[case])
        given = Example((*traces[:place], bad, *traces[place + 1 :]), others)
        found = answered(name, given)
        assert not (found and case in NOTHING_TO_GO_BY)


@pytest.mark.parametrize("name", CALCULATIONS)
def test_hostile_values(name: str) -> None:
    example = EXAMPLES[name]
    for key, value in example.others.items():
        for number in () if isinstance(value, str) else VALUES:
            wrong = (number, 2 * number) if isinstance(value, tuple) else number
            answered(name, example, {**example.others, key: wrong})


def refusing(**_: object) -> Calculated:
    raise NotWorkedOut("nan", "more")


@pytest.mark.parametrize(
    "wrong",
    [
        lambda **_: Calculated(float("nan"), "by guess"),
        lambda **_: Calculated(1.0, ""),
        lambda **_: Calculated([1.0][3], "by guess"),
        refusing,
    ],
)
def test_this_can_fail(wrong: Callable[..., Calculated], monkeypatch: pytest.MonkeyPatch) -> None:
    """No number, no method, tripped over its data, refused without words."""
    monkeypatch.setitem(CALCULATIONS, "mean", wrong)
    with pytest.raises((AssertionError, IndexError)):
        answered("mean", EXAMPLES["mean"])
