"""Levels that a simulated channel foresees: what each comes to once the source has arrived there.

As if each had been programmed and read in turn, to the bit; where one comes to anything else, what
is foreseen ends before it. Nothing is spent by looking.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from drivers.channel import Block, Levels, Setpoint
from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.approach import Approach, Arrival, Manners, level_of
from drivers.simulated.circuits.circuit import Circuit, Source
from drivers.simulated.circuits.flow import Array
from drivers.simulated.circuits.motion import Moment
from drivers.simulated.circuits.settling import SettlingCircuit
from drivers.simulated.instruments.blocks import Meters

_HALF_NS = 0.5 / NANOSECONDS


class Series:
    """One look ahead over levels of one channel, and what of it is taken."""

    def __init__(self, circuit: Circuit, meters: Meters) -> None:
        self._circuit, self._meters = circuit, meters
        self._setpoints: Sequence[Setpoint] = ()
        self._sources: Sequence[Source] = ()
        self._programmed_ns: list[int] = []
        self._begins_ns: list[int] = []
        self._ends_ns: list[int] = []
        self._answers: list[tuple[float, float]] = []
        self._arrival = Arrival()

    def foresee(
        self,
        setpoints: Sequence[Setpoint],
        sources: Sequence[Source],
        begins_ns: Callable[[int], int],
        now_ns: int,
        aperture_ns: int,
        source: Source,
        manners: Manners,
        known_until_ns: float,
    ) -> None:
        """Work out what levels come to, as long as each is in control by itself.

        `source` is what stands before the part now, `manners` how one gets to the next.
        """
        exact = self._circuit.at_rest if isinstance(self._circuit, SettlingCircuit) else None
        if exact is None:
            return
        self._setpoints, self._sources, self._arrival = setpoints, sources, Arrival(manners)
        solve, answers = exact.solve, self._answers
        for goal in sources:
            _, (voltage, current, limited) = solve(goal)
            begin_ns = begins_ns(now_ns)
            end_ns = begin_ns + aperture_ns
            if limited or end_ns > known_until_ns:
                break
            self._programmed_ns.append(now_ns)
            self._begins_ns.append(begin_ns)
            self._ends_ns.append(end_ns)
            answers.append((voltage, current))
            now_ns = end_ns
        if answers and not self._arrive_in_time(source, exact.terminals, manners):
            answers.clear()

    def _arrive_in_time(
        self, source: Source, terminals: tuple[float, float], manners: Manners
    ) -> bool:
        """Whether the source has arrived at each level before its reading begins."""
        goal = self._sources[0]
        voltage, current = np.array([terminals, *self._answers[:-1]]).T
        inside = np.full(len(voltage), goal.series_resistance - goal.sensed_resistance)
        inside[0] = source.series_resistance - source.sensed_resistance
        starts = voltage + inside * current if goal.level % 2 == 1 else current
        levels = np.array([level_of(s) for s in self._sources[: len(starts)]])
        longest = float(np.abs(levels - starts).max())
        way = Approach(goal, Moment(0), level_of(goal) - longest, manners, False)
        waited = np.array(self._begins_ns) - np.array(self._programmed_ns)
        # The shaved part: the longest way is that of one of them but for rounding.
        needed_ns = math.ceil(way.kinks[1] * NANOSECONDS * (1 + 1e-9))
        return bool(waited.min() > needed_ns) if needed_ns else True

    def levels(self) -> Levels:
        """What was foreseen, as the meters show it."""
        volts, amperes = self._meters
        count = len(self._answers)
        begins_ns = np.array(self._begins_ns[:count], dtype=np.int64)
        ends_ns = np.array(self._ends_ns[:count], dtype=np.int64)
        columns: Array = np.array(self._answers, dtype=float).reshape(-1, 2)
        voltage, current = columns.T.copy()
        if count:
            voltage, volts_shown = volts.show_many(voltage, ends_ns)
            current, amperes_shown = amperes.show_many(current, ends_ns)
            count = min(volts_shown, amperes_shown)
        block = Block(
            ((begins_ns + ends_ns).astype(np.float64) * _HALF_NS)[:count],
            voltage[:count],
            current[:count],
            0.0,
            volts.full_scale,
            amperes.full_scale,
            ends_ns[:count],
        )
        return Levels(np.array(self._programmed_ns[:count], dtype=np.int64), block)

    def take(self, count: int) -> tuple[Setpoint, Source, int]:
        """Take the first `count`: the last setpoint, its source, and when its reading is over."""
        self._meters.voltage.spend(count)
        self._meters.current.spend(count)
        # Of those before only the last but one counts: from there the last one is reached.
        for k in range(max(0, count - 2), count):
            self._circuit.connect(self._sources[k], self._programmed_ns[k], self._arrival)
            self._circuit.mean(self._begins_ns[k], self._ends_ns[k])
        last = count - 1
        return self._setpoints[last], self._sources[last], self._ends_ns[last]
