"""A simulated source-measure instrument: its specification's figures on a circuit, in virtual time.

It meets the channel protocol as a driver of a real instrument does. Level and limits carry the
errors drawn for this run, readings and samples carry error, noise, resolution and range; what the
part does is the circuit's. A pulse rises and falls at once, level and limit together. Not
simulated: the time and overshoot of a limit's response, source noise, slew, settling of a range.
"""

from __future__ import annotations

from binascii import crc32
from typing import TYPE_CHECKING

import numpy as np

from drivers.channel import (
    Acquisition,
    Capture,
    Event,
    Identity,
    Pulse,
    Reading,
    Setpoint,
    State,
    Waveform,
)
from drivers.clock import NANOSECONDS, VirtualClock
from drivers.faults import InstrumentError
from drivers.scpi.order import stages
from drivers.simulated.capture import CaptureUnderWay, Ranges, accept_capture, waveform
from drivers.simulated.circuit import OPEN, Circuit, Source
from drivers.simulated.envelope import accept_acquisition, accept_setpoint
from drivers.simulated.meter import Meter
from drivers.simulated.motion import Moment
from drivers.simulated.pulses import Pulses, accept_pulse
from drivers.simulated.staircase import switched_off, switched_on
from drivers.specification import Specification
from grammar.quantity import CURRENT, VOLTAGE, write

if TYPE_CHECKING:
    from drivers.simulated.probe import Probe

_FIRMWARE = "1.0"
_UNCONFIGURED = Acquisition(voltage_range=None, current_range=None)
_HALF_NS = 0.5 / NANOSECONDS
_new = tuple.__new__


class SimulatedChannel:
    """One channel. `lead_resistance` is that of both leads together (ohm).

    `seed` and the channel's name fix its errors and noise. `ideal` takes away errors, noise,
    resolution and output resistance; leads and ranges stay.
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
    ) -> None:
        self.name = name
        self.specification = specification
        self.circuit = circuit
        self._clock = clock
        self._line_frequency_hz = line_frequency_hz
        self._lead_resistance = lead_resistance
        self._output_resistance = 0.0 if ideal else specification.output_resistance
        # A stream for each quantity: how often one is read never changes the other.
        entropy = np.random.SeedSequence([seed, crc32(name.encode())])
        voltage, current, *sampling = (
            None if ideal else np.random.default_rng(stream) for stream in entropy.spawn(4)
        )
        figures = specification.over_range, specification.coverage_factor
        self._voltage = Meter(VOLTAGE, specification.voltage_ranges, voltage, sampling[0], *figures)
        self._current = Meter(CURRENT, specification.current_ranges, current, sampling[1], *figures)
        self._pulses = Pulses(specification)
        self._capture: CaptureUnderWay | None = None
        self._probe: Probe | None = None
        self._setpoint: Setpoint | None = None
        self._output = False
        self._source = OPEN
        self._in_limit = False
        self._events: list[Event] = []
        self._take(_UNCONFIGURED, None, False)

    def identify(self) -> Identity:
        """Its invented maker and model; the serial number follows from the channel's name."""
        maker, model = self.specification.simulated_identity.split(",")
        return Identity(maker, model, f"{crc32(self.name.encode()) % 1_000_000:06d}", _FIRMWARE)

    def reset(self) -> None:
        """Output off, nothing programmed, autorange, an aperture of one line cycle."""
        self.switch(False)
        self._drop_capture()
        self._take(_UNCONFIGURED, None, False)

    def configure(self, acquisition: Acquisition) -> None:
        """Set aperture, averaging, ranges and sensing; what is refused changes nothing."""
        self._take(acquisition, self._setpoint, self._output)

    def program(self, setpoint: Setpoint) -> None:
        """Program level and limits at one moment; what is refused changes nothing."""
        accept_setpoint(self.specification, setpoint)
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
        self._take(self._acquisition, setpoint, self._output, staged=True)

    def switch(self, on: bool) -> None:
        """Switch the output; the contact moves at the end of the switching time."""
        if on == self._output:
            return
        if on and self._setpoint is None:
            raise InstrumentError(
                "the output can't go on: neither level nor limit has been programmed",
                "Program both first.",
            )
        self._ranges(self._acquisition, self._setpoint, on)
        self._clock.spend_ns(round(self.specification.switching_time * NANOSECONDS))
        self._take(self._acquisition, self._setpoint, on)

    def read_back(self) -> State:
        """Setpoint, output, and the ranges (V, A; None where one follows the reading)."""
        return State(self._setpoint, self._output, self._voltage.fixed, self._current.fixed)

    def measure(self) -> Reading:
        """One reading: the means of voltage and current over the aperture, as the meters show them.

        This is the inner loop of every dry run: what can be prepared is prepared in `_take`.
        """
        if self._blind:
            raise _no_sight()
        clock, voltage, current = self._clock, self._voltage, self._current
        start_ns, aperture_ns = clock.now_ns, self._aperture_ns
        end_ns = start_ns + aperture_ns
        true_voltage, true_current, limited = self.circuit.mean(start_ns, end_ns)
        clock.spend_ns(aperture_ns)
        return _new(
            Reading,
            (
                (start_ns + end_ns) * _HALF_NS,
                voltage.show(true_voltage),
                current.show(true_current),
                limited,
                voltage.full_scale,
                current.full_scale,
            ),
        )

    def pulse(self, pulse: Pulse) -> Reading:
        """Make one pulse from the programmed setpoint; what is refused changes nothing."""
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
        self._take(acquisition, setpoint, True)
        return reading

    def begin_capture(self, capture: Capture) -> None:
        """Begin to sample, or to wait for the trigger; what is refused changes nothing."""
        accept_capture(self.specification, capture)
        if self._blind:
            raise _no_sight()
        self._drop_capture()
        now_ns = self._clock.now_ns
        self.circuit.look(now_ns)
        ranges = Ranges(self._voltage.sampling_range, self._current.sampling_range)
        self._capture = CaptureUnderWay(capture, now_ns, self.circuit.motion(), ranges)
        self.circuit.watchers.append(self._capture.follow)

    def end_capture(self) -> Waveform | None:
        """The samples, once the record is full; None where the trigger hasn't come by now."""
        capture, clock = self._capture, self._clock
        if capture is None:
            raise InstrumentError("no capture is under way", "Begin one first.")
        self.circuit.look(clock.now_ns)
        full_ns = capture.full_at(clock.now_ns)
        if full_ns is not None:
            clock.spend_ns(max(0, full_ns - clock.now_ns))
            self.circuit.look(clock.now_ns)
        self._drop_capture()
        if full_ns is None:
            return None
        return waveform(capture, self._voltage, self._current, self._line_frequency_hz)

    def _drop_capture(self) -> None:
        if self._capture is not None:
            self.circuit.watchers.remove(self._capture.follow)
            self._capture = None

    def attach(self, probe: Probe) -> None:
        """Let a probe follow the circuit and the output from now on."""
        self._probe = probe
        probe.switched(self._output)

    def poll(self) -> list[Event]:
        """Changes of control at their exact times, dropped outputs, restarts, in order."""
        self.circuit.look(self._clock.now_ns)
        self._gather()
        events, self._events = self._events, []
        return events

    def recover(self) -> None:
        """There is no link that could be suspect."""

    def close(self) -> None:
        """There is no link to let go of; a probe hears of the last interval."""
        if self._probe is not None:
            self.circuit.look(self._clock.now_ns)
            self._probe.tell_until(Moment(self._clock.now_ns))

    def drop_output(self, text: str) -> None:
        """Let the output go off by itself now (an interlock, a temperature), for this reason."""
        self._take(self._acquisition, self._setpoint, False)
        self._events.append(Event(self._clock.now(), "dropped", text))

    def power_cycle(self) -> None:
        """Let the mains fail and come back: the state is lost unless power-on restores the last."""
        self._drop_capture()
        if self.specification.power_on_state != "last":
            self._take(_UNCONFIGURED, None, False)
        self._events.append(Event(self._clock.now(), "power cycle", "the instrument restarted"))

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
        output: bool,
        *,
        pulse_ns: int | None = None,
        staged: bool = False,
    ) -> None:
        """Take a whole state, or raise InstrumentError and keep the one before.

        `pulse_ns` is the width of the pulse that it is the state of.
        """
        specification, frequency = self.specification, self._line_frequency_hz
        aperture_ns = accept_acquisition(specification, acquisition, frequency)
        voltage_range, current_range = self._ranges(acquisition, setpoint, output)
        # What control did until now, it did under the setpoint before.
        now_ns = self._clock.now_ns
        self.circuit.look(now_ns)
        self._gather()
        if staged and self._probe is not None:
            self._pass_through(setpoint)
        self._acquisition, self._setpoint, self._output = acquisition, setpoint, output
        self._pulsing = pulse_ns is not None
        self._aperture_ns = aperture_ns if pulse_ns is None else min(aperture_ns, pulse_ns)
        self._voltage.use(voltage_range, self._aperture_ns / NANOSECONDS, frequency)
        self._current.use(current_range, self._aperture_ns / NANOSECONDS, frequency)
        self._blind = not output and not specification.can("measure open")
        if self._capture is not None:
            ranges = Ranges(self._voltage.sampling_range, self._current.sampling_range)
            self._capture.use(ranges, now_ns)
        self._connect()

    def _connect(self) -> None:
        """Put the source as it now is before the part, and note who is in control at once."""
        now_ns = self._clock.now_ns
        source = self._as_source(self._setpoint)
        if source == self._source:
            return
        self.circuit.advance(now_ns)
        self._gather()
        if self._probe is not None:
            self._probe.switched(self._output)
        self.circuit.connect(source, now_ns)
        self._source = source
        if not self._output:
            self._in_limit = False
        else:
            self._note(now_ns / NANOSECONDS, self.circuit.stretch)

    def _pass_through(self, after: Setpoint | None) -> None:
        """Let the probe see the states between, as a dialect programs one value after the other."""
        before = self._setpoint
        if not self._output or before is None or after is None:
            return
        for stage in stages(before, after, self.specification.can("two-sided limit")):
            self.circuit.connect(self._as_source(stage), self._clock.now_ns)
            # No state that is on: what comes next is connected and noted, whatever it is.
            self._source = OPEN

    def _as_source(self, setpoint: Setpoint | None) -> Source:
        """A setpoint with this run's errors, or the output's state where it is off."""
        specification = self.specification
        leads = 0.0 if self._acquisition.remote_sense else self._lead_resistance
        series = self._output_resistance + leads
        if not self._output or setpoint is None:
            return switched_off(specification, series, leads)
        volts, amperes = self._voltage.sourced, self._current.sourced
        return switched_on(specification, setpoint, volts, amperes, series, leads, self._pulsing)

    def _gather(self) -> None:
        """Turn the circuit's changes of control into events."""
        for change in self.circuit.changes:
            self._note(change.time_s, change.stretch)
        self.circuit.changes.clear()

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


def _no_sight() -> InstrumentError:
    return InstrumentError(
        "this instrument can't measure with its output off", "Switch the output on first."
    )
