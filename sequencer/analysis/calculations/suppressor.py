"""Calculations for suppressors, and diodes that break down: leakage, breakdown, clamping.

Pure functions of arrays of shape (n,). Voltage and current carry the signs that they were read
with; a level or span that is asked for carries the same.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from grammar.quantity import CURRENT, POWER, TIME, VOLTAGE, write
from sequencer.analysis.calculations.readings import (
    Calculated,
    Ends,
    Floats,
    NotWorkedOut,
    counted,
    require_readings,
)
from sequencer.analysis.calculations.regression import STANDS_OUT, straight

# All common practice, no source: what a reading may be off a level and count as taken at it; of
# readings at a level the share at the end that counts as settled; what they may still move.
_VOLTAGE_WITHIN = 0.01
_CURRENT_WITHIN = 0.02
_LAST_SHARE = 0.1
_MOVES_WITHIN = 0.1
_LEAST_SETTLED = 3


def standoff_leakage(
    time: Floats, voltage: Floats, current: Floats, limited: Floats, standoff: float
) -> Calculated:
    """Settled current at the stand-off voltage.

    Equation: I = (1/m) Σ i_k over the last tenth of the readings within 1 % of the stand-off
    voltage, three at least.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,).
        limited: 1 where the limit was in control, else 0, shape (n,).
        standoff: the stand-off voltage (V), of the sign of `voltage`.

    Returns:
        The current (A), of the sign that it was read with.

    Raises:
        NotWorkedOut: fewer than six readings at that voltage, a limit in control at the end, a
            current that between the last readings and as many before them still moves by more than
            a tenth and more than it scatters; NaN, over range, time that does not rise.

    Source: common practice, no source.
    """
    require_readings(time, 1)
    at = np.abs(voltage - standoff) <= _VOLTAGE_WITHIN * abs(standoff)
    require_readings(time, 1, at, voltage=voltage, current=current)
    rows = np.flatnonzero(at)
    if len(rows) < 2 * _LEAST_SETTLED:
        raise NotWorkedOut(
            f"there {_are(len(rows))} within {100 * _VOLTAGE_WITHIN:g} % of {_volts(standoff)}",
            f"at least {2 * _LEAST_SETTLED} at that voltage",
        )
    taken = max(_LEAST_SETTLED, math.floor(_LAST_SHARE * len(rows)))
    last, before = current[rows[-taken:]], current[rows[-2 * taken : -taken]]
    _require_free(time, limited, rows[-taken:])
    value = float(np.mean(last))
    moved = value - float(np.mean(before))
    scatter = math.sqrt((float(np.var(last, ddof=1)) + float(np.var(before, ddof=1))) / taken)
    if abs(moved) > _MOVES_WITHIN * abs(value) and abs(moved) > STANDS_OUT * scatter:
        raise NotWorkedOut(
            f"the current has not settled: it moved by {_amperes(moved)} to {_amperes(value)} over "
            f"the last {counted(2 * taken, 'reading')}",
            "a longer wait at that voltage",
        )
    return Calculated(
        value,
        f"mean of the last {counted(taken, 'reading')} at {_volts(standoff)}, "
        f"{write(float(time[rows[-1]] - time[rows[0]]), TIME)} after the first at it",
    )


def breakdown_voltage(
    time: Floats, voltage: Floats, current: Floats, limited: Floats, test_current: float
) -> Calculated:
    """Voltage at a test current; see `_at_current`."""
    return _at_current(time, voltage, current, limited, test_current)


def clamping_voltage(
    time: Floats, voltage: Floats, current: Floats, limited: Floats, peak_current: float
) -> Calculated:
    """Voltage at a pulsed current; see `_at_current`."""
    return _at_current(time, voltage, current, limited, peak_current)


def _at_current(
    time: Floats, voltage: Floats, current: Floats, limited: Floats, wanted: float
) -> Calculated:
    """Voltage at a current: of the readings taken at it, else between the two about it.

    Equation: the mean of the voltages whose current lies within 2 % of the one wanted; where there
    is none, V = V_j + (I − I_j)(V_k − V_j)/(I_k − I_j) between the readings nearest to it on either
    side. Beyond the largest current measured there is no voltage: a curve that is drawn on is no
    measurement.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,), in any order.
        limited: 1 where the limit was in control, else 0, shape (n,).
        wanted: the current (A), of the sign of `current`.

    Returns:
        The voltage (V).

    Raises:
        NotWorkedOut: no reading, one at that current nor on both sides of it, a limit in control in
            one that counts, NaN, over range, time that does not rise.

    Source: common practice, no source; checked against a closed form.
    """
    require_readings(time, 1, voltage=voltage, current=current)
    near = np.flatnonzero(np.abs(current - wanted) <= _CURRENT_WITHIN * abs(wanted))
    if len(near):
        _require_free(time, limited, near)
        return Calculated(
            float(np.mean(voltage[near])),
            f"mean of {counted(len(near), 'reading')} at {_amperes(float(np.mean(current[near])))}",
        )
    less = np.flatnonzero(current < wanted)
    more = np.flatnonzero(current > wanted)
    if len(less) == 0 or len(more) == 0:
        end = float(np.max(current) if len(more) == 0 else np.min(current))
        raise NotWorkedOut(
            f"no reading lies {'at or above' if len(more) == 0 else 'at or below'} "
            f"{_amperes(wanted)}: the {'highest' if len(more) == 0 else 'lowest'} current is "
            f"{_amperes(end)}",
            "a reading at that current: what lies beyond the largest measured is a guess",
        )
    j = int(less[np.argmax(current[less])])
    k = int(more[np.argmin(current[more])])
    _require_free(time, limited, np.array([j, k]))
    share = (wanted - current[j]) / (current[k] - current[j])
    return Calculated(
        float(voltage[j] + share * (voltage[k] - voltage[j])),
        f"on the line between {_amperes(float(current[j]))} and {_amperes(float(current[k]))}",
    )


def dynamic_resistance(time: Floats, voltage: Floats, current: Floats, between: Ends) -> Calculated:
    """Slope of voltage against current between two currents, heating included.

    Equation: R = b of the least-squares line V = a + b I through the readings between the two
    currents (2 % beyond them counts as at them). Of a junction it holds a/I beside the resistance,
    a = n k T/q; of a laser diode above its threshold, where the junction's voltage stands, it is
    the series resistance. A part that warms from one current to the next moves its voltage with it:
    the powers stand with the number.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,).
        between: the two currents (A), both in, of the sign of `current`.

    Returns:
        The resistance (Ω).

    Raises:
        NotWorkedOut: fewer than two readings between the currents or all at one, a slope of the
            wrong sign or, of three readings and more, lost in its scatter; NaN, over range, time
            that does not rise.

    Source: definition; checked against a closed form.
    """
    require_readings(time, 1)
    low, high = min(between), max(between)
    inside = current >= low - _CURRENT_WITHIN * abs(low)
    inside &= current <= high + _CURRENT_WITHIN * abs(high)
    require_readings(time, 1, inside, current=current, voltage=voltage)
    i, v = current[inside], voltage[inside]
    span = f"{_amperes(low)} to {_amperes(high)}"
    if len(i) < 2 or np.ptp(i) <= _CURRENT_WITHIN * np.max(np.abs(i)):
        raise NotWorkedOut(
            f"there {_are(len(i))} from {span}, and no two at currents that differ",
            "readings at two currents there, well apart",
        )
    slope, lost = float((v[-1] - v[0]) / (i[-1] - i[0])), False
    if len(i) > 2:
        line = straight(i, v)
        slope, lost = line.slope, not line.stands_out
    if slope <= 0 or lost:
        raise NotWorkedOut(
            f"from {span} the voltage doesn't rise with the current by more than it scatters",
            "currents further apart, or shorter pulses that heat less",
        )
    power = v * i
    return Calculated(
        slope,
        f"least-squares line through {counted(len(i), 'reading')} from {span}; the heating of "
        f"{write(float(np.min(power)), POWER, 3)} to {write(float(np.max(power)), POWER, 3)} is in "
        "it",
    )


def _require_free(time: Floats, limited: Floats, rows: NDArray[np.intp]) -> None:
    held = rows[limited[rows] != 0]
    if len(held):
        when = write(float(time[held[0]] - time[0]), TIME)
        raise NotWorkedOut(
            f"the limit was in control in row {held[0] + 1}, {when} after the first: the part was "
            "not at that level",
            "a limit that leaves room",
        )


def _are(number: int) -> str:
    return "is 1 reading" if number == 1 else f"are {counted(number, 'reading')}"


def _volts(value: float) -> str:
    return write(value, VOLTAGE)


def _amperes(value: float) -> str:
    return write(value, CURRENT)
