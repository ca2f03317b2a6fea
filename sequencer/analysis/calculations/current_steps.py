"""Resistance from steps of current: at a stated time after one, and between the ends of two.

Pure functions of arrays of shape (n,). Current is positive into the part.
"""

from __future__ import annotations

import numpy as np

from grammar.quantity import TIME, write
from sequencer.analysis.calculations.constant_current import (
    CONSTANT_WITHIN,
    amperes,
    since_first,
    volts,
)
from sequencer.analysis.calculations.readings import (
    Calculated,
    Floats,
    NoStart,
    NotWorkedOut,
    require_readings,
)

# Two currents are steps that follow one another where each is this share of the larger one, and the
# first lasts as long as the method asks within this share. Common practice, no source.
FLOWS_FROM = 0.02
LASTS_WITHIN = 0.05


def step_resistance(
    time: Floats,
    voltage: Floats,
    current: Floats,
    delay: float,
    before: tuple[float, float, float] | None = None,
) -> Calculated:
    """Resistance at a stated time after a step of current.

    Equation: R = (u(t0 + d) − u0)/(i(t0 + d) − i0), u0 and i0 of the last reading before the step,
    t0 halfway to the first one after it (exact where both adjoin the step with equal apertures,
    known to half their distance), values at t0 + d on the line between two readings. A short delay
    gives the ohmic part, a long one adds what settles slowly: the delay belongs to the number.

    The step is the first change from row to row that is at least half of the largest. A trace that
    begins after it needs `before`.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,).
        delay: the time after the step (s), above zero.
        before: time (s), voltage (V) and current (A) of the newest reading before the first row.

    Returns:
        The resistance (Ω).

    Raises:
        NotWorkedOut: no step, no reading before it or none until the delay is over, a current that
            does not stay after the step, a voltage that steps the other way, NaN, over range, time
            that does not rise.

    Source: definition, common practice, no source; checked against closed forms.
    """
    require_readings(time, 1, voltage=voltage, current=current)
    if before is not None:
        time, voltage, current = (
            np.concatenate(([first], rest))
            for first, rest in zip(before, (time, voltage, current), strict=True)
        )
        require_readings(time, 2, voltage=voltage, current=current)
    moves = np.abs(np.diff(current))
    largest = float(np.max(np.abs(current)))
    if len(moves) == 0 or np.max(moves) <= CONSTANT_WITHIN * largest:
        raise (NoStart if before is None else NotWorkedOut)(
            f"the current does not step: it is {amperes(float(current[0]))} from the first reading "
            "on",
            "a reading right before the step, into the same trace",
        )
    k = int(np.flatnonzero(moves >= np.max(moves) / 2)[0])
    gap = float(time[k + 1] - time[k])
    moment = float(time[k]) + gap / 2 + delay
    if moment < time[k + 1]:
        raise NotWorkedOut(
            f"the first reading after the step comes {write(gap / 2, TIME, 3)} after it, and its "
            f"start is not known any better: nothing is known of {write(delay, TIME)} after it",
            "a reading right before the step and closer ones after it, or a longer delay",
        )
    if moment > time[-1]:
        raise NotWorkedOut(
            f"the trace ends {write(float(time[-1] - time[k]) - gap / 2, TIME)} after the step",
            f"readings until {write(delay, TIME)} after it",
        )
    last = int(np.searchsorted(time, moment))
    flow, seen = (float(np.interp(moment, time, values)) for values in (current, voltage))
    change = flow - float(current[k])
    off = np.flatnonzero(np.abs(current[k + 1 : last + 1] - flow) > CONSTANT_WITHIN * abs(change))
    if len(off):
        row = k + 1 + int(off[0])
        raise NotWorkedOut(
            f"the current does not stay after the step: {amperes(float(current[row]))} "
            f"{since_first(time, row)}, {amperes(flow)} at the end of the delay",
            f"a current within {100 * CONSTANT_WITHIN:g} % of the step until then",
        )
    value = (seen - float(voltage[k])) / change
    if value <= 0:
        raise _wrong_way(float(voltage[k]), seen, float(current[k]), flow)
    return Calculated(
        value,
        f"{write(delay, TIME)} after the step from {amperes(float(current[k]))} to "
        f"{amperes(flow)}, its start known to ±{write(gap / 2, TIME, 3)}",
    )


def two_step_resistance(
    time: Floats, voltage: Floats, current: Floats, first: float = 10.0, second: float = 1.0
) -> Calculated:
    """Direct-current resistance of a cell from the ends of two steps of current.

    Equation: R = (U1 − U2)/(I2 − I1) for a discharge, in signs into the part (U2 − U1)/(I2 − I1);
    U1 and I1 at the change, halfway from the last reading of the first step to the next, on the
    line through the last two of that step; U2 and I2 at `second` after the change, on the line
    between two readings, or through the last two where it is less than their distance past them.
    Cells are asked for 0.2 It for 10 s, then 1 It for 1 s.

    The change is the largest one from row to row between two currents of one sign. A trace that
    begins with the first step counts as begun there.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,); negative in a discharge.
        first: how long the first step lasts (s).
        second: when the second step is read (s after the change).

    Returns:
        The resistance (Ω).

    Raises:
        NotWorkedOut: no such two steps, a first one that lasts longer or shorter, a second one that
            ends too early or does not stay, a voltage that steps the other way, NaN, over range,
            time that does not rise.

    Source: IEC 61960-3, as quoted by secondary works.
    """
    require_readings(time, 3, voltage=voltage, current=current)
    k = _change(current)
    stays = CONSTANT_WITHIN * np.abs(current)
    steady = np.abs(current[: k + 1] - current[k]) <= stays[k]
    unlike = np.flatnonzero(~steady)
    begun = int(unlike[-1]) + 1 if len(unlike) else 0
    gap = float(time[k + 1] - time[k])
    change = float(time[k]) + gap / 2
    start = float(time[begun] + time[begun - 1]) / 2 if begun else float(time[begun])
    lasted = change - start
    if abs(lasted - first) > LASTS_WITHIN * first + gap:
        raise NotWorkedOut(
            f"the first step lasted {write(lasted, TIME, 4)}, from {since_first(time, begun)}",
            f"{write(first, TIME)} at {amperes(float(current[k]))} before the second step",
        )
    moment = change + second
    if begun == k or moment > time[-1] + gap:
        raise NotWorkedOut(
            "the steps hold too few readings: one in the first, or none as late as "
            f"{write(second, TIME)} after the change",
            f"two readings of the first step or more, and readings until {write(second, TIME)} "
            "after the change",
        )
    last = min(int(np.searchsorted(time, moment)), len(time) - 1)
    old, before = (_on_line(time, values, k, change) for values in (current, voltage))
    flow, seen = (_on_line(time, values, last, moment) for values in (current, voltage))
    off = np.flatnonzero(np.abs(current[k + 1 : last + 1] - flow) > CONSTANT_WITHIN * abs(flow))
    if len(off):
        row = k + 1 + int(off[0])
        raise NotWorkedOut(
            f"the second current does not stay: {amperes(float(current[row]))} "
            f"{since_first(time, row)}, {amperes(flow)} at the end",
            f"a current within {100 * CONSTANT_WITHIN:g} % of it for {write(second, TIME)}",
        )
    value = (seen - before) / (flow - old)
    if value <= 0:
        raise _wrong_way(before, seen, old, flow)
    return Calculated(
        value,
        f"two steps (IEC 61960-3): {volts(before)} at {amperes(old)} after "
        f"{write(lasted, TIME, 4)}, {volts(seen)} at {amperes(flow)} after {write(second, TIME)}",
    )


def _on_line(time: Floats, values: Floats, row: int, moment: float) -> float:
    """A column at a moment, on the line through a row and the one before it."""
    share = (moment - time[row - 1]) / (time[row] - time[row - 1])
    return float(values[row - 1] + share * (values[row] - values[row - 1]))


def _change(current: Floats) -> int:
    """The row before the largest change between two currents of one sign, the second the larger."""
    size = np.abs(current)
    least = FLOWS_FROM * float(np.max(size))
    both = (current[1:] * current[:-1] > 0) & (size[:-1] > least) & (size[1:] > size[:-1])
    moves = np.where(both, np.abs(np.diff(current)), 0.0)
    k = int(np.argmax(moves))
    if moves[k] <= CONSTANT_WITHIN * size[k + 1]:
        raise NotWorkedOut(
            "there are no two steps of current, a larger one after a smaller one of the same sign",
            "both steps in one trace, as in 0.2 It for 10 s and then 1 It for 1 s",
        )
    return k


def _wrong_way(before: float, after: float, old: float, new: float) -> NotWorkedOut:
    return NotWorkedOut(
        f"the voltage goes from {volts(before)} to {volts(after)} while the current goes from "
        f"{amperes(old)} to {amperes(new)} (wrong sign)",
        "a change of voltage that stands out, with both quantities positive into the part",
    )
