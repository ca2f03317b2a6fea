"""Expressions over settings: what cancels, and bounds as narrow as their extremes.

The judge is the closed form of each extreme (calculus, noted beside it), and for random expressions
Python's own arithmetic at random settings.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from sequencer.checker.worst.interval import Interval
from sequencer.checker.worst.values import Algebra, Value

SPANS = {"x": Interval(0.5, 4.0), "y": Interval(-1.0, 2.0)}
Expression = Callable[[Algebra, Value, Value], Value]


def product(algebra: Algebra, *factors: Value) -> Value:
    found = factors[0]
    for factor in factors[1:]:
        found = algebra.binary("*", found, factor)
    return found


def peak(algebra: Algebra, x: Value, y: Value) -> Value:
    """x · (3 - x): 9/4 at x = 3/2, -4 at the end x = 4."""
    return product(algebra, x, algebra.binary("-", algebra.number(3.0), x))


def saturating(algebra: Algebra, x: Value, y: Value) -> Value:
    """x / (x + 1) rises: from 1/3 to 4/5."""
    return algebra.binary("/", x, algebra.binary("+", x, algebra.number(1.0)))


def decaying(algebra: Algebra, x: Value, y: Value) -> Value:
    """x · exp(-x): 1/e at x = 1, 4 · exp(-4) at the end."""
    return product(algebra, x, algebra.function("exp", [algebra.negative(x)]))


def limited(algebra: Algebra, x: Value, y: Value) -> Value:
    """x · min(3, 6 / x) is the smaller of 3 · x and 6: from 3/2 to 6."""
    other = algebra.binary("/", algebra.number(6.0), x)
    return product(algebra, x, algebra.function("min", [algebra.number(3.0), other]))


def saddle(algebra: Algebra, x: Value, y: Value) -> Value:
    """x · y - x - y = (x - 1)(y - 1) - 1: the ends are corners, -7 at (4, -1) and 2 at (4, 2)."""
    difference = algebra.binary("-", product(algebra, x, y), x)
    return algebra.binary("-", difference, y)


def rooted(algebra: Algebra, x: Value, y: Value) -> Value:
    """2 · sqrt(x) - x: 1 at x = 1, 0 at the end x = 4."""
    double = product(algebra, algebra.number(2.0), algebra.function("sqrt", [x]))
    return algebra.binary("-", double, x)


def logarithmic(algebra: Algebra, x: Value, y: Value) -> Value:
    """ln(x) - x: -1 at x = 1, ln 4 - 4 at the end."""
    return algebra.binary("-", algebra.function("ln", [x]), x)


def folded(algebra: Algebra, x: Value, y: Value) -> Value:
    """|y| - y: 0 where y is not negative, 2 at y = -1."""
    return algebra.binary("-", algebra.function("abs", [y]), y)


@pytest.mark.parametrize(
    ("expression", "low", "high"),
    [
        (peak, -4.0, 2.25),
        (saturating, 1 / 3, 0.8),
        (decaying, 4 * math.exp(-4), math.exp(-1)),
        (limited, 1.5, 6.0),
        (saddle, -7.0, 2.0),
        (rooted, 0.0, 1.0),
        (logarithmic, math.log(4) - 4, -1.0),
        (folded, 0.0, 2.0),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_bounds_are_the_extremes(expression: Expression, low: float, high: float) -> None:
    """Never within the extremes, and no further out than a ten-millionth."""
    algebra = Algebra(SPANS)
    found = algebra.narrowest(expression(algebra, algebra.setting("x"), algebra.setting("y")))
    assert found.low <= low + 1e-15
    assert found.high >= high - 1e-15
    assert found.interval == pytest.approx((low, high), rel=1e-7, abs=1e-7)


def test_what_is_required_of_settings_together_bounds_other_expressions_of_them() -> None:
    """With x · y ≤ 1 in the box, x² · y ≤ x ≤ 4, taken at x = 4 and y = 1/4 (algebra)."""
    algebra = Algebra(SPANS)
    x, y = algebra.setting("x"), algebra.setting("y")
    algebra.require(product(algebra, x, y), algebra.number(1.0))
    found = algebra.narrowest(product(algebra, x, x, y))
    assert 4.0 <= found.high <= 4.4


def test_a_pair_of_values_is_held_by_rectangles_that_no_one_of_them_covers() -> None:
    """10 W over 4 V … 30 V: up to 10 V at 2.5 A and beyond at 1 A, never 30 V at 2.5 A."""
    algebra = Algebra({"level": Interval(4.0, 30.0)})
    level = algebra.setting("level")
    limit = algebra.binary("/", algebra.number(10.0), level)

    def held(volts: Interval, amperes: Interval) -> bool:
        return (volts.high <= 10.5 and amperes.high <= 3.0) or (
            volts.high <= 31.0 and amperes.high <= 1.0
        )

    assert algebra.everywhere((level, limit), held)
    assert not held(level.interval, limit.interval)
    double = product(algebra, algebra.number(2.0), limit)
    assert not algebra.everywhere((level, double), held)


class Random:
    """A random expression: its value over all settings, and Python's at one of them."""

    def __init__(self, dice: random.Random, algebra: Algebra) -> None:
        self.dice, self.algebra = dice, algebra

    def make(self, depth: int) -> tuple[Value, Callable[[dict[str, float]], float]]:
        dice, algebra = self.dice, self.algebra
        if depth == 0 or dice.random() < 0.2:
            if dice.random() < 0.3:
                value = dice.choice([-2.0, 0.5, 1.0, 3.0])
                return algebra.number(value), lambda at: value
            name = dice.choice("xy")
            return algebra.setting(name), lambda at: at[name]
        kind = dice.choice("+-**/mMarle")
        a, f = self.make(depth - 1)
        if kind in "arle":
            name = {"a": "abs", "r": "sqrt", "l": "ln", "e": "exp"}[kind]
            functions: dict[str, Callable[[float], float]] = {
                "abs": abs,
                "sqrt": math.sqrt,
                "ln": math.log,
                "exp": math.exp,
            }
            one = functions[name]
            return algebra.function(name, [a]), lambda at: one(f(at))
        b, g = self.make(depth - 1)
        if kind in "mM":
            join: Callable[[float, float], float] = {"m": min, "M": max}[kind]
            return algebra.function(join.__name__, [a, b]), lambda at: join(f(at), g(at))
        plain: Callable[[float, float], float] = {
            "+": lambda p, q: p + q,
            "-": lambda p, q: p - q,
            "*": lambda p, q: p * q,
            "/": lambda p, q: p / q,
        }[kind]
        return algebra.binary(kind, a, b), lambda at: plain(f(at), g(at))


def test_random_expressions_stay_in_their_bounds() -> None:
    """Ten settings each; what has no value ends a run there and needs no room in its bounds."""
    dice = random.Random(7)
    tried = 0
    for _ in range(400):
        algebra = Algebra(SPANS)
        value, compute = Random(dice, algebra).make(4)
        found = algebra.narrowest(value)
        for _ in range(10):
            at = {n: dice.choice([s.low, s.high, dice.uniform(*s)]) for n, s in SPANS.items()}
            try:
                result = compute(at)
            except (ValueError, ZeroDivisionError, OverflowError):
                continue
            tried += 1
            assert found.low <= result <= found.high, (at, result, found)
    assert tried > 2500
