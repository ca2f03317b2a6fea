"""One port's share in a block of ticks: what it would read, how far that goes, and keeping it.

It does for many readings what `Port.measure` does for one, and stops before the first that has any
consequence: that one the port takes by itself, and meets it.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import TYPE_CHECKING, cast

import numpy as np

from drivers.clock import NANOSECONDS
from sequencer.engine.port import LEVEL, LONGEST_BLIND_S
from sequencer.engine.totals import Totals, first, first_of

if TYPE_CHECKING:
    import numpy.typing as npt

    from drivers.channel import Block, PrefetchingChannel
    from sequencer.engine.forms import Value
    from sequencer.engine.port import Port
    from sequencer.engine.steps import Measure

    Array = npt.NDArray[np.float64]
    Integers = npt.NDArray[np.int64]


class Share:
    """A port that a step of the loop's body measures once a tick."""

    def __init__(self, port: Port, step: Measure) -> None:
        self.port, self.step = port, step
        self._channel = cast("PrefetchingChannel", port.channel)

    def peek(self, begins_ns: Integers) -> Integers:
        """Look at the readings that begin then; when each is complete, as many as there are."""
        self._begins_ns = begins_ns
        self._block: Block = self._channel.peek_many(begins_ns)
        return self._block.ends_ns

    def begins(self, count: int) -> Array:
        """When each reading begins (s from the run's start)."""
        return self._begins_ns[:count] / NANOSECONDS - self.port.start

    def work_out(self, count: int) -> int:
        """Work out what the first `count` readings come to; how many have no consequence."""
        port, block = self.port, self._block
        if block.limited != port.limited:
            return 0
        bounds = port.judge.plain
        voltage, current = block.voltage[:count], block.current[:count]
        power = voltage * current
        for values, low, high in (
            (voltage, bounds.voltage_low, bounds.voltage_high),
            (current, bounds.current_low, bounds.current_high),
            (power, bounds.power_low, bounds.power_high),
        ):
            if not (low <= values.min() and values.max() <= high):
                # What is no number is within nothing.
                count = min(count, first(~((low <= values) & (values <= high))))
        if not count:
            return 0
        self.moments = block.time[:count] - port.start
        self.voltage, self.current = voltage[:count], current[:count]
        counters = port.counters
        self._totals: Totals | None = None
        if port.on:
            self._totals = Totals(counters, self.moments, self.current, power[:count])
            charge, energy = self._totals.charge, self._totals.energy
            count = self._totals.safe
        else:
            charge, energy = np.full(count, counters.charge), np.full(count, counters.energy)
        if port.signs is not None:
            columns = self.voltage[:count], self.current[:count], block.limited, charge[:count]
            count = first(~port.signs.within(*columns))
        self._charge, self._energy = charge, energy
        self._counted = charge - counters.zero_charge, energy - counters.zero_energy
        return count

    def due(self, count: int) -> Array:
        """When the next reading is due at each tick, before and after this port's reading (s)."""
        due = np.empty(count + 1)
        due[0], due[1:] = self.port.next_due, self.moments[:count] + self.port.interval_s
        return due

    def ends(self, count: int) -> Array:
        """When each reading is complete (s from the run's start)."""
        return self._block.ends_ns[:count] / NANOSECONDS - self.port.start

    def show(self, memory: list[Value], count: int) -> None:
        """Put columns where a step sees this port's readings."""
        base, (charge, energy) = self.port.base, self._counted
        memory[base : base + 3] = [self.voltage[:count], self.current[:count], self._block.limited]
        memory[base + 4 : base + 6] = [charge[:count], energy[:count]]

    def show_guards(self, memory: list[Value], count: int, before: bool) -> None:
        """Put columns where guards see them; of the tick before where its turn is yet to come."""
        port = self.port
        if not port.judge.conditions:
            return
        base, (charge, energy) = port.guard_base, self._counted
        for place, column in (
            (base, self.voltage),
            (base + 1, self.current),
            (base + 4, charge),
            (base + 5, energy),
        ):
            seen = column[:count]
            if before:
                seen = np.concatenate(([port.memory[place]], seen[:-1]))
            memory[place] = seen
        if not before:
            memory[base + 2], memory[base + LEVEL] = self._block.limited, port.memory[port.base + 3]

    def guards_hold(self, memory: list[Value], count: int) -> int:
        """For how many readings the recipe's guards hold. Raises ArithmeticError."""
        held_for, ends = count, self.ends(count)
        for condition in self.port.judge.conditions:
            if not condition.unread:
                assert condition.over_columns is not None
                broken = np.logical_not(condition.over_columns.holds(memory, ends))
                held_for = min(held_for, first_of(broken, count))
        return held_for

    def follow_guards(self, memory: list[Value], count: int) -> None:
        """Let the recipe's guards note how near they came, at the first `count` readings."""
        ends = self.ends(count)
        for condition in self.port.judge.conditions:
            if not condition.unread:
                for comparison in condition.nearest:
                    comparison.look_back(memory, ends)

    def keep(self, count: int) -> None:
        """The first `count` readings are taken."""
        port, last = self.port, count - 1
        self._channel.take(count)
        moments = self.moments[:count]
        if self._totals is not None:
            self._totals.keep(count)
        if port.signs is not None:
            limited = self._block.limited
            port.signs.follow(moments, self.voltage, self.current, limited, self._charge)
        port.last_time = float(moments[last])
        port.next_due = port.last_time + port.interval_s
        self._put_on_record(moments, count)
        memory, base, limited = port.memory, port.base, self._block.limited
        seen = float(self.voltage[last]), float(self.current[last]), limited
        counted = [float(column[last]) for column in self._counted]
        memory[base : base + 3] = seen
        memory[base + 4 : base + 6] = counted
        if port.judge.conditions:
            port.judge.held((*seen, memory[base + LEVEL], *counted))
        self._pass_polls(moments)

    def _put_on_record(self, moments: Array, count: int) -> None:
        port, block = self.port, self._block
        assert port.put_many is not None
        port.put_many(
            (
                moments,
                self.voltage[:count],
                self.current[:count],
                block.limited,
                port.memory[port.base + LEVEL],
                block.voltage_range,
                block.current_range,
                self._charge[:count],
                self._energy[:count],
                float(self.step.trace),
                float(self.step.line),
            ),
            count,
        )

    def _pass_polls(self, moments: Array) -> None:
        """There was nothing to poll; the next time comes when it would have come."""
        times, next_poll, at = moments.tolist(), self.port.next_poll, 0
        while (at := bisect_left(times, next_poll, at)) < len(times):
            next_poll = times[at] + LONGEST_BLIND_S
        self.port.next_poll = next_poll
