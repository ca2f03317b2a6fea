"""The values of expressions in one run, worked out as the language says. Knows no step."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from contextlib import suppress

from grammar import tree
from tests.sequencer.checker_worst.adversary import Bench, Ends

Row = tuple[float, dict[str, float]]
"""The time of a trace's row, and its columns."""


class Values:
    """Names, traces and readings of one run; `blocks` are those around the step at hand."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.checked = bench.checked
        self.blocks: list[dict[str, float]] = [{}]
        self.traces: dict[str, list[Row]] = {}

    def known(self, node: tree.Expression) -> float:
        """The value of an expression that a step can work with: none at all fails the run."""
        found = self.value(node)
        if not math.isfinite(found):
            raise Ends
        return found

    def value(self, node: tree.Expression) -> float:
        """The value of an expression; a division by zero and the like fail the run."""
        try:
            found = self._value(node)
        except (ArithmeticError, ValueError):
            raise Ends from None
        if isinstance(found, complex):
            raise Ends
        return found

    def limit(self, node: tree.Expression, mode: str) -> tuple[float, float]:
        """The two sides of a limit."""
        if isinstance(node, tree.Name) and node.id in self.checked.parts:
            rated = "current" if mode == "voltage" else "voltage"
            low, high = self.checked.parts[node.id].ratings[rated]
            return low + 0.01 * abs(low), high - 0.01 * abs(high)
        if isinstance(node, tree.Range | tree.Within | tree.Tolerance):
            low, high = self.ends(node)
        else:
            size = abs(self.value(node))
            low, high = -size, size
        if not (math.isfinite(low) and math.isfinite(high)):
            raise Ends
        return low, high

    def series(self, node: tree.Expression) -> list[float]:
        """The values of a list."""
        assert isinstance(node, tree.Call)
        values = [self.known(a.value) for a in node.arguments]
        if node.function.id == "values":
            return values
        a, b, n = values
        return self.levels(a, b, round(n), node.function.id == "logarithmic")

    def levels(self, a: float, b: float, n: int, logarithmic: bool) -> list[float]:
        """n values from a to b, evenly or in equal ratios."""
        if n < 2:
            return [a] * n
        shares = [k / (n - 1) for k in range(n)]
        if not logarithmic:
            return [a + (b - a) * share for share in shares]
        if a == 0 or b / a <= 0:
            raise Ends
        return [a * (b / a) ** share for share in shares]

    def ends(self, node: tree.Expression) -> tuple[float, float]:
        """The ends of a span."""
        match node:
            case tree.Range():
                low = self.value(node.low) if node.low is not None else -math.inf
                high = self.value(node.high) if node.high is not None else math.inf
                return low, high
            case tree.Within():
                half = self.value(node.half)
                return -half, half
            case tree.Tolerance():
                centre, half = self.value(node.centre), self.value(node.half)
                if id(node) in self.checked.relative:
                    half *= abs(centre)
                return centre - half, centre + half
        raise TypeError(type(node).__name__)

    def truth(self, node: tree.Expression) -> bool:
        """Whether a condition holds; lines and the person are as the dice say."""
        match node:
            case tree.Not():
                return not self.truth(node.operand)
            case tree.Logic("and"):
                return self.truth(node.left) and self.truth(node.right)
            case tree.Logic():
                return self.truth(node.left) or self.truth(node.right)
            case tree.Compare():
                a, b = self.value(node.left), self.value(node.right)
                return {"<": a < b, "<=": a <= b, ">": a > b, ">=": a >= b}[node.operator]
            case tree.Inside():
                low, high = self.ends(node.bounds)
                return low <= self.value(node.operand) <= high
            case tree.IsState():
                return self.bench.dice.random() < 0.5
        raise TypeError(type(node).__name__)

    def _value(self, node: tree.Expression) -> float:
        match node:
            case tree.Number():
                return node.quantity.value
            case tree.Name():
                return next(b[node.id] for b in reversed(self.blocks) if node.id in b)
            case tree.Member():
                return self._member(node)
            case tree.Negative():
                return -self.value(node.operand)
            case tree.Binary():
                return _operation(node.operator, self.value(node.left), self.value(node.right))
            case tree.Call():
                if node.function.id in _OF_TRACES:
                    return self._of_trace(node)
                function: Callable[..., float] = _FUNCTIONS[node.function.id]
                return function(*(self.value(a.value) for a in node.arguments))
        raise TypeError(type(node).__name__)

    def _member(self, node: tree.Member) -> float:
        base, quantity = node.base.id, node.field.id
        if base in self.checked.parts:
            fact = self.checked.parts[base].facts[quantity]
            assert not isinstance(fact, str)
            return fact
        port = self.bench.ports[base]
        if quantity == "level":
            assert port.programmed is not None
            return port.programmed[1]
        if quantity == "power":
            return port.reading["voltage"] * port.reading["current"]
        return port.reading[quantity]

    def _of_trace(self, node: tree.Call) -> float:
        """A function of a trace's newest rows; no number where there are none."""
        trace, column, span = (a.value for a in node.arguments)
        assert isinstance(trace, tree.Name)
        name = column.field.id if isinstance(column, tree.Member) else ""
        if isinstance(column, tree.Name):
            name = column.id
        rows = self.traces.get(trace.id, [])
        newest_s = self.value(span)
        part = [(t, row[name]) for t, row in rows if t >= rows[-1][0] - newest_s]
        values = [value for _, value in part]
        with suppress(ValueError, ZeroDivisionError):
            return _OF_TRACES[node.function.id](part, values)
        return math.nan


def _operation(operator: str, a: float, b: float) -> float:
    match operator:
        case "+":
            return a + b
        case "-":
            return a - b
        case "*":
            return a * b
        case "/":
            return a / b
    return float(a**b)


def _slope(part: Sequence[tuple[float, float]], values: Sequence[float]) -> float:
    """Least squares over time (the textbook's formula)."""
    middle = sum(t for t, _ in part) / len(part)
    level = sum(values) / len(values)
    rise = sum((t - middle) * (v - level) for t, v in part)
    return rise / sum((t - middle) ** 2 for t, _ in part)


_OF_TRACES: dict[str, Callable[[Sequence[tuple[float, float]], Sequence[float]], float]] = {
    "mean": lambda part, values: sum(values) / len(values),
    "minimum": lambda part, values: min(values),
    "maximum": lambda part, values: max(values),
    "slope": _slope,
}
_FUNCTIONS: dict[str, Callable[..., float]] = {
    "abs": abs,
    "min": min,
    "max": max,
    "sqrt": math.sqrt,
    "ln": math.log,
    "exp": math.exp,
    "round": lambda x: float(round(x)),
}
