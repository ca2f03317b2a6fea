"""A circuit around a linear part that stores: moved and read by exact exponentials.

The circuit knows at any moment when control will next pass from one stretch of the source's
staircase to another, or when a source on its way to its staircase bends. A reading that is complete
before that follows in closed form from where the stretch began; only what crosses a corner or a
bend is worked out piece by piece.
"""

from __future__ import annotations

import math
from bisect import bisect_left

import numpy as np

from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.approach import AT_ONCE, Arrival, Phase, approach
from drivers.simulated.circuits.circuit import (
    OPEN,
    Change,
    Happening,
    Means,
    Source,
    Watcher,
    corners_of,
)
from drivers.simulated.circuits.course import HORIZON_S, RESOLVED, Course, Window
from drivers.simulated.circuits.driven import DrivenMotion
from drivers.simulated.circuits.flow import Integers
from drivers.simulated.circuits.motion import CourseMotion, Line, Moment, Motion
from drivers.simulated.circuits.stretch import Stretches
from drivers.simulated.parts.base import Network

_NEVER_NS = 1 << 100
_LATEST_NS = 1 << 62

# Currents are continuous across a corner, so control passes a handful of times between two
# programmings, a few for each state.
_MOST_EVENTS = 1000


class NetworkCircuit:
    """A linear part that stores, moved by exact exponentials.

    `time_ns` and `state` are those from which the present motion is counted: where the source or
    the stretch last changed. `stretch` is who is in control; of a source on its way, who will be
    where it is going: control on the way there isn't told.
    """

    def __init__(self, network: Network) -> None:
        self.network = network
        self.changes: list[Change] = []
        self.happened: list[Happening] = []
        self.watchers: list[Watcher] = []
        self.time_ns, self._fraction_s = 0, 0.0
        self.state = tuple(network.initial)
        self._c = np.array(network.c)
        self._stretches = Stretches(network)
        self._windows: dict[int, Window] = {}
        self._put(OPEN, OPEN, ())

    def connect(self, source: Source, at_ns: int, arrival: Arrival = AT_ONCE) -> None:
        """Put another source before the part at that time."""
        self.advance(at_ns)
        y, held = float(self._c @ np.array(self.state)), self._held.start
        volts, amperes = (line.at(y) for line in self._now.lines(held))
        inside = self._source.series_resistance - self._source.sensed_resistance
        way = approach(source, Moment(at_ns), arrival, volts + inside * amperes, amperes)
        if isinstance(way, Source):
            self._put(source, source, ())
        else:
            self._put(source, way.at(0.0), way.phases)

    def advance(self, to_ns: int) -> None:
        """Let the time up to then pass; control changes on the way at its exact times."""
        if to_ns > self.time_ns:
            self.look(to_ns)
            self._move((to_ns - self.time_ns) / NANOSECONDS - self._fraction_s)
            self.time_ns, self._fraction_s = to_ns, 0.0
            self._anew()

    def look(self, now_ns: int) -> None:
        """As `advance`, but only where control has changed."""
        while self._ends_ns < now_ns:
            self._end()

    def mean(self, start_ns: int, end_ns: int) -> tuple[float, float, float]:
        """Mean voltage (V), mean current (A), 1.0 where the level wasn't in control throughout.

        A window that the present stretch outlasts moves nothing, and takes one term an exponential.
        """
        if end_ns > self._ends_ns:
            self.look(start_ns)
        if end_ns <= self._ends_ns and self._lines is not None:
            aperture_ns = end_ns - start_ns
            window = self._windows.get(aperture_ns) or self._window(aperture_ns)
            y = window.at((start_ns - self.time_ns) / NANOSECONDS - self._fraction_s)
            volts, amperes = self._lines
            return volts.slope * y + volts.offset, amperes.slope * y + amperes.offset, self._limited
        limited, voltage, current = self._limited, 0.0, 0.0
        from_s = (start_ns - self.time_ns) / NANOSECONDS - self._fraction_s
        while self._ends_ns < end_ns:
            more = self._integrals(from_s, self._left_s)
            voltage, current, from_s = voltage + more[0], current + more[1], 0.0
            self._end()
            limited = max(limited, self._limited)
        to_s = (end_ns - self.time_ns) / NANOSECONDS - self._fraction_s
        more = self._integrals(from_s, to_s)
        duration_s = (end_ns - start_ns) / NANOSECONDS
        return (voltage + more[0]) / duration_s, (current + more[1]) / duration_s, limited

    def means(self, starts_ns: Integers, aperture_ns: int) -> Means:
        """The means of windows to come, as far as the present stretch lasts.

        There are none while the source is on its way.
        """
        if self._phases or self._lines is None:
            return Means(np.empty(0), np.empty(0), self._limited)
        latest_ns = min(self._ends_ns, _LATEST_NS) - aperture_ns
        starts_ns = starts_ns[: np.searchsorted(starts_ns, latest_ns, side="right")]
        window = self._windows.get(aperture_ns) or self._window(aperture_ns)
        y = window.many((starts_ns - self.time_ns) / NANOSECONDS - self._fraction_s)
        volts, amperes = self._lines
        voltage, current = volts.slope * y + volts.offset, amperes.slope * y + amperes.offset
        return Means(voltage, current, self._limited)

    @property
    def ends_ns(self) -> int:
        """Until when the present motion lasts."""
        return self._ends_ns

    def motion(self) -> Motion:
        """What the terminals do from the circuit's own time on, until a watcher hears of more."""
        begin = Moment(self.time_ns, self._fraction_s)
        if self._lines is not None:
            return CourseMotion(begin, self._course(), *self._lines, self._limited)
        courses = self._now.courses(self._course(), self._held)
        return DrivenMotion(begin, self._left_s, *courses, self._limited)

    def _put(self, source: Source, begins: Source, phases: tuple[Phase, ...]) -> None:
        """Be before a source, which begins elsewhere where it has a way to go."""
        y = float(self._c @ np.array(self.state))
        self._source, self._phases, self._events = source, phases, 0
        self.stretch = bisect_left(corners_of(source, self.network.d), y)
        self._phase_left_s = phases[0].lasts_s if phases else math.inf
        self._enter(bisect_left(corners_of(begins, self.network.d), y))

    def _enter(self, index: int) -> None:
        """Begin a stretch at the present time, and find out when it will end."""
        self._index, self._limited = index, float(index != self._source.level)
        self._now = self._stretches.at(self._source, index)
        self._anew()
        ends_s, self._side = self._leaves()
        self._ends_ns, self._ends_fraction_s = _NEVER_NS, 0.0
        if ends_s < math.inf:
            ends = Moment(self.time_ns, self._fraction_s).later(ends_s)
            self._ends_ns, self._ends_fraction_s = ends
        for watcher in self.watchers:
            watcher(self.motion())

    def _anew(self) -> None:
        """The present motion is counted from the present time and state on."""
        self._held = self._signal(self._index)
        self._lines: tuple[Line, Line] | None = None
        if not self._held.terms:
            self._lines = self._now.lines(self._held.start)
        self._windows.clear()
        self._present: Course | None = None

    def _window(self, aperture_ns: int) -> Window:
        window = self._course().window(aperture_ns / NANOSECONDS)
        self._windows[aperture_ns] = window
        return window

    def _course(self) -> Course:
        """y from the present time on."""
        if self._present is None:
            flow, drive, state = self._now.flow, self._now.drive, np.array(self.state)
            self._present = flow.course(state, drive, self._held, self.network.c)
        return self._present

    def _signal(self, index: int) -> Course:
        """What a stretch holds (A or V), from the present time on."""
        place, in_voltage = divmod(index, 2)
        if not self._phases:
            source = self._source
            return Course((source.voltages if in_voltage else source.currents)[place])
        phase = self._phases[0]
        signal = (phase.voltages if in_voltage else phase.currents)[place]
        return signal.after(phase.lasts_s - self._phase_left_s) if signal.terms else signal

    def _leaves(self) -> tuple[float, int]:
        """When the present stretch ends (s from the present time), and to which side.

        To neither where the source's way bends.
        """
        index, course, left_s = self._index, self._course(), self._phase_left_s
        low = self._corner(index - 1) if index > 0 else Course(-math.inf)
        high = self._corner(index) if index < 2 * len(self._source.voltages) else Course(math.inf)
        if not (low.terms or high.terms):
            ends_s, side = course.leaves(low.start, high.start, 0.0, min(left_s, HORIZON_S))
        else:
            ends_s, side = math.inf, 0
            least, most = course.span(left_s)
            if most > high.span(left_s)[0]:
                ends_s, side = course.plus(-1.0, high).leaves(-math.inf, 0.0, 0.0, left_s)
            if least < low.span(left_s)[1]:
                below = course.plus(-1.0, low).leaves(0.0, math.inf, 0.0, left_s)
                ends_s, side = min((ends_s, side), below)
        return (ends_s, side) if ends_s < left_s else (left_s, 0)

    def _corner(self, index: int) -> Course:
        """Where control passes between a stretch and the next, as a threshold in y."""
        one, other = self._signal(index), self._signal(index + 1)
        voltage, current = (one, other) if index % 2 == 1 else (other, one)
        return voltage.plus(-self.network.d - self._source.series_resistance, current)

    def _end(self) -> None:
        """Be at the end of the present stretch: control passes there, or the source's way bends."""
        self._events += 1
        assert self._events < _MOST_EVENTS, "control passes to and fro without end"
        index = self._index + self._side
        self._move(self._left_s)
        self.time_ns, self._fraction_s = self._ends_ns, self._ends_fraction_s
        if self._side == 0:
            self._phases = self._phases[1:]
            self._phase_left_s = self._phases[0].lasts_s if self._phases else math.inf
            index = self._after_bend(index)
        if not self._phases and index != self.stretch:
            self.stretch = index
            time_s = self.time_ns / NANOSECONDS + self._fraction_s
            self.changes.append(Change(time_s, index))
        self._enter(index)

    def _after_bend(self, index: int) -> int:
        """The stretch in control where the source's way has just bent: its limits may jump."""
        y = float(self._c @ np.array(self.state))
        corners = [self._corner(k).start for k in range(2 * len(self._source.voltages))]
        lower, upper = [-math.inf, *corners][index], [*corners, math.inf][index]
        room = RESOLVED * max(1.0, abs(y))
        return index if lower - room <= y <= upper + room else bisect_left(corners, y)

    @property
    def _left_s(self) -> float:
        """How long the present stretch lasts (s), from the present time on."""
        fraction_s = self._ends_fraction_s - self._fraction_s
        return (self._ends_ns - self.time_ns) / NANOSECONDS + fraction_s

    def _move(self, duration_s: float) -> None:
        """Let the state move within the stretch."""
        now, state = self._now, np.array(self.state)
        moved = now.flow.moved(state, now.drive, self._held, duration_s)
        self.state = tuple(moved.tolist())
        self._phase_left_s -= duration_s

    def _integrals(self, from_s: float, to_s: float) -> tuple[float, float]:
        """∫ v dt (V·s) and ∫ i dt (A·s) within the present stretch."""
        duration_s = to_s - from_s
        y, held = self._course().after(from_s), self._held.after(from_s)
        if self._lines is not None:
            moved = y.over(duration_s)
            volts, amperes = self._lines
            return (
                volts.slope * moved + volts.offset * duration_s,
                amperes.slope * moved + amperes.offset * duration_s,
            )
        voltage, current = self._now.courses(y, held)
        return voltage.over(duration_s), current.over(duration_s)
