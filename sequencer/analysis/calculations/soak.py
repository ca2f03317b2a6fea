"""Calculations for what a part keeps: its leakage while it is held, its loss while it is open.

Pure functions of arrays of shape (n,). Current is positive into the part.
"""

from __future__ import annotations

import math

import numpy as np

from grammar.quantity import CURRENT, TIME, VOLTAGE, write
from sequencer.analysis.calculations.constant_current import amperes, volts
from sequencer.analysis.calculations.readings import (
    Calculated,
    Ends,
    Floats,
    NotWorkedOut,
    counted,
    in_part,
    length,
)
from sequencer.analysis.calculations.trace import line

# Both: common practice, no source.
HELD_WITHIN = 0.01  # of the voltage: what it may move while it counts as held
LAST_SHARE = 0.1  # of the trace, where no part is named


def leakage_current(
    time: Floats, voltage: Floats, current: Floats, limited: Floats, part: Ends | None = None
) -> Calculated:
    """Current into a part that is held at a voltage, once the soak is over.

    Equation: I = (1/n) Σ i_k over the part of the time. Leakage falls for hours and days: the time
    at which it was taken and how fast it still moved (least squares) stand with the number.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,).
        limited: 1 where the limit was in control, else 0, shape (n,).
        part: from and to (s), counted from the first row, both ends in; the last tenth if None.

    Returns:
        The current (A), of the sign of the voltage.

    Raises:
        NotWorkedOut: fewer than two readings in that part, a voltage that is not held there, a
            limit in control, a current out of the part, NaN, over range, time that does not rise.

    Source: IEC 62391-1, leakage after stated hours at the rated voltage (as quoted by secondary
    works).
    """
    if part is None and len(time):
        whole = float(time[-1] - time[0])
        part = ((1 - LAST_SHARE) * whole, whole)
    moments, held, flow, limit = in_part(
        time, part, 2, voltage=voltage, current=current, limited=limited
    )
    start = float(moments[0] - time[0])
    if np.any(limit):
        first = float(moments[np.flatnonzero(limit)[0]] - time[0])
        raise NotWorkedOut(
            f"the limit is in control {write(first, TIME)} after the first row: the part still "
            "charges",
            "a longer hold, or a larger limit, until the source holds the voltage",
        )
    level = float(np.mean(held))
    if np.ptp(held) > HELD_WITHIN * abs(level):
        raise NotWorkedOut(
            f"the voltage is not held: from {volts(float(held.min()))} to "
            f"{volts(float(held.max()))}",
            f"a voltage that stays within {100 * HELD_WITHIN:g} %",
        )
    value = float(np.mean(flow))
    if value * level <= 0:
        raise NotWorkedOut(
            f"{amperes(value)} flow at {volts(level)}, so none into the part (wrong sign)",
            "a current that stands out of the ammeter's offset: take a zero with the part lifted",
        )
    trend, _ = line(moments, flow)
    return Calculated(
        value,
        f"mean of {counted(len(flow), 'reading')} from {write(start, TIME)} to "
        f"{write(float(moments[-1] - time[0]), TIME)} after the first row, at {volts(level)}, "
        f"moving by {write(trend * 3600, CURRENT, 3)} an hour",
    )


def self_discharge_rate(time: Floats, voltage: Floats, part: Ends | None = None) -> Calculated:
    """Loss of voltage a time of a part whose terminals are open.

    Equation: rate = −dU/dt by least squares, of the voltage's size. What reads the voltage draws
    its own current: at least 1 MΩ is asked of it. The loss is fastest at first, while slow branches
    still fill, so that the part of the time stands with the number.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the open part (V), shape (n,).
        part: from and to (s), counted from the first row, both ends in; the whole trace if None.

    Returns:
        The rate (V/s), above zero.

    Raises:
        NotWorkedOut: fewer than three readings in that part, a voltage that rises or does not
            change, NaN, over range, time that does not rise.

    Source: IEC 62391-1, self-discharge: 8 h at the rated voltage, then open for 16 h or 24 h (as
    quoted by secondary works).
    """
    moments, open_voltage = in_part(time, part, 3, voltage=voltage)
    if np.ptp(open_voltage) == 0:
        raise NotWorkedOut(
            "the voltage is the same in all readings: it is held, or its loss is below the "
            "resolution",
            "readings with the output off, over a longer time or in a finer range",
        )
    gradient, at_start = line(moments - moments[0], open_voltage)
    middle = float(np.mean(open_voltage))
    rate = -math.copysign(gradient, gradient * middle)
    if rate <= 0:
        raise NotWorkedOut(
            f"the voltage rises with its terminals open, from {volts(at_start)}: slow branches "
            "give back, or something feeds it",
            "a part of the time in which it falls: hold longer before, or begin later",
        )
    end = at_start + gradient * float(moments[-1] - moments[0])
    return Calculated(
        rate,
        f"least squares through {counted(len(moments), 'reading')}, {write(at_start, VOLTAGE)} to "
        f"{write(end, VOLTAGE)} in {length(moments)}",
    )
