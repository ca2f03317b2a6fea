"""The source that a simulated instrument puts before its part, and what it tells of the control.

Level and limits carry the errors drawn for this run, and what the sense leads see of the part. The
module takes no readings, and nothing happens here by itself.
"""

from __future__ import annotations

from binascii import crc32
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from drivers.channel import (
    Acquisition,
    Event,
    Setpoint,
)
from drivers.clock import NANOSECONDS, VirtualClock
from drivers.scpi.order import stages
from drivers.simulated.circuits.approach import Arrival, Manners
from drivers.simulated.circuits.circuit import OPEN, Circuit, Source
from drivers.simulated.circuits.motion import Moment
from drivers.simulated.conditions import Conditions
from drivers.simulated.instruments.capture import CaptureUnderWay
from drivers.simulated.instruments.excess import Excess
from drivers.simulated.instruments.meter import Meter, Streams
from drivers.simulated.instruments.noise import UNDISTURBED, Disturbance
from drivers.simulated.instruments.protection import Protection
from drivers.simulated.instruments.pulses import Pulses
from drivers.simulated.instruments.sense import EVERYWHERE, driven, zone
from drivers.simulated.instruments.staircase import Resting, manners, switched_off, switched_on
from drivers.specification import Specification
from grammar.quantity import CURRENT, VOLTAGE, write

if TYPE_CHECKING:
    from drivers.simulated.probe import Probe

UNCONFIGURED = Acquisition(voltage_range=None, current_range=None)
_ROOM = Conditions()


class Sourcing:
    """One channel's source. `lead_resistance` is that of both leads together (ohm).

    `seed` and the channel's name fix its errors and noise. `ideal` takes away errors, noise,
    resolution and output resistance; leads and ranges stay. `disturbances` are what leads and part
    add to readings of voltage and of current; `conditions` are those around the instrument.
    """

    def __init__(
        self,
        name: str,
        specification: Specification,
        circuit: Circuit,
        clock: VirtualClock,
        *,
        line_frequency_hz: float,
        lead_resistance: float = 0.0,
        seed: int = 0,
        ideal: bool = False,
        disturbances: tuple[Disturbance, Disturbance] = (UNDISTURBED, UNDISTURBED),
        conditions: Conditions = _ROOM,
    ) -> None:
        self.name = name
        self.specification = specification
        self.circuit = circuit
        self._clock = clock
        self._line_frequency_hz = line_frequency_hz
        self._lead_resistance = lead_resistance
        self._conditions = conditions
        self._ideal = ideal
        self._output_resistance = 0.0 if ideal else specification.output_resistance
        self._manners = Manners() if ideal else manners(specification)
        self._closed = False
        self._start: tuple[float, float] | None = None
        self._before: Source | None = None
        volts, amperes = (None, None) if ideal else _streams([seed, crc32(name.encode())])
        self._excess = Excess(specification, conditions.temperature)
        larger = None if self._excess.never else self._excess
        self._voltage, self._current = (
            Meter(dimension, specification, streams, line_frequency_hz, disturbance, larger)
            for dimension, streams, disturbance in zip(
                (VOLTAGE, CURRENT), (volts, amperes), disturbances, strict=True
            )
        )
        self._pulses = Pulses(specification)
        self._capture: CaptureUnderWay | None = None
        self._probe: Probe | None = None
        self._acquisition = UNCONFIGURED
        self._setpoint: Setpoint | None = None
        self._output = self._pulsing = False
        self._resting = self._powered_on()
        self._source = OPEN
        self._in_limit = False
        self._events: list[Event] = []
        self._sees = 1.0
        self._stuck = False
        self._protection = Protection(specification, circuit, conditions.temperature)
        settling = specification.range_settling
        self._wait_ns = None if settling is None else round(settling.wait * NANOSECONDS)
        self._skew_ns = round(specification.skew * NANOSECONDS)
        self._ready_ns = 0

    def _powered_on(self) -> Resting:
        """The state of an output that has not been on since power-on."""
        state = self.specification.power_on_state
        return self.specification.off_state if state == "last" else state

    @property
    def _sees_now(self) -> float:
        """What the voltmeter and the voltage loop see of the part's voltage, as a factor."""
        return self._sees if self._acquisition.remote_sense else 1.0

    def _connect(self, now_ns: int, passing_v: float | None = None) -> None:
        """Put the source as it now is before the part, and note who is in control at once.

        `passing_v` stands for the part's voltage where that just passes where a loop turns over.
        """
        # Where nothing is connected, what was to begin the way there is of no use later.
        start, before, self._start, self._before = self._start, self._before, None, None
        source = self._as_source(self._setpoint)
        if self._output and self._setpoint is not None and self._sees_now != 1.0:
            source = self._misled(source, self._setpoint, now_ns, passing_v)
        else:
            self._protection.turns_nowhere()
        if source == self._source:
            return
        self.circuit.advance(now_ns)
        self._gather()
        if self._probe is not None:
            self._probe.switched(self._output)
        closing = self._output and not self._closed
        arrival = Arrival(self._manners, closing, start, None if closing else before)
        self.circuit.connect(source, now_ns, arrival)
        self._source, self._closed = source, self._output
        if not self._output:
            self._in_limit = False
        else:
            self._note(now_ns / NANOSECONDS, self.circuit.stretch)

    def _misled(
        self, source: Source, setpoint: Setpoint, now_ns: int, passing_v: float | None
    ) -> Source:
        """The source where it doesn't see the part's voltage as that is."""
        self.circuit.advance(now_ns)
        motion = self.circuit.motion()
        volts = motion.value("voltage", Moment(now_ns).since(motion.begin))
        misled = driven(
            self.specification, source, setpoint, self._sees_now,
            volts if passing_v is None else passing_v,
        )  # fmt: skip
        where = zone(setpoint, self._sees_now)
        if where == EVERYWHERE or misled.level == 1:
            self._protection.turns_nowhere()
        else:
            self._protection.turns_beyond(*where)
        return misled._replace(series_resistance=self._output_resistance + self._lead_resistance)

    def _pass_through(self, after: Setpoint | None) -> None:
        """Let the probe see the states between, as a dialect programs one value after the other."""
        before = self._setpoint
        if not self._output or before is None or after is None or self._sees_now != 1.0:
            return
        self._start = self._at_source()
        for stage in stages(before, after, self.specification.can("two-sided limit")):
            self.circuit.connect(self._as_source(stage), self._clock.now_ns)
            # No state that is on: what comes next is connected and noted, whatever it is.
            self._source = OPEN

    def _at_source(self) -> tuple[float, float]:
        """The voltage (V) that the source regulates at present, and its current (A)."""
        motion, source = self.circuit.motion(), self._source
        since_s = Moment(self._clock.now_ns).since(motion.begin)
        current = motion.value("current", since_s)
        inside = source.series_resistance - source.sensed_resistance
        return motion.value("voltage", since_s) + inside * current, current

    def _as_source(self, setpoint: Setpoint | None) -> Source:
        """A setpoint with this run's errors, or the output's state where it is off."""
        specification = self.specification
        leads = 0.0 if self._acquisition.remote_sense else self._lead_resistance
        series = self._output_resistance + leads
        if not self._output or setpoint is None:
            return switched_off(specification, self._resting, series, leads, self._ideal)
        volts, amperes = self._voltage.sourced, self._current.sourced
        return switched_on(specification, setpoint, volts, amperes, series, leads, self._pulsing)

    def _gather(self) -> None:
        """Turn the circuit's changes of control into events."""
        for change in self.circuit.changes:
            self._note(change.time_s, change.stretch)
        self.circuit.changes.clear()
        for time_s, text, damage in self.circuit.happened:
            self._events.append(Event(time_s, "destroyed" if damage else "part", text))
        self.circuit.happened.clear()

    def _note(self, time_s: float, stretch: int) -> None:
        """An event where control passed between the level and the limit."""
        limited = stretch != self._source.level
        if not limited and self._sees_now != 1.0:
            # It is at the end of its reach, and regulates nothing: no state that it tells of.
            self._in_limit = False
            return
        if limited == self._in_limit or self._setpoint is None:
            return
        self._in_limit = limited
        mode, level, low, high = self._setpoint
        here, other = (VOLTAGE, CURRENT) if mode == "voltage" else (CURRENT, VOLTAGE)
        if limited:
            # The staircase starts with what holds at the lowest voltage: the high current limit in
            # voltage mode, the low voltage limit in current mode.
            side = high if (stretch < self._source.level) == (mode == "voltage") else low
            text = f"the {other.name} limit of {write(side, other)} took control"
        else:
            text = f"the {here.name} level of {write(level, here)} took control"
        self._events.append(Event(time_s, "limit" if limited else "level", text))


def _streams(entropy: list[int]) -> tuple[Streams, Streams]:
    """A stream for each quantity and purpose: how often one is drawn on never changes another."""

    def seed(place: int) -> np.random.SeedSequence:
        return np.random.SeedSequence(entropy, spawn_key=(place,))

    def stream(place: int) -> np.random.Generator:
        return np.random.default_rng(seed(place))

    volts = Streams(stream(0), partial(stream, 2), partial(seed, 4))
    return volts, Streams(stream(1), partial(stream, 3), partial(seed, 5))
