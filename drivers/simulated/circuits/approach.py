"""How a source gets from where it is to what it is told: slew, late limits, the output's closing.

The regulated quantity moves at the slew rate from its present value a to the level b, which it
reaches at t_1 = t_0 + |b − a|/slew. Until then the limits on the other quantity give way by the
stated overshoot, and afterwards they respond:

    w(t) = 1 until t_1, then exp(−(t − t_1)/τ),   τ = limit response / ln 100

so that a limit is within a hundredth of its overshoot after its stated response. As the output
closes a kick is added to the level, away from zero, which dies away in its own time.
After some time nothing of it is left, and the source is as ideal as its staircase. What the source
does at any moment lies within level, limits, overshoot and kick. The model is common practice, no
source; the figures are the specification's. The module knows no part and no instrument.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from drivers.simulated.circuits.circuit import Source
from drivers.simulated.circuits.motion import Moment

_HUNDREDTH = math.log(100.0)
# e^-35 of an overshoot is less than the rounding of the limit.
_GONE = 35.0


class Manners(NamedTuple):
    """How fast a source moves, and how far it goes wrong meanwhile.

    `slew` of voltage (V/s) and of current (A/s), inf where it jumps; `overshoot` of a current limit
    (A) and of a voltage limit (V), with the `response` time of limits (s); `kick` (V) and
    `kick_time` (s) of the closing output.
    """

    voltage_slew: float = math.inf
    current_slew: float = math.inf
    current_overshoot: float = 0.0
    voltage_overshoot: float = 0.0
    response: float = 0.0
    kick: float = 0.0
    kick_time: float = 0.0


class Arrival(NamedTuple):
    """How a source arrives at what it is told, and whether its output closes at that moment.

    It starts from the voltage and current (V, A) that it has there, or from those of `start`.
    """

    manners: Manners = Manners()
    closing: bool = False
    start: tuple[float, float] | None = None


AT_ONCE = Arrival()
_AT_ONCE = Manners()


class Approach(NamedTuple):
    """A source on its way to its staircase; times are in seconds after its beginning."""

    goal: Source
    begin: Moment
    start: float
    manners: Manners
    closing: bool

    @property
    def _slew(self) -> float:
        voltage = self.goal.level % 2 == 1
        return self.manners.voltage_slew if voltage else self.manners.current_slew

    @property
    def _arrives_s(self) -> float:
        """When the level is reached."""
        return abs(level_of(self.goal) - self.start) / self._slew

    @property
    def kinks(self) -> tuple[float, float]:
        """When it bends, and when nothing of it is left."""
        arrives_s, manners = self._arrives_s, self.manners
        ends_s = arrives_s
        if manners.current_overshoot or manners.voltage_overshoot:
            ends_s += _GONE * manners.response / _HUNDREDTH
        if self.closing and manners.kick:
            ends_s = max(ends_s, _GONE * manners.kick_time / _HUNDREDTH)
        return arrives_s, ends_s

    def at(self, time_s: float) -> Source:
        """The staircase at a time."""
        goal, manners = self.goal, self.manners
        after_s = time_s - self._arrives_s
        value = level_of(goal)
        if after_s < 0:
            value -= math.copysign(self._slew * after_s, value - self.start)
        if self.closing and manners.kick and goal.level % 2 == 1:
            kick = manners.kick * _left(time_s, manners.kick_time)
            value += math.copysign(kick, level_of(goal))
        given = _left(after_s, manners.response)
        currents, voltages = list(goal.currents), list(goal.voltages)
        place = goal.level // 2
        if goal.level % 2 == 1:
            voltages[place] = value
            currents[place] += manners.current_overshoot * given
            currents[place + 1] -= manners.current_overshoot * given
        else:
            currents[place] = value
            voltages[place - 1] -= manners.voltage_overshoot * given
            voltages[place] += manners.voltage_overshoot * given
        return goal._replace(currents=tuple(currents), voltages=tuple(voltages))


def _left(time_s: float, response_s: float) -> float:
    """What is left of 1 a time after its beginning, for a response to within a hundredth."""
    if time_s <= 0:
        return 1.0
    return math.exp(-_HUNDREDTH * time_s / response_s) if response_s > 0 else 0.0


def level_of(source: Source) -> float:
    """The programmed level (V or A) of a staircase."""
    if source.level % 2 == 1:
        return source.voltages[source.level // 2]
    return source.currents[source.level // 2]


def approach(
    goal: Source, begin: Moment, arrival: Arrival, voltage: float, current: float
) -> Approach | Source:
    """The way to a staircase from what is there now (V, A); itself where it is there at once.

    A source begins at nothing as its output closes.
    """
    if not goal.voltages or arrival.manners == _AT_ONCE:
        return goal
    if arrival.start is not None:
        voltage, current = arrival.start
    if arrival.closing:
        voltage = current = 0.0
    start = voltage if goal.level % 2 == 1 else current
    way = Approach(goal, begin, start, arrival.manners, arrival.closing)
    return way if way.kinks[1] > 0 else goal
