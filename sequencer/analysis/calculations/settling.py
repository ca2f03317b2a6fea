"""Calculations of a column that settles: when it has, and with which time constants.

Pure functions of arrays of shape (n,), time in s; they know no kind of part.
"""

from __future__ import annotations

import math

import numpy as np

from grammar.quantity import TIME, write
from sequencer.analysis.calculations.fitting import Fit, decay_rates, decays, separable_fit
from sequencer.analysis.calculations.readings import (
    Calculated,
    Ends,
    Floats,
    NotWorkedOut,
    Several,
    counted,
    in_part,
    length,
    require_readings,
)

# All of these: common practice, no source.
LAST_SHARE = 0.1  # of the trace, whose mean counts as what it settles to
KNOWN_WITHIN = 0.2  # of a time constant or its change: its standard uncertainty at most
STRUCTURE_WITHIN = 0.05  # of the change: what may be left of a fit that isn't noise
ALIKE = 0.5  # neighbouring residuals that correlate more than that are no noise


def settling_time(time: Floats, column: Floats, band: float) -> Calculated:
    """Time after which a column stays within ± a band of what it settles to.

    Equation: with m the mean over the last tenth of the time, the last reading outside of m ± b and
    the one after it, t = t_k + (L − x_k)/(x_{k+1} − x_k) · (t_{k+1} − t_k), L the end of the band
    that lies between them. 0 where the column was within it from the first row on. Where the trace
    ends before the column has settled, m is not the value it settles to: a band must hold all of
    the last tenth, and for m to be the final value a trace takes several times the answer.

    Args:
        time: time of each reading (s), shape (n,), rising.
        column: the column, any unit, shape (n,).
        band: half the width of the band, in the unit of `column`, above zero.

    Returns:
        The time (s), counted from the first row.

    Raises:
        NotWorkedOut: fewer than ten readings, a band that isn't above zero, a column that leaves
            the band within the last tenth, NaN, over range, time that does not rise.

    Source: definition, common practice, no source; checked against closed forms.
    """
    require_readings(time, 10, column=column)
    if not band > 0:
        raise NotWorkedOut("the band has no width", "a band above zero, as in 1 mV")
    since = time - time[0]
    last = since >= (1 - LAST_SHARE) * since[-1]
    middle = float(np.mean(column[last]))
    away = column - middle
    outside = np.flatnonzero(np.abs(away) > band)
    method = (
        f"within the band about the mean of the last tenth ({counted(int(last.sum()), 'reading')})"
    )
    if len(outside) == 0:
        return Calculated(0.0, f"{method}, from the first row on")
    k = int(outside[-1])
    if last[k]:
        raise NotWorkedOut(
            f"the column leaves the band {write(float(since[k]), TIME)} after the first row, "
            "within the last tenth of the trace: it has not settled to it",
            "a longer trace, or a wider band",
        )
    edge = math.copysign(band, away[k])
    share = (edge - away[k]) / (away[k + 1] - away[k])
    return Calculated(float(since[k] + share * (since[k + 1] - since[k])), method)


def time_constant(time: Floats, column: Floats, part: Ends | None = None) -> Calculated:
    """Time constant of a column that settles exponentially.

    Equation: x = x∞ + a exp(−t/τ), all three by least squares (an iterative fit, not linear in
    time); the standard uncertainty that is named is that of independent readings.

    Args:
        time: time of each reading (s), shape (n,), rising.
        column: the column, any unit, shape (n,).
        part: from and to (s), counted from the first row, both ends in; the whole trace if None.

    Returns:
        The time constant (s).

    Raises:
        NotWorkedOut: fewer than five readings in that part, a column that does not change, that is
            over with its change before the second reading or is not yet bent by the end, that is
            lost in noise, or that does not settle as one exponential; NaN, over range, time that
            does not rise.

    Source: least squares; checked against closed forms and the NIST StRD set Misra1a.
    """
    moments, chosen = in_part(time, part, 5, column=column)
    found = _settled(moments, chosen, 1)
    (tau,), (unsure,) = 1 / found.coefficients[2:], found.uncertainties[2:]
    return Calculated(
        float(tau),
        f"least-squares exponential through {counted(len(moments), 'reading')}, "
        f"{length(moments)}, ±{write(float(unsure * tau * tau), TIME, 2)} by their scatter",
    )


def two_time_constants(time: Floats, column: Floats, part: Ends | None = None) -> Several:
    """The two time constants of a column that settles as the sum of two exponentials.

    Equation: x = x∞ + a₁ exp(−t/τ₁) + a₂ exp(−t/τ₂), τ₁ < τ₂, all five by least squares (an
    iterative fit, not linear in time), t counted from the first reading of the part. A slow branch
    of a part shows here beside the fast one, which a single time constant mixes.

    Args:
        time: time of each reading (s), shape (n,), rising.
        column: the column, any unit, shape (n,).
        part: from and to (s), counted from the first row, both ends in; the whole trace if None.

    Returns:
        "fast" and "slow" (s); "fast_change", "slow_change" (a₁, a₂) and "final" (x∞) in the unit of
        `column`.

    Raises:
        NotWorkedOut: fewer than seven readings in that part, else as `time_constant`; two time
            constants that the readings don't tell apart.

    Source: least squares; checked against the NIST StRD set MGH17.
    """
    moments, chosen = in_part(time, part, 7, column=column)
    found = _settled(moments, chosen, 2)
    final, *changes = found.coefficients[:3]
    (fast_change, fast), (slow_change, slow) = sorted(
        zip(changes, 1 / found.coefficients[3:], strict=True), key=lambda each: each[1]
    )
    values = {
        "fast": fast,
        "slow": slow,
        "fast_change": fast_change,
        "slow_change": slow_change,
        "final": final,
    }
    return Several(
        {name: float(value) for name, value in values.items()},
        f"two least-squares exponentials through {counted(len(moments), 'reading')}, "
        f"{length(moments)}",
    )


def _settled(moments: Floats, chosen: Floats, number: int) -> Fit:
    """The fit of so many decays to readings, or a refusal that says why they don't carry it.

    What is left of it is over the largest change.
    """
    size = float(np.ptp(chosen))
    if size == 0:
        raise NotWorkedOut(
            "the column is the same in all readings", "readings from while it still changes"
        )
    since = moments - moments[0]
    seen = (chosen - chosen[0]) / size
    found = separable_fit(
        lambda rates: decays(since, rates), decay_rates(since, seen, number), seen
    )
    rates = found.coefficients[1 + number :]
    what = "the time constant" if number == 1 else "one of the time constants"
    if np.max(rates) * since[1] > 1:
        raise NotWorkedOut(
            f"{what} is shorter than the {write(float(since[1]), TIME)} between the first two "
            "readings",
            "readings closer by, or a part that begins earlier",
        )
    if np.min(rates) * since[-1] < 1:
        raise NotWorkedOut(
            f"the column is not bent enough: {what} would be longer than the {length(since)} that "
            "was read",
            "readings for three time constants or more",
        )
    _require_noise(found.left)
    unsure = float(np.max(found.uncertainties[1:] / np.abs(found.coefficients[1:])))
    if unsure > KNOWN_WITHIN:
        raise NotWorkedOut(
            f"{what}, or how much settles with it, is known to ±{100 * min(unsure, 10):.0f} % "
            f"only: the readings scatter by too much{', or there is but one' * (number - 1)}",
            f"less noise, or more readings: at most ±{100 * KNOWN_WITHIN:g} %",
        )
    back = np.append(np.full(1 + number, size), np.ones(number))
    coefficients = found.coefficients * back
    coefficients[0] += chosen[0]
    return found._replace(coefficients=coefficients, uncertainties=found.uncertainties * back)


def _require_noise(left: Floats) -> None:
    """Refuse a fit of which more is left than noise: the column doesn't settle in that way."""
    size = float(np.sqrt(np.mean(left * left)))
    if size <= STRUCTURE_WITHIN:
        return
    if np.sum(left[1:] * left[:-1]) > ALIKE * np.sum(left * left):
        raise NotWorkedOut(
            f"the column does not settle exponentially: {100 * size:.0f} % of its change is left "
            "of the fit, and that is no noise",
            "a part of the trace in which one cause alone makes it settle",
        )
