"""A curve's value, slope and curvature by least-squares parabolas that slide over it.

A pure function of arrays; it knows no unit and no kind of part.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from sequencer.analysis.calculations.readings import Floats, NotWorkedOut

_MOST = 1000
_SHARE = 20
_LEAST = 5


class Smoothed(NamedTuple):
    """The parabolas: their places x, and value, first and second derivative there, shape (k,).

    `scatter` is the standard deviation of a value, from what the parabolas leave; `readings` how
    many points each of them goes through.
    """

    place: Floats
    value: Floats
    slope: Floats
    curvature: Floats
    scatter: float
    readings: int


def smoothed(x: Floats, y: Floats) -> Smoothed:
    """Slide least-squares parabolas over a curve, in the order of x.

    Readings at one x are averaged first, and so are neighbours where there are more than a thousand
    of them; each parabola then goes through a twentieth of the points, five at least.

    Args:
        x: where it was read, any unit, shape (n,), in any order.
        y: the curve, any unit, shape (n,).

    Raises:
        NotWorkedOut: fewer than seven points at different x, or such that lie too unevenly.

    Source: local polynomial regression, here with even weights; on an even grid it is the filter of
    A. Savitzky and M. J. E. Golay, Analytical Chemistry 36 (1964); checked against scipy's.
    """
    order = np.argsort(x, kind="stable")
    x, y = _averaged(x[order], y[order], np.flatnonzero(np.diff(x[order], prepend=-np.inf)))
    if len(x) > _MOST:
        x, y = _averaged(x, y, np.linspace(0, len(x), _MOST, endpoint=False).astype(int))
    if len(x) < _LEAST + 2:
        raise NotWorkedOut(
            f"the curve has {len(x)} points that differ", f"at least {_LEAST + 2}, closer by"
        )
    taken = max(_LEAST, len(x) // _SHARE) | 1
    across, along = sliding_window_view(x, taken), sliding_window_view(y, taken)
    place = across.mean(axis=1)
    apart = across - place[:, np.newaxis]
    half = np.max(np.abs(apart), axis=1)
    basis = (apart / half[:, np.newaxis])[..., np.newaxis] ** np.arange(3)
    turned = basis.transpose(0, 2, 1)
    try:
        found = np.linalg.solve(turned @ basis, turned @ along[..., np.newaxis])
    except np.linalg.LinAlgError:
        raise NotWorkedOut(
            "the points of the curve lie too unevenly for a parabola", "steps of about one size"
        ) from None
    left = along - (basis @ found)[..., 0]
    value, slope, square = found[..., 0].T
    # Each parabola takes three of its readings' freedoms, and of a value's variance a share stays.
    variance = float(np.mean(left**2)) * taken / (taken - 3)
    return Smoothed(
        place, value, slope / half, 2 * square / half**2, (variance * 2.25 / taken) ** 0.5, taken
    )


def _averaged(x: Floats, y: Floats, starts: np.ndarray) -> tuple[Floats, Floats]:
    """The means of runs of readings that begin at rows `starts`."""
    counts = np.diff(starts, append=len(x))
    return np.add.reduceat(x, starts) / counts, np.add.reduceat(y, starts) / counts
