"""A circuit around a linear part that stores: moved and read by exact exponentials.

The circuit knows at any moment when control will next pass from one stretch of the source's
staircase to another. A reading that is complete before that follows in closed form from where the
stretch began; only what crosses a corner is worked out piece by piece.
"""

from __future__ import annotations

import math
from bisect import bisect_left

import numpy as np

from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.circuit import (
    OPEN,
    Change,
    Happening,
    Means,
    Source,
    Watcher,
    corners_of,
)
from drivers.simulated.circuits.course import Course, Window
from drivers.simulated.circuits.flow import Array, Flow, Integers
from drivers.simulated.circuits.motion import CourseMotion, Line, Moment, Motion
from drivers.simulated.parts.base import Network, Vector

_MOST_STRETCHES = 64
_NEVER_NS = 1 << 100
_LATEST_NS = 1 << 62

# Currents are continuous across a corner, so control passes a handful of times between two
# programmings, a few for each state.
_MOST_CHANGES = 1000


class _Stretch:
    """One stretch of a staircase on a network: its motion and its answers."""

    def __init__(self, network: Network, source: Source, index: int, flow: Flow) -> None:
        size = len(network.b)
        self.index = index
        self.limited = float(index != source.level)
        self.flow = flow
        b, c = np.array(network.b), np.array(network.c)
        total = network.d + source.series_resistance
        seen = network.d + source.sensed_resistance
        if index % 2 == 0:
            current = source.currents[index // 2]
            self.drive: Array = b * current
            self.current: tuple[Array, float] = (np.zeros(size), current)
            self.voltage: tuple[Array, float] = (c, seen * current)
            self.lines = Line(1.0, seen * current), Line(0.0, current)
        else:
            voltage = source.voltages[index // 2]
            share = seen / total
            self.drive = b * (voltage / total)
            self.current = (-c / total, voltage / total)
            self.voltage = (c * (1 - share), voltage * share)
            self.lines = Line(1 - share, voltage * share), Line(-1 / total, voltage / total)
        corners = corners_of(source, network.d)
        self.low = corners[index - 1] if index > 0 else -math.inf
        self.high = corners[index] if index < len(corners) else math.inf


class NetworkCircuit:
    """A linear part that stores, moved by exact exponentials.

    `time_ns` and `state` are those from which the present motion is counted: where the source or
    the stretch last changed.
    """

    def __init__(self, network: Network) -> None:
        self.network = network
        self.changes: list[Change] = []
        self.happened: list[Happening] = []
        self.watchers: list[Watcher] = []
        self.time_ns = 0
        self.state = tuple(network.initial)
        self._a, self._b = np.array(network.a), np.array(network.b)
        self._c, self._storage = np.array(network.c), np.array(network.storage)
        self._flows: dict[float | None, Flow] = {}
        self._stretches: dict[tuple[Source, int], _Stretch] = {}
        self._windows: dict[int, Window] = {}
        self.connect(OPEN, 0)

    def connect(self, source: Source, at_ns: int) -> None:
        """Put another source before the part at that time."""
        self.advance(at_ns)
        self._source = source
        y = float(self._c @ np.array(self.state))
        self._enter(bisect_left(corners_of(source, self.network.d), y), 0.0)

    def restart(self, at_ns: int, state: Vector) -> None:
        """Take a time and a state from elsewhere, to be connected there anew."""
        self.time_ns, self.state, self._fraction_s = at_ns, state, 0.0

    def advance(self, to_ns: int) -> None:
        """Let the time up to then pass; control changes on the way at its exact times."""
        if to_ns > self.time_ns:
            self._integrate(to_ns)

    def look(self, now_ns: int) -> None:
        """As `advance`, but only where control has changed."""
        if self._ends_ns < now_ns:
            self._integrate(now_ns)

    def mean(self, start_ns: int, end_ns: int) -> tuple[float, float, float]:
        """Mean voltage (V), mean current (A), 1.0 where the level wasn't in control throughout.

        A window that the present stretch outlasts moves nothing, and takes one term an exponential.
        """
        if end_ns <= self._ends_ns:
            aperture_ns = end_ns - start_ns
            window = self._windows.get(aperture_ns) or self._window(aperture_ns)
            y = window.at((start_ns - self.time_ns) / NANOSECONDS - self._fraction_s)
            volts, amperes = self._now.lines
            return volts.slope * y + volts.offset, amperes.slope * y + amperes.offset, self._limited
        self.advance(start_ns)
        limited = self._limited
        before = len(self.changes)
        voltage, current = self._integrate(end_ns)
        if len(self.changes) > before:
            limited = 1.0
        duration_s = (end_ns - start_ns) / NANOSECONDS
        return voltage / duration_s, current / duration_s, limited

    def means(self, starts_ns: Integers, aperture_ns: int) -> Means:
        """The means of windows to come, as far as the present stretch lasts."""
        latest_ns = min(self._ends_ns, _LATEST_NS) - aperture_ns
        starts_ns = starts_ns[: np.searchsorted(starts_ns, latest_ns, side="right")]
        window = self._windows.get(aperture_ns) or self._window(aperture_ns)
        y = window.many((starts_ns - self.time_ns) / NANOSECONDS - self._fraction_s)
        volts, amperes = self._now.lines
        voltage, current = volts.slope * y + volts.offset, amperes.slope * y + amperes.offset
        return Means(voltage, current, self._limited)

    def _window(self, aperture_ns: int) -> Window:
        window = self._course().window(aperture_ns / NANOSECONDS)
        self._windows[aperture_ns] = window
        return window

    def _enter(self, index: int, fraction_s: float) -> None:
        """Begin a stretch `fraction_s` after `time_ns`, and find out when it will end."""
        key = (self._source, index)
        stretch = self._stretches.get(key)
        if stretch is None:
            if len(self._stretches) >= _MOST_STRETCHES:
                self._stretches.clear()
            stretch = _Stretch(self.network, self._source, index, self._flow(index))
            self._stretches[key] = stretch
        self.stretch, self._now = index, stretch
        self._limited, self._fraction_s = stretch.limited, fraction_s
        self._windows.clear()
        leaves_s, self._side = self._course().leaves(stretch.low, stretch.high)
        self._set_end(leaves_s)
        for watcher in self.watchers:
            watcher(self.motion())

    def _course(self) -> Course:
        stretch = self._now
        return stretch.flow.course(np.array(self.state), stretch.drive, self.network.c)

    @property
    def ends_ns(self) -> int:
        """When control passes by itself."""
        return self._ends_ns

    def motion(self) -> Motion:
        """What the terminals do from the circuit's own time on, until a watcher hears of more."""
        moment, stretch = Moment(self.time_ns, self._fraction_s), self._now
        return CourseMotion(moment, self._course(), *stretch.lines, stretch.limited)

    def _set_end(self, leaves_s: float) -> None:
        """The end of the stretch as whole nanoseconds and the rest (s), from its begin."""
        if math.isinf(leaves_s):
            self._ends_ns, self._ends_fraction_s = _NEVER_NS, 0.0
            return
        whole = math.floor(leaves_s)
        rest = leaves_s - whole + self._fraction_s
        nanoseconds = math.floor(rest * NANOSECONDS)
        self._ends_ns = self.time_ns + whole * NANOSECONDS + nanoseconds
        self._ends_fraction_s = rest - nanoseconds / NANOSECONDS

    def _flow(self, index: int) -> Flow:
        """The motion under current control (None) or voltage control at a resistance (ohm)."""
        total = None
        if index % 2 == 1:
            total = self.network.d + self._source.series_resistance
        if total not in self._flows:
            matrix = self._a
            if total is not None:
                matrix = matrix - np.outer(self._b, self._c) / total
            self._flows[total] = Flow(matrix, self._storage)
        return self._flows[total]

    def _integrate(self, end_ns: int) -> tuple[float, float]:
        """Move to `end_ns` over whatever changes; the integrals of voltage and current."""
        voltage = current = 0.0
        most = len(self.changes) + _MOST_CHANGES
        while self._ends_ns < end_ns:
            assert len(self.changes) < most, "control passes to and fro without end"
            duration_s = (self._ends_ns - self.time_ns) / NANOSECONDS
            duration_s += self._ends_fraction_s - self._fraction_s
            voltage, current = self._move(duration_s, voltage, current)
            self.time_ns = self._ends_ns
            time_s = self.time_ns / NANOSECONDS + self._ends_fraction_s
            self.changes.append(Change(time_s, self.stretch + self._side))
            self._enter(self.stretch + self._side, self._ends_fraction_s)
        duration_s = (end_ns - self.time_ns) / NANOSECONDS - self._fraction_s
        voltage, current = self._move(duration_s, voltage, current)
        self.time_ns, self._fraction_s = end_ns, 0.0
        return voltage, current

    def _move(self, duration_s: float, voltage: float, current: float) -> tuple[float, float]:
        """Move the state within the stretch and add to the integrals of voltage and current."""
        stretch, state = self._now, np.array(self.state)
        moved, summed = stretch.flow.over(duration_s)
        rate = stretch.flow.matrix @ state + stretch.drive
        integral = state * duration_s + summed @ rate
        self.state = tuple((state + moved @ rate).tolist())
        self._windows.clear()
        (rows, constant), (current_rows, current_constant) = stretch.voltage, stretch.current
        return (
            voltage + float(rows @ integral) + constant * duration_s,
            current + float(current_rows @ integral) + current_constant * duration_s,
        )
