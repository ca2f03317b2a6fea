"""A short stretch of what the terminals do, as polynomials in time.

    u = 2 t/T − 1,   v(t) = v_0 + Σ a_k u^k,   i(t) alike,   0 ≤ t ≤ T

Polynomials have exact means, and written in one way they give the same bits for one time and for
an array of them. `fit` makes them of a function that is known at any time, in as many pieces as it
takes. The module knows no part and no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import NamedTuple, TypeVar

import numpy as np

from drivers.channel import Mode
from drivers.simulated.circuits.flow import Array
from drivers.simulated.circuits.motion import Moment, Over, Span

_DEGREE = 8
# Chebyshev's points of the second kind, which have both ends; and between them two points at which
# a fit is judged.
POINTS = ((1 - np.cos(np.pi * np.arange(_DEGREE + 1) / _DEGREE)) / 2).tolist()
_JUDGED = (0.02, 0.44, 0.91)
_TO_POWERS = np.linalg.inv(np.vander(2 * np.array(POINTS) - 1, increasing=True))
# What makes of the values at the points those at the judged ones.
_TO_JUDGED = np.vander(2 * np.array(_JUDGED) - 1, _DEGREE + 1, increasing=True) @ _TO_POWERS
# What makes of the powers a_0 … a_8 those of p^(2m)/(2m + 1)!, the highest first: m = 4 … 1.
_LENGTHS = [_DEGREE - 2 * m + 1 for m in (4, 3, 2, 1)]
_EVENS = np.zeros((4, _DEGREE + 1, _DEGREE + 1))
for _row, _m in enumerate((4, 3, 2, 1)):
    for _k in range(2 * _m, _DEGREE + 1):
        _falling = math.factorial(_k) / math.factorial(_k - 2 * _m)
        _EVENS[_row, _DEGREE - (_k - 2 * _m), _k] = _falling / math.factorial(2 * _m + 1)
_MISFIT = 1e-10
_MOST_HALVINGS = 40
_SURELY_HALVED = 3
# Halving helps where both halves are fitted better by so much, or one by far, beside the whole: all
# but a step is in that. What is rounding looks the same in both.
_BETTER, _FAR_BETTER = 1.3, 10.0
# A step that is no smoother by the last halving, as a share of the largest of all.
_STEP = 1e-6
_NOTHING = 1e-100
_FAINT = 1e-15  # V or A: nothing that is smaller throughout has steps

Number = TypeVar("Number", float, Array)


class Curve(NamedTuple):
    """v_0 + Σ a_k u^k: the powers from the highest on, and those of its means.

    The mean over u ± h is Σ h^(2m) p^(2m)(u) / (2m + 1)!, of the even derivatives: `evens` are
    those, divided, from the highest on. (The difference of two antiderivatives would lose the
    digits of a window that is short beside its piece.)
    """

    offset: float
    powers: tuple[float, ...]
    evens: tuple[tuple[float, ...], ...]

    def at(self, u: Number) -> Number:
        """The value at u."""
        return _at(self.powers, u) + self.offset

    def mean(self, u: Number, h: Number) -> Number:
        """The mean over u ± h."""
        square = h * h
        total = _at(self.evens[0], u) * square
        for powers in self.evens[1:]:
            total = (total + _at(powers, u)) * square
        return total + _at(self.powers, u) + self.offset


def _at(powers: tuple[float, ...], u: Number) -> Number:
    """A polynomial at u, its highest power first."""
    total = u * 0.0 + powers[0]
    for power in powers[1:]:
        total = total * u + power
    return total


def curve_of(values: Array) -> Curve:
    """The curve through the values at the points of `fit`."""
    offset = float(values[0])
    powers = _TO_POWERS @ (values - offset)
    evens = zip(_EVENS @ powers, _LENGTHS, strict=True)
    return Curve(
        offset,
        tuple(powers[::-1].tolist()),
        tuple(tuple(row[-length:].tolist()) for row, length in evens),
    )


class Piece(NamedTuple):
    """One piece as a motion: see `Motion` for what its methods give."""

    begin: Moment
    duration_s: float
    voltage: Curve
    current: Curve
    limited: float

    @property
    def ends_ns(self) -> int:
        """The last whole nanosecond that isn't past its end, whichever way that is rounded."""
        ns = self.begin.later(self.duration_s).ns
        return ns + 1 if Moment(ns + 1).since(self.begin) <= self.duration_s else ns

    def _curve(self, quantity: Mode) -> Curve:
        return self.voltage if quantity == "voltage" else self.current

    def u(self, time_s: Number) -> Number:
        """Where a time (s after the begin) lies: -1 at the begin, 1 at the end."""
        return time_s * (2 / self.duration_s) - 1

    def mean(self, quantity: Mode, from_s: Number, to_s: Number) -> Number:
        """The mean of a quantity between two times (s after the begin)."""
        per_s = 1 / self.duration_s
        curve = self._curve(quantity)
        return curve.mean((from_s + to_s) * per_s - 1.0, (to_s - from_s) * per_s)

    def value(self, quantity: Mode, time_s: float) -> float:
        """A quantity at a time; where the piece has ended, at its end."""
        return self._curve(quantity).at(self.u(min(time_s, self.duration_s)))

    def values(self, quantity: Mode, times_s: Array) -> Array:
        """A quantity at many times."""
        return self._curve(quantity).at(self.u(np.minimum(times_s, self.duration_s)))

    def passes(self, quantity: Mode, above: bool, threshold: float, since_s: float) -> float:
        """When a quantity first gets across a threshold within the piece, else inf."""
        curve = self._curve(quantity)
        for u in _roots(curve, threshold):
            time_s = (u + 1) * self.duration_s / 2
            if time_s > since_s and (_slope(curve, u) > 0) == above:
                return time_s
        return math.inf

    def after(self, duration_s: float) -> Piece:
        """The rest of the piece."""
        left_s = max(self.duration_s - duration_s, 0.0)
        times_s = duration_s + np.array(POINTS) * left_s
        return Piece(
            self.begin.later(duration_s),
            left_s or self.duration_s,
            curve_of(self.values("voltage", times_s)),
            curve_of(self.values("current", times_s)),
            self.limited,
        )

    def over(self, duration_s: float) -> Over:
        """Extremes and integrals; power is a polynomial, too."""
        last = self.u(min(duration_s, self.duration_s))
        powers: list[Array] = []
        for curve in (self.voltage, self.current):
            ascending = np.array(curve.powers[::-1])
            ascending[0] += curve.offset
            powers.append(ascending)
        power = np.convolve(powers[0], powers[1])
        energy = np.polynomial.polynomial.polyint(power)
        at_ends = np.polynomial.polynomial.polyval(np.array([-1.0, last]), energy)
        energy_j = float(at_ends[1] - at_ends[0]) * self.duration_s / 2
        until_s = min(duration_s, self.duration_s)
        charge_c = self.mean("current", 0.0, until_s) * until_s
        spans = _span(powers[0], last), _span(powers[1], last), _span(power, last)
        return Over(*spans, energy_j, charge_c)


def _span(powers: Array, last: float) -> Span:
    """The extremes of a polynomial for u from -1 to `last`."""
    turns = _real_roots(np.asarray(np.polynomial.polynomial.polyder(powers), dtype=float))
    at = np.array([-1.0, last, *(u for u in turns if -1 < u < last)])
    values = np.polynomial.polynomial.polyval(at, powers)
    return Span(float(values.min()), float(values.max()))


def _real_roots(powers: Array) -> list[float]:
    largest = np.abs(powers).max()
    if largest == 0:
        return []
    # What is nothing beside the largest is rounding, and would only bring roots far away.
    powers = np.trim_zeros(np.where(np.abs(powers) < 1e-14 * largest, 0.0, powers), "b")
    if len(powers) < 2:
        return []
    found = np.polynomial.polynomial.polyroots(powers)
    return sorted(float(r.real) for r in found if abs(r.imag) < 1e-6)


def _roots(curve: Curve, threshold: float) -> list[float]:
    """Where a curve is at a threshold, ascending within the piece."""
    ascending = np.array(curve.powers[::-1])
    ascending[0] += curve.offset - threshold
    return [u for u in _real_roots(ascending) if -1 <= u <= 1]


def _slope(curve: Curve, u: float) -> float:
    derivative = np.polynomial.polynomial.polyder(np.array(curve.powers[::-1]))
    return float(np.polynomial.polynomial.polyval(u, derivative))


Seen = Callable[[float], Array]
"""What is at the terminals at a time (s): voltage and current of each pair, one after the other."""


class _Fitted(NamedTuple):
    """Values at the points of a span, and what their curves miss, by column."""

    left: float
    right: float
    values: Array
    missed_by: Array

    def misses_of(self, values: Array) -> float:
        """What it misses, of the largest of some values: of these here, or of a whole of it."""
        largest = np.maximum(np.abs(values).max(axis=0), _NOTHING)
        return float((self.missed_by / largest).max())


def fit(
    seen: Seen, begin_s: float, end_s: float, mean_s: float = 0.0
) -> Iterator[tuple[float, float, Array]]:
    """Pieces of a function: begin, end, and its values at the points of each, a row a point.

    A piece is halved until its polynomials miss the function by less than 1e-10 of its largest
    value between the points, or until that helps neither half: then what they miss is rounding.
    Where the function is only for its mean over a time `mean_s`, a piece counts by its share of it.
    """
    waiting = [(_fitted(seen, begin_s, end_s), 0)] if end_s > begin_s else []
    largest: Array = np.array(_FAINT)
    while waiting:
        piece, halved = waiting.pop()
        left, right, values, missed_by = piece
        missed = piece.misses_of(values)
        largest = np.maximum(largest, np.abs(values).max(axis=0))
        middle = (left + right) / 2
        share = (right - left) / mean_s if mean_s else 1.0
        if missed * share > _MISFIT and halved < _MOST_HALVINGS and left < middle < right:
            halves = _fitted(seen, left, middle), _fitted(seen, middle, right)
            better, worse = sorted(half.misses_of(values) for half in halves)
            if halved < _SURELY_HALVED or worse < missed / _BETTER or better < missed / _FAR_BETTER:
                waiting += [(halves[1], halved + 1), (halves[0], halved + 1)]
                continue
        steps = missed_by > _STEP * largest
        if halved == _MOST_HALVINGS and steps.any():
            # A polynomial would swing beyond both sides of a step.
            straight = values[0] + np.array(POINTS)[:, None] * (values[-1] - values[0])
            values = np.where(steps, straight, values)
        yield left, right, values


def _fitted(seen: Seen, left: float, right: float) -> _Fitted:
    values = np.array([seen(left + point * (right - left)) for point in POINTS])
    return _Fitted(left, right, values, _missed(seen, left, right, values))


def _missed(seen: Seen, left: float, right: float, values: Array) -> Array:
    """By how much the curves through the values miss the function, at most."""
    here = values[0] + _TO_JUDGED @ (values - values[0])
    there = np.array([seen(left + share * (right - left)) for share in _JUDGED])
    missed: Array = np.abs(here - there).max(axis=0)
    return missed
