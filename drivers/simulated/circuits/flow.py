"""The exact motion of a reciprocal RC network while nothing is switched.

dx/dt = M x + b with real eigenvalues λ_k ≤ 0 (diag(storage)·M is symmetric). Starting at rate
g = M x + b,

    x(t)    = x + Σ φ(λ_k, t) · mode_k(g),   φ(λ, t) = (exp(λ t) − 1)/λ
    ∫x dt   = x t + Σ ψ(λ_k, t) · mode_k(g), ψ(λ, t) = (φ(λ, t) − t)/λ

which holds for λ = 0 (a capacitor without leakage) in the limit. The module knows no source and no
instrument.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from drivers.simulated.circuits.course import Course, phi, psi
from drivers.simulated.parts.base import Vector

Array = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]


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

    def course(self, state: Array, drive: Array, output: Vector) -> Course:
        """How y = output·x moves from a state (V) on under a constant drive (V/s)."""
        rate = self.matrix @ state + drive
        weights: list[float] = ((np.array(output) @ self._modes) * (self._inverse @ rate)).tolist()
        terms = sorted(zip(self._rates, weights, strict=True), reverse=True)
        return Course(float(np.array(output) @ state), tuple(terms))
