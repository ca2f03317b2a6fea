"""Intervals of SI floats and the arithmetic of expressions over them: sound, and narrow.

Sums, differences, products and quotients of the ends, rounded as the run rounds them, hold every
result that the run can compute, since rounding never reverses an order. Functions whose rounding
isn't monotone for certain are widened by a step at each end. What has no value in a run (a division
by zero, the root of a negative number) ends the run there and needs no room in the result.

Knows no names, no units and no recipe.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple


class Interval(NamedTuple):
    """All values from `low` to `high`, both in; an infinity where a side is open."""

    low: float
    high: float

    def holds(self, value: float) -> bool:
        """Whether a value lies within."""
        return self.low <= value <= self.high

    def within(self, other: Interval) -> bool:
        """Whether all of it lies within another."""
        return other.low <= self.low and self.high <= other.high

    @property
    def bounded(self) -> bool:
        """Whether both ends are finite."""
        return math.isfinite(self.low) and math.isfinite(self.high)

    @property
    def reach(self) -> float:
        """The largest magnitude within."""
        return max(abs(self.low), abs(self.high))


EVERYTHING = Interval(-math.inf, math.inf)
NOT_NEGATIVE = Interval(0.0, math.inf)


def point(value: float) -> Interval:
    """One value."""
    return Interval(value, value)


def hull(a: Interval, b: Interval) -> Interval:
    """The narrowest interval that holds both."""
    if a.low <= b.low and b.high <= a.high:
        return a
    return Interval(min(a.low, b.low), max(a.high, b.high))


def meet(a: Interval, b: Interval) -> Interval | None:
    """What both hold, None where that is nothing."""
    low, high = max(a.low, b.low), min(a.high, b.high)
    return Interval(low, high) if low <= high else None


def outward(a: Interval) -> Interval:
    """Widened by one step of the floats at each end."""
    return Interval(math.nextafter(a.low, -math.inf), math.nextafter(a.high, math.inf))


def negative(a: Interval) -> Interval:
    """-a."""
    return Interval(-a.high, -a.low)


def add(a: Interval, b: Interval) -> Interval:
    """a + b."""
    return _ordered(a.low + b.low, a.high + b.high)


def subtract(a: Interval, b: Interval) -> Interval:
    """a - b, the two independent of each other."""
    return _ordered(a.low - b.high, a.high - b.low)


def _ordered(low: float, high: float) -> Interval:
    """An end that is no number (an infinity less itself) is an open one."""
    return Interval(-math.inf if math.isnan(low) else low, math.inf if math.isnan(high) else high)


def product(x: float, y: float) -> float:
    """x · y, where zero times a bound that is infinite is zero: the bounded value is finite."""
    return 0.0 if x == 0 or y == 0 else x * y


def multiply(a: Interval, b: Interval) -> Interval:
    """a · b."""
    ends = [product(x, y) for x in a for y in b]
    return Interval(min(ends), max(ends))


def divide(a: Interval, b: Interval) -> Interval:
    """a / b over the values of b other than zero."""
    if b.low < 0 < b.high or b == (0.0, 0.0):
        return point(0.0) if a == (0.0, 0.0) else EVERYTHING
    if b.low == 0 or b.high == 0:
        return _divide_down_to_zero(a, b)
    ends = [_quotient(x, y) for x in a for y in b]
    return Interval(min(ends), max(ends))


def _divide_down_to_zero(a: Interval, b: Interval) -> Interval:
    """b comes as near to zero as it likes from one side."""
    if b.high == 0:
        return negative(_divide_down_to_zero(a, negative(b)))
    low = -math.inf if a.low < 0 else _quotient(a.low, b.high)
    high = math.inf if a.high > 0 else _quotient(a.high, b.high)
    return Interval(low, high)


def _quotient(x: float, y: float) -> float:
    if math.isinf(y):
        return 0.0
    return x / y


def absolute(a: Interval) -> Interval:
    """|a|."""
    if a.low >= 0:
        return a
    if a.high <= 0:
        return negative(a)
    return Interval(0.0, a.reach)


def minimum(a: Interval, b: Interval) -> Interval:
    """The smaller of two."""
    return Interval(min(a.low, b.low), min(a.high, b.high))


def maximum(a: Interval, b: Interval) -> Interval:
    """The larger of two."""
    return Interval(max(a.low, b.low), max(a.high, b.high))


def rounded(a: Interval) -> Interval:
    """Rounded to whole numbers, halves to even, as the run does."""
    low, high = (float(round(x)) if math.isfinite(x) else x for x in a)
    return Interval(low, high)


def root(a: Interval) -> Interval:
    """The square root of what is not negative."""
    return _monotone(math.sqrt, meet(a, NOT_NEGATIVE))


def logarithm(a: Interval) -> Interval:
    """The natural logarithm of what is positive."""
    positive = meet(a, NOT_NEGATIVE)
    if positive is None or positive.high == 0:
        return EVERYTHING
    low = -math.inf if positive.low == 0 else math.log(positive.low)
    high = math.inf if math.isinf(positive.high) else math.log(positive.high)
    return outward(Interval(low, high))


def exponential(a: Interval) -> Interval:
    """e to the power of a."""
    found = _monotone(_exp, a)
    return Interval(max(found.low, 0.0), found.high)


def _exp(x: float) -> float:
    try:
        return math.exp(x)
    except OverflowError:
        return math.inf


def _monotone(function: Callable[[float], float], a: Interval | None) -> Interval:
    """A function that rises; where it has no value at all, nothing is known."""
    return EVERYTHING if a is None else outward(Interval(function(a.low), function(a.high)))


def power(a: Interval, b: Interval) -> Interval:
    """a to the power of b: a whole constant, or a over what is not negative."""
    if b.low == b.high and b.low == round(b.low) and abs(b.low) <= 1000:
        return _whole_power(a, int(b.low))
    base = meet(a, NOT_NEGATIVE)
    if base is None:
        return EVERYTHING
    ends = [_pow(x, y) for x in base for y in b]
    if any(math.isnan(end) for end in ends):
        return EVERYTHING
    if base.low == 0 and b.low <= 0 <= b.high:
        ends.append(1.0)
    found = outward(Interval(min(ends), max(ends)))
    return Interval(max(found.low, 0.0), found.high)


def _whole_power(a: Interval, n: int) -> Interval:
    if n < 0:
        return divide(point(1.0), _whole_power(a, -n))
    if n in (0, 1):
        return a if n else point(1.0)
    if n % 2 == 0:
        a = absolute(a)
    found = outward(Interval(_pow(a.low, n), _pow(a.high, n)))
    return Interval(max(found.low, 0.0), found.high) if n % 2 == 0 else found


def _pow(x: float, y: float) -> float:
    try:
        return float(x**y)
    except OverflowError:
        return -math.inf if x < 0 else math.inf
    except ZeroDivisionError:
        return math.inf
