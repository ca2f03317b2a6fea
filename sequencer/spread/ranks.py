"""How strongly one quantity drives another, by their ranks alone.

The square of Spearman's rank correlation: C. Spearman, "The proof and measurement of association
between two things", American Journal of Psychology 15 (1904). Where several independent quantities
drive one, each nearly in proportion, their shares come to 1 together.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

LEAST_SHARE = 0.1
"""A share below this is not worth naming."""
_CHANCE = 12.0
# Without any connection the share times (N - 1) goes as chi square with one degree of freedom: past
# 12 once in 1900 times. So a name is given by mere chance about once in a hundred lines, where
# there are 20 that could be named.


def ranks(values: Array) -> Array:
    """The rank of each value, from 1 on; equal ones share the mean of theirs."""
    _, which, counts = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(counts)
    means: Array = last - (counts - 1) / 2
    return means[which]


def share(a: Array, b: Array) -> float:
    """The squared rank correlation of two rows of values; 0 where one of them is constant."""
    left, right = ranks(a), ranks(b)
    left -= left.mean()
    right -= right.mean()
    spread = float(np.sum(left * left) * np.sum(right * right))
    return float(np.sum(left * right)) ** 2 / spread if spread > 0 else 0.0


def threshold(count: int) -> float:
    """The share from which on something stands out among so many runs."""
    return max(LEAST_SHARE, _CHANCE / (count - 1)) if count > 1 else float("inf")
