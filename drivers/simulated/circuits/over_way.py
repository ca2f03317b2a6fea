"""What a part without memory does on the whole while its source is on its way: by quadrature.

Where one stretch of the staircase is in control throughout, what it holds stands still, fades by
one exponential, or moves steadily; each has a rule of its own that takes few places. Anything else
is fitted piece by piece. The module knows no clock, and follows nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from drivers.simulated.circuits.approach import Approach, Phase
from drivers.simulated.circuits.course import Course
from drivers.simulated.circuits.flow import Array
from drivers.simulated.circuits.operating import at_terminals_if_any, currents_through, operate
from drivers.simulated.circuits.piece import curve_of, fit
from drivers.simulated.parts.base import Static

_RESOLVED = 1e-10
"""What a mean may be off by, as a share of its largest value."""
# Places within [-1, 1] and their weights.
_GAUSS_AT, _GAUSS_BY = np.polynomial.legendre.leggauss(12)


def _steep(count: int, step: float) -> tuple[Array, Array]:
    """Places within [0, 1] and weights of a rule for functions that are steep at the ends.

    The double exponential rule (Takahasi and Mori, Publ. RIMS 9 (1974) 721, from memory): every
    other one of its places is a rule of twice the step.
    """
    places, weights = [], []
    for k in range(-count, count + 1):
        inner = math.pi / 2 * math.sinh(k * step)
        places.append(1 / (1 + math.exp(-2 * inner)))
        weights.append(step * math.pi / 4 * math.cosh(k * step) / math.cosh(inner) ** 2)
    return np.array(places), np.array(weights)


_STEEP_AT, _STEEP_BY = _steep(12, 0.25)
Both = tuple[float, float]
"""A voltage (V) and a current (A), or their integrals over time (V·s, A·s)."""
Seen = Callable[[Array], tuple[Array, Array] | None]
"""Voltages (V) and currents (A) at times (s); None where another stretch has control at one."""


def over_way(
    part: Static, way: Approach, from_s: float, to_s: float, window_s: float
) -> tuple[float, float, float]:
    """∫ v dt (V·s), ∫ i dt (A·s) between two times on a way, and whether a limit had control.

    The times are in seconds after its beginning; `window_s` is how long the whole window is whose
    means they are for. The last is 1.0 where the level wasn't in control throughout, else 0.0.
    """
    volt_seconds = coulombs = limited = 0.0
    for phase in way.phases:
        left_s = max(from_s, phase.begin_s)
        # The way is over at the first whole nanosecond after its end.
        right_s = to_s if phase is way.phases[-1] else min(to_s, phase.end_s)
        if right_s > left_s:
            found, here = _over_phase(part, way, phase, left_s, right_s, window_s)
            volt_seconds, coulombs = volt_seconds + found[0], coulombs + found[1]
            limited = max(limited, here)
    return volt_seconds, coulombs, limited


def _over_phase(
    part: Static, way: Approach, phase: Phase, left_s: float, right_s: float, window_s: float
) -> tuple[Both, float]:
    met: set[int] = set()

    def seen(time_s: float) -> Both:
        source = way.within(phase, time_s)
        stretch = operate(part, source)
        met.add(stretch)
        at = at_terminals_if_any(part, source, stretch)
        return at.seen, at.current

    right, lasts_s = seen(right_s), right_s - left_s
    (stretch,) = met
    met.add(operate(part, way.within(phase, left_s)))
    found: Both | None = None
    if len(met) == 1:
        terms = (phase.voltages if stretch % 2 == 1 else phase.currents)[stretch // 2].terms

        def many(times_s: Array) -> tuple[Array, Array] | None:
            return _under(part, way, phase, stretch, times_s)

        if not terms:
            # What is in control stands still, and all else moves one way.
            found = right[0] * lasts_s, right[1] * lasts_s
        elif len(terms) == 1 and terms[0][0] < 0:
            found = _fading(many, left_s, lasts_s, right, terms[0][0])
        else:
            enough = _RESOLVED * window_s
            found = _moving(many, left_s, lasts_s, [enough * abs(end) for end in right])
    if found is None:
        found = 0.0, 0.0
        for begin_s, end_s, values in fit(
            lambda time_s: np.array(seen(time_s)), left_s, right_s, window_s
        ):
            volts, amperes = (curve_of(values[:, k]).mean(0.0, 1.0) for k in (0, 1))
            lasts_s = end_s - begin_s
            found = found[0] + volts * lasts_s, found[1] + amperes * lasts_s
    return found, float(met != {way.goal.level})


def _under(
    part: Static, way: Approach, phase: Phase, stretch: int, times_s: Array
) -> tuple[Array, Array] | None:
    """What is at the terminals under one stretch; None where another one has control at a time."""
    series, inside = way.goal.series_resistance, way.goal.sensed_resistance
    since_s, place = times_s - phase.begin_s, stretch // 2
    if stretch % 2 == 1:
        at_source = phase.voltages[place].many(since_s)
        currents = currents_through(part, at_source, series)
        high, low = (_at(course, since_s) for course in phase.currents[place : place + 2])
        holds = (low <= currents) & (currents <= high)
    else:
        currents = phase.currents[place].many(since_s)
        own = np.array([part.voltage_at(current) for current in currents.tolist()])
        at_source = own + series * currents
        holds = np.isfinite(own)
        if place > 0:
            holds &= at_source >= _at(phase.voltages[place - 1], since_s)
        if place < len(phase.voltages):
            holds &= at_source <= _at(phase.voltages[place], since_s)
    return (at_source - (series - inside) * currents, currents) if holds.all() else None


def _at(course: Course, times_s: Array) -> Array | float:
    """A course at many times; one number where it stands still."""
    return course.many(times_s) if course.terms else course.start


def _fading(many: Seen, left_s: float, lasts_s: float, right: Both, rate: float) -> Both | None:
    """By x = exp(rate·t): ∫ f dt = f_1·t + ∫ (f − f_1)/(−rate·x) dx."""
    least = math.exp(rate * lasts_s)
    half = (1.0 - least) / 2
    x = least + half * (1 + _GAUSS_AT)
    here = many(left_s + np.array([math.log(place) for place in x.tolist()]) / rate)
    if here is None:
        return None
    weights = half * _GAUSS_BY / (-rate * x)
    volts, amperes = (
        end * lasts_s + math.fsum(((f - end) * weights).tolist())
        for f, end in zip(here, right, strict=True)
    )
    return volts, amperes


def _moving(many: Seen, left_s: float, lasts_s: float, enough: Sequence[float]) -> Both | None:
    """By a rule for steep ends; None where half its places come to something else."""
    here = many(left_s + _STEEP_AT * lasts_s)
    if here is None:
        return None
    parts = [(f * (_STEEP_BY * lasts_s)).tolist() for f in here]
    for part, most in zip(parts, enough, strict=True):
        if not abs(math.fsum(part) - 2 * math.fsum(part[::2])) <= most:
            return None
    return math.fsum(parts[0]), math.fsum(parts[1])
