"""The state of a simulated instrument: what it is set to, and the source that this makes of it.

Level and limits carry the errors drawn for this run. What an instrument does by itself (a
protection that drops the output, damage from outside) it does at its exact time, whenever it is
next asked for anything. The module takes no readings.
"""

from __future__ import annotations

from binascii import crc32
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
from drivers.simulated.instruments.capture import CaptureUnderWay, Ranges
from drivers.simulated.instruments.envelope import accept_acquisition
from drivers.simulated.instruments.excess import Excess
from drivers.simulated.instruments.meter import Meter, Streams
from drivers.simulated.instruments.noise import UNDISTURBED, Disturbance
from drivers.simulated.instruments.protection import Passed, Protection
from drivers.simulated.instruments.pulses import Pulses
from drivers.simulated.instruments.staircase import Resting, manners, switched_off, switched_on
from drivers.specification import Specification
from grammar.quantity import CURRENT, VOLTAGE, write

if TYPE_CHECKING:
    from drivers.simulated.probe import Probe

UNCONFIGURED = Acquisition(voltage_range=None, current_range=None)
_ROOM = Conditions()


class InstrumentState:
    """One channel. `lead_resistance` is that of both leads together (ohm).

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
        self._setpoint: Setpoint | None = None
        self._output = False
        self._resting = self._powered_on()
        self._source = OPEN
        self._in_limit = False
        self._events: list[Event] = []
        self._protection = Protection(specification, circuit)
        settling = specification.range_settling
        self._wait_ns = None if settling is None else round(settling.wait * NANOSECONDS)
        self._skew_ns = round(specification.skew * NANOSECONDS)
        self._ready_ns = 0
        self._take(UNCONFIGURED, None, False)

    def _powered_on(self) -> Resting:
        """The state of an output that has not been on since power-on."""
        state = self.specification.power_on_state
        return self.specification.off_state if state == "last" else state

    def _look(self, now_ns: int) -> None:
        """Look at the circuit, and do on the way what the instrument does by itself."""
        while (passed := self._protection.look(now_ns, self._output)) is not None:
            self._give_in(passed)

    def _give_in(self, passed: Passed) -> None:
        """The instrument is damaged, or protects itself: the output opens."""
        self._gather()
        if passed.bound.damage:
            self._protection.damaged(passed.bound)
            self._events.append(Event(passed.at.s, "damage", passed.bound.text))
            return
        self._resting = "open"
        self._apply(self._acquisition, self._setpoint, False, None, passed.after_ns)
        self._events.append(Event(passed.at.s, "dropped", passed.bound.text))

    def _set_plain(self) -> None:
        """Readings are plain where one window serves both meters and no range is waited for."""
        settled = self._ready_ns <= self._clock.now_ns
        follows = self._voltage.fixed is None or self._current.fixed is None
        waits = self._wait_ns is not None and (follows or not settled)
        self._plain = self._aligned and not waits and not self._protection.watches

    def _settle(self) -> None:
        """What has changed its range is ready after the waiting time, and settles from then on."""
        for meter in (self._voltage, self._current):
            if meter.changed and self._wait_ns is not None:
                self._ready_ns = self._clock.now_ns + self._wait_ns
                meter.settle(self._ready_ns)

    def _ranges(
        self, acquisition: Acquisition, setpoint: Setpoint | None, output: bool
    ) -> tuple[int | None, int | None]:
        """The ranges of both quantities; the forced one has the source's."""
        forced: dict[str, float] = {}
        if output and setpoint is not None:
            forced[setpoint.mode] = setpoint.level
        return (
            self._voltage.index_for(acquisition.voltage_range, forced.get("voltage")),
            self._current.index_for(acquisition.current_range, forced.get("current")),
        )

    def _take(
        self,
        acquisition: Acquisition,
        setpoint: Setpoint | None,
        output: bool | None = None,
        *,
        pulse_ns: int | None = None,
        staged: bool = False,
    ) -> None:
        """Take a whole state, or raise InstrumentError and keep the one before.

        The output stays as it is where nothing is said of it. `pulse_ns` is the width of the pulse
        that it is the state of.
        """
        accept_acquisition(self.specification, acquisition, self._line_frequency_hz)
        self._ranges(acquisition, setpoint, self._output if output is None else output)
        # What control did until now, it did under the setpoint before.
        now_ns = self._clock.now_ns
        self._look(now_ns)
        self._gather()
        if staged and self._probe is not None:
            self._pass_through(setpoint)
        output = self._output if output is None else output
        self._apply(acquisition, setpoint, output, pulse_ns, now_ns)

    def _apply(
        self,
        acquisition: Acquisition,
        setpoint: Setpoint | None,
        output: bool,
        pulse_ns: int | None,
        at_ns: int,
    ) -> None:
        """Be in a state that has been accepted, from a time on."""
        specification = self.specification
        aperture_ns = accept_acquisition(specification, acquisition, self._line_frequency_hz)
        voltage_range, current_range = self._ranges(acquisition, setpoint, output)
        self._acquisition, self._setpoint, self._output = acquisition, setpoint, output
        self._pulsing = pulse_ns is not None
        self._aperture_ns = aperture_ns if pulse_ns is None else min(aperture_ns, pulse_ns)
        self._voltage.use(voltage_range, self._aperture_ns)
        self._current.use(current_range, self._aperture_ns)
        self._blind = not output and not specification.can("measure open")
        self._aligned = (
            not self._blind
            and specification.measures == "simultaneous"
            and specification.source_value == "measured"
        )
        if not self._pulsing:
            self._settle()
        self._set_plain()
        if self._capture is not None:
            ranges = Ranges(self._voltage.sampling_range, self._current.sampling_range)
            self._capture.use(ranges, at_ns)
        self._connect(at_ns)

    def _connect(self, now_ns: int) -> None:
        """Put the source as it now is before the part, and note who is in control at once."""
        source = self._as_source(self._setpoint)
        if source == self._source:
            return
        self.circuit.advance(now_ns)
        self._gather()
        if self._probe is not None:
            self._probe.switched(self._output)
        arrival = Arrival(self._manners, self._output and not self._closed, self._start)
        self.circuit.connect(source, now_ns, arrival)
        self._source, self._closed, self._start = source, self._output, None
        if not self._output:
            self._in_limit = False
        else:
            self._note(now_ns / NANOSECONDS, self.circuit.stretch)

    def _pass_through(self, after: Setpoint | None) -> None:
        """Let the probe see the states between, as a dialect programs one value after the other."""
        before = self._setpoint
        if not self._output or before is None or after is None:
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

    def _drop_capture(self) -> None:
        if self._capture is not None:
            self.circuit.watchers.remove(self._capture.follow)
            self._capture = None


def _streams(entropy: list[int]) -> tuple[Streams, Streams]:
    """A stream for each quantity and purpose: how often one is drawn on never changes another."""
    seeds = np.random.SeedSequence(entropy).spawn(6)
    volts, amperes, *samples = map(np.random.default_rng, seeds[:4])
    return Streams(volts, samples[0], seeds[4]), Streams(amperes, samples[1], seeds[5])
