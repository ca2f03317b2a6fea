"""A simulated instrument that foresees its readings: in a row, or each after another level.

Nothing is spent by looking; what is taken is gone, as if it had been measured in turn.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from drivers.channel import (
    Block,
    Levels,
    Setpoint,
)
from drivers.clock import NANOSECONDS
from drivers.faults import InstrumentError
from drivers.simulated.circuits.circuit import Source
from drivers.simulated.circuits.flow import Integers
from drivers.simulated.instruments.blocks import Meters, foresee
from drivers.simulated.instruments.envelope import accept_setpoint
from drivers.simulated.instruments.series import Series
from drivers.simulated.instruments.state import InstrumentState

if TYPE_CHECKING:
    pass

_new = tuple.__new__


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
        if self._protection.watches:
            begins_ns = begins_ns[
                begins_ns + self._aperture_ns < self._protection.next_ns(self._output)
            ]
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

    def peek_levels(self, setpoints: Sequence[Setpoint], begins_ns: Callable[[int], int]) -> Levels:
        """The readings that would follow these setpoints, as many as nothing comes between."""
        self._series = Series(self.circuit, Meters(self._voltage, self._current))
        if self._foresees_levels(setpoints):
            ends_s = self._conditions.ends_s
            self._series.foresee(
                setpoints, self._as_sources(setpoints), begins_ns, self._clock.now_ns,
                self._aperture_ns, self._source, self._manners, ends_s * NANOSECONDS,
            )  # fmt: skip
        return self._series.levels()

    def take_levels(self, count: int) -> None:
        """Be as after the first `count` of the levels just peeked."""
        self._setpoint, self._source, self._clock.now_ns = self._series.take(count)

    def _foresees_levels(self, setpoints: Sequence[Setpoint]) -> bool:
        """Whether each of them would be taken, with nothing left to be told or settled."""
        before, acquisition = self._setpoint, self._acquisition
        if before is None or not (self._output and self._closed and self._plain):
            return False
        if self._in_limit or self._events or self.circuit.changes or self._start is not None:
            return False
        if self._capture is not None or self._probe is not None:
            return False
        is_voltage = before.mode == "voltage"
        asked = acquisition.voltage_range if is_voltage else acquisition.current_range
        lowest, highest = min(setpoints, key=_level_of), max(setpoints, key=_level_of)
        try:
            for setpoint in (lowest, highest):
                accept_setpoint(self.specification, setpoint)
                self._ranges(acquisition, setpoint, True)
        except InstrumentError:
            return False
        # What is told of the ends holds between them; the range may not follow the level.
        alike = all(s.mode == before.mode and s[2:] == lowest[2:] for s in setpoints)
        return asked is not None and alike

    def _as_sources(self, setpoints: Sequence[Setpoint]) -> list[Source]:
        """Each setpoint as `_as_source` has it."""
        if setpoints[0].mode == "current":
            return [self._as_source(setpoint) for setpoint in setpoints]
        alike: dict[float, Source] = {}
        for side in (-1.0, 0.0, 1.0):
            there = [s for s in setpoints if (s.level > 0) - (s.level < 0) == side]
            if there:
                # The more voltage the less it can push: if the ends are alike, all between are.
                ends = [self._as_source(end(there, key=_level_of)) for end in (min, max)]
                if ends[0].currents != ends[1].currents:
                    return [self._as_source(setpoint) for setpoint in setpoints]
                alike[side] = ends[0]
        sourced = self._voltage.sourced
        return [
            _new(Source, (model.currents, (sourced(s.level),), *model[2:]))
            for s in setpoints
            for model in (alike[(s.level > 0) - (s.level < 0)],)
        ]


def _level_of(setpoint: Setpoint) -> float:
    return setpoint.level
