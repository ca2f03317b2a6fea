"""Calculations of a column's noise: its spectral density in a band, its Allan deviation.

Pure functions of arrays of shape (n,), time in s; both need readings that are evenly spaced.
"""

from __future__ import annotations

import math

import numpy as np

from grammar.quantity import FREQUENCY, TIME, write
from sequencer.analysis.calculations.readings import (
    Calculated,
    Ends,
    Floats,
    NotWorkedOut,
    counted,
    length,
    require_readings,
)
from sequencer.analysis.calculations.trace import line

# All of these: common practice, no source.
EVEN_WITHIN = 0.2  # of the period: what a reading may lie off its place
FIRST_BIN = 3  # below it a line's removal and the window leave nothing that is noise
LEAST_BINS = 4  # in a band: ±30 % of the density, and less is a guess
LEAST_PAIRS = 3  # times the averaging time that a trace must last


def noise_density(time: Floats, column: Floats, band: Ends) -> Calculated:
    """Mean spectral density of a column's noise in a band of frequencies.

    Equation: e = √(mean over the band of S(f)), S(f_j) = 2 |Σ w_k x_k exp(−2πi f_j t_k)|² · Δt /
    Σ w_k², f_j = j/T; x the readings less their least-squares line, w a raised cosine (Hann). One-
    sided, so that the mean square is ∫ S df over the positive frequencies. What an aperture
    averages away is not put back: it is 4 % at a quarter of 1/aperture, 36 % at half of it.

    Args:
        time: time of each reading (s), shape (n,), rising and even.
        column: the column, any unit, shape (n,).
        band: the lowest and the highest frequency (Hz), both in, in either order.

    Returns:
        The density in the unit of `column` over √Hz.

    Raises:
        NotWorkedOut: fewer than sixteen readings, not evenly spaced, a band beyond half the rate of
            readings, below three over the length of the trace or with too few frequencies in it, a
            column that does not change, NaN, over range, time that does not rise.

    Source: periodogram, P. D. Welch, IEEE Trans. Audio Electroacoust. 15 (1967), of one segment,
    from memory; checked against `scipy.signal.periodogram`.
    """
    require_readings(time, 16, column=column)
    period = _even_period(time)
    low, high = min(band), max(band)
    total = len(time) * period
    if high > 0.5 / period:
        raise NotWorkedOut(
            f"the band reaches up to {write(high, FREQUENCY)}, and readings every "
            f"{write(period, TIME)} tell nothing above {write(0.5 / period, FREQUENCY)}",
            "readings closer by, or a lower band",
        )
    if low < FIRST_BIN / total:
        raise NotWorkedOut(
            f"the band begins at {write(low, FREQUENCY)}, and a trace of {length(time)} tells "
            f"nothing below {write(FIRST_BIN / total, FREQUENCY)}",
            "a longer trace, or a higher band",
        )
    first, last = math.ceil(low * total * (1 - 1e-9)), math.floor(high * total * (1 + 1e-9))
    found = max(0, last - first + 1)
    if found < LEAST_BINS:
        raise NotWorkedOut(
            f"the trace tells the noise at {found} frequencies of the band alone",
            f"at least {LEAST_BINS}: a longer trace, or a wider band",
        )
    if np.ptp(column) == 0:
        raise NotWorkedOut(
            "the column is the same in all readings: its noise is below its resolution",
            "a finer range, or a finer resolution",
        )
    gradient, at_start = line(time - time[0], column)
    places = np.arange(len(time))
    window = 0.5 - 0.5 * np.cos(2 * np.pi * places / len(time))
    spectrum = np.fft.rfft(window * (column - at_start - gradient * (time - time[0])))
    power = 2 * period / float(np.sum(window * window)) * np.abs(spectrum[first : last + 1]) ** 2
    if len(time) % 2 == 0 and last == len(time) // 2:
        power[-1] /= 2  # half the rate has no mirror image
    return Calculated(
        math.sqrt(float(np.mean(power))),
        f"mean of a one-sided periodogram (Hann) at {found} frequencies, "
        f"{length(time)} of readings every {write(period, TIME)}",
    )


def allan_deviation(time: Floats, column: Floats, averaging: float) -> Calculated:
    """Allan deviation of a column at an averaging time, with overlapping averages.

    Equation: σ² = 1/(2 (n − 2 m + 1)) Σ (X_{k+m} − X_k)², X_k the mean of the m readings from the
    k-th on, m the averaging time over the readings' period, rounded. White noise of standard
    deviation s gives s/√m, an even drift of d per second d m Δt/√2.

    Args:
        time: time of each reading (s), shape (n,), rising and even.
        column: the column, any unit, shape (n,).
        averaging: the averaging time (s).

    Returns:
        The deviation in the unit of `column`; of temperatures in K.

    Raises:
        NotWorkedOut: fewer than three readings, not evenly spaced, an averaging time shorter than a
            reading's period or longer than a third of the trace, NaN, over range, time that does
            not rise.

    Source: NIST Special Publication 1065, overlapping Allan deviation of frequency data (from
    memory); checked against its thousand-point set and against closed forms.
    """
    require_readings(time, LEAST_PAIRS, column=column)
    period = _even_period(time)
    if averaging < period * (1 - EVEN_WITHIN):
        raise NotWorkedOut(
            f"the averaging time of {write(averaging, TIME)} is shorter than the "
            f"{write(period, TIME)} from reading to reading",
            "readings closer by, or a longer averaging time",
        )
    m = max(1, round(averaging / period))
    if LEAST_PAIRS * m > len(time):
        raise NotWorkedOut(
            f"the averaging time of {write(averaging, TIME)} is more than a third of the trace, "
            f"which is {length(time)} long",
            f"a trace of {LEAST_PAIRS} times the averaging time, better of ten times",
        )
    sums = np.concatenate(([0.0], np.cumsum(column - np.mean(column))))
    means = (sums[m:] - sums[:-m]) / m
    steps = means[m:] - means[:-m]
    return Calculated(
        math.sqrt(float(np.mean(steps * steps)) / 2),
        f"overlapping averages of {counted(m, 'reading')}, {write(m * period, TIME)}, "
        f"{counted(len(steps), 'difference')}",
    )


def _even_period(time: Floats) -> float:
    """The period (s) of evenly spaced readings, at least two. Raises NotWorkedOut where a reading
    is off its place."""
    period = float(time[-1] - time[0]) / (len(time) - 1)
    places = time[0] + period * np.arange(len(time))
    off = np.abs(time - places)
    worst = int(np.argmax(off))
    if off[worst] > EVEN_WITHIN * period:
        raise NotWorkedOut(
            f"the readings are not evenly spaced: row {worst + 1} is "
            f"{write(float(off[worst]), TIME, 3)} off its place at one every {write(period, TIME)}",
            "readings on an even grid: `every …:`, at a pace that the aperture allows",
        )
    return period
