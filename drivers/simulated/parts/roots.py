"""The root of a rising function between two borders: Newton's method, halving where it fails."""

from __future__ import annotations

import math
from collections.abc import Callable

_ITERATIONS = 200
# Steps this small (of x) are the rounding of f; the last one is taken, too.
_ROUNDING = 4e-15


def rising_root(
    value_and_slope: Callable[[float], tuple[float, float]], low: float, high: float, start: float
) -> float:
    """Where a rising function passes zero in [low, high], to the last bits of x.

    `value_and_slope` gives f(x) and f'(x); f may be infinite at places where it is far from its
    root. The border itself is the answer where the root lies beyond it by rounding.
    """
    x = min(max(start, low), high)
    last = high - low
    for _ in range(_ITERATIONS):
        value, slope = value_and_slope(x)
        if value == 0:
            return x
        if value > 0:
            high = x
        else:
            low = x
        step = value / slope if slope > 0 else math.inf
        newton = x - step
        if abs(step) <= _ROUNDING * abs(x):
            return min(max(newton, low), high)
        shrinks = abs(step) < 0.5 * last
        moved = newton if shrinks and low < newton < high else (low + high) / 2
        if moved in (low, high):
            return moved
        last, x = abs(moved - x), moved
    return x
