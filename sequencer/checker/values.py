"""Values as the worst case knows them: an interval, and how it hangs on the settings.

`drive * (2 A / drive)` is 2 A, whatever `drive` is. A value therefore carries, beside its interval,
its form where it has one: a sum of products of powers of settings, with a bound of what rounding
may have put between form and value. Settings stay as they are for a run, so a form holds for good.
The narrower of both bounds counts. Knows no recipe and no state.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from sequencer.checker import interval
from sequencer.checker.interval import EVERYTHING, Interval

Monomial = tuple[tuple[str, int], ...]
"""Settings with their exponents, in the order of their names; empty for a constant."""
Form = dict[Monomial, float]

MOST_TERMS = 8
"""A longer form is given up: its bound would be no narrower than the interval's."""
ROUNDING = 2.0**-50
"""One operation is off by 2**-53 of its result at most; the rest is for the form's own sums."""


class Value:
    """What an expression can be: from `low` to `high`.

    `form` is how it hangs on the settings, None where unknown, and `error` how far the value may be
    off its form. `wild` says that it may be no number at all, so that no comparison tells of it.
    """

    __slots__ = ("error", "form", "high", "low", "wild")

    def __init__(
        self,
        bounds: Interval,
        form: Form | None = None,
        error: float = 0.0,
        wild: bool = False,
    ) -> None:
        self.low, self.high = bounds
        self.form, self.error, self.wild = form, error, wild

    @property
    def interval(self) -> Interval:
        """Its bounds."""
        return Interval(self.low, self.high)

    def narrowed(self, bounds: Interval) -> Value:
        """Known to lie within other bounds, too, which it meets."""
        low, high = max(self.low, bounds.low), min(self.high, bounds.high)
        return Value(Interval(low, high), self.form, self.error, self.wild)

    def joined(self, other: Value) -> Value:
        """This or the other."""
        if other is self:
            return self
        same = self.form is not None and self.form == other.form
        return Value(
            interval.hull(self.interval, other.interval),
            self.form if same else None,
            max(self.error, other.error),
            self.wild or other.wild,
        )

    def includes(self, other: Value) -> bool:
        """Whether the other says no more than this."""
        return (
            self.low <= other.low
            and other.high <= self.high
            and (self.form is None or self.form == other.form)
            and (self.wild or not other.wild)
        )

    def __repr__(self) -> str:
        return f"Value({self.low!r}, {self.high!r})"


UNKNOWN = Value(EVERYTHING, wild=True)
"""Any value, or none."""


class Algebra:
    """The operations of expressions over values; `ranges` are the settings' spans."""

    def __init__(self, ranges: Mapping[str, Interval]) -> None:
        self.ranges = ranges
        self._required: list[tuple[Form, float]] = []

    def require(self, a: Value, b: Value) -> None:
        """From now on a ≤ b holds, as the run compares the two."""
        difference = self.binary("-", a, b)
        if difference.form is not None and any(difference.form):
            room = difference.error + ROUNDING * max(a.interval.reach, b.interval.reach)
            self._required.append((difference.form, room))

    def _as_required(self, form: Form, found: Interval) -> Interval:
        """Bounds narrowed where a form is one that is required of the settings, but for a constant.

        d ≤ 0 with f = d + c says f ≤ c, and with f = c - d says f ≥ c.
        """
        for required, room in self._required:
            for sign in ("-", "+"):
                rest = _combined(sign, form, required)
                if rest is None or any(rest):
                    continue
                bound = rest.get((), 0.0)
                room += ROUNDING * abs(bound)
                one_side = Interval(-math.inf, bound + room)
                if sign == "+":
                    one_side = Interval(bound - room, math.inf)
                found = interval.meet(found, one_side) or found
        return found

    def number(self, value: float) -> Value:
        """A constant."""
        return Value(interval.point(value), {(): value})

    def setting(self, name: str) -> Value:
        """A setting, over its whole span."""
        return Value(self.ranges[name], {((name, 1),): 1.0})

    def negative(self, a: Value) -> Value:
        """-a."""
        form = {m: -c for m, c in a.form.items()} if a.form is not None else None
        return Value(interval.negative(a.interval), form, a.error, a.wild)

    def absolute(self, a: Value) -> Value:
        """|a|."""
        if a.low >= 0:
            return a
        return self.negative(a) if a.high <= 0 else self._plain("abs", [a])

    def binary(self, operator: str, a: Value, b: Value) -> Value:
        """`a operator b` with one of + - * / ^."""
        natural = _OPERATIONS[operator](a.interval, b.interval)
        wild = a.wild or b.wild
        if a.form is None or b.form is None or wild:
            return Value(natural, wild=wild)
        form = _combined(operator, a.form, b.form)
        error = self._error(operator, a, b, natural)
        if form is None or not math.isfinite(error):
            return Value(natural)
        if natural.low == natural.high:
            return Value(natural, form, error)
        bounds = interval.meet(natural, self._bounds(form, error)) or natural
        if self._required:
            bounds = self._as_required(form, bounds)
        return Value(bounds, form, error)

    def function(self, name: str, arguments: Sequence[Value]) -> Value:
        """A function of the language."""
        if name == "abs":
            return self.absolute(arguments[0])
        return (
            arguments[0]
            if len(arguments) == 1 and name in _CHAINS
            else self._plain(name, arguments)
        )

    def _plain(self, name: str, arguments: Sequence[Value]) -> Value:
        wild = any(a.wild for a in arguments)
        found = arguments[0].interval
        if name in _CHAINS:
            # Beside what is no number, either argument may come through.
            join = interval.hull if wild else _CHAINS[name]
            for other in arguments[1:]:
                found = join(found, other.interval)
        else:
            found = _FUNCTIONS[name](found)
        return Value(found, wild=wild)

    def _bounds(self, form: Form, error: float) -> Interval:
        """The bounds of a form, with all rounding."""
        found, size = interval.point(0.0), 0.0
        for monomial, coefficient in form.items():
            term = interval.point(coefficient)
            for name, exponent in monomial:
                powered = interval.power(self.ranges[name], interval.point(float(exponent)))
                term = interval.multiply(term, powered)
            found = interval.add(found, term)
            size += term.reach * (2 + len(monomial))
        room = interval.point(error + 2 * ROUNDING * size)
        return Interval(interval.subtract(found, room).low, interval.add(found, room).high)

    def _error(self, operator: str, a: Value, b: Value, result: Interval) -> float:
        """How far the rounded result may be off the form of the result."""
        own = ROUNDING * result.reach
        if operator in "+-":
            own = ROUNDING * max(result.reach, a.interval.reach, b.interval.reach)
            return a.error + b.error + own
        if operator == "*":
            x, y = a.interval.reach, b.interval.reach
            return (
                interval.product(a.error, y)
                + interval.product(b.error, x)
                + interval.product(a.error, b.error)
                + own
            )
        if operator == "^":
            # The share of an error grows by the exponent; only powers of exact values are kept.
            return own * max(1.0, b.interval.reach) if a.error == 0 else math.inf
        smallest = min(abs(b.low), abs(b.high)) - b.error
        if b.interval.holds(0.0) or smallest <= 0:
            return math.inf
        return (a.error + interval.product(result.reach, b.error)) / smallest + own


_OPERATIONS = {
    "+": interval.add,
    "-": interval.subtract,
    "*": interval.multiply,
    "/": interval.divide,
    "^": interval.power,
}
_CHAINS = {"min": interval.minimum, "max": interval.maximum}
_FUNCTIONS = {
    "abs": interval.absolute,
    "sqrt": interval.root,
    "ln": interval.logarithm,
    "exp": interval.exponential,
    "round": interval.rounded,
}


def _combined(operator: str, a: Form, b: Form) -> Form | None:
    """The form of a result, None where it would be none or too long."""
    found: Form = {}
    match operator:
        case "+" | "-":
            sign = 1.0 if operator == "+" else -1.0
            found = dict(a)
            for monomial, coefficient in b.items():
                found[monomial] = found.get(monomial, 0.0) + sign * coefficient
        case "*":
            for first, x in a.items():
                for second, y in b.items():
                    monomial = _times(first, second, 1)
                    found[monomial] = found.get(monomial, 0.0) + x * y
        case "/":
            if len(b) != 1:
                return None
            ((under, divisor),) = b.items()
            if divisor == 0:
                return None
            found = {_times(over, under, -1): c / divisor for over, c in a.items()}
        case "^":
            exponent = b.get(()) if len(b) == 1 else None
            if exponent not in (1.0, 2.0, 3.0):
                return None
            found = a
            for _ in range(int(exponent) - 1):
                squared = _combined("*", found, a)
                if squared is None:
                    return None
                found = squared
    found = {m: c for m, c in found.items() if c != 0} or {(): 0.0}
    return found if len(found) <= MOST_TERMS else None


def _times(a: Monomial, b: Monomial, sign: int) -> Monomial:
    exponents = dict(a)
    for name, exponent in b:
        exponents[name] = exponents.get(name, 0) + sign * exponent
    return tuple(sorted((n, e) for n, e in exponents.items() if e))
