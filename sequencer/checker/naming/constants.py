"""Values that are known before a run: literals, spans of literals, and expressions over settings.

Folds what it is handed the values for and gives None for everything else; knows no names, no units
(values are in SI) and reports nothing.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Callable, Mapping
from typing import Any

from grammar import tree
from sequencer.checker.facts import PartFacts, SettingFacts

_OPERATORS: dict[str, Callable[[Any, Any], Any]] = {
    "+": operator.add,
    "-": operator.sub,
    "*": operator.mul,
    "/": operator.truediv,
    "^": operator.pow,
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}
_FUNCTIONS: dict[str, Callable[..., float]] = {
    "abs": abs,
    "min": min,
    "max": max,
    "sqrt": math.sqrt,
    "ln": math.log,
    "exp": math.exp,
    "round": round,
}


def constant(node: tree.Expression | None) -> float | None:
    """The SI value of a number literal with or without a sign, None for anything else."""
    if isinstance(node, tree.Number):
        return node.quantity.value
    if isinstance(node, tree.Negative) and isinstance(node.operand, tree.Number):
        return -node.operand.quantity.value
    return None


def span_ends(
    node: tree.Expression | None,
    relative: bool = False,
    value_of: Callable[[tree.Expression | None], float | None] = constant,
) -> tuple[float, float] | None:
    """The ends of a span in SI, an infinity where one is open, None where one isn't known.

    `relative` says that a tolerance is a share of its centre; `value_of` evaluates the ends.
    """
    low: float | None
    high: float | None
    match node:
        case tree.Range():
            low = -math.inf if node.low is None else value_of(node.low)
            high = math.inf if node.high is None else value_of(node.high)
        case tree.Within():
            high = value_of(node.half)
            low = -high if high is not None else None
        case tree.Tolerance():
            centre, half = value_of(node.centre), value_of(node.half)
            if centre is None or half is None:
                return None
            half = half * abs(centre) if relative else half
            low, high = centre - half, centre + half
        case _:
            return None
    return (low, high) if low is not None and high is not None else None


class Folding:
    """Works out expressions over settings and facts of parts.

    `relative` holds the ids of relative tolerances, `named` the values of other names by the `id`
    of the node that stands for one, where they are known before a run.
    """

    def __init__(
        self,
        settings: Mapping[str, SettingFacts],
        relative: set[int],
        parts: Mapping[str, PartFacts],
    ) -> None:
        self.settings = settings
        self.relative = relative
        self.parts = parts
        self.named: dict[int, float] = {}

    def value(self, node: tree.Expression | None) -> float | None:
        """The SI value of an expression, None where it isn't known before the run."""
        result = self._fold(node)
        if result is None or isinstance(result, bool) or not math.isfinite(result):
            return None
        return float(result)

    def truth(self, node: tree.Expression) -> bool | None:
        """Whether a condition holds, None where that isn't known before the run."""
        result = self._fold(node)
        return result if isinstance(result, bool) else None

    def ends(self, node: tree.Expression | None) -> tuple[float, float] | None:
        """The ends of a span, None where they aren't known before the run."""
        return span_ends(node, id(node) in self.relative, self.value)

    def _fold(self, node: tree.Expression | None) -> Any:
        try:
            return self._folded(node)
        except (ArithmeticError, ValueError):
            return None

    def _folded(self, node: tree.Expression | None) -> Any:
        match node:
            case tree.Number():
                return node.quantity.value
            case tree.Name():
                facts = self.settings.get(node.id)
                return facts.value if facts is not None else self.named.get(id(node))
            case tree.Member():
                part = self.parts.get(node.base.id)
                fact = part.facts.get(node.field.id.replace("_", " ")) if part else None
                return fact if isinstance(fact, float) else None
            case tree.Negative():
                return self._over(operator.neg, node.operand)
            case tree.Not():
                return self._over(operator.not_, node.operand)
            case tree.Binary() | tree.Compare():
                result = self._over(_OPERATORS[node.operator], node.left, node.right)
                return None if isinstance(result, complex) else result
            case tree.Logic():
                left, right = self._fold(node.left), self._fold(node.right)
                deciding = node.operator == "or"
                if deciding in (left, right):
                    return deciding
                return None if left is None or right is None else not deciding
            case tree.Inside():
                value, ends = self.value(node.operand), self.ends(node.bounds)
                return None if value is None or ends is None else ends[0] <= value <= ends[1]
            case tree.Call() if node.function.id in _FUNCTIONS:
                return self._over(_FUNCTIONS[node.function.id], *(a.value for a in node.arguments))
            case _:
                return None

    def _over(self, function: Callable[..., Any], *nodes: tree.Expression) -> Any:
        values = [self._fold(node) for node in nodes]
        return None if None in values else function(*values)
