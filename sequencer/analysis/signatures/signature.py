"""What a signature is: a calculation's arguments and answers, and rules for their dimensions.

Knows no calculation in particular and works nothing out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Literal, NamedTuple

from grammar.quantity import (
    CURRENT,
    TEMPERATURE_POINT,
    TIME,
    VOLTAGE,
    Dimension,
)

Takes = Literal["trace", "column", "span", "value"]
Rule = Callable[[Mapping[str, Dimension]], Dimension]
"""A dimension that is worked out from those of the arguments by name (a column's is its unit's)."""

Needs = Literal["constant current", "a reading before it", "a reference record", "a capture"]


class Parameter(NamedTuple):
    """One argument: what it takes, and of which dimension.

    `dimension` is None where any will do, or none applies. `default` says in words what is taken
    where the argument is left out, and is empty where it must be given; a column that is left out
    is the trace's only one of the argument's name. Where `scaled`, a temperature in °C won't do,
    since a point on a scale can't be multiplied.
    """

    name: str
    takes: Takes
    dimension: Dimension | Rule | None = None
    default: str = ""
    scaled: bool = False

    @property
    def optional(self) -> bool:
        """Whether it may be left out."""
        return bool(self.default)

    def wanted(self, given: Mapping[str, Dimension]) -> Dimension | None:
        """The dimension that it must have beside the arguments before it; None where any will do.

        Also None where an argument that it goes by has a problem, and so no dimension.
        """
        try:
            return self.dimension(given) if callable(self.dimension) else self.dimension
        except KeyError:
            return None


class Signature(NamedTuple):
    """A calculation: its arguments, and its answers with their dimensions by name.

    A single answer has the name "". Where `gives_trace`, the answer is the first trace with its
    columns worked on, and `answers` are columns that it has besides. `needs` says what the trace
    must hold that its columns don't tell.
    """

    name: str
    parameters: tuple[Parameter, ...]
    answers: Mapping[str, Dimension | Rule]
    text: str
    gives_trace: bool = False
    needs: tuple[Needs, ...] = ()

    @property
    def single(self) -> bool:
        """Whether it gives one value, which needs no name."""
        return not self.gives_trace and "" in self.answers

    @property
    def looks_back(self) -> bool:
        """Whether it may also be given the channel's newest reading before the trace."""
        return "a reading before it" in self.needs

    @property
    def one_channel(self) -> bool:
        """Whether it takes voltage and current of a trace's only channel: it names no column."""
        return not any(parameter.takes == "column" for parameter in self.parameters)

    def dimensions(self, given: Mapping[str, Dimension]) -> dict[str, Dimension]:
        """The dimensions of the answers, from those of the arguments by name."""
        return {
            name: found(given) if callable(found) else found for name, found in self.answers.items()
        }

    def answer(self, given: Mapping[str, Dimension]) -> Dimension:
        """The dimension of a single answer, from those of the arguments by name."""
        return self.dimensions(given)[""]


def usage(signature: Signature) -> str:
    """How it is called, for a person: "mean(trace, column[, part])"."""
    parts = [
        f"[, {parameter.name}]" if parameter.optional else f", {parameter.name}"
        for parameter in signature.parameters
    ]
    return f"{signature.name}({''.join(parts).removeprefix(', ')})"


def answers_in_words(signature: Signature) -> str:
    """What comes out, for a person: "a value", "a trace", or the names of the answers."""
    if signature.gives_trace:
        return " ".join(["a trace", *(f"with `{name}`" for name in signature.answers)])
    return "a value" if signature.single else ", ".join(f".{name}" for name in signature.answers)


def like(name: str) -> Rule:
    """Of the dimension of an argument; a temperature in °C stays one."""
    return lambda given: given[name]


def difference_of(name: str) -> Rule:
    """Of differences between values of an argument: K where that is in °C."""
    return lambda given: given[name]._replace(point=False)


def over(name: str, other: Dimension | str) -> Rule:
    """Of an argument over a dimension, or over another argument."""
    return lambda given: given[name].over(given[other] if isinstance(other, str) else other)


TRACE = Parameter("trace", "trace")
COLUMN = Parameter("column", "column")
PART = Parameter("part", "span", TIME, "all of it")
VOLTAGES = Parameter("between", "span", VOLTAGE)
OWN_VOLTAGE = Parameter("voltage", "column", VOLTAGE, "the trace's only voltage")
OWN_CURRENT = Parameter("current", "column", CURRENT, "the trace's only current")
CURRENTS = Parameter("between", "span", CURRENT)
AT_TEMPERATURE = Parameter("temperature", "value", TEMPERATURE_POINT)

CONSTANT_CURRENT: tuple[Needs, ...] = ("constant current",)
LOOKS_BACK: tuple[Needs, ...] = ("a reading before it",)
