"""Expressions of a recipe over the values of a state, and what a condition tells of them.

An expression is worked out as the run works it out, over all values at once. A condition narrows
the names and readings that it compares, by undoing the operations around them; what it can't undo
it leaves as it is. Counters, times and digital inputs are always the present ones: no condition
narrows them. Knows no step.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from grammar import tree
from sequencer.checker import interval
from sequencer.checker.abstract import State
from sequencer.checker.interval import EVERYTHING, NOT_NEGATIVE, Interval
from sequencer.checker.values import UNKNOWN, Algebra, Value

Ends = tuple[Value, Value]
_ANY = Value(EVERYTHING)
_PLACE = {"voltage": 0, "current": 1}


class Evaluation:
    """Works out expressions; `relative` holds the ids of tolerances in shares of their centre.

    `limits` are the spans that a part's name stands for as a limit, by part and quantity.
    """

    def __init__(
        self,
        algebra: Algebra,
        relative: set[int],
        limits: Mapping[str, Mapping[str, Interval]],
    ) -> None:
        self.algebra = algebra
        self.relative = relative
        self.limits = limits

    def value(self, node: tree.Expression, state: State) -> Value:
        """What an expression can be."""
        algebra = self.algebra
        match node:
            case tree.Number():
                return algebra.number(node.quantity.value)
            case tree.Name():
                if node.id in state.names:
                    return state.names[node.id]
                return Value(NOT_NEGATIVE) if node.id == "elapsed" else UNKNOWN
            case tree.Member():
                return self._reading(node, state)
            case tree.Negative():
                return algebra.negative(self.value(node.operand, state))
            case tree.Binary():
                left, right = self.value(node.left, state), self.value(node.right, state)
                return algebra.binary(node.operator, left, right)
            case tree.Call():
                arguments = [self.value(a.value, state) for a in node.arguments]
                return algebra.function(node.function.id, arguments)
            case _:
                return UNKNOWN

    def _reading(self, node: tree.Member, state: State) -> Value:
        channel, field = node.base.id, node.field.id
        if field in _PLACE or field == "power":
            pair = state.readings.get(channel)
            if pair is None:
                return _ANY
            return self.algebra.binary("*", *pair) if field == "power" else pair[_PLACE[field]]
        if field == "level":
            levels = [p.level for p in state.channels[channel].programmed.values()]
            found = levels[0] if levels else _ANY
            for level in levels[1:]:
                found = found.joined(level)
            return found
        if field == "elapsed":
            return Value(NOT_NEGATIVE)
        # A resistance without current is no number; `limited` is none either.
        return UNKNOWN if field in ("resistance", "limited") else _ANY

    def ends(self, node: tree.Expression, state: State, quantity: str) -> Ends:
        """The two ends of a span or limit; one value L is from -L to L, a part's name its limit."""
        algebra = self.algebra
        match node:
            case tree.Range():
                low = self.value(node.low, state) if node.low is not None else None
                high = self.value(node.high, state) if node.high is not None else None
                return (
                    low or Value(interval.point(-math.inf)),
                    high or Value(interval.point(math.inf)),
                )
            case tree.Within():
                half = self.value(node.half, state)
                return algebra.negative(half), half
            case tree.Tolerance():
                centre, half = self.value(node.centre, state), self.value(node.half, state)
                if id(node) in self.relative:
                    half = algebra.binary("*", algebra.absolute(centre), half)
                return algebra.binary("-", centre, half), algebra.binary("+", centre, half)
            case tree.Name() if node.id in self.limits and node.id not in state.names:
                low_end, high_end = self.limits[node.id][quantity]
                return algebra.number(low_end), algebra.number(high_end)
            case _:
                size = algebra.absolute(self.value(node, state))
                return algebra.negative(size), size

    def assume(self, node: tree.Expression, state: State, truth: bool) -> State | None:
        """The state where a condition holds (or doesn't), None where it can't be so."""
        match node:
            case tree.Not():
                return self.assume(node.operand, state, not truth)
            case tree.Logic():
                return self._logic(node, state, truth)
            case tree.Compare():
                return self._compare(node, state, truth)
            case tree.Inside():
                return self._inside(node, state, truth)
            case _:
                return state

    def _logic(self, node: tree.Logic, state: State, truth: bool) -> State | None:
        first = self.assume(node.left, state, truth)
        if (node.operator == "and") == truth:
            return self.assume(node.right, first, truth) if first is not None else None
        other = self.assume(node.left, state, not truth)
        second = self.assume(node.right, other, truth) if other is not None else None
        return _either(first, second)

    def _compare(self, node: tree.Compare, state: State, truth: bool) -> State | None:
        less = (node.operator in ("<", "<=")) == truth
        small, large = (node.left, node.right) if less else (node.right, node.left)
        lower, upper = self.value(small, state), self.value(large, state)
        if lower.wild or upper.wild:
            return state
        narrowed = self.narrow(small, state, Interval(-math.inf, upper.high))
        if narrowed is None:
            return None
        return self.narrow(large, narrowed, Interval(lower.low, math.inf))

    def _inside(self, node: tree.Inside, state: State, truth: bool) -> State | None:
        low, high = self.ends(node.bounds, state, "")
        if low.wild or high.wild or self.value(node.operand, state).wild:
            return state
        if truth:
            if low.low > high.high:
                return None
            return self.narrow(node.operand, state, Interval(low.low, high.high))
        return _either(
            self.narrow(node.operand, state, Interval(-math.inf, low.high)),
            self.narrow(node.operand, state, Interval(high.low, math.inf)),
        )

    def narrow(self, node: tree.Expression, state: State, target: Interval) -> State | None:
        """The state in which an expression lies within a target, None where it can't."""
        value = self.value(node, state)
        if value.wild:
            return state
        if interval.meet(value.interval, target) is None:
            return None
        match node:
            case tree.Name() if node.id in state.names:
                return state.naming(node.id, value.narrowed(target))
            case tree.Member() if node.field.id in _PLACE and node.base.id in state.readings:
                voltage, current = state.readings[node.base.id]
                if node.field.id == "voltage":
                    voltage = voltage.narrowed(target)
                else:
                    current = current.narrowed(target)
                return state.reading(node.base.id, (voltage, current))
            case tree.Negative():
                return self.narrow(node.operand, state, interval.negative(target))
            case tree.Binary():
                return self._undo(node, state, interval.outward(target))
            case _:
                return state

    def _undo(self, node: tree.Binary, state: State, target: Interval) -> State | None:
        """Narrow both operands; the target and each bound are widened by what rounding may hide."""
        left = self.value(node.left, state).interval
        right = self.value(node.right, state).interval
        wanted: tuple[Interval | None, Interval | None]
        match node.operator:
            case "+":
                wanted = interval.subtract(target, right), interval.subtract(target, left)
            case "-":
                wanted = interval.add(target, right), interval.subtract(left, target)
            case "*":
                wanted = (
                    None if right.holds(0.0) else interval.divide(target, right),
                    None if left.holds(0.0) else interval.divide(target, left),
                )
            case "/":
                wanted = interval.multiply(target, right), None
            case _:
                return state
        found: State | None = state
        for operand, bounds in zip((node.left, node.right), wanted, strict=True):
            if bounds is not None and found is not None:
                found = self.narrow(operand, found, interval.outward(bounds))
        return found


def _either(first: State | None, second: State | None) -> State | None:
    if first is None or second is None:
        return first or second
    return first.joined(second)
