"""What the terminals do from a moment on, as long as nothing is switched and control doesn't pass.

A motion is known at every time, so whoever looks at it chooses the times. The module knows no
source, no part and no instrument.
"""

from __future__ import annotations

import math
from typing import NamedTuple, Protocol

import numpy as np

from drivers.channel import Mode
from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.course import Course
from drivers.simulated.circuits.flow import Array


class Moment(NamedTuple):
    """A time as whole nanoseconds of the bench clock and a rest (s): exact however late it is."""

    ns: int
    rest_s: float = 0.0

    def since(self, other: Moment) -> float:
        """How much later this one is (s)."""
        return (self.ns - other.ns) / NANOSECONDS + (self.rest_s - other.rest_s)

    def later(self, duration_s: float) -> Moment:
        """The moment so much after this one; negative durations are before it."""
        whole = math.floor(duration_s * NANOSECONDS)
        rest_s = self.rest_s + (duration_s - whole / NANOSECONDS)
        # A rest is less than a nanosecond, so that whole ones can be compared.
        carried = math.floor(rest_s * NANOSECONDS)
        return Moment(self.ns + whole + carried, rest_s - carried / NANOSECONDS)

    @property
    def s(self) -> float:
        """Seconds of the bench clock."""
        return self.ns / NANOSECONDS + self.rest_s


class Line(NamedTuple):
    """A quantity as it follows y: slope · y + offset."""

    slope: float
    offset: float

    def at(self, y: float) -> float:
        """The quantity where the output is y (V)."""
        return self.slope * y + self.offset


class Span(NamedTuple):
    """The lowest and the highest value of a quantity."""

    low: float
    high: float


class Over(NamedTuple):
    """What a motion did over a time: extremes of voltage (V), current (A) and power (W).

    `energy_j` and `charge_c` have gone into the part meanwhile.
    """

    voltage: Span
    current: Span
    power: Span
    energy_j: float
    charge_c: float


class Motion(Protocol):
    """Terminal voltage (V) and current (A) from `begin` on; `limited` is 1.0 in a limit.

    Times are in seconds after the begin.
    """

    @property
    def begin(self) -> Moment:
        """When it begins."""
        ...

    @property
    def limited(self) -> float:
        """1.0 where the level isn't in control, else 0.0."""
        ...

    def value(self, quantity: Mode, time_s: float) -> float:
        """A quantity at a time."""
        ...

    def values(self, quantity: Mode, times_s: Array) -> Array:
        """A quantity at many times, none before the begin."""
        ...

    def passes(self, quantity: Mode, above: bool, threshold: float, since_s: float) -> float:
        """When a quantity next gets from one side of a threshold to the other.

        It comes from below where `above` says so, else from above; inf where it never does.
        """
        ...

    def after(self, duration_s: float) -> Motion:
        """The same motion, counted from a later time."""
        ...

    def over(self, duration_s: float) -> Over:
        """What it did from its begin on."""
        ...


class CourseMotion(NamedTuple):
    """A motion whose voltage and current follow one output of a linear part, each on a line.

    It is exact. A part without memory stands still.
    """

    begin: Moment
    course: Course
    voltage: Line
    current: Line
    limited: float

    def line(self, quantity: Mode) -> Line:
        """How a quantity follows the course."""
        return self.voltage if quantity == "voltage" else self.current

    def value(self, quantity: Mode, time_s: float) -> float:
        """As Motion's."""
        return self.line(quantity).at(self.course.at(time_s))

    def values(self, quantity: Mode, times_s: Array) -> Array:
        """As Motion's."""
        slope, offset = self.line(quantity)
        return slope * self.course.many(times_s) + offset

    def after(self, duration_s: float) -> CourseMotion:
        """As Motion's."""
        begin, course = self.begin.later(duration_s), self.course.after(duration_s)
        return self._replace(begin=begin, course=course)

    def passes(self, quantity: Mode, above: bool, threshold: float, since_s: float) -> float:
        """As Motion's."""
        slope, offset = self.line(quantity)
        if slope == 0:
            return math.inf
        border = (threshold - offset) / slope
        rises = above == (slope > 0)
        near, far = (-math.inf, border), (border, math.inf)
        if not rises:
            near, far = far, near
        y = self.course.at(since_s)
        if y > border if rises else y < border:
            since_s, _ = self.course.leaves(*far, since_s)
        return self.course.leaves(*near, since_s)[0] if since_s < math.inf else math.inf

    def over(self, duration_s: float) -> Over:
        """As Motion's; power is extreme at the ends, or where its derivative in y is zero."""
        course, volts, amperes = self.course, self.voltage, self.current
        outputs = [course.at(t) for t in (0.0, duration_s, *course.turns(duration_s))]
        voltage, current = map(volts.at, outputs), map(amperes.at, outputs)
        # p = (a·y + b)(c·y + d)
        bend = volts.slope * amperes.slope
        tilt = volts.slope * amperes.offset + volts.offset * amperes.slope
        spans = _span(list(voltage)), _span(list(current))
        if bend != 0 and min(outputs) < -tilt / (2 * bend) < max(outputs):
            outputs.append(-tilt / (2 * bend))
        moved = course.over(duration_s)
        energy_j = tilt * moved + volts.offset * amperes.offset * duration_s
        if bend != 0:
            energy_j += bend * _square_over(course, duration_s)
        return Over(
            *spans,
            _span([volts.at(y) * amperes.at(y) for y in outputs]),
            energy_j,
            amperes.slope * moved + amperes.offset * duration_s,
        )


def _span(values: list[float]) -> Span:
    return Span(min(values), max(values))


_NODES, _WEIGHTS = (values.tolist() for values in np.polynomial.legendre.leggauss(12))


def _square_over(course: Course, duration_s: float) -> float:
    """∫ y² dt, by twelve Gauss-Legendre nodes on panels that double, from the fastest term's time.

    Within a panel no exponential that still counts falls by more than some e^10: the rule is exact
    to rounding there.
    """
    fastest = max((abs(rate) for rate, weight in course.terms if weight != 0), default=0.0)
    ends = [duration_s]
    while ends[-1] * fastest > 1:
        ends.append(ends[-1] / 2)
    total, left = 0.0, 0.0
    for right in reversed(ends):
        half, middle = (right - left) / 2, (right + left) / 2
        total += half * sum(
            weight * course.at(middle + half * node) ** 2
            for node, weight in zip(_NODES, _WEIGHTS, strict=True)
        )
        left = right
    return total
