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
from functools import lru_cache
from typing import NamedTuple

from drivers.simulated.circuits.circuit import Source
from drivers.simulated.circuits.course import Course
from drivers.simulated.circuits.motion import Moment

_HUNDREDTH = math.log(100.0)
# e^-35 of an overshoot is less than the rounding of the limit.
_GONE = 35.0
# Half a step of the clock: a level that is reached sooner is there at once.
_INSTANT_S = 0.5e-9
# A blocked junction's current is its saturation current but for rounding, and past that it has no
# voltage: a current that is to shrink begins so far within the one that flows.
_WITHIN = 1 - 1e-15


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

    It starts from the voltage and current (V, A) that it has there, or from those of `start`. Where
    a staircase `before` is given, limits that get wider do so once the level is there.
    """

    manners: Manners = Manners()
    closing: bool = False
    start: tuple[float, float] | None = None
    before: Source | None = None


AT_ONCE = Arrival()
_AT_ONCE = Manners()


class Phase(NamedTuple):
    """A part of the way in which every current and voltage of the staircase moves smoothly.

    It lasts from `begin_s` to `end_s`, after the approach's beginning. The courses of `currents`
    (A) and `voltages` (V), as those of a staircase, are counted from its own beginning.
    """

    begin_s: float
    end_s: float
    currents: tuple[Course, ...]
    voltages: tuple[Course, ...]

    @property
    def lasts_s(self) -> float:
        """How long it lasts (s)."""
        return self.end_s - self.begin_s


class Approach(NamedTuple):
    """A source on its way to its staircase, in one phase or two that follow one another."""

    goal: Source
    begin: Moment
    phases: tuple[Phase, ...]

    @property
    def kinks(self) -> tuple[float, ...]:
        """When it bends, and last when nothing of it is left (s after its beginning)."""
        return tuple(phase.end_s for phase in self.phases)

    def at(self, time_s: float) -> Source:
        """The staircase at a time (s after its beginning)."""
        return self.within(self._phase(time_s), time_s)

    def within(self, phase: Phase, time_s: float) -> Source:
        """The staircase at a time (s after its beginning) of a phase, both of whose ends it has."""
        goal, since_s = self.goal, time_s - phase.begin_s
        currents = [c.at(since_s) if c.terms else c.start for c in phase.currents]
        voltages = [c.at(since_s) if c.terms else c.start for c in phase.voltages]
        return Source(
            tuple(currents), tuple(voltages), goal.level,
            goal.series_resistance, goal.sensed_resistance,
        )  # fmt: skip

    def moves(self, place: int, time_s: float) -> float:
        """How fast a current of the staircase moves at a time (A/s)."""
        phase = self._phase(time_s)
        terms = phase.currents[place].terms
        return sum(weight * math.exp(rate * (time_s - phase.begin_s)) for rate, weight in terms)

    def _phase(self, time_s: float) -> Phase:
        return self.phases[0] if time_s < self.phases[0].end_s else self.phases[-1]


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
    manners = arrival.manners
    if not goal.voltages or manners == _AT_ONCE:
        return goal
    if arrival.start is not None:
        voltage, current = arrival.start
    if arrival.closing:
        voltage = current = 0.0
    in_voltage = goal.level % 2 == 1
    if current * (current * _WITHIN - level_of(goal)) > 0:
        current *= _WITHIN
    start, slew = (voltage, manners.voltage_slew) if in_voltage else (current, manners.current_slew)
    kick = manners.kick if arrival.closing and in_voltage else 0.0
    takes_s = abs(level_of(goal) - start) / slew
    arrives_s, ends_s = _times(manners, takes_s if takes_s > _INSTANT_S else 0.0, bool(kick))
    phases: list[Phase] = []
    if arrives_s > 0:
        ramp = Course(start, ((0.0, math.copysign(slew, level_of(goal) - start)),))
        lasting = manners._replace(response=math.inf)
        meanwhile = goal if arrival.before is None else _narrower(goal, arrival.before)
        phases.append(_phase(meanwhile, 0.0, arrives_s, ramp, lasting, kick))
    if ends_s > arrives_s:
        there = Course(level_of(goal))
        phases.append(_phase(goal, arrives_s, ends_s, there, manners, kick))
    return Approach(goal, begin, tuple(phases)) if phases else goal


def way_s(manners: Manners, distance: float, in_voltage: bool) -> float:
    """How long (s) a source that is on takes to a level so far away (V or A)."""
    slew = manners.voltage_slew if in_voltage else manners.current_slew
    return _times(manners, distance / slew, False)[1]


def _narrower(goal: Source, before: Source) -> Source:
    """A staircase with the narrower limits of both, each side for itself, where they are alike."""
    if before.level != goal.level or len(before.voltages) != len(goal.voltages):
        return goal
    if goal.level % 2 == 1:
        (high, low), (high_before, low_before) = goal.currents, before.currents
        high, low = min(high, high_before), max(low, low_before)
        return goal._replace(currents=(high, low)) if low <= high else goal
    (low, high), (low_before, high_before) = goal.voltages, before.voltages
    low, high = max(low, low_before), min(high, high_before)
    return goal._replace(voltages=(low, high)) if low <= high else goal


def _times(manners: Manners, arrives_s: float, kicks: bool) -> tuple[float, float]:
    """When the level is reached, and when nothing of the way is left (s after its beginning)."""
    ends_s = arrives_s
    if manners.current_overshoot or manners.voltage_overshoot:
        ends_s += _GONE * manners.response / _HUNDREDTH
    if kicks:
        ends_s = max(ends_s, _GONE * manners.kick_time / _HUNDREDTH)
    return arrives_s, ends_s


def _phase(
    goal: Source, begin_s: float, end_s: float, level: Course, manners: Manners, kick: float
) -> Phase:
    """A staircase around the course of its level; limits give way until the manners' response."""
    currents, voltages = list(map(Course, goal.currents)), list(map(Course, goal.voltages))
    place, given = goal.level // 2, _fading(manners.response)
    if goal.level % 2 == 1:
        if kick:
            left = _fading(manners.kick_time).after(begin_s)
            level = level.plus(math.copysign(kick, level_of(goal)), left)
        voltages[place] = level
        currents[place] = currents[place].plus(manners.current_overshoot, given)
        currents[place + 1] = currents[place + 1].plus(-manners.current_overshoot, given)
    else:
        currents[place] = level
        voltages[place - 1] = voltages[place - 1].plus(-manners.voltage_overshoot, given)
        voltages[place] = voltages[place].plus(manners.voltage_overshoot, given)
    return Phase(begin_s, end_s, tuple(currents), tuple(voltages))


@lru_cache(maxsize=64)
def _fading(response_s: float) -> Course:
    """From 1 to nothing, within a hundredth after a response; for ever 1 where that is inf."""
    if response_s == 0:
        return Course(0.0)
    rate = -_HUNDREDTH / response_s
    return Course(1.0, ((rate, rate),) if rate else ())
