"""Calculations for insulators: resistance from a voltage that alternates in polarity.

A pure function of arrays of shape (n,).
"""

from __future__ import annotations

import numpy as np

from grammar.quantity import RESISTANCE, TIME, VOLTAGE, write
from sequencer.analysis.calculations.alternation import three_point, turns, two_point
from sequencer.analysis.calculations.readings import (
    Floats,
    NotWorkedOut,
    Several,
    counted,
    require_readings,
)
from sequencer.analysis.calculations.regression import STANDS_OUT

# What the current may still move by over the part of each polarity that counts. Common practice, no
# source.
_MOVES_WITHIN = 0.1


def alternating_resistance(
    time: Floats,
    voltage: Floats,
    current: Floats,
    limited: Floats,
    settling: float | None = None,
) -> Several:
    """Resistance from the settled currents at a voltage that alternates in polarity.

    Equations: of the mean settled currents at successive polarities, two-point
    R = (V_1 − V_2)/(I_1 − I_2) and three-point R = (V_1 − 2 V_2 + V_3)/(I_1 − 2 I_2 + I_3), where 1
    and 3 are taken at the time of 2; conductances are averaged over all of them, since noise is in
    the currents, and turned round. The offset current is what is left of I − V/R. Two-point drops
    an even offset, three-point one that drifts evenly too.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the insulator (V), shape (n,).
        current: current through it (A), shape (n,).
        limited: 1 where the limit was in control, else 0, shape (n,).
        settling: the time (s) that is left out at the start of each polarity; half of it if None.

    Returns:
        "two_point", "three_point" (Ω) and "offset_current" (A). The second is refused by itself
        where there are only two polarities.

    Raises:
        NotWorkedOut: fewer than two readings, no voltage, one that isn't reversed or of different
            size, a limit in control in a reading that counts, no reading after the settling, a
            current that still moves by more than a tenth, or that turns with the voltage by no more
            than it scatters or the wrong way; NaN, over range, time that does not rise.

    Source: common practice for high resistances; checked against a closed form.
    """
    require_readings(time, 2, voltage=voltage)
    if not np.any(voltage):
        raise NotWorkedOut("there is no voltage", "a test voltage that alternates in polarity")
    found = turns(time, voltage, current, limited, settling, "current")
    pairs = best = two_point(found)
    values, refused = {}, {}
    try:
        best = three_point(found)
    except NotWorkedOut as refusal:
        refused["three_point"] = refusal
    if best.mean <= STANDS_OUT * best.error:
        largest = abs(best.mean) + STANDS_OUT * best.error
        more = f": it is more than {write(1 / largest, RESISTANCE, 2)}" if largest else ""
        raise NotWorkedOut(
            f"the current doesn't turn with the voltage by more than it scatters{more}",
            "a larger voltage, more reversals, a quieter set-up",
        )
    moves = abs(found.moving)
    if moves > _MOVES_WITHIN and moves > STANDS_OUT * found.moving_error:
        raise NotWorkedOut(
            f"the current has not settled: it still moves by {100 * found.moving:.2g} % over the "
            "part of each polarity that counts",
            "a longer time at each polarity, or more of it for settling",
        )
    values["two_point"] = 1 / pairs.mean
    if "three_point" not in refused:
        values["three_point"] = 1 / best.mean
    values["offset_current"] = float(np.mean(best.offset))
    size = float(np.mean(np.abs(found.driven)))
    left_out = "half of each polarity" if settling is None else write(settling, TIME)
    return Several(
        values,
        f"{counted(len(found.time), 'stay')} at ±{write(size, VOLTAGE)} of "
        f"{counted(found.readings, 'reading')} in all after settling for {left_out}, still moving "
        f"by {100 * found.moving:.2g} %",
        refused,
    )
