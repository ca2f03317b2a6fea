"""The exact motion of a reciprocal RC network while nothing is switched.

dx/dt = M x + b·s(t) with real eigenvalues λ_k ≤ 0 (diag(storage)·M is symmetric), and a signal
s(t) = s_0 + Σ σ_j φ(μ_j, t) that drives it: at rest, on a ramp (μ = 0), or fading. Starting at rate
g = M x + b·s_0,

    x(t) = x + Σ_k φ(λ_k, t) · mode_k(g) + Σ_jk σ_j · D(λ_k, μ_j, t) · mode_k(b)
    φ(λ, t) = (exp(λ t) − 1)/λ
    D(λ, μ, t) = (φ(λ, t) − φ(μ, t))/(λ − μ), which is ψ(λ, t) = (φ(λ, t) − t)/λ for μ = 0

(the convolution of exp(λ t) with the signal, integrated). It holds for λ = 0 (a capacitor without
leakage) in the limit. The module knows no source and no instrument.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from drivers.simulated.circuits.course import Course, merged, phi, psi
from drivers.simulated.parts.base import Vector

Array = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

# Two rates that are nearer to each other, as a share of them, are moved apart by that: the digits
# that their difference loses, and what the move makes of the motion, are both some 1e-11 of it.
_NEAR = 1e-5


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

    def moved(self, state: Array, drive: Array, signal: Course, duration_s: float) -> Array:
        """The state (V) a duration later, under a signal times the drive (V/s for 1 of it)."""
        rate = self._inverse @ (self.matrix @ state + drive * signal.start)
        driven = (self._inverse @ drive).tolist()
        moves: list[float] = []
        for k, own in enumerate(self._rates):
            move = float(rate[k]) * phi(own, duration_s)
            for of_signal, weight in signal.terms:
                move += driven[k] * weight * _response(own, of_signal, duration_s)
            moves.append(move)
        moved: Array = state + self._modes @ np.array(moves)
        return moved

    def course(self, state: Array, drive: Array, signal: Course, output: Vector) -> Course:
        """How y = output·x moves from a state (V) on, under a signal times the drive."""
        weighed = np.array(output) @ self._modes
        rate = self.matrix @ state + drive * signal.start
        weights: list[float] = (weighed * (self._inverse @ rate)).tolist()
        terms = list(zip(self._rates, weights, strict=True))
        bends: list[tuple[float, float]] = []
        if signal.terms:
            driven: list[float] = (weighed * (self._inverse @ drive)).tolist()
            for own, share in zip(self._rates, driven, strict=True):
                for of_signal, weight in signal.terms:
                    if of_signal == 0:
                        bends.append((own, share * weight))
                        continue
                    one, other = _apart(own, of_signal)
                    factor = share * weight / (one - other)
                    terms += [(one, factor), (other, -factor)]
        return Course(float(np.array(output) @ state), merged(terms), merged(bends))


def _response(rate: float, of_signal: float, t: float) -> float:
    """D(λ, μ, t)."""
    if of_signal == 0:
        return psi(rate, t)
    one, other = _apart(rate, of_signal)
    return (phi(one, t) - phi(other, t)) / (one - other)


def _apart(rate: float, of_signal: float) -> tuple[float, float]:
    """Two rates so far apart that their difference has its digits."""
    least = _NEAR * abs(of_signal)
    if abs(rate - of_signal) >= least:
        return rate, of_signal
    middle = (rate + of_signal) / 2
    return middle + least / 2, middle - least / 2
