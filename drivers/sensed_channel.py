"""A channel that reads a sensor: its instrument as the sensor needs it, its readings as values.

What is measured stays a voltage and a current, simulated or not; what they mean follows from them.
A resistance is measured by a current through it, a current at 0 V, a voltage with the output off:
the output goes on for that with the first reading, and off with `switch(False)` as any other.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drivers.bench_sensors import largest_signal
from drivers.channel import Acquisition, Channel, Event, Identity, Reading, Setpoint, State
from drivers.faults import InstrumentError

if TYPE_CHECKING:
    from drivers.sensors import Sensor
    from drivers.specification import Specification

_ROOM = 1.05
"""How far past the largest signal the limit lies that keeps a broken sensor from harm."""


class SensedChannel:
    """A channel with a sensor behind it, on leads of `lead_ohms` each."""

    def __init__(self, channel: Channel, sensor: Sensor, lead_ohms: float) -> None:
        self.name = channel.name
        self.specification: Specification = channel.specification
        self.sensor = sensor
        self.instrument = channel
        self._lead_ohms = lead_ohms
        self._setpoint = self._needed()
        self._ready = False

    def value(self, reading: Reading, reference: float = math.nan) -> float:
        """The sensor's value (SI) by a reading; infinite past its span, NaN where it says nothing.

        `reference` is the temperature (K) that another channel reads at its reference junction.
        """
        return self._value(self._signal(reading), reference)

    def error(
        self,
        reading: Reading,
        off: tuple[float, float],
        reference: float = math.nan,
        reference_off: float = 0.0,
    ) -> float:
        """How far the value may be off (SI, largest error); infinite where nothing can be said.

        By the sensor itself, by `off`, what voltage (V) and current (A) may be off, and by what the
        reference may be (K).
        """
        value = self.value(reading, reference)
        if not math.isfinite(value):
            return math.inf
        signal, (volts, amperes) = self._signal(reading), off
        if self.sensor.reads == "resistance":
            of_current = amperes / abs(reading.current) if reading.current else math.inf
            moved = abs(signal) * of_current + volts / max(abs(reading.current), 1e-300)
        else:
            moved = volts if self.sensor.reads == "voltage" else amperes
        beside = [self._value(signal + way * moved, reference) for way in (-1, 1)]
        spread = [abs(other - value) for other in beside if math.isfinite(other)]
        if not spread:
            return math.inf
        return self.sensor.error(value) + max(spread) + reference_off

    def _value(self, signal: float, reference: float) -> float:
        junction = self.sensor.counts_from
        return self.sensor.value(signal, junction if isinstance(junction, float) else reference)

    def _signal(self, reading: Reading) -> float:
        excited = self.sensor.excited
        if excited is None:
            return reading.voltage if self.sensor.reads == "voltage" else reading.current
        if reading.current == 0 or math.isinf(reading.voltage):
            return math.inf
        return reading.voltage / reading.current - excited.leads * self._lead_ohms

    def _needed(self) -> Setpoint | None:
        """What the instrument is to be set to while it reads; None with its output off."""
        specification, excited = self.specification, self.sensor.excited
        volts, amperes = (_ROOM * most for most in largest_signal(self.sensor))
        if excited is not None:
            limit = min(volts, specification.largest_voltage)
            return Setpoint("current", excited.current, -limit, limit)
        if self.sensor.reads == "current":
            return Setpoint("voltage", 0.0, -amperes, amperes)
        if specification.can("measure open"):
            return None
        return Setpoint("current", 0.0, -volts, volts)

    # What the runner asks of a channel

    def identify(self) -> Identity:
        """Ask the instrument who answers."""
        return self.instrument.identify()

    def reset(self) -> None:
        """The instrument to a known state, its output off."""
        self._ready = False
        self.instrument.reset()

    def configure(self, acquisition: Acquisition) -> None:
        """Set aperture and averaging; ranges and sensing are the sensor's."""
        volts, amperes = largest_signal(self.sensor)
        of_volts = self.specification.voltage_range(volts)
        of_amperes = self.specification.current_range(amperes)
        excited = self.sensor.excited
        self.instrument.configure(
            acquisition._replace(
                voltage_range=of_volts.full_scale if of_volts is not None else None,
                current_range=of_amperes.full_scale if of_amperes is not None else None,
                remote_sense=excited is not None and excited.wires > 2,
            )
        )

    def program(self, setpoint: Setpoint) -> None:
        """Nothing is sourced where a sensor is read. Raises InstrumentError."""
        raise InstrumentError(
            f"{self.name} reads a sensor: nothing else can be programmed there",
            "Source with a channel of its own.",
        )

    def switch(self, on: bool) -> None:
        """Switch the output off; on, it goes by what the sensor needs."""
        self._ready = False
        if on:
            self._make_ready()
        else:
            self.instrument.switch(False)

    def read_back(self) -> State:
        """What the instrument says of itself."""
        return self.instrument.read_back()

    def measure(self) -> Reading:
        """One reading of voltage and current, as the instrument takes it."""
        if not self._ready:
            self._make_ready()
        return self.instrument.measure()

    def _make_ready(self) -> None:
        if self._setpoint is not None:
            self.instrument.program(self._setpoint)
            self.instrument.switch(True)
        self._ready = True

    def poll(self) -> list[Event]:
        """What happened to the instrument since the last poll."""
        return self.instrument.poll()

    def recover(self) -> None:
        """Clear a suspect link; the output may be anything then."""
        self._ready = False
        self.instrument.recover()

    def close(self) -> None:
        """Let go of the link."""
        self.instrument.close()
