"""The threshold of a laser diode by three methods, whose answers differ by design.

A pure function of arrays of shape (n,); the light is taken as in `laser.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from sequencer.analysis.calculations.laser import LEAST, amperes, light_line, span
from sequencer.analysis.calculations.readings import (
    Ends,
    Floats,
    NotWorkedOut,
    Several,
    counted,
    require_readings,
    within,
)
from sequencer.analysis.calculations.regression import Straight, polynomial, run_around, straight
from sequencer.analysis.calculations.smoothing import smoothed

# The part of the way to the threshold whose light counts as that below it. Common practice, no
# source: nearer to it the light already bends.
_BELOW = 0.75
# What a peak of the second derivative must be over its scatter elsewhere: of a hundred values of
# noise the largest lies at 2.5 to 3 of it. Common practice, no source.
_PEAK_STANDS_OUT = 5.0
# The standard deviation of normal noise over its median distance from the median.
_PER_MEDIAN = 1.4826


def threshold_current(
    time: Floats,
    current: Floats,
    light: Floats,
    limited: Floats,
    between: Ends,
    below: Ends | None = None,
) -> Several:
    """Threshold of a laser diode by three methods, whose answers differ by design.

    Equations: by line, I = −a/b of the least-squares line L = a + b I between the two currents;
    by two segments, I = (a' − a)/(b − b') where it meets the line a' + b' I of the light below
    threshold; by second derivative, where d²L/dI² has its maximum, from least-squares parabolas
    that slide over the curve (a twentieth of the readings each, five at least), at the vertex of a
    parabola through the run of them above half of the maximum.

    Args:
        time: time of each reading (s), shape (n,), rising.
        current: current through the laser diode (A), shape (n,), in any order.
        light: the light, any unit, either sign, shape (n,).
        limited: 1 where the limit of the light's own channel was in control, shape (n,).
        between: two currents (A) above threshold, both in, for the line.
        below: two currents (A) below threshold, both in, for the other segment; from the lowest to
            three quarters of the threshold by line if None.

    Returns:
        "by_second_derivative", "by_two_segments" and "by_line" (A). The first two are refused by
        themselves where the curve can't carry them.

    Raises:
        NotWorkedOut: fewer than three readings between the two currents, light there that doesn't
            change with the current, is cut off by a limit, or meets no light at no current that
            was measured; NaN, over range, time that does not rise.

    Source: the three definitions are common practice (Telcordia GR-3013 names the first, from
    memory); checked against a closed form.
    """
    require_readings(time, 1, current=current, light=light)
    above = light_line(time, current, light, limited, between)
    rising = light if above.slope > 0 else -light
    by_line = -above.at_zero / above.slope
    if not np.min(current) <= by_line < min(between):
        raise NotWorkedOut(
            f"the line of the light meets no light at {amperes(by_line)}, not below "
            f"{amperes(min(between))} and within the curve",
            "two currents above threshold, and a curve from below it; a dark current taken off",
        )
    values, refused = {"by_line": by_line}, {}
    beneath = below or (min(0.0, float(np.min(current))), _BELOW * by_line)
    methods: Mapping[str, Callable[[], float]] = {
        "by_second_derivative": lambda: _steepest_bend(current, rising),
        "by_two_segments": lambda: _meeting(current, light, above, beneath),
    }
    for name, method in methods.items():
        try:
            values[name] = method()
        except NotWorkedOut as refusal:
            refused[name] = refusal
    return Several(
        values,
        f"line from {span(between)}; two segments, the other from {span(beneath)}; maximum of "
        "the second derivative",
        refused,
    )


def _meeting(current: Floats, light: Floats, above: Straight, beneath: Ends) -> float:
    """Where the line above threshold meets that of the light below it (A)."""
    inside = within(current, beneath)
    found = int(np.sum(inside))
    if found < LEAST or np.ptp(current[inside]) == 0:
        raise NotWorkedOut(
            f"below threshold, from {span(beneath)}, there "
            f"{'is' if found == 1 else 'are'} {counted(found, 'reading')}",
            f"at least {LEAST} there, at currents that differ",
        )
    lower = straight(current[inside], light[inside])
    if abs(lower.slope) >= abs(above.slope):
        raise NotWorkedOut(
            f"from {span(beneath)} the light rises no less than above threshold",
            "a curve that begins below threshold",
        )
    return (lower.at_zero - above.at_zero) / (above.slope - lower.slope)


def _steepest_bend(current: Floats, rising: Floats) -> float:
    """Where the second derivative of the light has its maximum (A)."""
    curve = smoothed(current, rising)
    bend = curve.curvature
    row = int(np.argmax(bend))
    usual = float(np.median(np.abs(bend - np.median(bend)))) * _PER_MEDIAN
    run = run_around(row, bend >= bend[row] / 2)
    if (
        bend[row] <= _PEAK_STANDS_OUT * usual
        or run.start == 0
        or run.stop == len(bend)
        or run.stop - run.start < LEAST
    ):
        raise NotWorkedOut(
            "the second derivative of the light has no peak that stands out",
            "a curve from below threshold to above it, of less noise or of more points about it",
        )
    centre = float(curve.place[row])
    place = curve.place[run] - centre
    size = float(np.max(np.abs(place)))
    fitted = polynomial(place / size, bend[run], 2)
    assert fitted is not None
    _, linear, square = fitted[0]
    return centre - size * float(linear / (2 * square))
