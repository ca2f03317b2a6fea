"""A circuit around a part without memory: its load line is solved once for each source."""

from __future__ import annotations

import numpy as np

from drivers.simulated.circuits.circuit import (
    NEVER_NS,
    OPEN,
    Change,
    Happening,
    Means,
    Source,
    Watcher,
)
from drivers.simulated.circuits.course import Course
from drivers.simulated.circuits.flow import Array, Integers
from drivers.simulated.circuits.motion import CourseMotion, Line, Moment, Motion
from drivers.simulated.circuits.operating import currents_through
from drivers.simulated.parts.base import Static


class StaticCircuit:
    """A part without memory: the load line is solved once for each source."""

    def __init__(self, part: Static) -> None:
        self._part = part
        self.changes: list[Change] = []
        self.happened: list[Happening] = []
        self.watchers: list[Watcher] = []
        self.connect(OPEN, 0)

    def connect(self, source: Source, at_ns: int) -> None:
        """Put another source before the part."""
        self.stretch, self._answer = self.solve(source)
        self._since_ns = at_ns
        for watcher in self.watchers:
            watcher(self.motion())

    @property
    def terminals(self) -> tuple[float, float]:
        """Voltage (V) and current (A) at present."""
        return self._answer[:2]

    def solve(self, source: Source) -> tuple[int, tuple[float, float, float]]:
        """Who is in control at a source, and voltage, current, whether limited; connects nothing.

        On a corner of the staircase the level wins.
        """
        currents, level = source.currents, source.level
        current, stretch = currents[0], 0
        for j, voltage in enumerate(source.voltages):
            held = self._part.current_through(voltage, source.series_resistance)
            if held > current or (held == current and level == 2 * j):
                break
            below = currents[j + 1]
            if held > below or (held == below and level != 2 * j + 2):
                current, stretch = held, 2 * j + 1
                break
            current, stretch = below, 2 * j + 2
        voltage = self._voltage(source, current, stretch)
        return stretch, (voltage, current, float(stretch != level))

    def solve_levels(
        self, source: Source, levels: Array, limits: tuple[Array | float, Array | float]
    ) -> tuple[Array, Array]:
        """Voltages and currents as `solve` has them with these levels (V or A) in `source`.

        They end before the first at which the level isn't in control. `limits` are the lowest and
        the highest current (A) beside each level where that is a voltage.
        """
        part, place, series = self._part, source.level // 2, source.series_resistance
        if source.level % 2 == 1:
            low, high = limits
            currents = currents_through(part, levels, series)
            voltages = levels - (series - source.sensed_resistance) * currents
        else:
            low, high = currents_through(
                part, np.array(source.voltages[place - 1 : place + 1]), series
            )
            currents = levels
            own: Array = np.array([part.voltage_at(current) for current in levels.tolist()])
            voltages = own + source.sensed_resistance * currents
        holds = (low <= currents) & (currents <= high)
        count = len(levels) if holds.all() else int(holds.argmin())
        return voltages[:count], currents[:count]

    @property
    def ends_ns(self) -> int:
        """It never ends by itself."""
        return NEVER_NS

    def motion(self) -> Motion:
        """The terminals stand still until another source is connected."""
        voltage, current, limited = self._answer
        begin, still = Moment(self._since_ns), Course(0.0)
        return CourseMotion(begin, still, Line(0.0, voltage), Line(0.0, current), limited)

    def _voltage(self, source: Source, current: float, stretch: int) -> float:
        if stretch % 2 == 1:
            inside = source.series_resistance - source.sensed_resistance
            return source.voltages[stretch // 2] - inside * current
        return self._part.voltage_at(current) + source.sensed_resistance * current

    def advance(self, to_ns: int) -> None:
        """Nothing moves in it."""

    def look(self, now_ns: int) -> None:
        """Nothing changes in it."""

    def mean(self, start_ns: int, end_ns: int) -> tuple[float, float, float]:
        """Mean voltage, mean current, whether limited: constant between two sources."""
        return self._answer

    def means(self, starts_ns: Integers, aperture_ns: int) -> Means:
        """The same for every window."""
        voltage, current, limited = self._answer
        count = len(starts_ns)
        return Means(np.full(count, voltage), np.full(count, current), limited)
