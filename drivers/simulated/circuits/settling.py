"""A part without memory, whose source takes its time to where it is told to be.

As long as the source is as ideal as its staircase, its circuit is solved once. On the source's way
the same part is followed as one that moves with time, and only where that matters.
"""

from __future__ import annotations

import math

import numpy as np

from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.approach import AT_ONCE, Approach, Arrival, Phase, approach
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
from drivers.simulated.circuits.flow import Array, Integers
from drivers.simulated.circuits.motion import Moment, Motion
from drivers.simulated.circuits.operating import at_terminals_if_any, operate
from drivers.simulated.circuits.piece import curve_of, fit
from drivers.simulated.circuits.static import StaticCircuit
from drivers.simulated.parts.base import Static
from drivers.simulated.parts.stateless import Stateless

_RESOLVED = 1e-10
"""What a mean may be off by, as a share of its largest value."""
_GAUSS = tuple(column.tolist() for column in np.polynomial.legendre.leggauss(12))


def _steep(count: int, step: float) -> list[tuple[float, float]]:
    """Places within [0, 1] and weights of a rule for functions that are steep at the ends.

    The double exponential rule (Takahasi and Mori, Publ. RIMS 9 (1974) 721, from memory): every
    other one of its places is a rule of twice the step.
    """
    found = []
    for k in range(-count, count + 1):
        inner = math.pi / 2 * math.sinh(k * step)
        weight = step * math.pi / 4 * math.cosh(k * step) / math.cosh(inner) ** 2
        found.append((1 / (1 + math.exp(-2 * inner)), weight))
    return found


_STEEP = _steep(12, 0.25)


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
        on_way_ns = min(end_ns, there_ns)
        duration_s = (end_ns - start_ns) / NANOSECONDS
        voltage, current, limited = self._over_way(start_ns, on_way_ns, duration_s)
        voltage, current = voltage / duration_s, current / duration_s
        if end_ns > there_ns:
            self._arrive()
            rest = self._exact.mean(there_ns, end_ns)
            share = (end_ns - there_ns) / (end_ns - start_ns)
            voltage, current = voltage + share * rest[0], current + share * rest[1]
            limited = max(limited, rest[2])
        return voltage, current, limited

    def _over_way(self, start_ns: int, end_ns: int, window_s: float) -> tuple[float, float, float]:
        """∫ v dt (V·s), ∫ i dt (A·s) on the source's way, and whether a limit had control on it.

        `window_s` is how long the whole window is whose mean they are for.
        """
        way = self._way
        assert way is not None
        from_s, to_s = (Moment(ns).since(way.begin) for ns in (start_ns, end_ns))
        total, limited = np.zeros(2), 0.0
        for phase in way.phases:
            left_s = max(from_s, phase.begin_s)
            # The way is over at the first whole nanosecond after its end.
            right_s = to_s if phase is way.phases[-1] else min(to_s, phase.end_s)
            if right_s > left_s:
                more, here = self._over_phase(way, phase, left_s, right_s, window_s)
                total, limited = total + more, max(limited, here)
        return float(total[0]), float(total[1]), limited

    def _over_phase(
        self, way: Approach, phase: Phase, left_s: float, right_s: float, window_s: float
    ) -> tuple[Array, float]:
        """The same within one phase."""
        stretches: set[int] = set()

        def seen(time_s: float) -> Array:
            source = way.at(time_s)
            stretch = operate(self._part, source)
            stretches.add(stretch)
            at = at_terminals_if_any(self._part, source, stretch)
            return np.array([at.seen, at.current])

        def by_limit() -> float:
            return float(stretches != {way.goal.level})

        right, lasts_s = seen(right_s), right_s - left_s
        (stretch,) = stretches
        seen(left_s)
        terms = (phase.voltages if stretch % 2 == 1 else phase.currents)[stretch // 2].terms
        if stretches == {stretch} and not terms:
            # What is in control stands still, and all else moves one way.
            return right * lasts_s, by_limit()
        if stretches == {stretch} and len(terms) == 1 and terms[0][0] < 0:
            # It fades by x = exp(rate·t), and ∫ f dt = f_1·t + ∫ (f − f_1)/(−rate·x) dx.
            rate = terms[0][0]
            least = math.exp(rate * lasts_s)
            half = (1.0 - least) / 2
            total = right * lasts_s
            for node, weight in zip(*_GAUSS, strict=True):
                x = least + half * (1 + node)
                here = seen(left_s + math.log(x) / rate)
                total = total + (here - right) * (half * weight / (-rate * x))
            if stretches == {stretch}:
                return total, by_limit()
        if stretches == {stretch}:
            parts = [
                seen(left_s + place * lasts_s) * (weight * lasts_s) for place, weight in _STEEP
            ]
            fine, coarse = np.sum(parts, axis=0), 2 * np.sum(parts[::2], axis=0)
            enough = _RESOLVED * window_s * np.maximum(np.abs(right), np.abs(fine) / lasts_s)
            if stretches == {stretch} and (np.abs(fine - coarse) <= enough).all():
                return fine, by_limit()
        total = np.zeros(2)
        for begin_s, end_s, values in fit(seen, left_s, right_s, window_s):
            means = [curve_of(values[:, k]).mean(0.0, 1.0) for k in (0, 1)]
            total += np.array(means) * (end_s - begin_s)
        return total, by_limit()

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
