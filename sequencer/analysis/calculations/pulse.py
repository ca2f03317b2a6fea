"""Calculations for a captured pulse: what it reached, how fast it rose, the part's inductance.

Pure functions of arrays of shape (n,), the samples of one pulse, from before it on.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from grammar.quantity import RESISTANCE, TIME, write
from sequencer.analysis.calculations.columns import running_integral
from sequencer.analysis.calculations.fitting import linear_fit
from sequencer.analysis.calculations.readings import (
    Calculated,
    Floats,
    NotWorkedOut,
    counted,
    require_readings,
)

# All of these: common practice, no source.
LOW, HIGH = 0.1, 0.9  # of the top: between these a rise is timed
PLATEAU = (0.8, 0.95)  # of a pulse's length: where it counts as at its end
EARLIER = (0.5, 0.65)  # of it: what that is held against
FLAT_WITHIN = 0.02  # of the top: what it may still change from the one to the other
LEAST_IN_RISE = 3  # samples between the two shares
WINDOW = 3.0  # rise times past the rise, for the inductance


class Pulse(NamedTuple):
    """A pulse: its rows at more than half of its height; `reached` is the column at its end.

    `away` is how far the column is from where it began, positive in the pulse's direction, `top`
    the same at its end, `flat` whether it stays there.
    """

    first: int
    last: int
    top: float
    reached: float
    away: Floats
    flat: bool


def delivered_share(time: Floats, column: Floats, level: float) -> Calculated:
    """What a captured pulse reached at its end over its programmed level.

    Equation: s = x̄/L, x̄ the mean from 80 % to 95 % of the pulse's length, which is that of the
    samples beyond half of its height.

    Args:
        time: time of each sample (s), shape (n,), rising, from before the pulse on.
        column: the quantity that was programmed (V or A), shape (n,).
        level: its programmed level, in the same unit.

    Returns:
        The share, 1 for all of it.

    Raises:
        NotWorkedOut: fewer than ten samples, no pulse or one with too few samples on it, a level of
            zero or of the other sign, NaN, over range, time that does not rise.

    Source: definition, common practice, no source; checked against closed forms.
    """
    found = _pulse(time, column)
    if found.reached * level <= 0:
        raise NotWorkedOut(
            "the pulse goes to the other side of zero than its level, or that is zero (wrong sign)",
            "the programmed level of the column that is named",
        )
    return Calculated(
        found.reached / level,
        f"mean from {100 * PLATEAU[0]:g} % to {100 * PLATEAU[1]:g} % of the pulse, "
        f"{write(float(time[found.last] - time[found.first]), TIME)} long",
    )


def rise_time(time: Floats, column: Floats) -> Calculated:
    """Time from 10 % to 90 % of a captured rise.

    Equation: t_90 − t_10, each the first passing of its share of the way from the first sample to
    the mean from 80 % to 95 % of the pulse's length, on the line between two samples.

    Args:
        time: time of each sample (s), shape (n,), rising, from before the pulse on.
        column: the column that rises (or falls), any unit, shape (n,).

    Returns:
        The time (s).

    Raises:
        NotWorkedOut: fewer than ten samples, no pulse or one with too few samples on it, a pulse
            that still rises at its end, fewer than three samples on the rise, NaN, over range, time
            that does not rise.

    Source: definition, IEC 60469 (from memory); checked against closed forms.
    """
    start, end, within = _rise(time, _pulse(time, column))
    return Calculated(
        end - start,
        f"{100 * LOW:g} % to {100 * HIGH:g} %, {counted(within, 'sample')} between",
    )


def apparent_inductance(time: Floats, voltage: Floats, current: Floats) -> Calculated:
    """Inductance of a part, from voltage and current in a captured rise.

    Equation: u = R i + L di/dt, integrated so that no noise is differentiated: Φ_k = ∫ u dt =
    R ∫ i dt + L (i_k − i_1) at every sample from 10 % of the rise to three rise times past it, by
    trapezoids; R and L by least squares. The start of the rise is left out, since the voltage steps
    there between two samples. What is between the sense leads counts, and nothing outside of them.
    Trapezoids of a rise with time constant τ are (Δt/τ)²/12 off.

    Args:
        time: time of each sample (s), shape (n,), rising, from before the pulse on.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,).

    Returns:
        The inductance (H), above zero; the resistance beside it is named in the method.

    Raises:
        NotWorkedOut: what `rise_time` refuses of the current, an inductance that is lost in what is
            left of the fit, NaN, over range, time that does not rise.

    Source: the law of induction; checked against the closed form of a coil with resistance.
    """
    require_readings(time, 10, voltage=voltage, current=current)
    found = _pulse(time, current)
    start, end, _ = _rise(time, found)
    until = int(np.searchsorted(time, end + WINDOW * (end - start)))
    rows = slice(int(np.searchsorted(time, start)), min(found.last, until) + 1)
    seen, flow = time[rows], current[rows]
    basis = np.column_stack((running_integral(seen, flow), flow - flow[0]))
    fit = linear_fit(basis, running_integral(seen, voltage[rows]))
    resistance, inductance = (float(value) for value in fit.coefficients)
    if inductance <= 2 * fit.uncertainties[1]:
        raise NotWorkedOut(
            "no inductance stands out of the rise", "less noise, faster samples or a steeper rise"
        )
    return Calculated(
        inductance,
        f"flux over the rise and {WINDOW:g} rise times more, {counted(len(seen), 'sample')}; "
        f"{write(resistance, RESISTANCE)} in series",
    )


def _pulse(time: Floats, column: Floats) -> Pulse:
    """The first pulse of a capture, told by half of the largest distance from the first sample."""
    require_readings(time, 10, column=column)
    away = column - column[0]
    peak = float(away[np.argmax(np.abs(away))])
    if peak == 0:
        raise NotWorkedOut(
            "the column is the same in all samples", "a capture that begins before the pulse"
        )
    away = np.copysign(1.0, peak) * away
    over = away >= abs(peak) / 2
    first = int(np.argmax(over))
    ended = np.flatnonzero(~over[first:])
    last = first + int(ended[0]) - 1 if len(ended) else len(time) - 1
    begin, whole = float(time[first]), float(time[last] - time[first])
    middle, end = (
        np.arange(*np.searchsorted(time, [begin + share * whole for share in part]))
        for part in (EARLIER, PLATEAU)
    )
    if len(middle) < 2 or len(end) < 2:
        raise NotWorkedOut(
            f"the pulse has {counted(last - first + 1, 'sample')}", "a faster capture"
        )
    top = float(np.mean(away[end]))
    flat = abs(top - float(np.mean(away[middle]))) <= FLAT_WITHIN * top
    return Pulse(first, last, top, float(np.mean(column[end])), away, flat)


def _rise(time: Floats, pulse: Pulse) -> tuple[float, float, int]:
    """When a pulse passes the two shares (s), and how many samples lie between."""
    if not pulse.flat:
        raise NotWorkedOut(
            "the pulse still changes at its end: its top isn't known",
            "a capture that is several times as long as the rise",
        )
    moments = []
    rows = []
    for share in (LOW, HIGH):
        level = share * pulse.top
        row = int(np.argmax(pulse.away >= level))
        part = (level - pulse.away[row - 1]) / (pulse.away[row] - pulse.away[row - 1])
        moments.append(float(time[row - 1] + part * (time[row] - time[row - 1])))
        rows.append(row)
    within = rows[1] - rows[0]
    if within < LEAST_IN_RISE:
        raise NotWorkedOut(
            f"the rise is over within {counted(within, 'sample')}, in less than "
            f"{write(float(time[rows[1]] - time[rows[0] - 1]), TIME)}",
            f"a capture with at least {LEAST_IN_RISE} samples on the rise",
        )
    return moments[0], moments[1], within
