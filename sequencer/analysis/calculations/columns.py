"""Calculations on columns row by row: a line of one against another, offsets, running integrals.

Pure functions of arrays of shape (n,); they know no kind of part and no time but as a column.
"""

from __future__ import annotations

import math

import numpy as np

from sequencer.analysis.calculations.readings import (
    Ends,
    Floats,
    NotWorkedOut,
    Several,
    counted,
    require_readings,
    within,
)
from sequencer.analysis.calculations.trace import line


def line_fit(time: Floats, y: Floats, x: Floats, between: Ends | None = None) -> Several:
    """Straight line of one column against another, by least squares.

    Equation: y = a + b x, b = Σ (x_k − x̄)(y_k − ȳ) / Σ (x_k − x̄)², a = ȳ − b x̄, all readings
    weighted alike and x taken as exact; the spread about it s = √(Σ (y_k − a − b x_k)² / (n − 2)),
    and with readings independent of one another the standard uncertainties u(b) = s/√Σ (x_k − x̄)²
    and u(a) = s √(1/n + x̄²/Σ (x_k − x̄)²).

    Args:
        time: time of each reading (s), shape (n,), rising.
        y: the column that is fitted, any unit, shape (n,).
        x: the column that it is fitted against, any unit, shape (n,).
        between: the two ends of `x`, both in, in either order; all readings if None.

    Returns:
        "slope" in the unit of `y` over that of `x`, "intercept" (y at x = 0; where x is a
        temperature, at 0 K) and "spread" in the unit of `y`; "slope_uncertainty" and
        "intercept_uncertainty" in those of the two.

    Raises:
        NotWorkedOut: fewer than three readings, an `x` that does not change, NaN, over range, time
            that does not rise.

    Source: ordinary least squares; checked against `statistics.linear_regression`.
    """
    require_readings(time, 1)
    low, high = (-math.inf, math.inf) if between is None else (min(between), max(between))
    # An empty or over-range x says nothing of where it lies: with all readings wanted it is
    # refused, within two ends it is not among them.
    inside = within(x, (low, high)) if between is not None else np.ones(len(x), dtype=bool)
    require_readings(time, 1, inside, x=x, y=y)
    across, along = x[inside], y[inside]
    if len(across) < 3:
        found = counted(len(across), "reading") if len(across) else "no reading"
        raise NotWorkedOut(
            f"the line has {found} to go by", "at least 3 readings between the two ends"
        )
    if np.ptp(across) == 0:
        raise NotWorkedOut("x is the same in all readings", "readings at different x")
    gradient, at_zero = line(across, along)
    middle = float(across.mean())
    reach = float(np.sum((across - middle) ** 2))
    apart = along - along.mean() - gradient * (across - middle)
    deviation = math.sqrt(float(np.sum(apart * apart)) / (len(across) - 2))
    return Several(
        {
            "slope": gradient,
            "intercept": at_zero,
            "spread": deviation,
            "slope_uncertainty": deviation / math.sqrt(reach),
            "intercept_uncertainty": deviation * math.sqrt(1 / len(across) + middle**2 / reach),
        },
        f"least-squares line through {counted(len(across), 'reading')}",
    )


def even_drift(time: Floats, before: float, after: float) -> Floats:
    """An offset that drifts evenly from the first row to the last, at every row.

    Equation: o_k = b + (a − b)(t_k − t_1)/(t_n − t_1), with the offset b at the first row and a at
    the last, as found with the part lifted before and after.

    Args:
        time: time of each reading (s), shape (n,), rising.
        before: the offset at the first row, any unit.
        after: the offset at the last row, in the same unit.

    Returns:
        The offset in that unit, shape (n,).

    Raises:
        NotWorkedOut: fewer than two rows, time that does not rise.

    Source: linear interpolation between two zeros, common practice, no source.
    """
    require_readings(time, 2)
    since = time - time[0]
    drift: Floats = before + (after - before) * since / since[-1]
    return drift


def running_integral(time: Floats, values: Floats) -> Floats:
    """The integral of a column over time from the first row to each, by trapezoids.

    Equation: S_1 = 0, S_{k+1} = S_k + (t_{k+1} − t_k)(x_k + x_{k+1})/2; exact for what is straight
    between the rows. `time` (s) and `values` have shape (n,), and so has the integral, in the unit
    of `values` times s; from an empty place (NaN) on it is empty.
    """
    steps = np.diff(time) * (values[1:] + values[:-1]) / 2
    return np.concatenate(([0.0], np.cumsum(steps)))
