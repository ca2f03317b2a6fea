"""The exact motion of a reciprocal RC network while nothing is switched, and when it leaves a band.

dx/dt = M x + b with real eigenvalues λ_k ≤ 0 (diag(storage)·M is symmetric). Starting at rate
g = M x + b,

    x(t)    = x + Σ φ(λ_k, t) · mode_k(g),   φ(λ, t) = (exp(λ t) − 1)/λ
    ∫x dt   = x t + Σ ψ(λ_k, t) · mode_k(g), ψ(λ, t) = (φ(λ, t) − t)/λ

which holds for λ = 0 (a capacitor without leakage) in the limit. The rate of any output is a sum of
n real exponentials; it has at most n − 1 zeros (Descartes' rule of signs for exponential sums:
Pólya and Szegő, Problems and Theorems in Analysis II, part V, problem 77, from memory). Between
them the output is monotone, and no crossing of a threshold can hide, however long the step.

The module knows no source and no instrument.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from drivers.simulated.parts.base import Vector

Array = npt.NDArray[np.float64]

# Beyond this nothing is looked for: longer than any bench stands.
HORIZON_S = 1e10
_HALVINGS = 200

# A border counts as passed only where y gets this far beyond it (of 1 V, or of the border's own
# voltage): else a y that comes to rest on it for ever would pass it by rounding.
_RESOLVED = 1e-12


class Flow:
    """The motion under one matrix M (1/s); `storage` are the capacitances (F)."""

    def __init__(self, matrix: Array, storage: Array) -> None:
        root = np.sqrt(storage)
        symmetric = matrix * root[:, None] / root[None, :]
        scale = float(np.abs(symmetric).max())
        assert np.allclose(symmetric, symmetric.T, rtol=0, atol=1e-12 * scale), "not reciprocal"
        rates, modes = np.linalg.eigh((symmetric + symmetric.T) / 2)
        self.matrix = matrix
        # Rounding may leave a rate of exactly zero a hair above it.
        self._rates: list[float] = [min(0.0, float(rate)) for rate in rates]
        self._modes: Array = modes / root[:, None]
        self._inverse: Array = modes.T * root[None, :]

    def over(self, duration_s: float) -> tuple[Array, Array]:
        """Φ and Ψ over a duration: x(t) = x + Φ(M x + b), ∫x = x t + Ψ(M x + b)."""
        moved = [phi(rate, duration_s) for rate in self._rates]
        summed = [psi(rate, duration_s) for rate in self._rates]
        return (
            (self._modes * np.array(moved)) @ self._inverse,
            (self._modes * np.array(summed)) @ self._inverse,
        )

    def leaves(
        self, state: Array, drive: Array, output: Vector, low: float, high: float
    ) -> tuple[float, int]:
        """When y = output·x first leaves [low, high], and to which side (-1 or 1).

        The time is in seconds from the state given; (inf, 0) where it never does. A y that starts
        outside by rounding, on its way in, is taken to start on the border.
        """
        if math.isinf(low) and math.isinf(high):
            return math.inf, 0
        rate = self.matrix @ state + drive
        weights: list[float] = ((np.array(output) @ self._modes) * (self._inverse @ rate)).tolist()
        start = float(np.array(output) @ state)

        def moved(t: float) -> float:
            return start + sum(
                weight * phi(rate, t) for weight, rate in zip(weights, self._rates, strict=True)
            )

        beyond = high + _RESOLVED * max(1.0, abs(high))
        beneath = low - _RESOLVED * max(1.0, abs(low))
        terms = sorted(zip(self._rates, weights, strict=True), reverse=True)
        left = 0.0
        for right in [*zeros(terms, HORIZON_S), HORIZON_S]:
            reached = moved(right)
            if reached > beyond:
                return _crossing(lambda t: moved(t) - high, left, right), 1
            if reached < beneath:
                return _crossing(lambda t: low - moved(t), left, right), -1
            left = right
        return math.inf, 0


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
                _crossing(lambda t, f=falling: -value(t) if f else value(t), left, right)  # type: ignore[misc]
            )
        left, at_left = right, at_right
    return found


def _crossing(excess: Callable[[float], float], left: float, right: float) -> float:
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
