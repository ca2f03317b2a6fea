"""The one door to the calculations: what can't be an argument is refused before anything is done.

A recipe's arguments were checked and are numbers; a notebook may hand in anything. Knows
signatures. Whether a number fits the data is the calculation's own matter.
"""

from __future__ import annotations

import inspect
import math
from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any

import numpy as np

from grammar.quantity import TEMPERATURE, Dimension
from sequencer.analysis.calculations.picking import Answer
from sequencer.analysis.calculations.readings import Ends, Floats, NotWorkedOut, Table
from sequencer.analysis.signatures import Parameter, Signature

_LONGEST_SHOWN = 40


def looked_at(signature: Signature, function: Callable[..., Answer]) -> Callable[..., Answer]:
    """A calculation that looks at its arguments before it works.

    A column may be whatever numpy makes one row of numbers of, a value is a finite number (infinite
    only where its default is), a span two numbers, an open end infinite. They are handed on as
    float64 arrays and floats; anything else is refused with NotWorkedOut. Columns of different
    lengths are a mistake of the caller: ValueError.
    """
    shape = inspect.signature(function)
    names = tuple(shape.parameters)
    parameters = {parameter.name: parameter for parameter in signature.parameters}
    of_a_trace = "trace" in shape.parameters

    def looked_at_one(name: str, given: Any) -> Any:
        default = shape.parameters[name].default
        parameter = parameters.get(name)
        if given is default:
            return given
        if parameter is not None and parameter.takes == "value":
            return _value(parameter, given, default)
        if parameter is not None and parameter.takes == "span":
            return _span(parameter, given)
        if name == "before":
            return _reading_before(given)
        if not of_a_trace:
            return _column(name, given)
        return _trace(given) if name == "trace" else _name_of_column(given)

    @wraps(function)
    def calculate(*arguments: Any, **named: Any) -> Answer:
        told = dict(zip(names, arguments, strict=False)) | named
        given = {name: told[name] for name in names if name in told}
        if len(given) < len(arguments) + len(named):
            shape.bind(*arguments, **named)  # which says what is wrong, as for any function
        rows = 0
        for name, value in given.items():
            given[name] = found = looked_at_one(name, value)
            if isinstance(found, np.ndarray):
                # Each trace begins with its time.
                rows = len(found) if name.endswith("time") else rows
                if len(found) != rows:
                    raise ValueError("the columns of a trace have different lengths")
        return function(**given)

    return calculate


def _value(parameter: Parameter, given: Any, default: object) -> float:
    name = _words(parameter.name)
    value = _number(given)
    if value is None:
        raise NotWorkedOut(
            f"the {name} is {_shown(given)}, which is no number", f"a number{_unit(parameter)}"
        )
    if math.isnan(value):
        raise NotWorkedOut(f"the {name} is not a number", f"a number{_unit(parameter)}")
    if math.isinf(value) and value != default:
        raise NotWorkedOut(f"the {name} is infinite", f"a finite number{_unit(parameter)}")
    return value


def _span(parameter: Parameter, given: Any) -> Ends:
    name, wanted = _words(parameter.name), f"two numbers{_unit(parameter)}, from and to"
    ends = _several(given, 2)
    if ends is None:
        raise NotWorkedOut(f"the span “{name}” is {_shown(given)}, which is none", wanted)
    for end, which in zip(ends, ("first", "second"), strict=True):
        if math.isnan(end):
            raise NotWorkedOut(f"the {which} end of the span “{name}” is not a number", wanted)
    return ends[0], ends[1]


def _reading_before(given: Any) -> tuple[float, float, float]:
    """As a channel may have sent it: over range or empty is for the calculation to judge."""
    reading = _several(given, 3)
    if reading is None:
        raise NotWorkedOut(
            f"the reading before the trace is {_shown(given)}, which is none",
            "its time in s, its voltage in V and its current in A",
        )
    return reading[0], reading[1], reading[2]


def _column(name: str, given: Any) -> Floats:
    wanted = "an array or a list with a number for each reading"
    try:
        values = np.asarray(given)
        if values.dtype.kind not in "biufO":
            raise TypeError
        column: Floats = values.astype(np.float64, copy=False)
    except (TypeError, ValueError, OverflowError):
        raise NotWorkedOut(f"the {_words(name)} holds what is no number", wanted) from None
    if column.ndim != 1:
        raise NotWorkedOut(f"the {_words(name)} is {_shown(given)}, which is no column", wanted)
    return column


def _trace(given: Any) -> Table:
    columns = getattr(given, "columns", None)
    if not isinstance(columns, Mapping) or "time" not in columns:
        raise NotWorkedOut(
            f"the trace is {_shown(given)}, which is none", "a trace of a run, with its time"
        )
    name = str(getattr(given, "name", "trace"))
    return Table(name, {column: _column(column, values) for column, values in columns.items()})


def _name_of_column(given: Any) -> str:
    if not isinstance(given, str):
        raise NotWorkedOut(
            f"the column is {_shown(given)}, which is no name", "the name of a column of the trace"
        )
    return given


def _several(given: Any, count: int) -> list[float] | None:
    """So many numbers, None where it is anything else."""
    if isinstance(given, str | bytes | Mapping):
        return None
    try:
        numbers = [_number(each) for each in given]
    except TypeError:
        return None
    found = [number for number in numbers if number is not None]
    return found if len(found) == len(numbers) == count else None


def _number(given: Any) -> float | None:
    """A number as a float, NaN and infinity too; None where it is none, or a text of one."""
    if isinstance(given, str | bytes) or np.ndim(given) != 0:
        return None
    try:
        return float(given)
    except (TypeError, ValueError, OverflowError):
        return None


def _unit(parameter: Parameter) -> str:
    """The unit that a number is taken in: " in s"; a temperature is in kelvin here."""
    if not isinstance(parameter.dimension, Dimension):
        return " in SI units"
    unit = (TEMPERATURE if parameter.dimension.point else parameter.dimension).unit
    return f" in {unit}" if unit else ""


def _words(name: str) -> str:
    return name.replace("_", " ")


def _shown(given: Any) -> str:
    """What was handed in, short."""
    if isinstance(given, str):
        text = f"“{given}”"
    elif isinstance(given, np.ndarray):
        text = f"an array of shape {given.shape}"
    else:
        text = " ".join(repr(given).split())
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}…"
