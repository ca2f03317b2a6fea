"""What truly happens at the terminals of a simulated bench, told to whoever wants to judge it.

A probe follows every motion of a circuit, whatever is measured: so a test can hold what was
promised of voltage, current and power against all of the time, not only against the readings.
Nothing of it costs anything where no probe is asked for. It never changes a run.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from drivers.simulated.circuit import Circuit
from drivers.simulated.course import Course
from drivers.simulated.motion import Moment, Motion

_NODES, _WEIGHTS = (values.tolist() for values in np.polynomial.legendre.leggauss(12))


class Span(NamedTuple):
    """The lowest and the highest value of a quantity."""

    low: float
    high: float


class TrueInterval(NamedTuple):
    """What the terminals of a channel did from one switching or passing of control to the next.

    Times are those of the bench clock (s). The extremes of voltage (V), current (A) and power (W,
    positive into the part) are exact. `energy_j` and `charge_c` are what has gone into the part, at
    the terminals and net, from the bench's opening to the interval's end. `output` says whether the
    output was on. An interval of no length is a state that was passed through, as between the
    programming of a level and that of its limit.
    """

    channel: str
    begin_s: float
    end_s: float
    output: bool
    voltage: Span
    current: Span
    power: Span
    energy_j: float
    charge_c: float


Tell = Callable[[TrueInterval], None]


class Probe:
    """Tells of one circuit's intervals as they end; the instrument says how its output is."""

    def __init__(self, channel: str, circuit: Circuit, tell: Tell) -> None:
        self._output = self._next_output = False
        self._channel = channel
        self._tell = tell
        self._motion = circuit.motion()
        self._energy_j = self._charge_c = 0.0
        circuit.watchers.append(self._follow)

    def switched(self, output: bool) -> None:
        """The output is on or off from the next motion on."""
        self._next_output = output

    def _follow(self, motion: Motion) -> None:
        self.tell_until(motion.begin)
        self._motion, self._output = motion, self._next_output

    def tell_until(self, moment: Moment) -> None:
        """Tell of the interval that ends now; the next one goes on from here."""
        motion = self._motion
        duration_s = max(0.0, moment.since(motion.begin))
        course, volts, amperes = motion.course, motion.voltage, motion.current
        times = [0.0, duration_s, *course.turns(duration_s)]
        outputs = [course.at(t) for t in times]
        # p = (a·y + b)(c·y + d): besides the ends it is extreme where its derivative is zero.
        bend, tilt = (
            volts.slope * amperes.slope,
            volts.slope * amperes.offset + volts.offset * amperes.slope,
        )
        voltage, current = map(volts.at, outputs), map(amperes.at, outputs)
        if bend != 0 and min(outputs) < -tilt / (2 * bend) < max(outputs):
            outputs.append(-tilt / (2 * bend))
        power = [volts.at(y) * amperes.at(y) for y in outputs]
        moved = course.over(duration_s)
        self._charge_c += amperes.slope * moved + amperes.offset * duration_s
        self._energy_j += tilt * moved + volts.offset * amperes.offset * duration_s
        if bend != 0:
            self._energy_j += bend * _square_over(course, duration_s)
        self._tell(
            TrueInterval(
                self._channel,
                motion.begin.s,
                moment.s,
                self._output,
                _span(list(voltage)),
                _span(list(current)),
                _span(power),
                self._energy_j,
                self._charge_c,
            )
        )
        self._motion = motion.after(duration_s)


def _span(values: list[float]) -> Span:
    return Span(min(values), max(values))


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
