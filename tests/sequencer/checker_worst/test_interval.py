"""Intervals over a small grid, all of them: sound, and no narrower interval would do.

The judge is the operation itself over every pair of values (enumeration; Python's own arithmetic).
"""

from __future__ import annotations

import itertools
import math
import operator
from collections.abc import Callable

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sequencer.checker.worst import interval
from sequencer.checker.worst.interval import EVERYTHING, Interval
from sequencer.checker.worst.values import Algebra

GRID = range(-3, 4)
ALL = [Interval(float(a), float(b)) for a in GRID for b in GRID if a <= b]
Binary = Callable[[Interval, Interval], Interval]


def values(a: Interval) -> list[float]:
    """The values of an interval on the grid."""
    return [float(x) for x in range(int(a.low), int(a.high) + 1)]


@pytest.mark.parametrize(
    ("abstract", "concrete"),
    [
        (interval.add, operator.add),
        (interval.subtract, operator.sub),
        (interval.multiply, operator.mul),
        (interval.minimum, min),
        (interval.maximum, max),
    ],
    ids=["add", "subtract", "multiply", "minimum", "maximum"],
)
def test_operations_of_two_hold_their_results_and_no_more(
    abstract: Binary, concrete: Callable[[float, float], float]
) -> None:
    """The ends of the result are reached at ends of the operands, which lie on the grid."""
    for a, b in itertools.product(ALL, ALL):
        results = [concrete(x, y) for x in values(a) for y in values(b)]
        assert abstract(a, b) == (min(results), max(results)), (a, b)


def test_a_quotient_holds_its_results_and_no_more_where_nothing_divides_by_zero() -> None:
    for a, b in itertools.product(ALL, ALL):
        results = [x / y for x in values(a) for y in values(b) if y != 0]
        found = interval.divide(a, b)
        assert all(found.holds(result) for result in results), (a, b)
        if not b.holds(0.0):
            assert found == (min(results), max(results)), (a, b)


def test_a_quotient_over_values_down_to_zero_is_open_on_the_side_it_grows_to() -> None:
    """1/y over 0 < y ≤ 2 is at least 1/2 and has no bound above (closed form)."""
    assert interval.divide(Interval(1.0, 1.0), Interval(0.0, 2.0)) == (0.5, math.inf)
    assert interval.divide(Interval(1.0, 1.0), Interval(-2.0, 0.0)) == (-math.inf, -0.5)
    assert interval.divide(Interval(-1.0, -1.0), Interval(0.0, 2.0)) == (-math.inf, -0.5)
    assert interval.divide(Interval(1.0, 1.0), Interval(-1.0, 1.0)) == EVERYTHING
    assert interval.divide(Interval(0.0, 0.0), Interval(-1.0, 1.0)) == (0.0, 0.0)


@pytest.mark.parametrize("exponent", [0, 1, 2, 3, 4])
def test_whole_powers_hold_their_results_and_no_more_than_rounding(exponent: int) -> None:
    for a in ALL:
        results = [x**exponent for x in values(a)]
        if exponent % 2 == 0 and exponent and a.holds(0.0):
            results.append(0.0)
        found = interval.power(a, interval.point(float(exponent)))
        assert found.low <= min(results) <= max(results) <= found.high
        assert found.low == pytest.approx(min(results), abs=1e-300, rel=1e-15)
        assert found.high == pytest.approx(max(results), abs=1e-300, rel=1e-15)


def test_operations_of_one_hold_their_results_and_no_more() -> None:
    for a in ALL:
        assert interval.negative(a) == (-a.high, -a.low)
        sizes = [abs(x) for x in values(a)]
        assert interval.absolute(a) == (min(sizes), max(sizes))


def test_hull_and_meet_are_the_least_and_the_greatest_bounds() -> None:
    for a, b in itertools.product(ALL, ALL):
        both, shared = interval.hull(a, b), interval.meet(a, b)
        assert a.within(both)
        assert b.within(both)
        assert not [c for c in ALL if a.within(c) and b.within(c) and not both.within(c)]
        common = set(values(a)) & set(values(b))
        assert (set(values(shared)) if shared is not None else set()) == common


ends = st.floats(allow_nan=False, min_value=-1e6, max_value=1e6)
spans = st.tuples(ends, ends).map(lambda pair: Interval(min(pair), max(pair)))


@settings(derandomize=True, deadline=None, max_examples=400)
@given(spans, st.floats(0, 1))
def test_functions_hold_what_python_computes(a: Interval, share: float) -> None:
    """Root, logarithm, exponential, rounding at any value within (the run's own functions)."""
    x = min(max(a.low + share * (a.high - a.low), a.low), a.high)
    assert interval.rounded(a).holds(round(x))
    if x >= 0:
        assert interval.root(a).holds(math.sqrt(x))
    if x > 0:
        assert interval.logarithm(a).holds(math.log(x))
    if x < 700:
        assert interval.exponential(a).holds(math.exp(x))


LEAST = 5e-324
tiny = st.integers(-60, 60).map(lambda steps: steps * LEAST)
mixed = st.one_of(ends, tiny, st.floats(-1e-150, 1e-150))
any_spans = st.tuples(mixed, mixed).map(lambda pair: Interval(min(pair), max(pair)))


@settings(derandomize=True, deadline=None, max_examples=600)
@given(any_spans, any_spans, st.floats(0, 1), st.floats(0, 1), st.sampled_from("+-*/^"))
@example(Interval(LEAST, LEAST), Interval(-11.5, 0.0), 0.0, 0.0, "*")
def test_values_hold_what_the_run_computes(
    a: Interval, b: Interval, first: float, second: float, sign: str
) -> None:
    """An expression over two settings, as the run rounds it, lies in its interval and its form."""
    algebra = Algebra({"a": a, "b": b})
    x, y = (
        min(max(i.low + s * (i.high - i.low), i.low), i.high) for i, s in ((a, first), (b, second))
    )
    left, right = algebra.setting("a"), algebra.setting("b")
    operations: dict[str, Callable[[float, float], float]] = {
        "+": operator.add,
        "-": operator.sub,
        "*": operator.mul,
        "/": operator.truediv,
        "^": lambda p, q: p * p * q / q,
    }
    try:
        result = operations[sign](x, y)
        again = (result - x) * y
    except ZeroDivisionError:
        return
    if sign == "^":
        squared = algebra.binary("*", algebra.binary("^", left, algebra.number(2.0)), right)
        found = algebra.binary("/", squared, right)
    else:
        found = algebra.binary(sign, left, right)
    assert found.interval.holds(result)
    whole = algebra.binary("*", algebra.binary("-", found, left), right)
    assert whole.interval.holds(again)


def test_what_cancels_is_no_wider_than_rounding() -> None:
    """drive · (2 / drive) is 2 and drive − drive is 0, whatever the setting is (algebra)."""
    algebra = Algebra({"drive": Interval(0.5, 4.0)})
    drive = algebra.setting("drive")
    limit = algebra.binary("/", algebra.number(2.0), drive)
    product = algebra.binary("*", drive, limit)
    assert product.interval == pytest.approx((2.0, 2.0), rel=1e-13)
    assert product.low <= 2.0 <= product.high
    nothing = algebra.binary("-", drive, drive)
    assert nothing.interval == pytest.approx((0.0, 0.0), abs=1e-13)


def test_a_coefficient_that_rounding_takes_away_tells_nothing() -> None:
    """1e250 · 1e-200 · 1e-200 is 1e-150, though the product of both factors is no float."""
    algebra = Algebra({"x": Interval(0.0, 1e250)})
    found = algebra.setting("x")
    for _ in range(2):
        found = algebra.binary("*", found, algebra.number(1e-200))
    assert found.interval.holds(1e250 * 1e-200 * 1e-200)
