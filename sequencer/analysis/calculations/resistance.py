"""Resistance as the mean voltage over the mean current, and how it changed.

Pure functions of arrays of shape (n,). Current is positive into the part.
"""

from __future__ import annotations

import numpy as np

from grammar.quantity import RESISTANCE, write
from sequencer.analysis.calculations.constant_current import amperes, volts
from sequencer.analysis.calculations.readings import (
    Calculated,
    Ends,
    Floats,
    NotWorkedOut,
    counted,
    in_part,
)


def mean_resistance(
    time: Floats, voltage: Floats, current: Floats, part: Ends | None = None
) -> Calculated:
    """Mean voltage over mean current, two-wire or four-wire as it was measured.

    Equation: R = Σ u_k / Σ i_k. An offset of the voltage counts in full: where it matters the
    current is reversed, and `reversal_resistance` takes both ways.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,), of one sign.
        part: from and to (s), counted from the first row, both ends in; the whole trace if None.

    Returns:
        The resistance (Ω), above zero.

    Raises:
        NotWorkedOut: no reading in that part, no current or one that changes its sign, a voltage of
            the wrong sign, NaN, over range, time that does not rise.

    Source: Ohm's law.
    """
    _, volts_read, flow = in_part(time, part, voltage=voltage, current=current)
    if np.min(flow) <= 0 <= np.max(flow):
        raise NotWorkedOut(
            f"the current goes from {amperes(float(flow.min()))} to {amperes(float(flow.max()))}, "
            "so that it is not of one sign",
            "a current of one direction, well above the ammeter's offset",
        )
    level, carried = float(np.mean(volts_read)), float(np.mean(flow))
    if level / carried <= 0:
        raise NotWorkedOut(
            f"the voltage is {volts(level)} at {amperes(carried)} (wrong sign)",
            "voltage and current of the same part, both positive into it, the voltage above its "
            "meter's offset",
        )
    return Calculated(
        level / carried,
        f"mean voltage over mean current of {counted(len(flow), 'reading')}, at {amperes(carried)}",
    )


def resistance_drift(
    before_time: Floats,
    before_voltage: Floats,
    before_current: Floats,
    after_time: Floats,
    after_voltage: Floats,
    after_current: Floats,
) -> Calculated:
    """Change of the mean resistance over that before; arguments and errors as `mean_resistance`.

    Equation: d = R_after/R_before − 1. The gain of one instrument's range cancels; the part's
    temperature doesn't: the same cool-down before both.

    Returns:
        The share, 0 for none.
    """
    before = mean_resistance(before_time, before_voltage, before_current)
    after = mean_resistance(after_time, after_voltage, after_current)
    return Calculated(
        after.value / before.value - 1,
        f"{write(after.value, RESISTANCE)} over {write(before.value, RESISTANCE)}, each mean "
        "voltage over mean current",
    )
