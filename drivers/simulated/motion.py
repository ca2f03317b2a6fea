"""What the terminals do from a moment on, as long as nothing is switched and control doesn't pass.

Voltage and current follow one output y of the part, each on a straight line; a part without memory
stands still. A motion is exact at every time, so whoever looks at it chooses the times. The module
knows no source, no part and no instrument.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from drivers.channel import Mode
from drivers.clock import NANOSECONDS
from drivers.simulated.course import Course


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
        return Moment(self.ns + whole, rest_s)

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


class Motion(NamedTuple):
    """Terminal voltage (V) and current (A) from `begin` on; `limited` is 1.0 in a limit."""

    begin: Moment
    course: Course
    voltage: Line
    current: Line
    limited: float

    def line(self, quantity: Mode) -> Line:
        """How a quantity follows the course."""
        return self.voltage if quantity == "voltage" else self.current

    def value(self, quantity: Mode, time_s: float) -> float:
        """A quantity at a time (s) after the begin."""
        return self.line(quantity).at(self.course.at(time_s))

    def after(self, duration_s: float) -> Motion:
        """The same motion, counted from a later time (s)."""
        begin, course = self.begin.later(duration_s), self.course.after(duration_s)
        return self._replace(begin=begin, course=course)

    def passes(self, quantity: Mode, above: bool, threshold: float, since_s: float) -> float:
        """When a quantity next gets from one side of a threshold to the other (s after the begin).

        It comes from below where `above` says so, else from above; inf where it never does.
        """
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
