"""Expressions of results to numbers, truth values and spans; where there is none, in which way.

Knows the tree and SI floats. What a name stands for and what a calculation gives is handed in.
"""

from __future__ import annotations

import math
import operator
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Set
from functools import partial
from typing import TypeVar

from grammar import tree
from grammar.quantity import Dimension
from sequencer.analysis.verdicts import NOT_WORKED_OUT, Missing, worst

FUNCTIONS: Mapping[str, Callable[..., float]] = {
    "abs": abs,
    "min": min,
    "max": max,
    "sqrt": math.sqrt,
    "ln": math.log,
    "exp": math.exp,
    "round": round,
}
_OPERATORS: Mapping[str, Callable[[float, float], float]] = {
    "+": operator.add,
    "-": operator.sub,
    "*": operator.mul,
    "/": operator.truediv,
    "^": operator.pow,
}
_COMPARISONS: Mapping[str, Callable[[float, float], bool]] = {
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}
_T = TypeVar("_T")


class Arithmetic(ABC):
    """Works expressions out. Every method that gives a value raises Missing where there is none.

    `dimensions` holds those of the expression nodes by their `id`, `relative` the ids of the
    tolerances whose half width is a share of the centre, both as the checker found them.
    """

    def __init__(self, dimensions: Mapping[int, Dimension], relative: Set[int]) -> None:
        self.dimensions = dimensions
        self.relative = relative

    @abstractmethod
    def named(self, node: tree.Name) -> float:
        """The value that a name stands for."""

    def answer(self, node: tree.Member) -> float:
        """One answer of a result that has several; only results have such."""
        raise TypeError(f"`{self.written(node)}` has no value here")

    @abstractmethod
    def calculated(self, node: tree.Call) -> float:
        """What a calculation over a trace gives."""

    @abstractmethod
    def written(self, node: tree.Expression) -> str:
        """The expression as the person wrote it."""

    def number(self, node: tree.Expression) -> float:
        """The value in SI."""
        match node:
            case tree.Number():
                return node.quantity.value
            case tree.Name():
                return self.named(node)
            case tree.Member():
                return self.answer(node)
            case tree.Negative():
                return -self.number(node.operand)
            case tree.Binary():
                return self._worked_out(
                    node, _OPERATORS[node.operator], self._all(node.left, node.right)
                )
            case tree.Call() if node.function.id in FUNCTIONS:
                arguments = self._all(*(a.value for a in node.arguments))
                return self._worked_out(node, FUNCTIONS[node.function.id], arguments)
            case tree.Call():
                return self.calculated(node)
            case tree.Compare() | tree.Inside() | tree.Logic() | tree.Not():
                return float(self.truth(node))
            case _:
                raise TypeError(f"{type(node).__name__} has no value in results")

    def truth(self, node: tree.Expression) -> bool:
        """Whether a condition holds.

        `and` and `or` are decided by one side alone where the other has no value and can't matter.
        """
        match node:
            case tree.Compare():
                return _COMPARISONS[node.operator](*self._all(node.left, node.right))
            case tree.Inside():
                (value,), (low, high) = _gathered(
                    lambda: (self.number(node.operand),), lambda: self.ends(node.bounds)
                )
                return low <= value <= high
            case tree.Not():
                return not self.truth(node.operand)
            case tree.Logic():
                return self._logic(node)
            case _:
                raise TypeError(f"{type(node).__name__} is no condition")

    def ends(self, node: tree.Expression) -> tuple[float, float]:
        """The ends of a span in SI, in the order written; an open one is infinite."""
        match node:
            case tree.Range():
                if node.low is None:
                    return -math.inf, self.number(node.high) if node.high else math.inf
                if node.high is None:
                    return self.number(node.low), math.inf
                low, high = self._all(node.low, node.high)
                return low, high
            case tree.Within():
                half = self.number(node.half)
                return -half, half
            case tree.Tolerance():
                centre, half = self._all(node.centre, node.half)
                if id(node) in self.relative:
                    half *= abs(centre)
                return centre - half, centre + half
            case _:
                raise TypeError(f"{type(node).__name__} is no span")

    def _all(self, *nodes: tree.Expression) -> list[float]:
        return _gathered(*(partial(self.number, node) for node in nodes))

    def _worked_out(
        self, node: tree.Expression, function: Callable[..., float], operands: list[float]
    ) -> float:
        try:
            value = function(*operands)
        except ZeroDivisionError:
            raise self._refused(node, "divides by zero") from None
        except OverflowError:
            raise self._refused(node, "is too large a number") from None
        except ValueError:
            raise self._refused(node, f"has no value for {operands[0]:g}") from None
        if isinstance(value, complex):
            raise self._refused(node, f"has no value for {operands[0]:g}")
        if not math.isfinite(value):
            raise self._refused(node, "is too large a number")
        return float(value)

    def _refused(self, node: tree.Expression, why: str) -> Missing:
        return Missing(NOT_WORKED_OUT, f"`{self.written(node)}` {why}")

    def _logic(self, node: tree.Logic) -> bool:
        decisive = node.operator == "or"
        missing: list[Missing] = []
        for side in (node.left, node.right):
            try:
                if self.truth(side) == decisive:
                    return decisive
            except Missing as found:
                missing.append(found)
        if missing:
            raise worst(missing)
        return not decisive


def _gathered(*values: Callable[[], _T]) -> list[_T]:
    """All of the values; where some are missing, the one that weighs most is raised."""
    found: list[_T] = []
    missing: list[Missing] = []
    for value in values:
        try:
            found.append(value())
        except Missing as error:
            missing.append(error)
    if missing:
        raise worst(missing)
    return found
