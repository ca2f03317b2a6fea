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
from sequencer.checker.worst import interval
from sequencer.checker.worst.abstract import State
from sequencer.checker.worst.interval import EVERYTHING, NOT_NEGATIVE, Interval
from sequencer.checker.worst.values import UNKNOWN, Algebra, Value

Ends = tuple[Value, Value]
Split = tuple[State | None, State | None]
_ANY = Value(EVERYTHING)
OF_TRACES = frozenset(("mean", "minimum", "maximum", "slope"))
"""The functions of steps that look at the newest part of a trace."""
MEAN_ROUNDING = 1e-9
"""Share that the rounding of a million additions may add to a mean."""


class Evaluation:
    """Works out expressions; `relative` holds the ids of tolerances in shares of their centre.

    `limits` are the spans that a part's name stands for as a limit, by part and quantity; `facts`
    what parts say of themselves, by part; `columns` the bounds of a trace's readings, by trace and
    quantity.
    """

    def __init__(
        self,
        algebra: Algebra,
        relative: set[int],
        limits: Mapping[str, Mapping[str, Interval]],
        facts: Mapping[str, Mapping[str, float | str]],
        columns: Mapping[str, Mapping[str, Interval]],
    ) -> None:
        self.algebra = algebra
        self.relative = relative
        self.limits = limits
        self.facts = facts
        self.columns = columns

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
                if node.function.id in OF_TRACES:
                    return self._of_trace(node)
                arguments = [self.value(a.value, state) for a in node.arguments]
                return algebra.function(node.function.id, arguments)
            case tree.Compare() | tree.Inside() | tree.Logic() | tree.Not() | tree.IsState():
                # A truth value that is kept under a name.
                return UNKNOWN
            case _:
                raise TypeError(f"a {type(node).__name__} has no value")

    def _reading(self, node: tree.Member, state: State) -> Value:
        base, field = node.base.id, node.field.id
        if base in self.facts:
            fact = self.facts[base].get(field.replace("_", " "))
            return self.algebra.number(fact) if isinstance(fact, int | float) else UNKNOWN
        if field == "power":
            pair = [state.readings.get((base, quantity)) for quantity in ("voltage", "current")]
            if pair[0] is None or pair[1] is None:
                return _ANY
            return self.algebra.binary("*", pair[0], pair[1])
        if field == "level" and base in state.channels:
            levels = [p.level for p in state.channels[base].programmed.values()]
            found = levels[0] if levels else _ANY
            for level in levels[1:]:
                found = found.joined(level)
            return found
        if field == "elapsed":
            return Value(NOT_NEGATIVE)
        # A resistance without current is no number; `limited` is none either.
        unknown = UNKNOWN if field in ("resistance", "limited") else _ANY
        return state.readings.get((base, field), unknown)

    def _of_trace(self, node: tree.Call) -> Value:
        """A function of a trace's newest part: it lies where the column does, but for a slope.

        Where that part has no rows it is no number, so that no condition tells of it.
        """
        trace, column = (a.value for a in node.arguments[:2])
        bounds = EVERYTHING
        if isinstance(trace, tree.Name) and node.function.id != "slope":
            known = self.columns.get(trace.id, {})
            match column:
                case tree.Name():
                    bounds = known.get(column.id, EVERYTHING)
                case tree.Member():
                    bounds = known.get(f"{column.base.id}.{column.field.id}", EVERYTHING)
        if node.function.id == "mean":
            # The sum of its rows is rounded once a row.
            room = MEAN_ROUNDING * bounds.reach if bounds.bounded else 0.0
            bounds = Interval(bounds.low - room, bounds.high + room)
        return Value(bounds, wild=True)

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

    def split(self, node: tree.Expression, state: State) -> Split:
        """The state where a condition holds and that where it doesn't, None where none can be."""
        match node:
            case tree.Not():
                holds, fails = self.split(node.operand, state)
                return fails, holds
            case tree.Logic():
                return self._logic(node, state)
            case tree.Compare():
                return self._compare(node, state)
            case tree.Inside():
                return self._inside(node, state)
            case tree.IsState() | tree.Confirm() | tree.Name() | tree.Member():
                # A digital line, the person and a truth value under a name are never narrowed.
                return state, state
            case _:
                raise TypeError(f"a {type(node).__name__} is no condition")

    def _logic(self, node: tree.Logic, state: State) -> Split:
        holds, fails = self.split(node.left, state)
        # Where the left side has decided, nobody looks at the right one.
        if node.operator == "and":
            if holds is None:
                return None, fails
            both, second = self.split(node.right, holds)
            return both, _either(fails, second)
        if fails is None:
            return holds, None
        second, neither = self.split(node.right, fails)
        return _either(holds, second), neither

    def _compare(self, node: tree.Compare, state: State) -> Split:
        left, right = self.value(node.left, state), self.value(node.right, state)
        if left.wild or right.wild:
            return state, state
        less = self._ordered(node.left, left, node.right, right, state)
        more = self._ordered(node.right, right, node.left, left, state)
        return (less, more) if node.operator in ("<", "<=") else (more, less)

    def _ordered(
        self,
        small: tree.Expression,
        lower: Value,
        large: tree.Expression,
        upper: Value,
        state: State,
    ) -> State | None:
        """The state in which one expression, of this value there, is no larger than another."""
        narrowed = self._narrow(small, lower, state, Interval(-math.inf, upper.high))
        if narrowed is None:
            return None
        if narrowed is not state:
            upper = self.value(large, narrowed)
        return self._narrow(large, upper, narrowed, Interval(lower.low, math.inf))

    def _inside(self, node: tree.Inside, state: State) -> Split:
        low, high = self.ends(node.bounds, state, "")
        operand, value = node.operand, self.value(node.operand, state)
        if low.wild or high.wild or value.wild:
            return state, state
        holds: State | None = None
        if low.low <= high.high:
            holds = self._narrow(operand, value, state, Interval(low.low, high.high))
        below = self._narrow(operand, value, state, Interval(-math.inf, low.high))
        above = self._narrow(operand, value, state, Interval(high.low, math.inf))
        return holds, _either(below, above)

    def _narrow(
        self, node: tree.Expression, value: Value, state: State, target: Interval
    ) -> State | None:
        """The state in which an expression, of this value there, lies within a target.

        None where it can't.
        """
        if value.wild:
            return state
        if max(value.low, target.low) > min(value.high, target.high):
            return None
        match node:
            case tree.Name() if node.id in state.names:
                narrowed = value.narrowed(target)
                return state if narrowed is value else state.naming(node.id, narrowed)
            case tree.Member() if (node.base.id, node.field.id) in state.readings:
                narrowed, place = value.narrowed(target), (node.base.id, node.field.id)
                return state if narrowed is value else state.reading({place: narrowed})
            case tree.Negative():
                inner = self.value(node.operand, state)
                return self._narrow(node.operand, inner, state, interval.negative(target))
            case tree.Binary():
                return self._undo(node, state, interval.outward(target))
            case _:
                return state

    def _undo(self, node: tree.Binary, state: State, target: Interval) -> State | None:
        """Narrow both operands; the target and each bound are widened by what rounding may hide."""
        values = self.value(node.left, state), self.value(node.right, state)
        left, right = values[0].interval, values[1].interval
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
        if wanted[0] is not None:
            found = self._narrow(node.left, values[0], state, interval.outward(wanted[0]))
        if wanted[1] is not None and found is not None:
            value = values[1] if found is state else self.value(node.right, found)
            found = self._narrow(node.right, value, found, interval.outward(wanted[1]))
        return found


def _either(first: State | None, second: State | None) -> State | None:
    if first is None or second is None:
        return first or second
    return first.joined(second)
