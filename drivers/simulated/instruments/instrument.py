"""A simulated source-measure instrument: its specification's figures on a circuit, in virtual time.

It meets the channel protocol as a driver of a real instrument does. Readings and samples carry
error, noise, resolution and range; what the part does is the circuit's.
"""

from __future__ import annotations

from binascii import crc32
from collections.abc import Collection, Iterator
from typing import TYPE_CHECKING

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
from drivers.clock import NANOSECONDS
from drivers.faults import InstrumentError
from drivers.simulated.circuits.motion import Moment
from drivers.simulated.instruments.capture import CaptureUnderWay, accept_capture, waveform
from drivers.simulated.instruments.envelope import accept_setpoint
from drivers.simulated.instruments.foreseeing import ForeseeingInstrument
from drivers.simulated.instruments.pulses import accept_pulse
from drivers.simulated.instruments.sourcing import UNCONFIGURED

if TYPE_CHECKING:
    from drivers.simulated.probe import Probe

_FIRMWARE = "1.0"
_HALF_NS = 0.5 / NANOSECONDS
_new = tuple.__new__


class SimulatedChannel(ForeseeingInstrument):
    """One channel: see `InstrumentState` for what it is made of."""

    def identify(self) -> Identity:
        """Its invented maker and model; the serial number follows from the channel's name."""
        maker, model = self.specification.simulated_identity.split(",")
        return Identity(maker, model, f"{crc32(self.name.encode()) % 1_000_000:06d}", _FIRMWARE)

    def reset(self) -> None:
        """Output off, nothing programmed, autorange, an aperture of one line cycle."""
        self.switch(False)
        self._drop_capture()
        if self._output:
            return
        self._resting = self.specification.reset_state
        self._take(UNCONFIGURED, None, False)

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
        self._look(self._clock.now_ns)
        lost = on and self._setpoint is None
        if lost or (self._stuck and not on):
            return
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
            until_ns = min(end_ns, self._comes_ns())
            mean_voltage, mean_current, was_limited = circuit.mean(begin_ns, until_ns)
            share = (until_ns - begin_ns) / self._aperture_ns
            voltage += mean_voltage * self._sees_now * share
            current += mean_current * share
            limited = max(limited, was_limited)
            clock.spend_ns(until_ns - begin_ns)
        return voltage, current, limited

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
        if self._setpoint is not None:
            # It hasn't lost all that was set meanwhile.
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
        self._capture = CaptureUnderWay(capture, now_ns, self.circuit.motion(), self._sampling())
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
        if not self._stuck:
            self._resting = "open"
            self._take(self._acquisition, self._setpoint, False)
        self._events.append(Event(self._clock.now(), "dropped", text))

    def power_cycle(self) -> None:
        """Let the mains fail and come back: the state is lost unless power-on restores the last."""
        self._look(self._clock.now_ns)
        self._gather()
        self._restart(self._clock.now_ns)


def _time(event: Event) -> float:
    return event.time


def _no_sight() -> InstrumentError:
    return InstrumentError(
        "this instrument can't measure with its output off", "Switch the output on first."
    )
