"""The calculations that `results:` may call: their arguments and what comes out, without numpy.

The checker reads this table to type results before anything runs; `sequencer.analysis.calculations`
holds the functions of the same names. A test holds the two together.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from grammar.quantity import CAPACITANCE, CHARGE, ENERGY, RESISTANCE, TIME, VOLTAGE, Dimension

Takes = Literal["trace", "column", "span", "value"]


@dataclass(frozen=True)
class Parameter:
    """One argument: what it takes, and its dimension (None where any will do, or none applies)."""

    name: str
    takes: Takes
    dimension: Dimension | None = None
    optional: bool = False


@dataclass(frozen=True)
class Signature:
    """A calculation's arguments and the dimension of its answer.

    `answer` is given the dimensions of the arguments by name (a column's is its unit's). Where
    `looks_back`, the calculation may also be given the channel's newest reading before the trace.
    """

    name: str
    parameters: tuple[Parameter, ...]
    answer: Callable[[Mapping[str, Dimension]], Dimension]
    text: str
    looks_back: bool = False


_TRACE = Parameter("trace", "trace")
_COLUMN = Parameter("column", "column")
_PART = Parameter("part", "span", TIME, optional=True)


def _signature(
    name: str,
    parameters: tuple[Parameter, ...],
    answer: Dimension | Callable[[Mapping[str, Dimension]], Dimension],
    text: str,
    looks_back: bool = False,
) -> tuple[str, Signature]:
    if isinstance(answer, Dimension):
        fixed = answer
        return name, Signature(name, parameters, lambda _: fixed, text, looks_back)
    return name, Signature(name, parameters, answer, text, looks_back)


def _of_column(dimensions: Mapping[str, Dimension]) -> Dimension:
    return dimensions["column"]


SIGNATURES: dict[str, Signature] = dict(
    (
        _signature(
            "capacitance",
            (_TRACE, Parameter("between", "span", VOLTAGE)),
            CAPACITANCE,
            "from the time between two voltages of a constant-current discharge or charge",
        ),
        _signature(
            "internal_resistance",
            (_TRACE, Parameter("between", "span", VOLTAGE)),
            RESISTANCE,
            "from the straight part between two voltages, extrapolated back to the start",
            looks_back=True,
        ),
        _signature("energy", (_TRACE,), ENERGY, "difference of the recorded energy counter"),
        _signature("charge", (_TRACE,), CHARGE, "difference of the recorded charge counter"),
        _signature("mean", (_TRACE, _COLUMN, _PART), _of_column, "mean of a column"),
        _signature("minimum", (_TRACE, _COLUMN, _PART), _of_column, "smallest of a column"),
        _signature("maximum", (_TRACE, _COLUMN, _PART), _of_column, "largest of a column"),
        _signature(
            "slope",
            (_TRACE, _COLUMN, _PART),
            lambda dimensions: dimensions["column"].over(TIME),
            "slope of a column against time, by least squares",
        ),
    )
)
