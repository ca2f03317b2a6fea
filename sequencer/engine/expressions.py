"""Expressions of a recipe to compiled Python: resolved names, SI floats, no units.

Every value that a step can see lives in one list of floats, the memory; an expression becomes a
line of Python over that list. The line is written from typed nodes only, never from a person's
text, and knows nothing but the memory, the clock and a few functions of arithmetic. Units are the
checker's matter and are gone here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from functools import lru_cache
from types import CodeType, FunctionType
from typing import Any

from drivers.sensed import SENSED
from grammar import tree
from grammar.quantity import PLAIN, Dimension, write
from sequencer.engine.forms import (
    ALIKE,
    COLUMNS,
    SCALAR,
    ColumnCondition,
    Form,
    Margin,
    NoForm,
    ratio,
)
from sequencer.engine.newest import FUNCTIONS, Newest, Number, Part
from sequencer.engine.scope import Scope

__all__ = ["READINGS", "Comparison", "Condition", "Expressions", "Number", "Scope"]

READINGS = ("voltage", "current", "limited", "level", "charge", "energy", "since", "least current")
"""What the memory holds of each channel, in this order; the value of a sensor stands first."""

Condition = Callable[[], bool]
Comparison = tree.Compare | tree.Inside


class Expressions:
    """Compiles the expressions of one run.

    `channels` gives each channel's place in the memory, `limits` the span that a part's name
    stands for as a limit of a quantity, `relative` the ids of tolerances whose half width is a
    share of the centre, `facts` what is said of each part in numbers, `line` what reads a digital
    line. `newest` has the traces that some function looks at while they are being measured, and
    `only` the channel that has a quantity of a trace to itself.
    """

    def __init__(
        self,
        scope: Scope,
        channels: Mapping[str, int],
        dimensions: Mapping[int, Dimension],
        now: Callable[[], float],
        limits: Mapping[str, Callable[[str], tuple[float, float]]],
        relative: Collection[int],
        *,
        facts: Mapping[str, Mapping[str, float]],
        line: Callable[[str], Callable[[], bool]],
        newest: Mapping[str, Newest],
        only: Callable[[str, str], str | None],
    ) -> None:
        self.scope = scope
        self.channels = channels
        self.dimensions = dimensions
        self.limits = limits
        self.relative = relative
        self.facts = facts
        self.line = line
        self.newest = newest
        self.only = only
        self.columns: dict[tuple[str, str], int] = {}
        """Where the further columns of traces are kept, by trace and column."""
        self._names: dict[str, Any] = {
            "__builtins__": {},
            "m": scope.memory,
            "now": now,
            "ratio": ratio,
            "abs": abs,
            "min": min,
            "max": max,
            "round": round,
            "sqrt": _root,
            "ln": _logarithm,
            "exp": math.exp,
            "power": _power,
        }

    def number(self, node: tree.Expression) -> Number:
        """A function that gives the expression's present value in SI."""
        return self._compiled(self.source(node))  # type: ignore[no-any-return]

    def condition(self, node: tree.Expression) -> Condition:
        """A function that tells whether the condition holds at present."""
        return self._compiled(self.source(node))  # type: ignore[no-any-return]

    def over_columns(self, node: tree.Expression) -> ColumnCondition | None:
        """The same condition over columns of readings; None where it has no such form."""
        try:
            return ColumnCondition(self.source(node, COLUMNS))
        except NoForm:
            return None

    def comparisons(self, node: tree.Expression) -> list[tuple[Comparison, Margin]]:
        """The comparisons that all have to hold for a condition to hold, each with its margin.

        What is no comparison, and what has to hold in part only, has none.
        """
        match node:
            case tree.Logic() if node.operator == "and":
                return self.comparisons(node.left) + self.comparisons(node.right)
            case tree.Compare() | tree.Inside():
                try:
                    columns = self._distance(node, COLUMNS)
                except NoForm:
                    columns = ""  # nor is the condition ever judged over columns
                scalar = self._compiled(f"({self._distance(node, SCALAR)}, now())")
                return [(node, Margin(scalar, columns))]
            case _:
                return []

    def _distance(self, node: Comparison, form: Form) -> str:
        if isinstance(node, tree.Inside):
            low, high = self._ends(node.bounds, form)
            value = self.source(node.operand, form)
            return f"min({value} - {low}, {high} - {value})"
        sides = self.source(node.left, form), self.source(node.right, form)
        less, more = sides if node.operator.startswith("<") else reversed(sides)
        return f"({more} - {less})"

    def bounds(self, node: tree.Expression, quantity: str) -> Callable[[], tuple[float, float]]:
        """A function that gives the two ends of a limit of a quantity; a value L is -L to L."""
        if isinstance(node, tree.Name) and node.id in self.limits:
            ends = self.limits[node.id](quantity)
            return lambda: ends
        low, high = self._ends(node)
        return self._compiled(f"({low}, {high})")  # type: ignore[no-any-return]

    def span(self, node: tree.Expression) -> Callable[[], tuple[float, float]]:
        """A function that gives the two ends of a span."""
        low, high = self._ends(node)
        return self._compiled(f"({low}, {high})")  # type: ignore[no-any-return]

    def text(self, node: tree.Text) -> Callable[[], str]:
        """A function that gives a text with its values put in."""
        parts: list[str | tuple[Number, Dimension]] = []
        for part in node.parts:
            if isinstance(part, str):
                parts.append(part)
            else:
                parts.append((self.number(part), self.dimensions.get(id(part), PLAIN)))

        def fill() -> str:
            return "".join(p if isinstance(p, str) else _shown(p[0](), p[1]) for p in parts)

        return fill

    def _compiled(self, source: str) -> Any:
        return FunctionType(_code(source), self._names)

    def source(self, node: tree.Expression, form: Form = SCALAR) -> str:
        """The Python text of an expression in a form. Raises NoForm where it has none."""
        match node:
            case tree.Number():
                return repr(node.quantity.value)
            case tree.Name():
                return form.now if node.id == "elapsed" else f"m[{self.scope.place(node.id)}]"
            case tree.Member():
                return self._reading(node, form)
            case tree.Negative():
                return f"(-{self.source(node.operand, form)})"
            case tree.Not():
                return form.negation.format(self.source(node.operand, form))
            case tree.Binary():
                if node.operator == "^":
                    form.beyond()
                left, right = self.source(node.left, form), self.source(node.right, form)
                if node.operator == "^":
                    return f"power({left}, {right})"
                return f"({left} {node.operator} {right})"
            case tree.Compare():
                left, right = self.source(node.left, form), self.source(node.right, form)
                return f"({left} {node.operator} {right})"
            case tree.Logic():
                left, right = self.source(node.left, form), self.source(node.right, form)
                template = form.both if node.operator == "and" else form.either
                return template.format(left, right)
            case tree.Inside():
                low, high = self._ends(node.bounds, form)
                return form.inside.format(low, self.source(node.operand, form), high)
            case tree.IsState():
                form.beyond()
                state = self._bound(self.line(node.line.id))
                return f"({state} is {node.high})"
            case tree.Call() if node.function.id in FUNCTIONS and self._trace_of(node):
                form.beyond()
                return self._bound(self._of_newest(node))
            case tree.Call():
                if node.function.id not in ALIKE:
                    form.beyond()
                arguments = ", ".join(self.source(a.value, form) for a in node.arguments)
                return f"{node.function.id}({arguments})"
            case _:
                raise TypeError(f"{type(node).__name__} has no value of its own")

    def _bound(self, function: Callable[[], Any]) -> str:
        """The call of a function that an expression is made of, under a name of its own."""
        name = f"f{len(self._names)}"
        self._names[name] = function
        return f"{name}()"

    def _trace_of(self, node: tree.Call) -> str | None:
        first = node.arguments[0].value if node.arguments else None
        return first.id if isinstance(first, tree.Name) and first.id in self.newest else None

    def _of_newest(self, node: tree.Call) -> Number:
        """A function over the newest part of a trace: the trace, a column, a time."""
        unnamed = iter(("trace", "column", "newest"))
        arguments = {a.name or next(unnamed): a.value for a in node.arguments}
        trace = self._trace_of(node)
        assert trace is not None
        span = arguments.get("newest")
        part = Part(
            self._column(trace, arguments["column"]),
            self.number(span) if span is not None else None,
        )
        self.newest[trace].parts.append(part)
        function: Number = getattr(part, node.function.id)
        return function

    def _column(self, trace: str, node: tree.Expression) -> Number | None:
        """What gives a column's value in the row just measured; None is the time."""
        if isinstance(node, tree.Member):
            return self.number(node)
        assert isinstance(node, tree.Name)
        channel = self.only(trace, node.id)
        if channel is not None:
            return self.number(tree.Member(tree.Name(channel), node))
        if node.id == "time":
            return None
        columns, memory = self.columns, self.scope.memory
        return lambda: memory[columns[trace, node.id]]

    def _reading(self, node: tree.Member, form: Form) -> str:
        if node.base.id in self.facts:
            return repr(self.facts[node.base.id][node.field.id])
        base, field = self.channels[node.base.id], node.field.id
        if field == "power":
            return f"(m[{base}] * m[{base + 1}])"
        if field == "resistance":
            return f"ratio(m[{base}], m[{base + 1}], m[{base + READINGS.index('least current')}])"
        if field == "elapsed":
            return f"({form.now} - m[{base + READINGS.index('since')}])"
        if field == "limited":
            return f"(m[{base + 2}] != 0.0)"
        if field in SENSED:
            form.beyond()
            return f"m[{base}]"
        return f"m[{base + READINGS.index(field)}]"

    def _ends(self, node: tree.Expression, form: Form = SCALAR) -> tuple[str, str]:
        match node:
            case tree.Range():
                low = self.source(node.low, form) if node.low is not None else "-1e999"
                high = self.source(node.high, form) if node.high is not None else "1e999"
                return low, high
            case tree.Within():
                half = self.source(node.half, form)
                return f"(-{half})", half
            case tree.Tolerance():
                centre, half = self.source(node.centre, form), self.source(node.half, form)
                if id(node) in self.relative:
                    half = f"abs({centre}) * {half}"
                return f"({centre} - {half})", f"({centre} + {half})"
            case _:
                value = self.source(node, form)
                return f"(-abs({value}))", f"abs({value})"


@lru_cache(maxsize=4096)
def _code(source: str) -> CodeType:
    """A line of Python, ready to run: many runs of one recipe have the same ones."""
    function: FunctionType = eval(f"lambda: {source}", {})  # noqa: S307 - written here from typed nodes
    return function.__code__


def whole(value: float) -> int:
    """A count; one that isn't whole, as a person may type it, is none. Raises ValueError."""
    count = round(value)
    if abs(value - count) > 1e-9 * max(1.0, abs(value)):
        raise ValueError(f"{value:g} is no whole number")
    return count


def _root(value: float) -> float:
    if value < 0:
        raise ValueError(f"{value:g} is negative, and no number is its root")
    return math.sqrt(value)


def _logarithm(value: float) -> float:
    if value <= 0:
        raise ValueError(f"{value:g} has no logarithm")
    return math.log(value)


def _power(base: float, exponent: float) -> float:
    if base < 0 and exponent != round(exponent):
        raise ValueError(f"{base:g} is negative, and has no power of {exponent:g}")
    return float(base**exponent)


def _shown(value: float | bool, dimension: Dimension) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return write(value, dimension)
