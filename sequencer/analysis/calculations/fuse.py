"""Calculations for resettable fuses: trip time and energy, I²t, hold current.

Pure functions of arrays of shape (n,). The current may flow either way.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from grammar.quantity import PLAIN, TIME, write
from sequencer.analysis.calculations.constant_current import CONSTANT_WITHIN, amperes
from sequencer.analysis.calculations.readings import (
    Calculated,
    Ends,
    Floats,
    NotWorkedOut,
    counted,
    in_part,
    length,
    require_readings,
)

HALF = 0.5
# A step at less than this share of the largest current asks nothing of the fuse. Common practice,
# no source.
ASKS_FROM = 0.01


class Trip(NamedTuple):
    """A trip: when the current began and fell (s), the row before its fall, its first size (A)."""

    start_s: float
    end_s: float
    begun: int
    before: int
    first_a: float


def trip_time(time: Floats, current: Floats, share: float = HALF) -> Calculated:
    """Time until the current has fallen to a share of what it was at first.

    Equation: t = t_k + (L − a_k)/(a_{k+1} − a_k) · (t_{k+1} − t_k) − t_s, a = |i|, L the share of
    the first current, at the first fall below it. t_s is the first row, or, where the trace begins
    before the current does, where that passes the same share of its largest on its way up; then the
    largest counts as the first current.

    Args:
        time: time of each reading (s), shape (n,), rising.
        current: current (A), shape (n,).
        share: the share of the first current below which the fuse counts as tripped, 0 to 1.

    Returns:
        The time (s).

    Raises:
        NotWorkedOut: fewer than two readings, no current, a current that does not fall so far, a
            share that isn't between 0 and 1, NaN, over range, time that does not rise.

    Source: definition, common practice, no source; checked against the closed form of heating by a
    constant current.
    """
    found = _trip(time, current, share)
    return Calculated(found.end_s - found.start_s, _method(found, share))


def trip_energy(time: Floats, voltage: Floats, current: Floats, share: float = HALF) -> Calculated:
    """Energy until the current has fallen to a share of what it was at first.

    Equation: E = ∫ u i dt from t_s to the trip of `trip_time`, by trapezoids over the readings and
    the trip; its last reading before the fall holds until the trip, since what comes between two
    readings of a fall is not known.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,).
        share: as for `trip_time`.

    Returns:
        The energy (J).

    Raises:
        NotWorkedOut: what `trip_time` refuses, a voltage that is NaN or over range, an energy that
            comes out of the part.

    Source: definition, common practice, no source; checked against the closed form of heating by a
    constant current.
    """
    require_readings(time, 2, voltage=voltage, current=current)
    found = _trip(time, current, share)
    moments = np.append(time[found.begun : found.before + 1], found.end_s)
    powers = (voltage * current)[found.begun : found.before + 1]
    powers = np.append(powers, powers[-1])
    value = float(np.sum(np.diff(moments) * (powers[1:] + powers[:-1])) / 2)
    if value <= 0:
        raise NotWorkedOut(
            "energy comes out of the part (wrong sign)",
            "voltage and current of the same part, both positive into it",
        )
    return Calculated(value, f"trapezoids until the trip; {_method(found, share)}")


def i_squared_t(time: Floats, current: Floats, part: Ends | None = None) -> Calculated:
    """Integral of the current squared over time, what a fuse lets through.

    Equation: ∫ i² dt = Σ (t_{k+1} − t_k)(i_k² + i_{k+1}²)/2 from the first to the last reading of
    the part.

    Args:
        time: time of each reading (s), shape (n,), rising.
        current: current (A), shape (n,).
        part: from and to (s), counted from the first row, both ends in; the whole trace if None.

    Returns:
        The integral (A²s).

    Raises:
        NotWorkedOut: fewer than two readings in that part, NaN, over range, time that does not
            rise.

    Source: trapezoidal rule; checked against closed forms.
    """
    moments, flow = in_part(time, part, 2, current=current)
    squares = flow * flow
    value = float(np.sum(np.diff(moments) * (squares[1:] + squares[:-1])) / 2)
    return Calculated(
        value, f"trapezoids over {counted(len(moments), 'reading')}, {length(moments)}"
    )


def hold_current(time: Floats, current: Floats, level: Floats, share: float = HALF) -> Calculated:
    """Largest current that was carried to its end without a trip.

    A step begins where the sourced level changes or the current rises by more than 5 % from one row
    to the next. It held where no reading is below the share of its first. Equation: the mean of |i|
    over the held step with the largest; those above the smallest that tripped don't count. The true
    hold current lies between it and the next larger step, and a step carried for minutes only says
    nothing of hours.

    Args:
        time: time of each reading (s), shape (n,), rising.
        current: current (A), shape (n,).
        level: the level as sourced (V or A), shape (n,).
        share: as for `trip_time`.

    Returns:
        The current (A), its size.

    Raises:
        NotWorkedOut: fewer than two readings, no current, no step that held below the smallest that
            tripped, a share that isn't between 0 and 1, NaN, over range, time that does not rise.

    Source: definition, common practice, no source; checked against the closed form of heating by a
    constant current.
    """
    require_readings(time, 2, current=current, level=level)
    _require_share(share)
    size = np.abs(current)
    rises = np.diff(size) > CONSTANT_WITHIN * size[1:]
    starts = np.append(0, 1 + np.flatnonzero((np.diff(level) != 0) | rises))
    rows = np.diff(np.append(starts, len(time)))
    first, least = size[starts], np.minimum.reduceat(size, starts)
    mean = np.add.reduceat(size, starts) / rows
    asked = (rows > 1) & (first > ASKS_FROM * np.max(size))
    if not np.any(asked):
        raise NotWorkedOut(
            "there is no step of current with two readings", "readings while a current flows"
        )
    tripped = asked & (least < share * first)
    below = float(np.min(first[tripped])) if np.any(tripped) else np.inf
    held = np.flatnonzero(asked & ~tripped & (first < below))
    if len(held) == 0:
        raise NotWorkedOut(
            f"it trips at {amperes(below)}, the smallest current of the trace, and held none",
            "steps of smaller currents, each carried long enough",
        )
    best = int(held[np.argmax(mean[held])])
    lasted = float(time[starts[best] + rows[best] - 1] - time[starts[best]])
    beyond = f"the next tripped at {amperes(below)}" if np.isfinite(below) else "none tripped"
    return Calculated(
        float(mean[best]),
        f"carried for {write(lasted, TIME)}; {beyond}, {counted(int(asked.sum()), 'step')}",
    )


def _trip(time: Floats, current: Floats, share: float) -> Trip:
    require_readings(time, 2, current=current)
    _require_share(share)
    size = np.abs(current)
    largest = float(np.max(size))
    if largest == 0:
        raise NotWorkedOut("no current flows", "readings of the current that trips it")
    begun, first, start = 0, float(size[0]), float(time[0])
    if first < share * largest:
        begun, first = int(np.argmax(size >= share * largest)), largest
        start = _crossing(time, size, begun - 1, share * largest)
    fallen = np.flatnonzero(size[begun:] < share * first)
    if len(fallen) == 0:
        raise NotWorkedOut(
            f"the current does not fall below {amperes(share * first)}, from {amperes(first)} at "
            f"first: its smallest is {amperes(float(size[begun:].min()))}",
            "readings until the fuse has tripped",
        )
    before = begun + int(fallen[0]) - 1
    return Trip(start, _crossing(time, size, before, share * first), begun, before, first)


def _crossing(time: Floats, size: Floats, row: int, level: float) -> float:
    """When a size passes a level between a row and the next, on the line between them."""
    share = (level - size[row]) / (size[row + 1] - size[row])
    return float(time[row] + share * (time[row + 1] - time[row]))


def _require_share(share: float) -> None:
    if not 0 < share < 1:
        raise NotWorkedOut(
            f"a share of {write(share, PLAIN, unit='%')} tells no trip", "one between 0 % and 100 %"
        )


def _method(found: Trip, share: float) -> str:
    return (
        f"current below {write(share, PLAIN, unit='%')} of {amperes(found.first_a)}, on the line "
        "between two readings"
    )
