"""A simulated source-measure instrument: its specification's figures on a circuit, in virtual time.

It meets the channel protocol as a driver of a real instrument does. Level and limits carry the
errors drawn for this run, readings and samples carry error, noise, resolution and range; what the
part does is the circuit's. A pulse rises and falls at once, level and limit together. What an
instrument does by itself (a protection that drops the output, damage from outside) it does at its
exact time, whenever it is next asked for anything. Not simulated: the time and overshoot of a
limit's response, source noise, slew.
"""

from __future__ import annotations

import math
from binascii import crc32
from collections.abc import Callable, Collection, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from drivers.channel import (
    Acquisition,
    Block,
    Capture,
    Event,
    Identity,
    Levels,
    Pulse,
    Reading,
    Setpoint,
    State,
    Waveform,
)
from drivers.clock import NANOSECONDS, VirtualClock
from drivers.faults import InstrumentError
from drivers.scpi.order import stages
from drivers.simulated.approach import Arrival, Manners
from drivers.simulated.blocks import Meters, foresee
from drivers.simulated.capture import CaptureUnderWay, Ranges, accept_capture, waveform
from drivers.simulated.circuit import OPEN, Circuit, Source
from drivers.simulated.conditions import Conditions
from drivers.simulated.envelope import accept_acquisition, accept_setpoint
from drivers.simulated.excess import Excess
from drivers.simulated.flow import Integers
from drivers.simulated.meter import Meter, Streams
from drivers.simulated.motion import Moment
from drivers.simulated.noise import UNDISTURBED, Disturbance
from drivers.simulated.protection import Passed, Protection
from drivers.simulated.pulses import Pulses, accept_pulse
from drivers.simulated.series import Series
from drivers.simulated.staircase import Resting, manners, switched_off, switched_on
from drivers.specification import Specification
from grammar.quantity import CURRENT, VOLTAGE, write

if TYPE_CHECKING:
    from drivers.simulated.probe import Probe

_FIRMWARE = "1.0"
_UNCONFIGURED = Acquisition(voltage_range=None, current_range=None)
_ROOM = Conditions()
_HALF_NS = 0.5 / NANOSECONDS
_new = tuple.__new__


class SimulatedChannel:
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
        self._take(_UNCONFIGURED, None, False)

    def identify(self) -> Identity:
        """Its invented maker and model; the serial number follows from the channel's name."""
        maker, model = self.specification.simulated_identity.split(",")
        return Identity(maker, model, f"{crc32(self.name.encode()) % 1_000_000:06d}", _FIRMWARE)

    def reset(self) -> None:
        """Output off, nothing programmed, autorange, an aperture of one line cycle."""
        self.switch(False)
        self._drop_capture()
        self._resting = self.specification.reset_state
        self._take(_UNCONFIGURED, None, False)

    def configure(self, acquisition: Acquisition) -> None:
        """Set aperture, averaging, ranges and sensing; what is refused changes nothing."""
        self._take(acquisition, self._setpoint)

    def program(self, setpoint: Setpoint) -> None:
        """Program level and limits at one moment; what is refused changes nothing."""
        accept_setpoint(self.specification, setpoint)
        self._look(self._clock.now_ns)
        before = self._setpoint
        if (
            self._output
            and before is not None
            and before.mode != setpoint.mode
            and not self.specification.can("mode change under power")
        ):
            raise InstrumentError(
                f"the mode can't change from {before.mode} to {setpoint.mode} under power",
                "Switch the output off first.",
            )
        self._take(self._acquisition, setpoint, staged=True)

    def switch(self, on: bool) -> None:
        """Switch the output; the contact moves at the end of the switching time."""
        self._look(self._clock.now_ns)
        if on == self._output:
            return
        if on and self._setpoint is None:
            raise InstrumentError(
                "the output can't go on: neither level nor limit has been programmed",
                "Program both first.",
            )
        self._ranges(self._acquisition, self._setpoint, on)
        self._clock.spend_ns(round(self.specification.switching_time * NANOSECONDS))
        self._resting = self.specification.off_state
        self._take(self._acquisition, self._setpoint, on)

    def read_back(self) -> State:
        """Setpoint, output, and the ranges (V, A; None where one follows the reading)."""
        self._look(self._clock.now_ns)
        return State(self._setpoint, self._output, self._voltage.fixed, self._current.fixed)

    def measure(self) -> Reading:
        """One reading: the means of voltage and current over the aperture, as the meters show them.

        This is the inner loop of every dry run: what can be prepared is prepared in `_take`.
        """
        if not self._plain:
            return self._measure_with_care()
        clock, voltage, current = self._clock, self._voltage, self._current
        start_ns, aperture_ns = clock.now_ns, self._aperture_ns
        end_ns = start_ns + aperture_ns
        true_voltage, true_current, limited = self.circuit.mean(start_ns, end_ns)
        clock.spend_ns(aperture_ns)
        return _new(
            Reading,
            (
                (start_ns + end_ns) * _HALF_NS,
                voltage.show(true_voltage, end_ns),
                current.show(true_current, end_ns),
                limited,
                voltage.full_scale,
                current.full_scale,
            ),
        )

    def _measure_with_care(self) -> Reading:
        """A reading that may wait for a range, take one window after the other, or see a drop."""
        if self._blind:
            raise _no_sight()
        if self._wait_ns is None or self._pulsing:
            return self._read()
        self._clock.spend_ns(max(0, self._ready_ns - self._clock.now_ns))
        reading = self._read()
        if self._voltage.changed or self._current.changed:
            # The range followed the part: the instrument waits for it, and looks again.
            self._settle()
            self._clock.spend_ns(self._wait_ns)
            reading = self._read()
        self._settle()
        self._set_plain()
        return reading

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

    def _read(self) -> Reading:
        """A reading of one window, or of two where the instrument takes them in turn."""
        clock, setpoint = self._clock, self._setpoint
        start_ns = clock.now_ns
        forced = ""
        if self._output and setpoint and self.specification.source_value == "programmed":
            forced = setpoint.mode
        true_voltage, true_current, limited = self._window()
        volts = self._voltage.show(true_voltage, clock.now_ns)
        if self.specification.measures == "sequential":
            clock.spend_ns(self._skew_ns)
            _, true_current, then_limited = self._window()
            limited = max(limited, then_limited)
        amperes = self._current.show(true_current, clock.now_ns)
        return Reading(
            (start_ns + clock.now_ns) * _HALF_NS,
            setpoint.level if setpoint and forced == "voltage" else volts,
            setpoint.level if setpoint and forced == "current" else amperes,
            limited,
            self._voltage.full_scale,
            self._current.full_scale,
        )

    def _window(self) -> tuple[float, float, float]:
        """Means over one aperture from now on; the output may drop within it."""
        clock, circuit = self._clock, self.circuit
        start_ns = clock.now_ns
        end_ns = start_ns + self._aperture_ns
        voltage = current = limited = 0.0
        while clock.now_ns < end_ns:
            self._look(clock.now_ns)
            begin_ns = clock.now_ns
            until_ns = (
                end_ns
                if not self._protection.watches
                else min(end_ns, self._protection.next_ns(self._output))
            )
            mean_voltage, mean_current, was_limited = circuit.mean(begin_ns, until_ns)
            share = (until_ns - begin_ns) / self._aperture_ns
            voltage += mean_voltage * share
            current += mean_current * share
            limited = max(limited, was_limited)
            clock.spend_ns(until_ns - begin_ns)
        return voltage, current, limited

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

    def take_levels(self, count: int) -> None:
        """Be as after the first `count` of the levels just peeked."""
        self._setpoint, self._source, self._clock.now_ns = self._series.take(count)

    def take(self, count: int) -> None:
        """Spend the first `count` of the readings just peeked."""
        self._voltage.spend(count)
        self._current.spend(count)
        self._clock.now_ns = int(self._foreseen.ends_ns[count - 1])

    def pulse(self, pulse: Pulse) -> Reading:
        """Make one pulse from the programmed setpoint; what is refused changes nothing."""
        self._look(self._clock.now_ns)
        setpoint, acquisition = self._setpoint, self._acquisition
        if setpoint is None or not self._output:
            raise InstrumentError("a pulse needs the output on", "Switch the output on first.")
        level, low, high, width_s = pulse
        at_its_level = Setpoint(setpoint.mode, level, low, high)
        accept_pulse(self.specification, at_its_level, width_s)
        self._ranges(acquisition, at_its_level, True)
        self._pulses.accept(at_its_level, width_s, self._clock.now_ns)
        width_ns = round(width_s * NANOSECONDS)
        self._take(acquisition, at_its_level, True, pulse_ns=width_ns)
        self._clock.spend_ns(width_ns - self._aperture_ns)
        reading = self.measure()
        self._take(acquisition, setpoint)
        return reading

    def begin_capture(self, capture: Capture) -> None:
        """Begin to sample, or to wait for the trigger; what is refused changes nothing."""
        accept_capture(self.specification, capture)
        if self._blind:
            raise _no_sight()
        self._drop_capture()
        now_ns = self._clock.now_ns
        self._look(now_ns)
        ranges = Ranges(self._voltage.sampling_range, self._current.sampling_range)
        self._capture = CaptureUnderWay(capture, now_ns, self.circuit.motion(), ranges)
        self.circuit.watchers.append(self._capture.follow)

    def end_capture(self) -> Waveform | None:
        """The samples, once the record is full; None where the trigger hasn't come by now."""
        capture, clock = self._capture, self._clock
        if capture is None:
            raise InstrumentError("no capture is under way", "Begin one first.")
        self._look(clock.now_ns)
        full_ns = capture.full_at(clock.now_ns)
        if full_ns is not None:
            clock.spend_ns(max(0, full_ns - clock.now_ns))
            self._look(clock.now_ns)
        self._drop_capture()
        if full_ns is None:
            return None
        return waveform(capture, self._voltage, self._current)

    def _drop_capture(self) -> None:
        if self._capture is not None:
            self.circuit.watchers.remove(self._capture.follow)
            self._capture = None

    def errors(
        self, volts: Collection[float], amperes: Collection[float]
    ) -> Iterator[tuple[str, float]]:
        """This run's errors of sourcing and measuring by name, in the ranges that were used.

        Those of measuring are in the ranges of these full scales (V, A); see `Meter.errors`.
        """
        yield from self._voltage.errors(volts)
        yield from self._current.errors(amperes)

    def attach(self, probe: Probe) -> None:
        """Let a probe follow the circuit and the output from now on."""
        self._probe = probe
        probe.switched(self._output)

    def poll(self) -> list[Event]:
        """Changes of control at their exact times, dropped outputs, restarts, in order.

        Raises BenchFileError where the bench file no longer says what surrounds the bench.
        """
        self._conditions.accept(self._clock.now())
        self._look(self._clock.now_ns)
        self._gather()
        events, self._events = sorted(self._events, key=_time), []
        return events

    def recover(self) -> None:
        """There is no link that could be suspect."""

    def close(self) -> None:
        """There is no link to let go of; a probe hears of the last interval."""
        if self._probe is not None:
            self._look(self._clock.now_ns)
            self._probe.tell_until(Moment(self._clock.now_ns))

    def drop_output(self, text: str) -> None:
        """Let the output go off by itself now (an interlock, a temperature), for this reason."""
        self._resting = "open"
        self._take(self._acquisition, self._setpoint, False)
        self._events.append(Event(self._clock.now(), "dropped", text))

    def power_cycle(self) -> None:
        """Let the mains fail and come back: the state is lost unless power-on restores the last."""
        self._drop_capture()
        if self.specification.power_on_state != "last":
            self._resting = self._powered_on()
            self._take(_UNCONFIGURED, None, False)
        self._excess.power_on(self._clock.now_ns)
        self._events.append(Event(self._clock.now(), "power cycle", "the instrument restarted"))

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


def _streams(entropy: list[int]) -> tuple[Streams, Streams]:
    """A stream for each quantity and purpose: how often one is drawn on never changes another."""
    seeds = np.random.SeedSequence(entropy).spawn(6)
    volts, amperes, *samples = map(np.random.default_rng, seeds[:4])
    return Streams(volts, samples[0], seeds[4]), Streams(amperes, samples[1], seeds[5])


def _level_of(setpoint: Setpoint) -> float:
    return setpoint.level


def _time(event: Event) -> float:
    return event.time


def _no_sight() -> InstrumentError:
    return InstrumentError(
        "this instrument can't measure with its output off", "Switch the output on first."
    )
