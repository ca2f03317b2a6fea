"""The way of a voltage from one value to another: between which rows, and when it crosses each.

A pure function of arrays; it knows no part and no result that is worked out from the way.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from grammar.quantity import VOLTAGE, write
from sequencer.analysis.calculations.readings import Ends, Floats, NotWorkedOut, require_readings


class Passage(NamedTuple):
    """The way of a voltage from one value to another.

    `before` and `after` are the rows that enclose it: the last at or before the first value and the
    first at or past the second. `start_s` and `end_s` are the crossings, interpolated linearly.
    """

    before: int
    after: int
    start_s: float
    end_s: float


def passage(time: Floats, voltage: Floats, between: Ends) -> Passage:
    """Find the one way of the voltage from the first end of a span to the second.

    Equation: t = t_k + (U − u_k)/(u_{k+1} − u_k) · (t_{k+1} − t_k) between the rows that enclose
    each crossing. Noise of standard deviation σ shortens the way by a few σ at each end
    where the voltage moves by less than that from row to row.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage of each reading (V), shape (n,).
        between: the two voltages (V) in the order in which they are passed.

    Raises:
        NotWorkedOut: fewer than two readings, no way from one to the other, or several.
    """
    require_readings(time, 2, voltage=voltage)
    first, last = between
    if not np.all(np.isfinite(between)) or first == last:
        raise NotWorkedOut(
            "the span has no two ends that differ", "two voltages, as in 2.1 V to 1.1 V"
        )
    falls = -1.0 if first < last else 1.0
    u, u1, u2 = falls * voltage, falls * first, falls * last
    marks = np.where(u >= u1, 1, np.where(u <= u2, -1, 0))
    rows = np.flatnonzero(marks)
    turns = np.flatnonzero((marks[rows[:-1]] == 1) & (marks[rows[1:]] == -1))
    if len(turns) == 0:
        raise _no_passage(voltage, between)
    if len(turns) > 1:
        raise NotWorkedOut(
            f"the voltage goes {len(turns)} times from {_volts(first)} to {_volts(last)}",
            "a trace that holds one such way",
        )
    before, after = int(rows[turns[0]]), int(rows[turns[0] + 1])
    start, end = (
        float(time[k] + (level - u[k]) / (u[k + 1] - u[k]) * (time[k + 1] - time[k]))
        for k, level in ((before, u1), (after - 1, u2))
    )
    return Passage(before, after, start, end)


def _no_passage(voltage: Floats, between: Ends) -> NotWorkedOut:
    first, last = between
    low, high = float(np.min(voltage)), float(np.max(voltage))
    if max(between) > high:
        return NotWorkedOut(
            f"the voltage never reaches {_volts(max(between))}: its highest is {_volts(high)}",
            f"readings up to {_volts(max(between))}",
        )
    if min(between) < low:
        return NotWorkedOut(
            f"the voltage never falls to {_volts(min(between))}: its lowest is {_volts(low)}",
            f"readings down to {_volts(min(between))}",
        )
    goes = "rises" if first > last else "falls"
    return NotWorkedOut(
        f"the voltage {goes} from {_volts(last)} to {_volts(first)} and does not go back",
        "the two voltages in the order in which they are passed: "
        f"{_volts(last)} to {_volts(first)}",
    )


def _volts(value: float) -> str:
    return write(value, VOLTAGE)
