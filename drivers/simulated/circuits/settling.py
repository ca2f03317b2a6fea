"""A part without memory, whose source takes its time to where it is told to be.

As long as the source is as ideal as its staircase, its circuit is solved once. On the source's way
the same part is followed as one that moves with time, and only where that matters.
"""

from __future__ import annotations

import math

from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.approach import AT_ONCE, Approach, Arrival, approach
from drivers.simulated.circuits.circuit import (
    OPEN,
    Change,
    Happening,
    Means,
    Source,
    Watcher,
)
from drivers.simulated.circuits.dynamic import Dynamics
from drivers.simulated.circuits.dynamic_port import DynamicPort
from drivers.simulated.circuits.flow import Integers
from drivers.simulated.circuits.motion import Moment, Motion
from drivers.simulated.circuits.operating import operate
from drivers.simulated.circuits.over_way import over_way
from drivers.simulated.circuits.static import StaticCircuit
from drivers.simulated.parts.base import Static
from drivers.simulated.parts.stateless import Stateless


class SettlingCircuit:
    """See `Circuit` for what its methods give.

    Control is a matter of where the source is going: who is in control on the way there isn't told.
    """

    def __init__(self, part: Static) -> None:
        self._exact = StaticCircuit(part)
        self._part = part
        self.changes: list[Change] = self._exact.changes
        self.watchers: list[Watcher] = self._exact.watchers
        self.happened: list[Happening] = []
        self._source = OPEN
        self._expected = 0
        # The source's way, until it is there (ns); it is followed only where that matters.
        self._way: Approach | None = None
        self._port: DynamicPort | None = None
        self._there_ns = 0

    @property
    def stretch(self) -> int:
        """Who is in control, or will be where the source is going."""
        return self._exact.stretch if self._way is None else self._expected

    def connect(self, source: Source, at_ns: int, arrival: Arrival = AT_ONCE) -> None:
        """Put another source before the part at that time."""
        self.advance(at_ns)
        now, before = Moment(at_ns), self._source
        motion = self.motion()
        since_s = now.since(motion.begin)
        current = motion.value("current", since_s)
        inside = before.series_resistance - before.sensed_resistance
        way = approach(
            source, now, arrival, motion.value("voltage", since_s) + inside * current, current
        )
        self._leave(at_ns)
        self._source = source
        if isinstance(way, Source):
            self._exact.connect(source, at_ns)
            return
        self._way, self._there_ns = way, at_ns + math.ceil(way.kinks[-1] * NANOSECONDS)
        self._expected = operate(self._part, source)
        if self.watchers:
            self._follow()

    def rest(self, source: Source, at_ns: int) -> None:
        """Be where another source has arrived at that time, with the level in control."""
        self._leave(at_ns)
        self._source = source
        self._exact.connect(source, at_ns)

    def advance(self, to_ns: int) -> None:
        """Let the time up to then pass."""
        if self._way is not None and to_ns >= self._there_ns:
            self._arrive()
        if self._way is None:
            self._exact.advance(to_ns)
        elif self._port is not None:
            self._port.advance(to_ns)

    def look(self, now_ns: int) -> None:
        """As `advance`, but only where control has changed on the way."""
        if self._way is None:
            self._exact.look(now_ns)
        else:
            self.advance(now_ns)

    @property
    def at_rest(self) -> StaticCircuit | None:
        """The circuit, where the source has arrived."""
        return self._exact if self._way is None else None

    @property
    def ends_ns(self) -> int:
        """Until when the present motion lasts."""
        return self._exact.ends_ns if self._way is None else self._follow().ends_ns

    def motion(self) -> Motion:
        """What the terminals do at present."""
        return self._exact.motion() if self._way is None else self._follow().motion()

    def mean(self, start_ns: int, end_ns: int) -> tuple[float, float, float]:
        """Mean voltage (V), mean current (A), 1.0 where the level wasn't in control throughout."""
        there_ns = self._there_ns
        if self._way is not None and start_ns >= there_ns:
            self._arrive()
        if self._way is None:
            return self._exact.mean(start_ns, end_ns)
        duration_s = (end_ns - start_ns) / NANOSECONDS
        from_s, to_s = (
            Moment(ns).since(self._way.begin) for ns in (start_ns, min(end_ns, there_ns))
        )
        voltage, current, limited = over_way(self._part, self._way, from_s, to_s, duration_s)
        voltage, current = voltage / duration_s, current / duration_s
        if end_ns > there_ns:
            self._arrive()
            rest = self._exact.mean(there_ns, end_ns)
            share = (end_ns - there_ns) / (end_ns - start_ns)
            voltage, current = voltage + share * rest[0], current + share * rest[1]
            limited = max(limited, rest[2])
        return voltage, current, limited

    def means(self, starts_ns: Integers, aperture_ns: int) -> Means:
        """The means of the next windows; none while the source is on its way."""
        if self._way is not None:
            starts_ns = starts_ns[:0]
        return self._exact.means(starts_ns, aperture_ns)

    def _follow(self) -> DynamicPort:
        """The part under the source on its way."""
        if self._port is None:
            assert self._way is not None
            part = Stateless(lambda _: self._part)
            dynamics = Dynamics(part, begin=self._way.begin, sources=[self._way])
            (self._port,) = dynamics.ports
            self._port.watchers = self.watchers
            for watcher in self.watchers:
                watcher(self._port.motion())
        return self._port

    def _arrive(self) -> None:
        """The source is there: its way is over."""
        there_ns = self._there_ns
        self._leave(there_ns)
        self._exact.connect(self._source, there_ns)
        if self._exact.stretch != self._expected:
            self.changes.append(Change(there_ns / NANOSECONDS, self._exact.stretch))

    def _leave(self, at_ns: int) -> None:
        """The exact circuit has the part again."""
        port, self._port, self._way = self._port, None, None
        if port is not None:
            port.advance(at_ns)
