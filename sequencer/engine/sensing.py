"""A channel that reads a sensor during a run: what it reads is its quantity, judged and on record.

What was measured for it, a voltage and a current, stays on record beside the value. Nothing is
counted: what a sensor's own current carries is nobody's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from drivers.sensed import SENSED
from grammar.quantity import write
from sequencer.engine.guards import reading_uncertainties
from sequencer.engine.judging import Judge
from sequencer.engine.port import LEVEL, OWN_READING, Port

if TYPE_CHECKING:
    from drivers.channel import Reading
    from drivers.sensed_channel import SensedChannel
    from sequencer.engine.judging import Rated


class SensorPort(Port):
    """A channel with a sensor; `reference` reads the junction that its signal counts from.

    In the memory its value stands where that of another channel has the voltage, which no recipe
    reads of this one. A row of its record ends with the value.
    """

    channel: SensedChannel
    reference: SensorPort | None = None

    def __init__(self, channel: SensedChannel, *arguments: Any, **given: Any) -> None:
        super().__init__(channel, *arguments, **given)
        self.quantity = channel.sensor.gives
        self.value = self.error = math.nan
        self._judge = SensorJudge(self.name, self.rated, (), self.memory, self.guard_base)
        self.judge = self._judge

    @property
    def can_measure_off(self) -> bool:
        """It switches its output on by itself where its sensor needs that."""
        return True

    @property
    def aperture_s(self) -> float:
        """How long one reading takes (s), with that of its reference."""
        return super().aperture_s + (self.reference.aperture_s if self.reference else 0.0)

    def measure(self, trace: int = OWN_READING, line: int = 0) -> Reading:
        """Take one reading, judge its value and put it on record. Raises Tripped."""
        junction, junction_off = math.nan, 0.0
        if self.reference is not None:
            self.reference.measure()
            junction, junction_off = self.reference.value, self.reference.error
        self.say_alive()
        reading = self.channel.measure()
        self.value = self.channel.value(reading, junction)
        self.error = self.channel.error(reading, self._off(reading), junction, junction_off)
        moment = reading.time - self.start
        self.last_time = moment
        self.next_due = moment + self.interval_s
        memory, base = self.memory, self.base
        if line:
            memory[base] = self.value
        quantities = (*reading[1:4], memory[base + LEVEL], *reading[4:], 0.0, 0.0)
        self._append((moment, *quantities, trace, line, self.value))
        self._judge.value(self.quantity, self.value, self.error)
        if self.judge.conditions:
            self.judge.hold_conditions((self.value, *reading[2:4], 0.0, 0.0, 0.0))
        if moment >= self.next_poll:
            self.poll(moment)
        return reading

    def _off(self, reading: Reading) -> tuple[float, float]:
        """What voltage (V) and current (A) of a reading may be off."""
        if self._ideal:
            return 0.0, 0.0
        volts, amperes = reading_uncertainties(
            self.channel.specification,
            reading.voltage_range,
            reading.current_range,
            self.aperture_s,
            self._line_frequency_hz,
        )
        return (
            volts.of_value * abs(reading.voltage) + volts.plus,
            amperes.of_value * abs(reading.current) + amperes.plus,
        )


class SensorJudge(Judge):
    """Holds the values of a sensor against the ratings that it watches."""

    def __init__(self, channel: str, rated: Sequence[Rated], *rest: Any) -> None:
        super().__init__(channel, rated, *rest)
        self._rated = tuple(rated)

    def value(self, quantity: str, value: float, error: float) -> None:
        """A value (SI) that may be off by an error. Raises Tripped."""
        dimension = SENSED[quantity]
        for rated in self._rated:
            if not math.isfinite(value):
                text = "over range, which can hide the rating"
                if math.isnan(value):
                    text = "the reading is not a number"
                self._trip(rated.name, quantity, value, text)
            over = value - error > rated.high
            if over or value + error < rated.low:
                side, bound = ("above", rated.high) if over else ("below", rated.low)
                self._trip(
                    rated.name,
                    quantity,
                    value,
                    f"{write(value, dimension, 5)} is {side} the rating of "
                    f"{write(bound, dimension)}",
                    side,
                )
