"""Stretches of readings at constant current: what they must hold, and how they are refused.

Knows arrays and the way of a voltage; no result that is worked out from them.
"""

from __future__ import annotations

import numpy as np

from grammar.quantity import CURRENT, TIME, VOLTAGE, write
from sequencer.analysis.calculations.passage import Passage
from sequencer.analysis.calculations.readings import (
    Ends,
    Floats,
    NotWorkedOut,
    held,
    require_readings,
)

# A reading this far from the mean current (as a share of it) makes the current not constant: a
# limit that takes or loses control passes it within a few readings. Common practice, no source.
CONSTANT_WITHIN = 0.05


def require_constant(time: Floats, current: Floats, limited: Floats, first: int, last: int) -> None:
    """Refuse rows, both ends in, in which the current isn't constant."""
    rows = np.zeros(len(time), dtype=bool)
    rows[first : last + 1] = True
    require_readings(time, 2, rows, current=current)
    flows, held = current[rows], limited[rows]
    changed = np.flatnonzero(held != held[0])
    if len(changed):
        what = "took" if held[changed[0]] else "lost"
        raise NotWorkedOut(
            f"the limit {what} control {since_first(time, first + int(changed[0]))}, within the "
            "stretch that must be at constant current",
            "a constant current over the whole of it",
        )
    average = float(np.mean(flows))
    off = np.flatnonzero(np.abs(flows - average) > CONSTANT_WITHIN * abs(average))
    if len(off) or average == 0:
        row = int(off[0]) if len(off) else 0
        raise NotWorkedOut(
            f"the current is not constant: {amperes(float(flows[row]))} "
            f"{since_first(time, first + row)}, {amperes(average)} on average",
            f"a current within {100 * CONSTANT_WITHIN:g} % of its mean throughout",
        )


def too_few(way: Passage, between: Ends, needed: int) -> NotWorkedOut:
    """The refusal of a way with too few readings on it."""
    found = way.after - way.before - 1
    return NotWorkedOut(
        f"there {held(found, 'reading')} between {volts(between[0])} and {volts(between[1])}",
        f"at least {needed} there: readings closer by, or a smaller current",
    )


def wrong_sign(flow: float, between: Ends) -> NotWorkedOut:
    """The refusal of a voltage that rises while current flows out, or falls while it flows in."""
    goes = "rises" if between[1] > between[0] else "falls"
    into = "out of" if flow < 0 else "into"
    return NotWorkedOut(
        f"the voltage {goes} while current flows {into} the part (wrong sign)",
        "voltage and current of the same part, both positive into it",
    )


def since_first(time: Floats, row: int) -> str:
    """How long after the first row a row is, in words."""
    return f"{write(float(time[row] - time[0]), TIME)} after the first row"


def volts(value: float) -> str:
    """A voltage in words."""
    return write(value, VOLTAGE)


def amperes(value: float) -> str:
    """A current in words."""
    return write(value, CURRENT)
