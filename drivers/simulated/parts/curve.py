"""A smooth curve through the points of a table that never overshoots them.

Between two points it is a cubic in Hermite's form with slopes after F. N. Fritsch and J. Butland,
"A method for constructing local monotone piecewise cubic interpolants", SIAM Journal on Scientific
and Statistical Computing 5 (1984): where the table rises the curve does, too. Beyond the ends it
goes on in a straight line.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from itertools import pairwise


class Curve:
    """The curve y(x) through points with rising x, at least two."""

    def __init__(self, xs: Sequence[float], ys: Sequence[float]) -> None:
        self._xs = tuple(xs)
        widths = [b - a for a, b in pairwise(xs)]
        rises = [(b - a) / h for (a, b), h in zip(pairwise(ys), widths, strict=True)]
        slopes = _slopes(widths, rises)
        # For each interval y, y', y''/2 and y'''/6 at its left end, and ∫ y dx up to there.
        self._pieces: list[tuple[float, float, float, float, float]] = []
        total = 0.0
        for y, h, rise, (left, right) in zip(ys, widths, rises, pairwise(slopes), strict=False):
            bend = (3 * rise - 2 * left - right) / h
            twist = (left + right - 2 * rise) / h**2
            self._pieces.append((y, left, bend, twist, total))
            total += h * (y + h * (left / 2 + h * (bend / 3 + h * twist / 4)))
        self._pieces.append((ys[-1], slopes[-1], 0.0, 0.0, total))
        self._first = (ys[0], slopes[0], 0.0, 0.0, 0.0)

    def at(self, x: float) -> float:
        """y at a place."""
        t, (y, slope, bend, twist, _) = self._piece(x)
        return y + t * (slope + t * (bend + t * twist))

    def integral(self, x: float) -> float:
        """∫ y dx from the first point to a place."""
        t, (y, slope, bend, twist, total) = self._piece(x)
        return total + t * (y + t * (slope / 2 + t * (bend / 3 + t * twist / 4)))

    def _piece(self, x: float) -> tuple[float, tuple[float, float, float, float, float]]:
        index = bisect_right(self._xs, x) - 1
        if index < 0:
            return x - self._xs[0], self._first
        return x - self._xs[index], self._pieces[index]


def _slopes(widths: Sequence[float], rises: Sequence[float]) -> list[float]:
    """The slopes at the points."""
    if len(widths) == 1:
        return [rises[0], rises[0]]
    inner = []
    for (a, b), (left, right) in zip(pairwise(widths), pairwise(rises), strict=True):
        if left * right <= 0:
            inner.append(0.0)
            continue
        # The harmonic mean, the nearer interval with the larger weight.
        heavy, light = 2 * b + a, b + 2 * a
        inner.append((heavy + light) / (heavy / left + light / right))
    first = _end_slope(widths[0], widths[1], rises[0], rises[1])
    last = _end_slope(widths[-1], widths[-2], rises[-1], rises[-2])
    return [first, *inner, last]


def _end_slope(near: float, far: float, rise: float, next_rise: float) -> float:
    """The slope of the parabola through three points at its end, as far as it overshoots none."""
    slope = ((2 * near + far) * rise - near * next_rise) / (near + far)
    if slope * rise <= 0:
        return 0.0
    if rise * next_rise < 0 and abs(slope) > 3 * abs(rise):
        return 3 * rise
    return math.copysign(min(abs(slope), 3 * abs(rise)), rise)
