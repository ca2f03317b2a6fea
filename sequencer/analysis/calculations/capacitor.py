"""Calculations for capacitors: capacitance and internal resistance from a constant current.

Pure functions of arrays of shape (n,). Current is positive into the part, so that a discharge has a
negative one. The methods are those of IEC 62391-1 as reference works quote it.
"""

from __future__ import annotations

import numpy as np

from grammar.quantity import ENERGY, TIME, write
from sequencer.analysis.calculations.constant_current import (
    amperes,
    require_constant,
    too_few,
    volts,
    wrong_sign,
)
from sequencer.analysis.calculations.passage import passage
from sequencer.analysis.calculations.readings import (
    Calculated,
    Ends,
    Floats,
    NoStart,
    NotWorkedOut,
    counted,
    require_readings,
)
from sequencer.analysis.calculations.trace import line

# A part counts as at rest below this share of the current that follows. Common practice, no source.
AT_REST_WITHIN = 0.01


def capacitance(
    time: Floats, voltage: Floats, current: Floats, limited: Floats, between: Ends
) -> Calculated:
    """Capacitance from the time between two voltages at constant current.

    Equation: C = I (t2 − t1)/(U2 − U1), with t1 and t2 the interpolated crossings of U1 and U2 and
    I the mean current between them (trapezoids over the readings and the crossings). The mean of
    the readings is taken rather than the charge counter: for a current that is constant the two
    agree, and the readings can be shifted one by one when an uncertainty is worked out.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,); negative in a discharge.
        limited: 1 where the limit was in control, else 0, shape (n,).
        between: U1 and U2 (V) in the order in which they are passed: the higher one first for a
            discharge, the lower one first for a charge.

    Returns:
        The capacitance (F).

    Raises:
        NotWorkedOut: no such way or several, fewer than two readings on it, a current that is not
            constant or has the wrong sign, a limit that took or lost control on the way, NaN, over
            range, time that does not rise.

    Source: IEC 62391-1, constant-current discharge, U1 = 0.8 U_R, U2 = 0.4 U_R (as quoted by
    secondary works).
    """
    way = passage(time, voltage, between)
    inside = slice(way.before + 1, way.after)
    if way.after - way.before - 1 < 2:
        raise too_few(way, between, 2)
    require_constant(time, current, limited, way.before, way.after)
    ends = (way.start_s, way.end_s)
    moments = np.concatenate((ends[:1], time[inside], ends[1:]))
    flows = np.concatenate(
        (np.interp(ends[:1], time, current), current[inside], np.interp(ends[1:], time, current))
    )
    charge = float(np.sum(np.diff(moments) * (flows[1:] + flows[:-1])) / 2)
    value = charge / (between[1] - between[0])
    if value <= 0:
        raise wrong_sign(charge, between)
    duration = way.end_s - way.start_s
    return Calculated(
        value,
        f"constant-current line from {volts(between[0])} to {volts(between[1])} (IEC 62391-1), "
        f"{write(duration, TIME)} at {amperes(charge / duration)}",
    )


def capacitance_by_energy(
    time: Floats, voltage: Floats, current: Floats, between: Ends
) -> Calculated:
    """Capacitance from the energy between two voltages.

    Equation: C = 2 W/(U2² − U1²), W = ∫ u i dt between the interpolated crossings of U1 and U2, by
    trapezoids over the readings and the crossings. The current need not be constant. What the
    part's own resistance turns to heat counts: in a discharge it makes C smaller, in a charge
    larger, each by I R over the mean of the two voltages.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,); negative in a discharge.
        between: U1 and U2 (V) in the order in which they are passed, of one sign.

    Returns:
        The capacitance (F).

    Raises:
        NotWorkedOut: no such way or several, fewer than two readings on it, a current of the wrong
            sign, NaN, over range, time that does not rise.

    Source: the energy of a capacitor; the variant of IEC 62576 (from memory).
    """
    way = passage(time, voltage, between)
    inside = slice(way.before, way.after + 1)
    if way.after - way.before - 1 < 2:
        raise too_few(way, between, 2)
    require_readings(time[inside], 2, current=current[inside])
    ends = np.array((way.start_s, way.end_s))
    moments = np.concatenate((ends[:1], time[way.before + 1 : way.after], ends[1:]))
    powers = np.interp(moments, time[inside], voltage[inside]) * np.interp(
        moments, time[inside], current[inside]
    )
    energy = float(np.sum(np.diff(moments) * (powers[1:] + powers[:-1])) / 2)
    if abs(between[0]) == abs(between[1]):
        raise NotWorkedOut(
            f"a capacitor holds the same energy at {volts(between[0])} and {volts(between[1])}",
            "two voltages that differ in size",
        )
    value = 2 * energy / (between[1] ** 2 - between[0] ** 2)
    if value <= 0:
        raise wrong_sign(energy / (between[0] + between[1]), between)
    return Calculated(
        value,
        f"energy from {volts(between[0])} to {volts(between[1])}, {write(abs(energy), ENERGY)} in "
        f"{write(way.end_s - way.start_s, TIME)}, losses in the part counted in",
    )


def internal_resistance(
    time: Floats,
    voltage: Floats,
    current: Floats,
    limited: Floats,
    between: Ends,
    before: tuple[float, float, float] | None = None,
) -> Calculated:
    """Internal resistance from the straight part, extrapolated back to the start of the current.

    Equation: R = (U_line(t0) − U0)/I, with U_line the least-squares line through the readings
    between the two voltages, I their mean current, U0 the voltage of the last reading at rest and
    t0 the start of the current. t0 is taken halfway between the reading at rest and the first one
    under current, which is exact where the two adjoin the step with equal apertures, and is known
    to half their distance.

    The reading at rest is the row before the first one under current. A trace that begins under
    current holds none; then it is `before`. The line is what the standard draws: slow branches of
    the part count as resistance in it.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,); negative in a discharge.
        limited: 1 where the limit was in control, else 0, shape (n,).
        between: the two voltages (V) of the straight part, in the order in which they are passed.
        before: time (s), voltage (V) and current (A) of the newest reading before the first row.

    Returns:
        The resistance (Ω).

    Raises:
        NotWorkedOut: what `capacitance` refuses, fewer than three readings on the straight part, no
            reading at rest before the current, a part that was not at rest, a start known too
            poorly, a line that meets the start on the wrong side.

    Source: IEC 62391-1, ΔU3/I by extrapolation to the start of the discharge (from memory).
    """
    way = passage(time, voltage, between)
    inside = slice(way.before + 1, way.after)
    if way.after - way.before - 1 < 3:
        raise too_few(way, between, 3)
    require_constant(time, current, limited, way.before, way.after)
    steady = float(np.mean(current[inside]))
    if steady * (between[1] - between[0]) <= 0:
        raise wrong_sign(steady, between)
    started = _first_under_current(current, steady, way.before)
    require_constant(time, current, limited, started, way.after)
    rest = before
    if started > 0:
        rest = (float(time[started - 1]), float(voltage[started - 1]), float(current[started - 1]))
    rest_time, rest_voltage = _at_rest(rest, steady)
    gap = float(time[started]) - rest_time
    start = rest_time + gap / 2
    gradient, at_start = line(time[inside] - start, voltage[inside])
    drop = at_start - rest_voltage
    moved = abs(gradient) * gap / 2
    if moved >= abs(drop):
        raise NotWorkedOut(
            f"the start is known to ±{write(gap / 2, TIME, 3)} only, in which the voltage moves by "
            f"{volts(moved)}, more than the drop at the start",
            "a reading right before the current starts and one right after it",
        )
    if drop / steady <= 0:
        raise NotWorkedOut(
            f"the line meets the start at {volts(at_start)}, not beyond the {volts(rest_voltage)}"
            " before it (wrong sign)",
            "a drop of voltage that stands out: a larger current or a finer voltage range",
        )
    return Calculated(
        drop / steady,
        f"least-squares line from {volts(between[0])} to {volts(between[1])} "
        f"({counted(way.after - way.before - 1, 'reading')}) extrapolated to the start of "
        f"{amperes(steady)} (IEC 62391-1, start from {volts(rest_voltage)}, known to "
        f"±{write(gap / 2, TIME, 3)}; slow branches count in it)",
    )


def _first_under_current(current: Floats, steady: float, row: int) -> int:
    """Walk back from a row to the first of the unbroken run whose current flows the same way."""
    idle = np.flatnonzero(current[: row + 1] / steady < 0.5)
    return int(idle[-1]) + 1 if len(idle) else 0


def _at_rest(rest: tuple[float, float, float] | None, steady: float) -> tuple[float, float]:
    """Time and voltage of the reading before the current, or a refusal that says why not."""
    if rest is None:
        raise NoStart(
            "the trace begins under current: the voltage that it started from is not in it",
            "a reading right before the current starts, into the same trace",
        )
    rest_time, rest_voltage, rest_current = rest
    if not np.all(np.isfinite(rest)):
        raise NotWorkedOut(
            "the reading before the current starts is over range or empty",
            "a voltage within its range right before the current starts",
        )
    if abs(rest_current) > AT_REST_WITHIN * abs(steady):
        raise NotWorkedOut(
            f"the part was not at rest: {amperes(rest_current)} flowed at the last reading before "
            f"the {amperes(steady)}",
            f"at most {100 * AT_REST_WITHIN:g} % of it: hold longer, or look with the output open",
        )
    return rest_time, rest_voltage
