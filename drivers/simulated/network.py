"""A circuit around a linear part that stores: moved by exact exponentials, read from tables.

The circuit knows at any moment when control will next pass from one stretch of the source's
staircase to another. A reading that is complete before that is one row of a table applied to the
state; only what crosses a corner is worked out piece by piece.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable
from typing import Any

import numpy as np

from drivers.clock import NANOSECONDS
from drivers.simulated.circuit import OPEN, Change, Source, Watcher, corners_of
from drivers.simulated.course import Course
from drivers.simulated.flow import Array, Flow
from drivers.simulated.motion import Line, Moment, Motion
from drivers.simulated.parts.base import Network

_MOST_ROWS = 128
_MOST_STRETCHES = 64
_NEVER_NS = 1 << 100

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
        self.rows: dict[tuple[int, int], tuple[float, ...]] = {}
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
    """A linear part that stores, moved by exact exponentials."""

    def __init__(self, network: Network) -> None:
        self.network = network
        self.changes: list[Change] = []
        self.watchers: list[Watcher] = []
        self.time_ns = 0
        self.state = tuple(network.initial)
        self._a, self._b = np.array(network.a), np.array(network.b)
        self._c, self._storage = np.array(network.c), np.array(network.storage)
        self._flows: dict[float | None, Flow] = {}
        self._stretches: dict[tuple[Source, int], _Stretch] = {}
        self._respond = unrolled(len(network.b))
        self.connect(OPEN, 0)

    def connect(self, source: Source, at_ns: int) -> None:
        """Put another source before the part at that time."""
        self.advance(at_ns)
        self._source = source
        y = float(self._c @ np.array(self.state))
        self._enter(bisect_left(corners_of(source, self.network.d), y), 0.0)

    def advance(self, to_ns: int) -> None:
        """Let the time up to then pass; control changes on the way at its exact times."""
        if to_ns > self.time_ns:
            self._integrate(to_ns)

    def look(self, now_ns: int) -> None:
        """As `advance`, but only where control has changed: else the next gap stays a known one."""
        if self._ends_ns < now_ns:
            self._integrate(now_ns)

    def mean(self, start_ns: int, end_ns: int) -> tuple[float, float, float]:
        """Mean voltage (V), mean current (A), 1.0 where the level wasn't in control throughout.

        A window that the present stretch outlasts is answered from a table of affine rows, one for
        each pair of gap and aperture; equal waits meet the same row to the bit.
        """
        if end_ns <= self._ends_ns:
            key = (start_ns - self.time_ns, end_ns - start_ns)
            row = self._rows.get(key)
            if row is None:
                row = self._tabulate(*key)
            self.state, voltage, current = self._respond(row, self.state)
            self.time_ns = end_ns
            return voltage, current, self._limited
        self.advance(start_ns)
        limited = self._limited
        before = len(self.changes)
        voltage, current = self._integrate(end_ns)
        if len(self.changes) > before:
            limited = 1.0
        duration_s = (end_ns - start_ns) / NANOSECONDS
        return voltage / duration_s, current / duration_s, limited

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
        self._rows, self._limited = stretch.rows, stretch.limited
        self._fraction_s = fraction_s
        leaves_s, self._side = self._course().leaves(stretch.low, stretch.high)
        self._set_end(leaves_s)
        for watcher in self.watchers:
            watcher(self.motion())

    def _course(self) -> Course:
        stretch = self._now
        return stretch.flow.course(np.array(self.state), stretch.drive, self.network.c)

    def motion(self) -> Motion:
        """What the terminals do from the circuit's own time on, until a watcher hears of more."""
        moment, stretch = Moment(self.time_ns, self._fraction_s), self._now
        return Motion(moment, self._course(), *stretch.lines, stretch.limited)

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
        (rows, constant), (current_rows, current_constant) = stretch.voltage, stretch.current
        return (
            voltage + float(rows @ integral) + constant * duration_s,
            current + float(current_rows @ integral) + current_constant * duration_s,
        )

    def _tabulate(self, gap_ns: int, aperture_ns: int) -> tuple[float, ...]:
        """The row for a gap and an aperture: end state, mean voltage and mean current from x."""
        assert gap_ns >= 0, "time ran back"
        stretch = self._now
        matrix, drive = stretch.flow.matrix, stretch.drive
        identity = np.eye(len(drive))
        aperture_s = aperture_ns / NANOSECONDS
        gap, _ = stretch.flow.over(gap_ns / NANOSECONDS)
        moved, _ = stretch.flow.over((gap_ns + aperture_ns) / NANOSECONDS)
        _, summed = stretch.flow.over(aperture_s)
        begin, begin_drive = identity + gap @ matrix, gap @ drive
        mean = identity + summed @ matrix / aperture_s
        mean_drive = mean @ begin_drive + summed @ drive / aperture_s
        mean = mean @ begin
        end, end_drive = identity + moved @ matrix, moved @ drive
        row: list[float] = []
        for k in range(len(drive)):
            row += [*end[k].tolist(), float(end_drive[k])]
        for weights, constant in (stretch.voltage, stretch.current):
            row += [*(weights @ mean).tolist(), float(weights @ mean_drive) + constant]
        if len(self._rows) >= _MOST_ROWS:
            self._rows.clear()
        self._rows[gap_ns, aperture_ns] = tuple(row)
        return tuple(row)


Respond = Callable[[tuple[float, ...], tuple[float, ...]], tuple[tuple[float, ...], float, float]]


def unrolled(size: int) -> Respond:
    """A function that applies a row to a state of that size: (next state, voltage, current).

    It is written out term by term, because this is the inner loop of every dry run: a loop over
    two terms costs five times as much as the terms.
    """
    states = [f"x{k}" for k in range(size)]
    outputs = size + 2
    names = [f"r{j}_{k}" for j in range(outputs) for k in range(size + 1)]
    sums = [
        " + ".join([f"r{j}_{k} * {states[k]}" for k in range(size)] + [f"r{j}_{size}"])
        for j in range(outputs)
    ]
    text = (
        "def respond(row, state):\n"
        f"    {', '.join(names)} = row\n"
        f"    {', '.join(states)}, = state\n"
        f"    return ({', '.join(sums[:size])},), {sums[size]}, {sums[size + 1]}\n"
    )
    namespace: dict[str, Any] = {}
    exec(text, namespace)  # noqa: S102 -- the text holds no word from outside this function
    respond: Respond = namespace["respond"]
    return respond
