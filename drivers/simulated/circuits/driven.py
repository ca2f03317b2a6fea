"""What the terminals of a linear part do while what is held there moves: on a ramp, or fading.

Voltage and current are courses of their own then, no lines over one. The module knows no source and
no part.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from drivers.channel import Mode
from drivers.simulated.circuits.course import Course
from drivers.simulated.circuits.flow import Array
from drivers.simulated.circuits.motion import Moment, Over, Span
from drivers.simulated.circuits.piece import Piece, curve_of, fit

_NO_TIME_S = 1e-20


class DrivenMotion(NamedTuple):
    """A motion that lasts some time (s): see `Motion` for what its methods give."""

    begin: Moment
    duration_s: float
    voltage: Course
    current: Course
    limited: float

    def _course(self, quantity: Mode) -> Course:
        return self.voltage if quantity == "voltage" else self.current

    def value(self, quantity: Mode, time_s: float) -> float:
        """As Motion's."""
        return self._course(quantity).at(time_s)

    def values(self, quantity: Mode, times_s: Array) -> Array:
        """As Motion's."""
        return self._course(quantity).many(times_s)

    def passes(self, quantity: Mode, above: bool, threshold: float, since_s: float) -> float:
        """As Motion's, until it ends."""
        course = self._course(quantity)
        near, far = (-math.inf, threshold), (threshold, math.inf)
        if not above:
            near, far = far, near
        value = course.at(since_s)
        if value > threshold if above else value < threshold:
            since_s, _ = course.leaves(*far, since_s, self.duration_s)
        if since_s == math.inf:
            return math.inf
        return course.leaves(*near, since_s, self.duration_s)[0]

    def after(self, duration_s: float) -> DrivenMotion:
        """As Motion's."""
        return self._replace(
            begin=self.begin.later(duration_s),
            duration_s=self.duration_s - duration_s,
            voltage=self.voltage.after(duration_s),
            current=self.current.after(duration_s),
        )

    def over(self, duration_s: float) -> Over:
        """As Motion's; by polynomials, as those of a part that moves by a differential equation."""

        def seen(time_s: float) -> Array:
            return np.array([self.voltage.at(time_s), self.current.at(time_s)])

        overs: list[Over] = []
        # Control may pass at the first float after the begin, of which there are no parts.
        for left, right, values in fit(seen, 0.0, duration_s if duration_s > _NO_TIME_S else 0.0):
            curves = curve_of(values[:, 0]), curve_of(values[:, 1])
            lasts_s = right - left
            overs.append(Piece(self.begin, lasts_s, *curves, self.limited).over(lasts_s))
        if not overs:
            volts, amperes = self.voltage.start, self.current.start
            spans = [Span(value, value) for value in (volts, amperes, volts * amperes)]
            return Over(spans[0], spans[1], spans[2], 0.0, 0.0)
        return Over(
            _widest([over.voltage for over in overs]),
            _widest([over.current for over in overs]),
            _widest([over.power for over in overs]),
            sum(over.energy_j for over in overs),
            sum(over.charge_c for over in overs),
        )


def _widest(spans: list[Span]) -> Span:
    return Span(min(span.low for span in spans), max(span.high for span in spans))
