"""Values as the worst case knows them: an interval, and how it hangs on the settings.

A value carries, beside its interval, its form where it has one, with a bound of what rounding may
have put between form and value. Settings stay as they are for a run, so a form holds for good. The
narrower of both bounds counts. Knows no recipe and no state.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache

from sequencer.checker.worst import interval
from sequencer.checker.worst.forms import Form, Functions, constant, key_of
from sequencer.checker.worst.interval import EVERYTHING, Interval
from sequencer.checker.worst.subdivision import Subdivision

KEPT = 2_000
"""How many values of each kind are kept, so as not to be worked out again."""
ROUNDING = 2.0**-50
"""One operation is off by 2**-53 of its result at most; the rest is for the form's own sums."""
LEAST = 8 * math.ulp(0.0)
"""Down where floats have no smaller step, a product is off by half a step however small it is, and
so is each of the products that its error is worked out by."""


class Value:
    """What an expression can be: from `low` to `high`.

    `interval` has both; `form` is how it hangs on the settings, None where unknown, and `error` how
    far the value may be off its form. `wild` says that it may be no number at all, so that no
    comparison tells of it.
    """

    __slots__ = ("error", "form", "high", "interval", "low", "wild")

    def __init__(
        self,
        bounds: Interval,
        form: Form | None = None,
        error: float = 0.0,
        wild: bool = False,
    ) -> None:
        self.interval = bounds
        self.low, self.high = bounds
        self.form, self.error, self.wild = form, error, wild

    def narrowed(self, bounds: Interval) -> Value:
        """Known to lie within other bounds, too, which it meets."""
        if bounds.low <= self.low and self.high <= bounds.high:
            return self
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
        self._functions = Functions()
        self._subdivision = Subdivision(ranges, self._required)
        self._narrowest: dict[object, Interval] = {}
        # Long recipes repeat their expressions, and what hangs on settings alone stays as it is.
        self.number = lru_cache(KEPT)(self._number)
        self.narrowest = lru_cache(KEPT)(self._narrowed)
        self._of_forms_alone = lru_cache(KEPT)(self._combined)

    def require(self, a: Value, b: Value) -> None:
        """From now on a ≤ b holds, as the run compares the two."""
        difference = self.binary("-", a, b)
        if difference.form is not None and any(difference.form):
            room = difference.error + ROUNDING * max(a.interval.reach, b.interval.reach)
            self._required.append((difference.form, room))
            self._of_forms_alone.cache_clear()

    def _as_required(self, form: Form, found: Interval) -> Interval:
        """Bounds narrowed where a form is one that is required of the settings, but for a constant.

        d ≤ 0 with f = d + c says f ≤ c, and with f = c - d says f ≥ c.
        """
        for required, room in self._required:
            for sign in ("-", "+"):
                rest = self._functions.combined(sign, form, required)
                if rest is None or any(rest):
                    continue
                bound = rest.get((), 0.0)
                room += ROUNDING * abs(bound)
                one_side = Interval(-math.inf, bound + room)
                if sign == "+":
                    one_side = Interval(bound - room, math.inf)
                found = interval.meet(found, one_side) or found
        return found

    def everywhere(
        self, factors: Sequence[Value], holds: Callable[[Interval, Interval], bool]
    ) -> bool:
        """Whether something holds of two values whatever the settings are that both hang on.

        False also where that can't be told, as of values that hang on nothing known.
        """
        forms = [value.form for value in factors if value.form is not None]
        if len(forms) != 2 or not any(any(form) for form in forms):
            return False
        return self._subdivision.everywhere(forms[0], forms[1], holds)

    def _number(self, value: float) -> Value:
        """A constant."""
        return Value(interval.point(value), constant(value))

    def setting(self, name: str) -> Value:
        """A setting, over its whole span."""
        return Value(self.ranges[name], {((name, 1),): 1.0})

    def _narrowed(self, a: Value) -> Value:
        """The same value, with bounds as narrow as its form allows."""
        if a.form is None or a.low == a.high or a.wild:
            return a
        key = key_of(a.form)
        found = self._narrowest.get(key)
        if found is None:
            found = self._subdivision.bounds(a.form)
            self._narrowest[key] = found
        room = self._room(a.form, a.error)
        bounds = interval.meet(a.interval, Interval(found.low - room, found.high + room))
        return Value(bounds or a.interval, a.form, a.error)

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
        wild = a.wild or b.wild
        if a.form is None or b.form is None or wild:
            return Value(_OPERATIONS[operator](a.interval, b.interval), wild=wild)
        return self._of_forms_alone(operator, a, b)

    def _combined(self, operator: str, a: Value, b: Value) -> Value:
        assert a.form is not None
        assert b.form is not None
        natural = _OPERATIONS[operator](a.interval, b.interval)
        form = self._functions.combined(operator, a.form, b.form)
        error = self._error(operator, a, b, natural)
        if form is not None and operator in "*/":
            form, room = self._distributed(form)
            error += room
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
        if len(arguments) == 1 and name in _CHAINS:
            return arguments[0]
        return self._plain(name, arguments)

    def _plain(self, name: str, arguments: Sequence[Value]) -> Value:
        wild = any(a.wild for a in arguments)
        found = arguments[0].interval
        if name in _CHAINS:
            before = arguments[0]
            for other in arguments[1:]:
                # Beside what is no number, the other one may come through as it is.
                through = [a.interval for a, b in ((before, other), (other, before)) if b.wild]
                found = _CHAINS[name](before.interval, other.interval)
                for passed in through:
                    found = interval.hull(found, passed)
                before = Value(found, wild=before.wild or other.wild)
        else:
            found = _FUNCTIONS[name](found)
        if wild:
            return Value(found, wild=True)
        form, error = self._of_forms(name, arguments, found)
        return Value(found, form, error)

    def _of_forms(
        self, name: str, arguments: Sequence[Value], found: Interval
    ) -> tuple[Form | None, float]:
        """The form of a function and how far its value may be off, no form where that is unknown.

        An error of an argument grows by the slope of the function at most.
        """
        forms = tuple(a.form for a in arguments if a.form is not None)
        if len(forms) != len(arguments) or not any(any(form) for form in forms):
            return None, 0.0
        # What the sums of the arguments' own forms may be off counts as theirs.
        off = max(self._room(form, a.error) for form, a in zip(forms, arguments, strict=True))
        low = arguments[0].low
        error = math.inf
        match name:
            case "abs" | "min" | "max":
                error = off
            case "sqrt" if low >= 0:
                error = off / math.sqrt(low) if low > off else math.sqrt(2 * off)
            case "ln" if low > 2 * off:
                error = off / (low - off)
            case "exp" if off < 0.1:
                error = 1.1 * interval.product(found.reach, off)
        error += ROUNDING * found.reach + LEAST
        if not math.isfinite(error):
            return None, 0.0
        return self._functions.form(name, forms), error

    def _bounds(self, form: Form, error: float) -> Interval:
        """The bounds of a form by interval arithmetic, with all rounding."""
        found, size = self._subdivision.plainly(form)
        room = error + 2 * ROUNDING * size
        return Interval(found.low - room, found.high + room)

    def _room(self, form: Form, error: float) -> float:
        """How far a value may be off its form's bounds: the coefficients are rounded, too."""
        return error + 2 * ROUNDING * self._subdivision.plainly(form)[1]

    def _distributed(self, form: Form) -> tuple[Form, float]:
        """A product with a minimum or maximum as that of products, so that like cancels like.

        `drive * min(3 A, 6 W / drive)` is the smaller of `3 A * drive` and 6 W where drive is not
        negative; of negative ones the larger, and beneath a line both must be of one sign. Gives
        what the rounding of the new coefficients may come to, too.
        """
        if len(form) != 1:
            return form, 0.0
        ((monomial, coefficient),) = form.items()
        for place, (factor, exponent) in enumerate(monomial):
            if isinstance(factor, str) or factor.name not in _CHAINS or abs(exponent) != 1:
                continue
            rest: Form = {monomial[:place] + monomial[place + 1 :]: coefficient}
            sides = [self._subdivision.plainly(f)[0] for f in (rest, *factor.arguments)]
            if sides[0].low < 0 < sides[0].high:
                continue
            turned = sides[0].low < 0
            operator = "*"
            if exponent < 0:
                if not (all(s.low > 0 for s in sides[1:]) or all(s.high < 0 for s in sides[1:])):
                    continue
                operator, turned = "/", not turned
            name = {"min": "max", "max": "min"}[factor.name] if turned else factor.name
            parts = [self._functions.combined(operator, rest, f) for f in factor.arguments]
            known = tuple(part for part in parts if part is not None)
            if len(known) == len(parts):
                found = self._functions.form(name, known)
                if found is not None:
                    return found, max(self._room(part, 0.0) for part in known)
        return form, 0.0

    def _error(self, operator: str, a: Value, b: Value, result: Interval) -> float:
        """How far the rounded result may be off the form of the result."""
        own = ROUNDING * result.reach + LEAST
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
        return (a.error + interval.product(result.reach, b.error) + LEAST) / smallest + own


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
