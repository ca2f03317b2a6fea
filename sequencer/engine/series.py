"""Levels of a sweep taken many at a time, where the channel can look ahead over them.

It does for many levels what programming, waiting and reading do for one, to the same bits, and
stops before the first at which anything else comes: a guard, a condition, a limit that takes
control, a reading that is due in between. That one runs by itself. What is changed in one of the
two ways is changed in the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

import numpy as np

from drivers.clock import NANOSECONDS
from sequencer.engine.ending import Failed
from sequencer.engine.port import LEVEL
from sequencer.engine.setpoints import refuse_beyond_rating
from sequencer.engine.totals import before, first, first_of, running

if TYPE_CHECKING:
    import numpy.typing as npt

    from drivers.channel import LevelForeseeingChannel, Setpoint
    from sequencer.engine.forms import Value
    from sequencer.engine.levels import Readings
    from sequencer.engine.run import Run

    Array = npt.NDArray[np.float64]
    Integers = npt.NDArray[np.int64]

LEAST, MOST = 8, 4096
LONGEST_PAUSE = 256
"""Levels that run by themselves where looking ahead keeps coming to nothing."""


class Series:
    """The levels of one run of a sweep, each in its turn that of the one setpoint.

    `settle_s` is waited after each, or nothing (None).
    """

    def __init__(
        self,
        run: Run,
        readings: Readings,
        line: int,
        setpoint: Setpoint,
        levels: Sequence[float],
        settle_s: float | None,
    ) -> None:
        self._run, self._readings, self._line = run, readings, line
        self._setpoint, self.levels = setpoint, levels
        self._settle_s = settle_s
        self._port = readings.ports[0]
        self._next = 0
        self._pause = 1

    def take(self, k: int) -> int:
        """Take level k and what follows it, as far as that goes; how many."""
        levels = self.levels[k : k + MOST]
        if k < self._next or len(levels) < LEAST or not self._is_possible(levels):
            return 0
        self._run.attend()
        try:
            taken = self._safe(levels)
        except ArithmeticError:
            # One of them divides by zero, or the like: it has to meet that by itself.
            taken = 0
        if taken:
            self._keep(levels[taken - 1], taken)
        if taken < LEAST:
            self._next = k + taken + self._pause
            self._pause = min(2 * self._pause, LONGEST_PAUSE)
        else:
            self._pause = 1
        return taken

    def _is_possible(self, levels: Sequence[float]) -> bool:
        """Whether nothing but the levels themselves can come in between."""
        run, port, readings = self._run, self._port, self._readings
        if (
            len(readings.ports) > 1
            or run.watched != [port]
            or not (port.looks_ahead and hasattr(port.channel, "peek_levels"))
            or port.capturing is not None
            or port.put_many is None
            or port.counters.tallies
            or port.limited
            or any(port.name in condition.unread for condition in port.judge.conditions)
            or not (readings.further is None or readings.further.takes_many)
            or not (readings.until is None or readings.over_columns is not None)
        ):
            return False
        try:
            for level in (min(levels), max(levels)):
                refuse_beyond_rating(port, self._setpoint._replace(level=level))
        except Failed:
            return False
        return True

    def _begins_ns(self, now_ns: Integers) -> Integers:
        """When readings begin after levels that are programmed then: as `wait_until` has it."""
        if self._settle_s is None:
            return now_ns
        start = self._run.start
        moment = now_ns / NANOSECONDS - start + self._settle_s
        begins: Integers = np.rint((start + moment) * NANOSECONDS).astype(np.int64)
        return np.maximum(now_ns, begins)

    def _safe(self, levels: Sequence[float]) -> int:
        """How many levels pass without anything else happening; worked out, and not yet taken."""
        channel = cast("LevelForeseeingChannel", self._port.channel)
        setpoint = self._setpoint._replace(level=levels[0])
        programmed_ns, self._block = channel.peek_levels(setpoint, levels, self._begins_ns)
        count = len(programmed_ns)
        if not count:
            return 0
        start = self._run.start
        self._column: Array = np.array(levels[:count])
        self._programmed: Array = programmed_ns / NANOSECONDS - start
        self._moments: Array = self._block.time - start
        self._ends: Array = self._block.ends_ns / NANOSECONDS - start
        self._power: Array = self._block.voltage * self._block.current
        count = min(count, self._before_due(), self._within())
        if not count:
            return 0
        self._count(count)
        if self._port.signs is not None:
            columns = self._block.voltage[:count], self._block.current[:count]
            seen = (*columns, self._block.limited, self._charge)
            count = first(~self._port.signs.within(*seen, levels=True))
        for condition in self._port.judge.conditions:
            assert condition.over_columns is not None
            memory = self._seen(self._port.guard_base, count)
            holds = condition.over_columns.holds(memory, self._ends[:count])
            count = first_of(np.logical_not(holds), count)
        if count and self._readings.over_columns is not None:
            memory = self._seen(self._port.base, count)
            over = self._readings.over_columns.holds(memory, self._ends[:count])
            count = first_of(over, count)
        return count

    def _before_due(self) -> int:
        """How many levels pass before a reading is due before their own."""
        due = before(self._port.last_time, self._moments) + self._port.interval_s
        if self._settle_s is None:
            return first(due <= self._programmed)
        return first(due < self._programmed + self._settle_s)

    def _within(self) -> int:
        """How many readings are within the ratings."""
        bounds, block = self._port.judge.plain, self._block
        return min(
            first(~((low <= values) & (values <= high)))
            for values, low, high in (
                (block.voltage, bounds.voltage_low, bounds.voltage_high),
                (block.current, bounds.current_low, bounds.current_high),
                (self._power, bounds.power_low, bounds.power_high),
            )
        )

    def _count(self, count: int) -> None:
        """What the counters come to: a reading holds until the next level, and since its own."""
        counters = self._port.counters
        if counters.last is not None:
            moment, current, power = counters.last
        else:
            # Nobody has read what flows now; what was held since a pulse counts from then on.
            moment, (current, power) = counters.uncounted_since, counters.held or (0.0, 0.0)
        held = self._programmed - before(moment, self._moments)
        since = self._moments - self._programmed

        def counted(total: float, flow: Array, flow_before: float) -> Array:
            steps = np.empty(2 * count)
            steps[0::2] = (held * before(flow_before, flow))[:count]
            steps[1::2] = (since * flow)[:count]
            return running(total, steps)[1::2]

        self._charge = counted(counters.charge, self._block.current, current)
        self._energy = counted(counters.energy, self._power, power)
        self._own_charge = self._charge - counters.zero_charge
        self._own_energy = self._energy - counters.zero_energy

    def _seen(self, base: int, count: int) -> list[Value]:
        """The memory with columns where steps, or guards, see this port's readings."""
        memory: list[Value] = [*self._run.memory]
        memory[base : base + 2] = [self._block.voltage[:count], self._block.current[:count]]
        memory[base + 2], memory[base + LEVEL] = self._block.limited, self._column[:count]
        memory[base + 4 : base + 6] = [self._own_charge[:count], self._own_energy[:count]]
        return memory

    def _keep(self, level: float, count: int) -> None:
        """The first `count` levels are taken."""
        port, block, last = self._port, self._block, count - 1
        counters = port.counters
        for condition in port.judge.conditions:
            for comparison in condition.nearest:
                memory = self._seen(port.guard_base, count)
                comparison.look_back(memory, self._ends[:count])
        cast("LevelForeseeingChannel", port.channel).take_levels(count)
        voltage, current = float(block.voltage[last]), float(block.current[last])
        counters.charge, counters.energy = float(self._charge[last]), float(self._energy[last])
        port.last_time = float(self._moments[last])
        counters.last, counters.held = (port.last_time, current, float(self._power[last])), None
        port.setpoint = self._setpoint._replace(level=level)
        port.memory[port.base + LEVEL] = level
        port.show(voltage, current, block.limited)
        if port.judge.conditions:
            counted = float(self._own_charge[last]), float(self._own_energy[last])
            port.judge.held((voltage, current, block.limited, level, *counted))
        self._put_on_record(count)
        port.rejudge()
        if port.signs is not None:
            port.watch_anew(float(self._programmed[last]))
            port.signs.follow(
                self._moments[last:count], block.voltage[last:count], block.current[last:count],
                block.limited, self._charge[last:count],
            )  # fmt: skip
        if self._readings.further is not None:
            self._readings.further.rows(self._moments[:count])

    def _put_on_record(self, count: int) -> None:
        port, block = self._port, self._block
        assert port.put_many is not None
        port.put_many(
            (
                self._moments[:count],
                block.voltage[:count],
                block.current[:count],
                block.limited,
                self._column[:count],
                block.voltage_range,
                block.current_range,
                self._charge[:count],
                self._energy[:count],
                float(self._readings.trace),
                float(self._line),
            ),
            count,
        )
