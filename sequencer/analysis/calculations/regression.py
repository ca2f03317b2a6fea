"""Least squares that say how well they are carried: a line, a polynomial about zero.

Pure functions of arrays of shape (n,); they know no unit and no kind of part.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.calculations.readings import Floats
from sequencer.analysis.calculations.trace import line

STANDS_OUT = 3.0
"""A figure below as many of its standard errors can't be told from none. Common practice, no
source."""


class Straight(NamedTuple):
    """A least-squares line: its slope and value at x = 0, the standard error of the slope."""

    slope: float
    at_zero: float
    slope_error: float

    @property
    def stands_out(self) -> bool:
        """Whether the slope can be told from none."""
        return abs(self.slope) > STANDS_OUT * self.slope_error


def straight(x: Floats, y: Floats) -> Straight:
    """The least-squares line through at least three readings at two x or more.

    Equation: s_b = s/√(Σ (x_k − x̄)²) with s² = Σ r_k²/(n − 2) of the residuals r; readings are
    weighted alike, x is taken as exact and the residuals as independent of one another.
    """
    slope, at_zero = line(x, y)
    apart = x - np.mean(x)
    left = y - np.mean(y) - slope * apart
    variance = float(np.sum(left * left)) / (len(x) - 2)
    return Straight(slope, at_zero, math.sqrt(variance / float(np.sum(apart * apart))))


def polynomial(x: Floats, y: Floats, order: int) -> tuple[Floats, float] | None:
    """The least-squares polynomial of an order: its coefficients from x⁰ up, shape (order + 1,),
    and the root mean square of the residuals; None where the x are too few for it.

    Solved in Chebyshev polynomials over the span of x, whose powers alone would lose digits; give x
    near zero and of the order of 1.
    """
    if len(x) <= order:
        return None
    basis = np.polynomial.chebyshev.chebvander(x, order)
    found, _, rank, _ = np.linalg.lstsq(basis, y, rcond=None)
    if rank <= order:
        return None
    left = y - basis @ found
    powers: Floats = np.zeros(order + 1)
    converted = np.polynomial.chebyshev.cheb2poly(found)
    powers[: len(converted)] = converted
    return powers, math.sqrt(float(np.mean(left * left)))


def run_around(row: int, within: NDArray[np.bool_]) -> slice:
    """The unbroken run of True that holds a row."""
    out = np.flatnonzero(~within)
    after = int(np.searchsorted(out, row))
    first = int(out[after - 1]) + 1 if after > 0 else 0
    last = int(out[after]) if after < len(out) else len(within)
    return slice(first, last)
