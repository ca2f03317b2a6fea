"""Calculations for contacts and joints: resistance from a current that is reversed.

A pure function of arrays of shape (n,). What two or four wires make of it is the reading's own:
without reversal `mean_resistance` works it out.
"""

from __future__ import annotations

import numpy as np

from grammar.quantity import CURRENT, RESISTANCE, TIME, write
from sequencer.analysis.calculations.alternation import three_point, turns, two_point
from sequencer.analysis.calculations.readings import (
    Floats,
    NotWorkedOut,
    Several,
    counted,
    require_readings,
)

# Standard errors below zero that a resistance of none doesn't reach by its scatter. Common
# practice, no source.
_WRONG_WAY = 5.0
# Of the largest voltage: less than that is what floats leave of a difference.
_ROUNDING = 1e-12


def reversal_resistance(time: Floats, voltage: Floats, current: Floats, limited: Floats) -> Several:
    """Resistance from readings at a current that is reversed from one to the next.

    Equations: two-point R = (V_1 − V_2)/(I_1 − I_2), the mean over the pairs; three-point
    R = (V_1 − 2 V_2 + V_3)/(I_1 − 2 I_2 + I_3), where 1 and 3 are taken at the time of 2, the mean
    over all three in a row; thermal voltage: what is left of V − R I, of the three-point R where
    there is one. Two-point drops an even thermal voltage and keeps half of its change in a step;
    three-point drops one that drifts evenly. Several readings in a row on a side count as one.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the contact (V), shape (n,).
        current: current through it (A), shape (n,).
        limited: 1 where the limit was in control, else 0, shape (n,).

    Returns:
        "two_point", "three_point" (Ω) and "thermal_voltage" (V). The second is refused by itself
        where the current was reversed only once.

    Raises:
        NotWorkedOut: fewer than two readings, no current, one that isn't reversed from one to the
            next or of different size, a limit in control, a resistance that lies below zero by far
            more than it scatters; NaN, over range, time that does not rise.

    Source: common practice for low resistances; checked against a closed form.
    """
    require_readings(time, 2, current=current)
    if not np.any(current):
        raise NotWorkedOut("no current flows", "a test current, reversed from one to the next")
    found = turns(time, current, voltage, limited, 0.0, "voltage")
    pairs = best = two_point(found)
    values, refused = {"two_point": pairs.mean}, {}
    try:
        best = three_point(found)
        values["three_point"] = best.mean
    except NotWorkedOut as refusal:
        refused["three_point"] = refusal
    size = float(np.mean(np.abs(found.driven)))
    rounding = _ROUNDING * float(np.max(np.abs(voltage))) / size
    if best.mean < -_WRONG_WAY * best.error - rounding:
        raise NotWorkedOut(
            f"the resistance is {write(best.mean, RESISTANCE)} (wrong sign)",
            "sense leads the same way round as the force leads",
        )
    values["thermal_voltage"] = float(np.mean(best.offset))
    return Several(
        values,
        f"{counted(len(found.time), 'stay')} at ±{write(size, CURRENT)}, "
        f"{write(float(found.time[-1] - found.time[0]), TIME)} from the first to the last, "
        f"scattering by {write(best.error, RESISTANCE, 2)} in the mean",
        refused,
    )
