"""Calculations for a captured pulse: how flat it is, and the energy that it put in.

Pure functions of arrays of shape (n,); they know no kind of part.
"""

from __future__ import annotations

import numpy as np

from grammar.quantity import POWER, TIME, write
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
from sequencer.analysis.calculations.trace import mean


def pulse_flatness(
    time: Floats, limited: Floats, column: Floats, early: Ends, late: Ends
) -> Calculated:
    """Change from an early to a late window of a pulse, over the late one.

    Equation: (x̄_late − x̄_early)/x̄_late, of the means over the two windows. A limit that was in
    control would make any pulse flat, so that it may not be.

    Args:
        time: time of each reading (s), shape (n,), rising.
        limited: 1 where the limit was in control, else 0, shape (n,).
        column: the column, any unit that has no zero but its own, shape (n,).
        early: from and to of the early window (s), counted from the first row, both ends in.
        late: from and to of the late window (s).

    Returns:
        The change (1), positive where the column's size grew.

    Raises:
        NotWorkedOut: no reading in a window, the late one not after the early one, a limit in
            control in either, a mean of 0 in the late one, NaN, over range, time that does not
            rise.

    Source: common practice, no source.
    """
    require_readings(time, 1)
    if max(early) > min(late):
        raise NotWorkedOut("the late window begins before the early one ends", "two windows apart")
    before, after = mean(time, column, early).value, mean(time, column, late).value
    since = time - time[0]
    for window in (early, late):
        held = np.flatnonzero((since >= min(window)) & (since <= max(window)) & (limited != 0))
        if len(held):
            raise NotWorkedOut(
                f"the limit was in control {write(float(since[held[0]]), TIME)} after the first "
                "row, and holds the pulse flat",
                "a pulse that its own level shapes: a larger limit",
            )
    if after == 0:
        raise NotWorkedOut("the late window's mean is 0", "a pulse: windows within it")
    return Calculated(
        (after - before) / after,
        f"means over {_window(early)} and {_window(late)} of the capture",
    )


def pulse_energy(
    time: Floats, voltage: Floats, current: Floats, part: Ends | None = None
) -> Calculated:
    """Energy of a captured pulse: the integral of voltage times current.

    Equation: E = ∫ v i dt by trapezoids over the readings.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,).
        part: from and to (s), counted from the first row, both ends in; the whole capture if None.

    Returns:
        The energy (J) that went into the part.

    Raises:
        NotWorkedOut: fewer than two readings in that part, NaN, over range, time that does not
            rise.

    Source: definition; checked against a double exponential's.
    """
    moments, v, i = in_part(time, part, 2, voltage=voltage, current=current)
    power = v * i
    value = float(np.sum(np.diff(moments) * (power[1:] + power[:-1])) / 2)
    return Calculated(
        value,
        f"trapezoids over {counted(len(moments), 'reading')}, {length(moments)}; at most "
        f"{write(float(np.max(np.abs(power))), POWER, 3)}",
    )


def _window(ends: Ends) -> str:
    return f"{write(min(ends), TIME)} to {write(max(ends), TIME)}"
