"""One output of a linear network over time: a sum of real exponentials, and where it turns.

    y(t) = y_0 + Σ w_k · φ(λ_k, t) + Σ q_k · ψ(λ_k, t),   λ_k ≤ 0
    φ(λ, t) = (exp(λ t) − 1)/λ,   ψ(λ, t) = (φ(λ, t) − t)/λ

Under a constant drive there are no q, and the rate of y is Σ w_k · exp(λ_k t), which has at most
n − 1 zeros (Descartes' rule of signs for exponential sums: Pólya and Szegő, Problems and Theorems
in Analysis II, part V, problem 77, from memory). Between them y is monotone, and no crossing of a
threshold can hide, however long the time. Under a ramp the rate of the rate is such a sum: between
its zeros the rate is monotone, and has one zero at most. The module knows no network, no source and
no instrument.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from drivers.simulated.circuits.crossings import crossing, sign_changes, zeros

# Beyond this nothing is looked for: longer than any bench stands.
HORIZON_S = 1e10

# From here on expm1 is -1: exp(-60) is ten orders below the last digit of 1.
_FALLEN = -60.0

# A border counts as passed only where y gets this far beyond it (of 1 V, or of the border's own
# voltage): else a y that comes to rest on it for ever would pass it by rounding.
RESOLVED = 1e-12


Terms = tuple[tuple[float, float], ...]


class Course(NamedTuple):
    """y(t): its start (V), its terms (λ in 1/s, w in V/s), and its `bends` (λ, q in V/s²).

    The slowest come first; no λ comes twice among the terms, or among the bends.
    """

    start: float
    terms: Terms = ()
    bends: Terms = ()

    def at(self, t: float) -> float:
        """y at a time (s) from the start."""
        y = self.start
        for rate, weight in self.terms:
            y += weight * phi(rate, t)
        for rate, weight in self.bends:
            y += weight * psi(rate, t)
        return y

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
        for rate, weight in self.bends:
            values += weight * np.array([psi(rate, t) for t in times_s.tolist()])
        return values

    def after(self, t: float) -> Course:
        """The same course, counted from a later time (s)."""
        terms = [(rate, weight * math.exp(rate * t)) for rate, weight in self.terms]
        terms += [(rate, weight * phi(rate, t)) for rate, weight in self.bends]
        return Course(self.at(t), merged(terms) if self.bends else tuple(terms), self.bends)

    def over(self, duration_s: float) -> float:
        """∫ y dt from the start on (V·s)."""
        moved = sum(weight * psi(rate, duration_s) for rate, weight in self.terms)
        moved += sum(weight * chi(rate, duration_s) for rate, weight in self.bends)
        return self.start * duration_s + moved

    def plus(self, factor: float, other: Course) -> Course:
        """y + factor · another course."""
        if factor == 0:
            return self
        return Course(
            self.start + factor * other.start,
            _with(self.terms, factor, other.terms),
            _with(self.bends, factor, other.bends),
        )

    def window(self, duration_s: float) -> Window:
        """The means of y over windows of a duration (s); the course has no bends."""
        assert not self.bends, "a window of a course under a ramp"
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
        if not self.bends:
            return zeros(list(self.terms), horizon_s)
        bent = merged([*((rate, rate * weight) for rate, weight in self.terms), *self.bends])
        return sign_changes(
            lambda t: (
                sum(w * math.exp(rate * t) for rate, w in self.terms)
                + sum(q * phi(rate, t) for rate, q in self.bends)
            ),
            [*zeros(list(bent), horizon_s), horizon_s],
        )

    def span(self, horizon_s: float) -> tuple[float, float]:
        """What y surely stays within until a time (s): every term moves one way."""
        moves = [weight * phi(rate, horizon_s) for rate, weight in self.terms]
        moves += [weight * psi(rate, horizon_s) for rate, weight in self.bends]
        return (
            self.start + sum(moved for moved in moves if moved < 0),
            self.start + sum(moved for moved in moves if moved > 0),
        )

    def leaves(
        self, low: float, high: float, since_s: float = 0.0, until_s: float = HORIZON_S
    ) -> tuple[float, int]:
        """When y first leaves [low, high] after `since_s`, and to which side (-1 or 1).

        The time is in seconds from the start; (inf, 0) where it doesn't until `until_s`. A y that
        begins outside by rounding, on its way in, is taken to begin on the border.
        """
        if math.isinf(low) and math.isinf(high):
            return math.inf, 0
        beyond = high + RESOLVED * max(1.0, abs(high))
        beneath = low - RESOLVED * max(1.0, abs(low))
        least, most = self.span(until_s)
        if beneath <= least and most <= beyond:
            return math.inf, 0
        left = since_s
        for right in [*self.turns(until_s), until_s]:
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
    for coefficient in _PSI:
        total = total * z + coefficient
    return total * t * t


def chi(rate: float, t: float) -> float:
    """(ψ(λ, t) − t²/2)/λ, which is the integral of ψ; by its series where digits would be lost."""
    z = rate * t
    if abs(z) > 1:
        return (psi(rate, t) - t * t / 2) / rate
    # t³·Σ z^k/(k+3)!: sixteen terms leave less than 1e-16 of the sum at |z| = 1.
    total = 0.0
    for coefficient in _CHI:
        total = total * z + coefficient
    return total * t * t * t


_PSI = [1 / math.factorial(k + 2) for k in range(10, -1, -1)]
_CHI = [1 / math.factorial(k + 3) for k in range(15, -1, -1)]


def merged(terms: Iterable[tuple[float, float]]) -> Terms:
    """Terms, the slowest first, each λ once, and none that weighs nothing."""
    weights: dict[float, float] = {}
    for rate, weight in terms:
        weights[rate] = weights.get(rate, 0.0) + weight
    return tuple(sorted((term for term in weights.items() if term[1]), reverse=True))


def _with(terms: Terms, factor: float, others: Terms) -> Terms:
    """Terms and a multiple of others."""
    if not others:
        return terms
    more = tuple([(rate, factor * weight) for rate, weight in others])
    return merged(terms + more) if terms else more
