"""Calculations that any trace bears: mean, smallest, largest, slope, energy, charge.

Pure functions of arrays of shape (n,), time in s; they know no kind of part.
"""

from __future__ import annotations

import numpy as np

from grammar.quantity import TIME, write
from sequencer.analysis.calculations.readings import (
    Calculated,
    Ends,
    Floats,
    NotWorkedOut,
    counted,
    require_readings,
)


def mean(time: Floats, values: Floats, part: Ends | None = None) -> Calculated:
    """Arithmetic mean of the readings in a part of the time.

    Equation: m = (1/n) Σ x_k; each reading counts the same, however far it is from the next.

    Args:
        time: time of each reading (s), shape (n,), rising.
        values: the column, any unit, shape (n,).
        part: from and to (s), counted from the first row, both ends in; the whole trace if None.

    Returns:
        The mean in the unit of `values`.

    Raises:
        NotWorkedOut: no reading in that part, NaN, over range, time that does not rise.

    Source: JCGM 100:2008, 4.2.1 (from memory).
    """
    _, chosen = _in_part(time, values, part)
    return Calculated(float(np.mean(chosen)), f"mean of {counted(len(chosen), 'reading')}")


def minimum(time: Floats, values: Floats, part: Ends | None = None) -> Calculated:
    """Smallest reading in a part of the time; arguments and errors as for `mean`.

    A single reading's noise is in it, so that it lies below the noise-free smallest.
    """
    _, chosen = _in_part(time, values, part)
    return Calculated(float(np.min(chosen)), f"smallest of {counted(len(chosen), 'reading')}")


def maximum(time: Floats, values: Floats, part: Ends | None = None) -> Calculated:
    """Largest reading in a part of the time; arguments and errors as for `mean`.

    A single reading's noise is in it, so that it lies above the noise-free largest.
    """
    _, chosen = _in_part(time, values, part)
    return Calculated(float(np.max(chosen)), f"largest of {counted(len(chosen), 'reading')}")


def slope(time: Floats, values: Floats, part: Ends | None = None) -> Calculated:
    """Slope of a column against time, by least squares.

    Equation: b = Σ (t_k − t̄)(x_k − x̄) / Σ (t_k − t̄)², all readings weighted alike.

    Args:
        time: time of each reading (s), shape (n,), rising.
        values: the column, any unit, shape (n,).
        part: from and to (s), counted from the first row, both ends in; the whole trace if None.

    Returns:
        The slope in the unit of `values` per second.

    Raises:
        NotWorkedOut: fewer than two readings in that part, NaN, over range, time that does not
            rise.

    Source: ordinary least squares; checked against `numpy.polyfit`.
    """
    moments, chosen = _in_part(time, values, part)
    if len(moments) < 2:
        raise NotWorkedOut(
            "there is 1 reading, and a slope takes two", "a longer part, or readings closer by"
        )
    value, _ = line(moments, chosen)
    return Calculated(value, f"least squares over {counted(len(chosen), 'reading')}")


def counted_difference(time: Floats, counter: Floats, quantity: str) -> Calculated:
    """What a recorded counter gained from the first row to the last.

    Equation: Δ = N_last − N_first. The counter sums every reading of the channel, also those that
    the runner took by itself, so that this is more than an integral over the trace's own rows.

    Args:
        time: time of each row (s), shape (n,), rising.
        counter: the recorded counter ("energy" in J, "charge" in C), shape (n,).
        quantity: which of the two it is, for the method.

    Returns:
        The difference in the counter's unit; negative where the part gave back.

    Raises:
        NotWorkedOut: fewer than two rows, NaN, over range, time that does not rise.
    """
    require_readings(time, 2, counter=counter)
    value = float(counter[-1] - counter[0])
    return Calculated(value, f"difference of the {quantity} counter from the first row to the last")


def line(x: Floats, y: Floats) -> tuple[float, float]:
    """The slope of the least-squares line through at least two points, and its value at x = 0.

    Both are centred first: times of hours with steps of milliseconds would lose their digits.
    """
    x_mean, y_mean = float(np.mean(x)), float(np.mean(y))
    apart = x - x_mean
    gradient = float(np.sum(apart * (y - y_mean)) / np.sum(apart * apart))
    return gradient, y_mean - gradient * x_mean


def _in_part(time: Floats, values: Floats, part: Ends | None) -> tuple[Floats, Floats]:
    require_readings(time, 1)
    low, high = (-np.inf, np.inf) if part is None else (min(part), max(part))
    since = time - time[0]
    inside = (since >= low) & (since <= high)
    if not np.any(inside):
        length = write(float(since[-1]), TIME)
        raise NotWorkedOut(
            f"no reading lies {_between(low, high)}: the trace is {length} long",
            "readings in that part, counted from the first row",
        )
    require_readings(time, 1, inside, column=values)
    return time[inside], values[inside]


def _between(low: float, high: float) -> str:
    if np.isinf(low):
        return f"before {write(high, TIME)}"
    if np.isinf(high):
        return f"after {write(low, TIME)}"
    return f"between {write(low, TIME)} and {write(high, TIME)}"
