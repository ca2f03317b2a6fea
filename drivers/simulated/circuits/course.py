"""One output of a linear network over time: a sum of real exponentials, and where it turns.

    y(t) = y_0 + Σ w_k · φ(λ_k, t),   φ(λ, t) = (exp(λ t) − 1)/λ,   λ_k ≤ 0

so that the rate of y is Σ w_k · exp(λ_k t), which has at most n − 1 zeros (Descartes' rule of signs
for exponential sums: Pólya and Szegő, Problems and Theorems in Analysis II, part V, problem 77,
from memory). Between them y is monotone, and no crossing of a threshold can hide, however long the
time. The module knows no network, no source and no instrument.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

# Beyond this nothing is looked for: longer than any bench stands.
HORIZON_S = 1e10
_HALVINGS = 200

# From here on expm1 is -1: exp(-60) is ten orders below the last digit of 1.
_FALLEN = -60.0

# A border counts as passed only where y gets this far beyond it (of 1 V, or of the border's own
# voltage): else a y that comes to rest on it for ever would pass it by rounding.
_RESOLVED = 1e-12


class Course(NamedTuple):
    """y(t): its start (V), and its terms (λ in 1/s, w in V/s), the slowest first."""

    start: float
    terms: tuple[tuple[float, float], ...] = ()

    def at(self, t: float) -> float:
        """y at a time (s) from the start."""
        return self.start + sum(weight * phi(rate, t) for rate, weight in self.terms)

    def many(self, times_s: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """y at many times (s), by the exponentials of the standard library.

        Those of numpy differ in the last digit between processors.
        """
        values = np.full(len(times_s), self.start)
        for rate, weight in self.terms:
            moved = times_s
            if rate != 0:
                expm1 = math.expm1
                moved = np.array([expm1(z) for z in (rate * times_s).tolist()]) / rate
            values += weight * moved
        return values

    def after(self, t: float) -> Course:
        """The same course, counted from a later time (s)."""
        terms = tuple((rate, weight * math.exp(rate * t)) for rate, weight in self.terms)
        return Course(self.at(t), terms)

    def over(self, duration_s: float) -> float:
        """∫ y dt from the start on (V·s)."""
        moved = sum(weight * psi(rate, duration_s) for rate, weight in self.terms)
        return self.start * duration_s + moved

    def window(self, duration_s: float) -> Window:
        """The means of y over windows of a duration (s)."""
        start, slope, falling = self.start, 0.0, []
        for rate, weight in self.terms:
            start += weight * (psi(rate, duration_s) / duration_s)
            share = phi(rate, duration_s) / duration_s
            if rate == 0:
                slope += weight * share
            elif weight != 0:
                falling.append((rate, weight * share / rate))
        return Window(start, slope, tuple(falling))

    def turns(self, horizon_s: float) -> list[float]:
        """Where y turns round in (0, horizon), ascending (s)."""
        return zeros(list(self.terms), horizon_s)

    def leaves(self, low: float, high: float, since_s: float = 0.0) -> tuple[float, int]:
        """When y first leaves [low, high] after `since_s`, and to which side (-1 or 1).

        The time is in seconds from the start; (inf, 0) where it never does. A y that begins outside
        by rounding, on its way in, is taken to begin on the border.
        """
        if math.isinf(low) and math.isinf(high):
            return math.inf, 0
        beyond = high + _RESOLVED * max(1.0, abs(high))
        beneath = low - _RESOLVED * max(1.0, abs(low))
        left = since_s
        for right in [*self.turns(HORIZON_S), HORIZON_S]:
            if right <= since_s:
                continue
            reached = self.at(right)
            if reached > beyond:
                return crossing(lambda t: self.at(t) - high, left, right), 1
            if reached < beneath:
                return crossing(lambda t: low - self.at(t), left, right), -1
            left = right
        return math.inf, 0


class Window(NamedTuple):
    """The mean of y over a window, by when the window begins (s after the course's start).

    `falling` holds (λ, factor). One window and many are worked out by the same operations in the
    same order, and so to the same bits.
    """

    start: float
    slope: float
    falling: tuple[tuple[float, float], ...]

    def at(self, since_s: float) -> float:
        """The mean over one window."""
        y = self.start + self.slope * since_s
        for rate, factor in self.falling:
            y += factor * math.expm1(rate * since_s)
        return y

    def many(self, since_s: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """The means over windows that begin at ascending times."""
        y = self.start + self.slope * since_s
        for rate, factor in self.falling:
            z = rate * since_s
            moved = np.full(len(z), -1.0)
            left = int(np.count_nonzero(z > _FALLEN))
            expm1 = math.expm1
            moved[:left] = [expm1(x) for x in z[:left].tolist()]
            y += factor * moved
        return y


def phi(rate: float, t: float) -> float:
    """(exp(λ t) − 1)/λ, t where λ is 0."""
    return math.expm1(rate * t) / rate if rate * t != 0 else t


def psi(rate: float, t: float) -> float:
    """(φ(λ, t) − t)/λ; by its series where the difference would lose digits."""
    z = rate * t
    if abs(z) > 0.1:
        return (phi(rate, t) - t) / rate
    # t²·Σ z^k/(k+2)!: eleven terms leave less than 1e-19 of the sum at |z| = 0.1.
    total = 0.0
    for k in range(10, -1, -1):
        total = total * z + 1 / math.factorial(k + 2)
    return total * t * t


def zeros(terms: list[tuple[float, float]], horizon: float) -> list[float]:
    """Where Σ w·exp(λ t) changes sign in (0, horizon), ascending; terms (λ, w), λ descending.

    Divided by its slowest exponential the sum keeps its zeros and its derivative has one term less;
    between the zeros of that derivative it is monotone and has one zero at most.
    """
    terms = [term for term in terms if term[1] != 0]
    signs = [weight > 0 for _, weight in terms]
    if all(signs) or not any(signs):
        return []
    slowest = terms[0][0]
    divided = [(rate - slowest, weight) for rate, weight in terms]

    def value(t: float) -> float:
        return sum(weight * math.exp(rate * t) for rate, weight in divided)

    found, left, at_left = [], 0.0, value(0.0)
    for right in [*zeros([(rate, rate * w) for rate, w in divided[1:]], horizon), horizon]:
        at_right = value(right)
        if (at_left < 0) != (at_right < 0):
            falling = at_right < 0
            found.append(
                crossing(lambda t, f=falling: -value(t) if f else value(t), left, right)  # type: ignore[misc]
            )
        left, at_left = right, at_right
    return found


def crossing(excess: Callable[[float], float], left: float, right: float) -> float:
    """Where a monotone function rises through zero in (left, right], to the last bit of t."""
    for _ in range(_HALVINGS):
        # The middle of the exponents while they differ much: a root near zero under a far end.
        middle = math.sqrt(left * right) if left > 0 and right > 4 * left else (left + right) / 2
        if not left < middle < right:
            break
        if excess(middle) > 0:
            right = middle
        else:
            left = middle
    return right
