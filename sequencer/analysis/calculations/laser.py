"""Calculations for laser diodes in use: slope of the light, kinks, roll-over.

Pure functions of arrays of shape (n,). The light is whatever is proportional to it: a power, or the
current of a photodiode, which is negative into the diode; the methods turn it round where it is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from grammar.quantity import CURRENT, write
from sequencer.analysis.calculations.readings import (
    Calculated,
    Ends,
    Floats,
    NotWorkedOut,
    Several,
    counted,
    require_readings,
    within,
)
from sequencer.analysis.calculations.regression import STANDS_OUT, Straight, straight
from sequencer.analysis.calculations.smoothing import smoothed

LEAST = 3
"""Readings that a line of the light takes."""


def slope_efficiency(
    time: Floats, current: Floats, light: Floats, limited: Floats, between: Ends
) -> Calculated:
    """Slope of the light against the current between two currents.

    Equation: b of the least-squares line L = a + b I, with the sign of the light as it was read.

    Args:
        time: time of each reading (s), shape (n,), rising.
        current: current through the laser diode (A), shape (n,).
        light: the light, any unit, shape (n,).
        limited: 1 where the limit of the light's own channel was in control, shape (n,).
        between: the two currents (A), both in.

    Returns:
        The slope, in the unit of the light over A.

    Raises:
        NotWorkedOut: fewer than three readings between the two currents, light there that doesn't
            change with the current or is cut off by a limit, NaN, over range, time that does not
            rise.

    Source: definition; checked against a closed form.
    """
    require_readings(time, 1)
    found = light_line(time, current, light, limited, between)
    return Calculated(found.slope, f"least-squares line from {span(between)}")


def largest_kink(
    time: Floats, current: Floats, light: Floats, limited: Floats, between: Ends
) -> Several:
    """Where the light leaves its line between two currents the furthest, and by how much.

    Equation: the largest of |L_k − (a + b I_k)|/|a + b I_k|, with the least-squares line through
    the readings between the two currents. One reading decides, so that its noise is in it.

    Args:
        time: time of each reading (s), shape (n,), rising.
        current: current through the laser diode (A), shape (n,).
        light: the light, any unit, shape (n,).
        limited: 1 where the limit of the light's own channel was in control, shape (n,).
        between: the two currents (A) above threshold, both in.

    Returns:
        "current" (A) and "deviation" (1, from 0 up).

    Raises:
        NotWorkedOut: what `slope_efficiency` refuses, a line that has no light between them.

    Source: common practice, no source.
    """
    require_readings(time, 1)
    found = light_line(time, current, light, limited, between)
    inside = within(current, between)
    at, lit = current[inside], light[inside]
    line = found.at_zero + found.slope * at
    if np.min(line * np.sign(found.slope)) <= 0:
        raise NotWorkedOut(
            f"the line has no light within {span(between)}", "two currents above threshold"
        )
    apart = (lit - line) / line
    row = int(np.argmax(np.abs(apart)))
    side = "over" if apart[row] > 0 else "under"
    return Several(
        {"current": float(at[row]), "deviation": float(abs(apart[row]))},
        f"{side} the least-squares line from {span(between)}",
    )


def roll_over_current(time: Floats, current: Floats, light: Floats, limited: Floats) -> Calculated:
    """Current above which the light falls.

    Equation: I = c − L'/L'' of the least-squares parabola about c that slides over the curve (a
    twentieth of the readings, five at least), where it stands highest.

    Args:
        time: time of each reading (s), shape (n,), rising.
        current: current through the laser diode (A), shape (n,).
        light: the light, any unit, either sign, shape (n,).
        limited: 1 where the limit of the light's own channel was in control, shape (n,).

    Returns:
        The current (A).

    Raises:
        NotWorkedOut: fewer than seven readings, light that still rises at the end or falls by no
            more than it scatters, or is cut off by a limit; NaN, over range, time that does not
            rise.

    Source: common practice, no source; checked against a closed form.
    """
    require_readings(time, 7, current=current, light=light)
    _require_free(time, limited, np.ones(len(time), dtype=bool))
    order = np.argsort(current, kind="stable")
    grown = light[order[-1]] - light[order[0]]
    largest = light[np.argmax(np.abs(light - light[order[0]]))] - light[order[0]]
    curve = smoothed(current, light if (largest or grown) > 0 else -light)
    row = int(np.argmax(curve.value))
    fallen = curve.value[row] - curve.value[-1]
    if row in (0, len(curve.value) - 1) or fallen <= STANDS_OUT * curve.scatter:
        raise NotWorkedOut(
            f"up to {amperes(float(np.max(current)))} the light doesn't fall by more than it "
            "scatters: it hasn't rolled over",
            "nothing, if it shall not; a larger current would harm it",
        )
    vertex = float(curve.place[row] - curve.slope[row] / curve.curvature[row])
    return Calculated(vertex, f"highest of parabolas through {curve.readings} readings each")


def light_line(
    time: Floats, current: Floats, light: Floats, limited: Floats, between: Ends
) -> Straight:
    """The line of the light between two currents, or a refusal that says why there is none."""
    inside = within(current, between)
    require_readings(time, 1, inside, current=current, light=light)
    found = int(np.sum(inside))
    if found < LEAST or np.ptp(current[inside]) == 0:
        raise NotWorkedOut(
            f"there {'is' if found == 1 else 'are'} {counted(found, 'reading')} from "
            f"{span(between)}",
            f"at least {LEAST} there, at currents that differ",
        )
    _require_free(time, limited, inside)
    line = straight(current[inside], light[inside])
    if not line.stands_out:
        raise NotWorkedOut(
            f"from {span(between)} the light doesn't change with the current by more than it "
            "scatters",
            "two currents above threshold, and the light on its detector",
        )
    return line


def _require_free(time: Floats, limited: Floats, rows: NDArray[np.bool_]) -> None:
    held = np.flatnonzero(rows & (limited != 0))
    if len(held):
        raise NotWorkedOut(
            f"the limit cuts the light off in {counted(len(held), 'reading')} of those that count, "
            f"the first in row {held[0] + 1}",
            "a detector that isn't held by its limit: a larger one, or a filter",
        )


def span(ends: Ends) -> str:
    """Two currents (A) in words, the lower first."""
    return f"{amperes(min(ends))} to {amperes(max(ends))}"


def amperes(value: float) -> str:
    """A current (A) in words."""
    return write(float(value), CURRENT)
