"""Least squares with uncertainty: what is linear in its coefficients, and sums that decay.

Pure functions of arrays; they know no unit and no kind of part. The uncertainties are those of
readings with independent errors of one size, which is taken from what is left of the fit.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from sequencer.analysis.calculations.readings import Floats

# Of the start's search: enough to tell where two decays lie, and no more readings than that takes.
_SEARCHED_READINGS, _SEARCHED_RATES = 300, 30
_WEAKEST = 1e-15  # singular value beside the largest; below it a column says nothing of its own
_SMALLEST = 1e-100  # length of a column beside the largest; a decay that is over at once has none
_FARTHEST = 12.0  # from the logarithm of a start: a factor of 160 000
_STEP = 1e-5  # of a rate, for the central difference in its uncertainty


class Fit(NamedTuple):
    """Coefficients with their standard uncertainties, shape (p,); what is left, shape (n,).

    `deviation` is the standard deviation of what is left, with n − p degrees of freedom; of a fit
    without any it is 0, and so are the uncertainties.
    """

    coefficients: Floats
    uncertainties: Floats
    left: Floats
    deviation: float


def linear_fit(basis: Floats, values: Floats) -> Fit:
    """Coefficients c that make Σ (y − B c)² least.

    Equation: c = B⁺ y by singular values of the columns scaled to length 1; covariance
    s² (BᵀB)⁻¹ with s² = Σ r²/(n − p).

    Args:
        basis: what each coefficient multiplies, shape (n, p), n ≥ p, of full rank.
        values: the readings, shape (n,).

    Source: ordinary least squares; checked against the NIST StRD set Longley.
    """
    outer, inner, reach = _decomposed(basis)
    found = inner @ (outer.T @ values)
    left = values - basis @ found
    return Fit(found, *_uncertain(reach, left, basis.shape[1]))


def separable_fit(basis: Callable[[Floats], Floats], start: Floats, values: Floats) -> Fit:
    """Rates r and coefficients c that make Σ (y − B(r) c)² least, c then r in the answer.

    The coefficients are solved for at each rate (variable projection), so that only the rates are
    searched, by the logarithm, with the method of Levenberg and Marquardt; no farther from their
    start than a factor of 160 000.

    Args:
        basis: of rates, shape (q,), what each coefficient multiplies, shape (n, p).
        start: rates near the solution, shape (q,), positive.
        values: the readings, shape (n,), n ≥ p + q.

    Source: Golub, Pereyra, SIAM J. Numer. Anal. 10 (1973), from memory; checked against the NIST
    StRD sets Misra1a and MGH17.
    """
    from scipy.optimize import least_squares

    first = np.log(start)

    def near(logs: Floats) -> Floats:
        return np.exp(np.clip(logs, first - _FARTHEST, first + _FARTHEST))

    def left(logs: Floats) -> Floats:
        seen = basis(near(logs))
        rest: Floats = values - seen @ np.linalg.lstsq(seen, values, rcond=None)[0]
        return rest

    found = least_squares(
        left, first, method="lm", jac="3-point", xtol=1e-12, ftol=1e-15, gtol=1e-15
    )
    rates = near(found.x)
    inner = linear_fit(basis(rates), values)
    slopes = []
    for k, rate in enumerate(rates):
        aside = np.zeros(len(rates))
        aside[k] = _STEP * rate
        moved = (basis(rates + aside) - basis(rates - aside)) @ inner.coefficients
        slopes.append(moved / (2 * _STEP * rate))
    *_, reach = _decomposed(np.column_stack((basis(rates), *slopes)))
    both = np.concatenate((inner.coefficients, rates))
    return Fit(both, *_uncertain(reach, inner.left, len(both)))


def decays(time: Floats, rates: Floats) -> Floats:
    """A constant and exponentials that decay: 1, exp(−r_1 t), …; shape (n, 1 + q).

    `time` (s) has shape (n,), `rates` (1/s) shape (q,).
    """
    return np.column_stack((np.ones(len(time)), np.exp(-np.multiply.outer(time, rates))))


def decay_rates(time: Floats, values: Floats, number: int) -> Floats:
    """Rates (1/s) near those of the `number` decays (1 or 2) that fit best, the fastest first.

    All of a grid are tried, from ten times the time to a third of the readings' distance, on
    readings picked evenly and ever closer towards the first. `time` (s, from 0) and `values` have
    shape (n,).
    """
    last = len(time) - 1
    even = np.linspace(0, last, _SEARCHED_READINGS)
    picked = np.unique(np.append(even, np.geomspace(1, last, _SEARCHED_READINGS)).astype(int))
    seen, held = time[picked], values[picked]
    grid = np.geomspace(0.1 / time[-1], 3.0 * (len(time) - 1) / time[-1], _SEARCHED_RATES)
    tried = [np.array(rates) for rates in itertools.combinations(grid[::-1], number)]
    return min(tried, key=lambda rates: linear_fit(decays(seen, rates), held).deviation)


def _decomposed(basis: Floats) -> tuple[Floats, Floats, Floats]:
    """U and V S⁻¹ of a basis, and the root of the diagonal of (BᵀB)⁻¹, shape (p,).

    Columns that depend on one another give a reach without bound rather than none.
    """
    scale = np.sqrt(np.sum(basis * basis, axis=0))
    scale = np.maximum(scale, _SMALLEST * np.max(scale))
    outer, strengths, right = np.linalg.svd(basis / scale, full_matrices=False)
    inner = right.T / np.maximum(strengths, _WEAKEST * strengths[0]) / scale[:, np.newaxis]
    return outer, inner, np.linalg.norm(inner, axis=1)


def _uncertain(reach: Floats, left: Floats, used: int) -> tuple[Floats, Floats, float]:
    """Uncertainties, residuals and their deviation, of a fit that used so many coefficients."""
    spare = len(left) - used
    deviation = math.sqrt(float(np.sum(left * left)) / spare) if spare else 0.0
    return deviation * reach, left, deviation
