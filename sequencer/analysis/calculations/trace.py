"""Calculations that any trace bears: of one column, alone or over time, and of a counter.

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
    in_part,
    length,
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
    _, chosen = in_part(time, part, column=values)
    return Calculated(float(np.mean(chosen)), f"mean of {counted(len(chosen), 'reading')}")


def spread(time: Floats, values: Floats, part: Ends | None = None) -> Calculated:
    """Experimental standard deviation of the readings in a part of the time.

    Equation: s = √(Σ (x_k − x̄)² / (n − 1)). It is that of single readings about their mean; drift
    within the part counts as spread, and s/√n is the mean's only where the readings don't follow
    one another.

    Args:
        time: time of each reading (s), shape (n,), rising.
        values: the column, any unit, shape (n,).
        part: from and to (s), counted from the first row, both ends in; the whole trace if None.

    Returns:
        The standard deviation in the unit of `values`; of temperatures in K.

    Raises:
        NotWorkedOut: fewer than two readings in that part, NaN, over range, time that does not
            rise.

    Source: JCGM 100:2008, 4.2.2 (from memory); checked against `statistics.stdev`.
    """
    _, chosen = in_part(time, part, column=values)
    if len(chosen) < 2:
        raise NotWorkedOut(
            "there is 1 reading, and a spread takes two", "a longer part, or readings closer by"
        )
    return Calculated(
        float(np.std(chosen, ddof=1)),
        f"standard deviation of {counted(len(chosen), 'reading')}",
    )


def minimum(time: Floats, values: Floats, part: Ends | None = None) -> Calculated:
    """Smallest reading in a part of the time; arguments and errors as for `mean`.

    A single reading's noise is in it, so that it lies below the noise-free smallest.
    """
    _, chosen = in_part(time, part, column=values)
    return Calculated(float(np.min(chosen)), f"smallest of {counted(len(chosen), 'reading')}")


def maximum(time: Floats, values: Floats, part: Ends | None = None) -> Calculated:
    """Largest reading in a part of the time; arguments and errors as for `mean`.

    A single reading's noise is in it, so that it lies above the noise-free largest.
    """
    _, chosen = in_part(time, part, column=values)
    return Calculated(float(np.max(chosen)), f"largest of {counted(len(chosen), 'reading')}")


def value_at(time: Floats, values: Floats, moment: float) -> Calculated:
    """A column at a time after the first row, on the line between the two readings about it.

    Equation: x = x_k + (t − t_k)/(t_{k+1} − t_k) · (x_{k+1} − x_k).

    Args:
        time: time of each reading (s), shape (n,), rising.
        values: the column, any unit, shape (n,).
        moment: the time (s), counted from the first row.

    Returns:
        The value in the unit of `values`.

    Raises:
        NotWorkedOut: a time before the first or after the last row, NaN or over range in a reading
            about it, time that does not rise.

    Source: linear interpolation; checked against `numpy.interp`.
    """
    require_readings(time)
    since = time - time[0]
    if not 0 <= moment <= since[-1]:
        raise NotWorkedOut(
            f"{write(moment, TIME)} lies outside the trace, which is {length(since)} long",
            "a time within it, counted from its first row",
        )
    after = int(np.searchsorted(since, moment))
    about = np.zeros(len(time), dtype=bool)
    about[after if since[after] == moment else after - 1 : after + 1] = True
    require_readings(time, 1, about, column=values)
    value = float(np.interp(moment, since[about], values[about]))
    return Calculated(value, f"at {write(moment, TIME)} after the first row")


def integral(time: Floats, values: Floats, part: Ends | None = None) -> Calculated:
    """Integral of a column over time.

    Equation: ∫ x dt = Σ (t_{k+1} − t_k)(x_k + x_{k+1})/2 from the first to the last reading of the
    part. Between readings the column is taken to be straight: sampled slower than it changes, the
    integral is of a guess. For charge and energy the recorded counters know more.

    Args:
        time: time of each reading (s), shape (n,), rising.
        values: the column, any unit, shape (n,).
        part: from and to (s), counted from the first row, both ends in; the whole trace if None.

    Returns:
        The integral in the unit of `values` times s.

    Raises:
        NotWorkedOut: fewer than two readings in that part, NaN, over range, time that does not
            rise.

    Source: trapezoidal rule; checked against closed forms.
    """
    moments, chosen = in_part(time, part, column=values)
    if len(moments) < 2:
        raise NotWorkedOut(
            "there is 1 reading, and an integral takes two", "a longer part, or readings closer by"
        )
    value = float(np.sum(np.diff(moments) * (chosen[1:] + chosen[:-1])) / 2)
    return Calculated(
        value, f"trapezoids over {counted(len(chosen), 'reading')}, {length(moments)}"
    )


def crossing_time(
    time: Floats, values: Floats, level: float, part: Ends | None = None
) -> Calculated:
    """Time at which a column first passes a level, from either side.

    Equation: t = t_k + (L − x_k)/(x_{k+1} − x_k) · (t_{k+1} − t_k) between the first two readings
    that enclose the level. Noise of standard deviation σ makes the first crossing early where the
    column moves by less than a few σ from reading to reading.

    Args:
        time: time of each reading (s), shape (n,), rising.
        values: the column, any unit, shape (n,).
        level: the level, in the unit of `values`.
        part: from and to (s), counted from the first row, both ends in; the whole trace if None.

    Returns:
        The time (s), counted from the trace's first row, also where only a part is looked at.

    Raises:
        NotWorkedOut: no crossing in that part, NaN, over range, time that does not rise.

    Source: linear interpolation; checked against closed forms.
    """
    moments, chosen = in_part(time, part, column=values)
    away = chosen - level
    reached = np.flatnonzero(np.sign(away) != np.sign(away[0])) if away[0] else np.zeros(1, int)
    if len(reached) == 0:
        side = "above" if away[0] > 0 else "below"
        raise NotWorkedOut(
            f"the column stays {side} the level in all {counted(len(chosen), 'reading')}",
            "readings from both sides of the level",
        )
    k = int(reached[0])
    crossed = float(moments[k])
    if k > 0:
        step = moments[k] - moments[k - 1]
        crossed = float(moments[k - 1] - away[k - 1] / (away[k] - away[k - 1]) * step)
    return Calculated(crossed - float(time[0]), "first crossing, on the line between two readings")


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
    moments, chosen = in_part(time, part, column=values)
    if len(moments) < 2:
        raise NotWorkedOut(
            "there is 1 reading, and a slope takes two", "a longer part, or readings closer by"
        )
    value, _ = line(moments, chosen)
    return Calculated(value, f"least squares over {counted(len(chosen), 'reading')}")


def energy(time: Floats, counter: Floats) -> Calculated:
    """Energy (J) that went into the part, net, by the recorded counter; see `_gained`."""
    return _gained(time, counter, "energy")


def charge(time: Floats, counter: Floats) -> Calculated:
    """Charge (C) that went into the part, net, by the recorded counter; see `_gained`."""
    return _gained(time, counter, "charge")


def _gained(time: Floats, counter: Floats, quantity: str) -> Calculated:
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
