"""The resistance that lies beside a junction, from what flows about 0 V in the dark.

Pure functions of arrays of shape (n,); for photodiodes, solar cells and modules.
"""

from __future__ import annotations

import numpy as np

from grammar.quantity import RESISTANCE, VOLTAGE, write
from sequencer.analysis.calculations.readings import (
    Calculated,
    Ends,
    Floats,
    NotWorkedOut,
    counted,
    require_readings,
    within,
)
from sequencer.analysis.calculations.regression import STANDS_OUT, Straight, straight

_LEAST = 3


def shunt_resistance(
    time: Floats, voltage: Floats, current: Floats, between: Ends = (-0.01, 0.01)
) -> Calculated:
    """Shunt resistance: slope of voltage against current about 0 V, in the dark.

    Equation: R_sh = 1/g with g the slope of the least-squares line I = I_0 + g V. An offset of
    current or voltage falls out; the junction's own conductance at 0 V, I_s/(n k T/q), is in it.
    A slope within three of its standard errors can't be told from none and is refused: what a line
    through noise gives is no shunt.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,).
        between: the two voltages (V), both in, in either order, with 0 V between them.

    Returns:
        The resistance (Ω).

    Raises:
        NotWorkedOut: fewer than three readings between the voltages, all at one voltage, ends that
            don't hold 0 V, a slope lost in its scatter or of the wrong sign, NaN, over range, time
            that does not rise.

    Source: common practice for photodiodes (±10 mV), no source.
    """
    require_readings(time, 1)
    low, high = min(between), max(between)
    if not low <= 0 <= high:
        raise NotWorkedOut(
            f"0 V doesn't lie between {_volts(low)} and {_volts(high)}",
            "a span about 0 V, where the junction itself doesn't conduct",
        )
    inside = within(voltage, (low, high))
    require_readings(time, 1, inside, voltage=voltage, current=current)
    v, i = voltage[inside], current[inside]
    if len(v) < _LEAST or np.ptp(v) == 0:
        raise NotWorkedOut(
            f"between {_volts(low)} and {_volts(high)} the line has {counted(len(v), 'reading')} "
            f"at {counted(len(np.unique(v)), 'voltage')} to go by",
            f"at least {_LEAST} readings there, at voltages that differ",
        )
    found = straight(v, i)
    if not found.stands_out:
        raise no_shunt(found)
    if found.slope < 0:
        raise NotWorkedOut(
            "the current falls while the voltage rises (wrong sign)",
            "voltage and current of the same part, both positive into it",
        )
    return Calculated(
        1 / found.slope,
        f"least-squares line through {counted(len(v), 'reading')} from {_volts(v.min())} to "
        f"{_volts(v.max())}",
    )


def no_shunt(found: Straight) -> NotWorkedOut:
    """Why the conductance (S) of a line about 0 V can't be told from none."""
    largest = abs(found.slope) + STANDS_OUT * found.slope_error
    more = f": the shunt is more than {write(1 / largest, RESISTANCE, 2)}" if largest else ""
    return NotWorkedOut(
        f"about 0 V the slope of the current can't be told from none beneath its scatter{more}",
        "readings that scatter less, more of them, or a larger span of voltage",
    )


def _volts(value: float) -> str:
    return write(float(value), VOLTAGE)
