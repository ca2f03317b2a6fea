"""Curves of a cell: its voltage at rest over the state of charge, and its capacity a volt.

Pure functions of arrays of shape (n,). The curves come as tables of time, voltage and what is new;
the rest of a trace is read off at their times. Charge is positive into the part.
"""

from __future__ import annotations

import numpy as np

from grammar.quantity import PLAIN, VOLTAGE, write
from sequencer.analysis.calculations.cell import states_of_charge
from sequencer.analysis.calculations.constant_current import volts
from sequencer.analysis.calculations.readings import (
    Calculated,
    Floats,
    NotWorkedOut,
    Table,
    counted,
    require_readings,
)

# Both: common practice, no source.
AT_REST_WITHIN = 0.01  # of the largest current between two rows
ONE_REST_WITHIN = 1e-3  # of the capacity: rows at rest that differ by less are of one rest
MOST_STEPS = 100_000


def open_circuit_curve(
    time: Floats,
    voltage: Floats,
    current: Floats,
    charge: Floats,
    capacity: float,
    start: float = 1.0,
) -> Table:
    """The voltages of a cell at rest beside its state of charge.

    Equation: s_k = s0 + (q_k − q_1)/Q at the last row of each rest. A row is at rest where its
    current is at most 1 % of the largest one, taken from the readings and from the counter's moves
    between rows, so that a trace may hold the rests alone.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the cell (V), shape (n,).
        current: current into the cell (A), shape (n,).
        charge: the recorded counter of charge (C), shape (n,), never set back meanwhile.
        capacity: the cell's capacity Q (C), above zero.
        start: the state of charge at the first row, 1 for full.

    Returns:
        A table, a row a rest: "time" (s), "voltage" (V), "current" (A), "charge" (C),
        "state_of_charge".

    Raises:
        NotWorkedOut: fewer than two rests, a state beyond empty or full, a capacity that isn't
            above zero, NaN, over range, time that does not rise.

    Source: definition, common practice, no source.
    """
    require_readings(time, 2, voltage=voltage, current=current, charge=charge)
    states = states_of_charge(charge - charge[0], capacity, start)
    between = np.abs(np.diff(charge) / np.diff(time))
    largest = max(float(np.max(np.abs(current))), float(np.max(between)))
    rests = np.flatnonzero(np.abs(current) <= AT_REST_WITHIN * largest)
    moves = np.abs(np.diff(states[rests])) > ONE_REST_WITHIN
    last = rests[np.append(moves, True)] if len(rests) else rests
    if len(last) < 2:
        raise NotWorkedOut(
            f"the trace holds {counted(len(last), 'rest')}",
            "rests at two states of charge or more, each with a reading at its end",
        )
    return Table(
        "",
        {
            "time": time[last],
            "voltage": voltage[last],
            "current": current[last],
            "charge": charge[last],
            "state_of_charge": states[last],
        },
        f"the last of each of {len(last)} rests, charge counted from "
        f"{write(start, PLAIN, unit='%')}",
    )


def state_of_charge_by_voltage(
    time: Floats, voltage: Floats, state_of_charge: Floats, rested: float
) -> Calculated:
    """State of charge of a rested cell from its open-circuit curve.

    Equation: s = s_k + (U − u_k)/(u_{k+1} − u_k) · (s_{k+1} − s_k) between the two rests that
    enclose the voltage. Where the curve is flat a millivolt is many percent.

    Args:
        time: time of each rest (s), shape (n,), rising.
        voltage: voltage at each rest (V), shape (n,).
        state_of_charge: state of charge at each rest, 1 for full, shape (n,).
        rested: voltage of the cell, as long at rest as in the curve (V).

    Returns:
        The state of charge, 1 for full.

    Raises:
        NotWorkedOut: fewer than two rests, a curve that does not rise with the state of charge, a
            voltage beyond its ends, NaN, over range, time that does not rise.

    Source: linear interpolation; checked against `numpy.interp`.
    """
    require_readings(time, 2, voltage=voltage, state_of_charge=state_of_charge)
    order = np.argsort(state_of_charge, kind="stable")
    states, levels = state_of_charge[order], voltage[order]
    falls = np.flatnonzero(np.diff(levels) <= 0)
    if len(falls):
        at = [write(float(states[falls[0] + k]), PLAIN, 4, unit="%") for k in (0, 1)]
        raise NotWorkedOut(
            f"the curve does not rise from {at[0]} to {at[1]}: a voltage there tells no state",
            "a curve of one direction, each rest long enough, that rises throughout",
        )
    if not levels[0] <= rested <= levels[-1]:
        raise NotWorkedOut(
            f"{volts(rested)} lies beyond the curve, which goes from {volts(float(levels[0]))} to "
            f"{volts(float(levels[-1]))}",
            "a rested voltage within the curve",
        )
    k = min(int(np.searchsorted(levels, rested, "right")), len(levels) - 1)
    slope = float((levels[k] - levels[k - 1]) / (states[k] - states[k - 1]))
    return Calculated(
        float(np.interp(rested, levels, states)),
        f"open-circuit curve of {len(levels)} rests, {write(slope / 100, VOLTAGE, 3)} a percent "
        "there",
    )


def incremental_capacity(time: Floats, voltage: Floats, charge: Floats, step: float) -> Table:
    """Capacity a volt of a charge or discharge, by even steps of voltage (dQ/dV).

    Equation: at U_j = (V_j + V_{j+1})/2, (q(V_{j+1}) − q(V_j))/(V_{j+1} − V_j), V_j the multiples
    of the step that the voltage passes beyond its first row, q where it first does so, on the line
    between two rows. A
    step below several times the voltage's noise gives a guess, and where the voltage jumps over
    several steps from one row to the next, as it does when the current begins, they share evenly
    what flowed meanwhile.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the cell (V), shape (n,), in all rising or falling.
        charge: the recorded counter of charge (C), shape (n,).
        step: the step (V), above zero.

    Returns:
        A table, a row a step: "time" (s), "voltage" (V), "charge" (C), "incremental_capacity" (F).

    Raises:
        NotWorkedOut: fewer than two rows, a step that isn't above zero or that gives more than
            100 000 rows, a voltage that does not pass two multiples of it, NaN, over range, time
            that does not rise.

    Source: definition, common practice, no source; checked against closed forms.
    """
    require_readings(time, 2, voltage=voltage, charge=charge)
    if not step > 0:
        raise NotWorkedOut("the step has no height", "a step above zero, as in 10 mV")
    way = 1.0 if voltage[-1] >= voltage[0] else -1.0
    reached = np.maximum.accumulate(way * voltage)
    if (reached[-1] - reached[0]) / step > MOST_STEPS:
        raise NotWorkedOut(
            f"steps of {volts(step)} would be more than {MOST_STEPS} rows", "a larger step"
        )
    levels = step * np.arange(
        np.floor(reached[0] / step + 1e-9) + 1, np.floor(reached[-1] / step + 1e-9) + 1
    )
    levels = np.minimum(levels, reached[-1])
    if len(levels) < 2:
        raise NotWorkedOut(
            f"the voltage goes from {volts(float(voltage[0]))} to {volts(float(voltage[-1]))} and "
            f"passes {counted(len(levels), 'multiple')} of the step",
            "a smaller step, or readings over a wider range of voltage",
        )
    charges = _where_passed(reached, levels, charge)
    middles = (levels[1:] + levels[:-1]) / 2
    moments, held = (_where_passed(reached, middles, values) for values in (time, charge))
    return Table(
        "",
        {
            "time": moments,
            "voltage": way * middles,
            "charge": held,
            "incremental_capacity": np.diff(charges) / (way * np.diff(levels)),
        },
        f"{counted(len(middles), 'step')} of {volts(step)}, charge counter at the first passing",
    )


def _where_passed(reached: Floats, levels: Floats, values: Floats) -> Floats:
    """Values where a voltage that only rises first reaches levels, on the line between two rows."""
    after = np.searchsorted(reached, levels)
    share = (levels - reached[after - 1]) / (reached[after] - reached[after - 1])
    found: Floats = values[after - 1] + share * (values[after] - values[after - 1])
    return found
