"""A simulated instrument that foresees its readings: in a row, or each after another level.

Nothing is spent by looking; what is taken is gone, as if it had been measured in turn.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence

import numpy as np

from drivers.channel import Block, Levels, Setpoint
from drivers.clock import NANOSECONDS
from drivers.faults import InstrumentError
from drivers.simulated.circuits.flow import Array, Integers
from drivers.simulated.instruments.blocks import Meters, foresee
from drivers.simulated.instruments.envelope import accept_setpoint
from drivers.simulated.instruments.series import Series
from drivers.simulated.instruments.state import InstrumentState

_LEAST = sys.float_info.min
"""The least voltage (V) that is one."""


class ForeseeingInstrument(InstrumentState):
    """What `PrefetchingChannel` asks for, on the instrument's state."""

    def peek_many(self, begins_ns: Integers) -> Block:
        """The readings that would begin then, as many as nothing comes between; spends nothing."""
        circuit = self.circuit
        told = self._events or circuit.changes or circuit.happened
        if not self._aligned or self._capture is not None or told:
            begins_ns = begins_ns[:0]
        if len(begins_ns) and begins_ns[0] < self._ready_ns:
            begins_ns = begins_ns[:0]
        if self._protection.watches or self._mishaps:
            begins_ns = begins_ns[begins_ns + self._aperture_ns < self._comes_ns()]
        known_s = self._conditions.ends_s
        if math.isfinite(known_s):
            begins_ns = begins_ns[begins_ns + self._aperture_ns <= known_s * NANOSECONDS]
        meters = Meters(self._voltage, self._current)
        self._foreseen = foresee(circuit, meters, begins_ns, self._aperture_ns)
        return self._foreseen

    def take(self, count: int) -> None:
        """Spend the first `count` of the readings just peeked."""
        self._voltage.spend(count)
        self._current.spend(count)
        self._clock.now_ns = int(self._foreseen.ends_ns[count - 1])

    def peek_levels(
        self,
        setpoint: Setpoint,
        levels: Sequence[float],
        begins_ns: Callable[[Integers], Integers],
    ) -> Levels:
        """The readings that would follow these levels, as many as nothing comes between."""
        meters = Meters(self._voltage, self._current)
        self._series = series = Series(self.circuit, meters, setpoint, levels)
        if self._foresees_levels(setpoint, levels):
            meter = self._voltage if setpoint.mode == "voltage" else self._current
            column = np.array(levels)
            series.foresee(
                self._as_source(setpoint), meter.sourced_many(column),
                self._limits(setpoint, levels), begins_ns, self._clock.now_ns, self._aperture_ns,
                self._source, self._manners, self._conditions.ends_s * NANOSECONDS,
            )  # fmt: skip
        return series.levels()

    def take_levels(self, count: int) -> None:
        """Be as after the first `count` of the levels just peeked."""
        # Each was at rest before the next: what is left of those before the last is nothing.
        self._setpoint = self._series.setpoint(count - 1)
        self._source = self._as_source(self._setpoint)
        self._series.rest(count - 1, self._source)
        self._clock.now_ns = self._series.spend(count)

    def _foresees_levels(self, setpoint: Setpoint, levels: Sequence[float]) -> bool:
        """Whether each of them would be taken, with nothing left to be told or settled."""
        before, acquisition = self._setpoint, self._acquisition
        if before is None or not (self._output and self._closed and self._plain):
            return False
        if self._in_limit or self._events or self.circuit.changes or self._start is not None:
            return False
        if self._capture is not None or self._probe is not None or setpoint.mode != before.mode:
            return False
        is_voltage = before.mode == "voltage"
        asked = acquisition.voltage_range if is_voltage else acquisition.current_range
        try:
            # What is told of the ends holds between them.
            for level in (min(levels), max(levels)):
                end = setpoint._replace(level=level)
                accept_setpoint(self.specification, end)
                self._ranges(acquisition, end, True)
        except InstrumentError:
            return False
        # The range may not follow the level.
        return asked is not None

    def _limits(
        self, setpoint: Setpoint, levels: Sequence[float]
    ) -> tuple[Array | float, Array | float]:
        """The lowest and the highest current (A) beside each level, where that is a voltage.

        One number where it is the same beside all of them.
        """
        if setpoint.mode == "current":
            return -math.inf, math.inf
        lowest, highest = min(levels), max(levels)
        # The more voltage the less it can push: if the ends of each side are alike, all between
        # them are.
        ends = {lowest, highest}
        if lowest <= 0 <= highest:
            ends |= {0.0, min(highest, _LEAST), max(lowest, -_LEAST)}
        beside = {self._beside(setpoint, end) for end in ends}
        if len(beside) > 1:
            high, low = np.array([self._beside(setpoint, level) for level in levels]).T
            return low, high
        ((high, low),) = beside
        return low, high

    def _beside(self, setpoint: Setpoint, level: float) -> tuple[float, ...]:
        return self._as_source(setpoint._replace(level=level)).currents
