"""Calculations for cells: capacity, efficiencies, state of charge by counting, state of health.

Pure functions of arrays of shape (n,) and of the recorded counters, which sum every reading of the
channel, also those between a trace's rows. Charge and energy are positive into the part.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from grammar.quantity import CHARGE, ENERGY, PLAIN, TIME, write
from sequencer.analysis.calculations.constant_current import volts
from sequencer.analysis.calculations.readings import (
    Calculated,
    Floats,
    NotWorkedOut,
    require_readings,
)

# A state of charge this far beyond empty or full comes of a wrong start or capacity. Common
# practice, no source.
BEYOND = 0.05


def capacity(
    time: Floats, voltage: Floats, charge: Floats, cutoff: float | None = None
) -> Calculated:
    """Charge that a cell gives back until it is down at its cut-off voltage.

    Equation: Q = q(t1) − q(tc), q the counter, t1 the first row, tc where the voltage first falls
    to the cut-off, on the line between two rows.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the cell (V), shape (n,).
        charge: the recorded counter of charge (C), shape (n,).
        cutoff: the voltage (V) at which it counts as empty; the last row's if None.

    Returns:
        The charge (C), above zero.

    Raises:
        NotWorkedOut: fewer than two rows, a voltage that does not come down to the cut-off or
            begins there, a counter that does not fall, NaN, over range, time that does not rise.

    Source: IEC 61960-3, discharge at a constant current to the cut-off (from memory).
    """
    require_readings(time, 2, voltage=voltage, charge=charge)
    row, share, down_to = len(time) - 1, 1.0, float(voltage[-1])
    if cutoff is not None:
        reached = np.flatnonzero(voltage <= cutoff)
        if len(reached) == 0:
            raise NotWorkedOut(
                f"the voltage never falls to {volts(cutoff)}: its lowest is "
                f"{volts(float(voltage.min()))}",
                f"readings down to {volts(cutoff)}",
            )
        row, down_to = int(reached[0]), cutoff
        if row == 0:
            raise NotWorkedOut(
                f"the voltage begins at {volts(float(voltage[0]))}, at or below the cut-off",
                f"a trace that begins above {volts(cutoff)}",
            )
        share = float((voltage[row - 1] - cutoff) / (voltage[row - 1] - voltage[row]))
    end = float(charge[row - 1] + share * (charge[row] - charge[row - 1]))
    value = float(charge[0]) - end
    if value <= 0:
        raise _gave_nothing("charge", -value, ampere_hours)
    lasted = float(time[row - 1] + share * (time[row] - time[row - 1]) - time[0])
    return Calculated(
        value,
        f"charge counter from {volts(float(voltage[0]))} down to {volts(down_to)}, in "
        f"{write(lasted, TIME)}",
    )


def coulombic_efficiency(
    charging_time: Floats,
    charging_charge: Floats,
    discharging_time: Floats,
    discharging_charge: Floats,
) -> Calculated:
    """Charge that was given back over charge that was put in.

    Equation: η = −Δq_discharging/Δq_charging, by the counters from the first row to the last of
    each. It is the part's own where both end in the state in which the other began.

    Args:
        charging_time: time of each row of the charge (s), shape (n,), rising.
        charging_charge: the counter of charge in it (C), shape (n,).
        discharging_time: time of each row of the discharge (s), shape (m,), rising.
        discharging_charge: the counter of charge in it (C), shape (m,).

    Returns:
        The share, 1 for all of it.

    Raises:
        NotWorkedOut: fewer than two rows in one of them, a charge that puts nothing in, a discharge
            that gives nothing back, NaN, over range, time that does not rise.

    Source: definition, common practice, no source.
    """
    given, taken = _round_trip(
        charging_time, charging_charge, discharging_time, discharging_charge, "charge", ampere_hours
    )
    return Calculated(given / taken, f"{_both(given, taken, ampere_hours)}, by the charge counter")


def energy_efficiency(
    charging_time: Floats,
    charging_energy: Floats,
    discharging_time: Floats,
    discharging_energy: Floats,
) -> Calculated:
    """Energy that was given back over energy that was put in.

    Equation: η = −ΔE_discharging/ΔE_charging, by the counters (J); arguments, errors and limits as
    for `coulombic_efficiency`. For a capacitor, from half of the rated voltage to all of it and
    back, each held first, it is that of the variant of IEC 62576 (as quoted by secondary works).
    """
    given, taken = _round_trip(
        charging_time, charging_energy, discharging_time, discharging_energy, "energy", joules
    )
    return Calculated(given / taken, f"{_both(given, taken, joules)}, by the energy counter")


def state_of_charge(time: Floats, charge: Floats, capacity: float, start: float) -> Calculated:
    """State of charge at a trace's end, by counting from a known start.

    Equation: s = s0 + (q_n − q_1)/Q. An offset of the current counts with the time: 10 µA are
    0.24 mAh a day.

    Args:
        time: time of each row (s), shape (n,), rising.
        charge: the recorded counter of charge (C), shape (n,).
        capacity: the cell's capacity Q (C), above zero.
        start: the state of charge at the first row, 1 for full.

    Returns:
        The state of charge, 1 for full.

    Raises:
        NotWorkedOut: fewer than two rows, a capacity that isn't above zero, a state beyond empty or
            full, NaN, over range, time that does not rise.

    Source: definition, common practice, no source.
    """
    require_readings(time, 2, charge=charge)
    moved = float(charge[-1] - charge[0])
    value = float(states_of_charge(np.array([moved]), capacity, start)[0])
    return Calculated(
        value,
        f"{ampere_hours(moved)} counted on {write(start, PLAIN, unit='%')} of "
        f"{ampere_hours(capacity)}",
    )


def states_of_charge(moved: Floats, capacity: float, start: float) -> Floats:
    """States of charge, shape (n,), after charges that moved in (C), shape (n,).

    Raises:
        NotWorkedOut: a capacity that isn't above zero, a state beyond empty or full.
    """
    if not capacity > 0:
        raise NotWorkedOut(
            f"the capacity is {ampere_hours(capacity)}", "the cell's capacity, above zero"
        )
    states: Floats = start + moved / capacity
    wrong = np.flatnonzero((states < -BEYOND) | (states > 1 + BEYOND))
    if len(wrong):
        raise NotWorkedOut(
            f"the state of charge would be {write(float(states[wrong[0]]), PLAIN, 4, unit='%')}: "
            f"{ampere_hours(float(moved[wrong[0]]))} counted on "
            f"{write(start, PLAIN, unit='%')} of {ampere_hours(capacity)}",
            "the cell's own capacity, and the state in which the trace begins",
        )
    return states


def state_of_health(
    time: Floats, voltage: Floats, charge: Floats, first_capacity: float | None = None
) -> Calculated:
    """Capacity of a cell over the one that it had in its first record.

    Equation: h = Q/Q_first, Q by `capacity` over the whole trace; the same rate and temperature in
    both, or it is not the cell that differs.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the cell (V), shape (n,).
        charge: the recorded counter of charge (C), shape (n,).
        first_capacity: the capacity (C) of the first record.

    Returns:
        The share, 1 for as good as it was.

    Raises:
        NotWorkedOut: what `capacity` refuses, no first capacity or one that isn't above zero.

    Source: definition, common practice, no source.
    """
    now = capacity(time, voltage, charge)
    if first_capacity is None:
        raise NotWorkedOut(
            "nothing is known of the cell's first test to hold it against",
            "its capacity then, as in first_capacity = 2.5 Ah",
        )
    if not first_capacity > 0:
        raise NotWorkedOut(
            f"the first capacity is {ampere_hours(first_capacity)}", "one above zero"
        )
    return Calculated(
        now.value / first_capacity,
        f"{ampere_hours(now.value)} over {ampere_hours(first_capacity)} at first; {now.method}",
    )


def ampere_hours(charge_c: float) -> str:
    """A charge in words, in Ah or mAh."""
    return write(charge_c, CHARGE, unit="Ah" if abs(charge_c) >= 360 else "mAh")


def joules(energy_j: float) -> str:
    """An energy in words."""
    return write(energy_j, ENERGY)


def _round_trip(
    charging_time: Floats,
    put_in: Floats,
    discharging_time: Floats,
    given_back: Floats,
    quantity: str,
    shown: Callable[[float], str],
) -> tuple[float, float]:
    """What was given back and what was put in, both above zero."""
    require_readings(charging_time, 2, None, **{quantity: put_in})
    require_readings(discharging_time, 2, None, **{quantity: given_back})
    taken, given = float(put_in[-1] - put_in[0]), float(given_back[0] - given_back[-1])
    if taken <= 0:
        raise NotWorkedOut(
            f"the charge puts in {shown(taken)} (wrong sign)",
            "the trace of the charge first, then that of the discharge",
        )
    if given <= 0:
        raise _gave_nothing(quantity, -given, shown)
    return given, taken


def _gave_nothing(quantity: str, moved: float, shown: Callable[[float], str]) -> NotWorkedOut:
    return NotWorkedOut(
        f"the {quantity} counter moves by {shown(moved)} in the discharge, so that "
        "nothing was given back (wrong sign)",
        "a trace of a discharge, its current negative: positive is into the part",
    )


def _both(given: float, taken: float, shown: Callable[[float], str]) -> str:
    return f"{shown(given)} given back of {shown(taken)} put in"
