"""A simulated source-measure instrument: its specification's figures on a circuit, in virtual time.

It meets the channel protocol as a driver of a real instrument does. Level and limits carry the
errors drawn for this run, readings carry error, noise, resolution and range; what the part does is
the circuit's. Not simulated: the time and overshoot of a limit's response, source noise, slew,
settling of a range.
"""

from __future__ import annotations

from binascii import crc32

import numpy as np

from drivers.channel import Acquisition, Event, Identity, Reading, Setpoint, State
from drivers.clock import NANOSECONDS, VirtualClock
from drivers.faults import InstrumentError
from drivers.simulated.circuit import OPEN, Circuit, Source
from drivers.simulated.envelope import accept_acquisition, accept_setpoint, reach
from drivers.simulated.meter import Meter
from drivers.specification import Specification
from grammar.quantity import CURRENT, VOLTAGE, write

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
        voltage, current = (
            None if ideal else np.random.default_rng(stream) for stream in entropy.spawn(2)
        )
        over_range, coverage = specification.over_range, specification.coverage_factor
        self._voltage = Meter(VOLTAGE, specification.voltage_ranges, over_range, voltage, coverage)
        self._current = Meter(CURRENT, specification.current_ranges, over_range, current, coverage)
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
        self._take(self._acquisition, setpoint, self._output)

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
            raise InstrumentError(
                "this instrument can't measure with its output off", "Switch the output on first."
            )
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

    def poll(self) -> list[Event]:
        """Changes of control at their exact times, dropped outputs, restarts, in order."""
        self.circuit.look(self._clock.now_ns)
        self._gather()
        events, self._events = self._events, []
        return events

    def recover(self) -> None:
        """There is no link that could be suspect."""

    def close(self) -> None:
        """There is no link to let go of."""

    def drop_output(self, text: str) -> None:
        """Let the output go off by itself now (an interlock, a temperature), for this reason."""
        self._take(self._acquisition, self._setpoint, False)
        self._events.append(Event(self._clock.now(), "dropped", text))

    def power_cycle(self) -> None:
        """Let the mains fail and come back: the state is lost unless power-on restores the last."""
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

    def _take(self, acquisition: Acquisition, setpoint: Setpoint | None, output: bool) -> None:
        """Take a whole state, or raise InstrumentError and keep the one before."""
        specification, frequency = self.specification, self._line_frequency_hz
        aperture_ns = accept_acquisition(specification, acquisition, frequency)
        voltage_range, current_range = self._ranges(acquisition, setpoint, output)
        self._acquisition, self._setpoint, self._output = acquisition, setpoint, output
        self._aperture_ns = aperture_ns
        self._voltage.use(voltage_range, aperture_ns / NANOSECONDS, frequency)
        self._current.use(current_range, aperture_ns / NANOSECONDS, frequency)
        self._blind = not output and not specification.can("measure open")
        self._connect()

    def _connect(self) -> None:
        """Put the source as it now is before the part, and note who is in control at once."""
        now_ns = self._clock.now_ns
        source = self._as_source()
        if source == self._source:
            return
        self.circuit.advance(now_ns)
        self._gather()
        self.circuit.connect(source, now_ns)
        self._source = source
        if not self._output:
            self._in_limit = False
        else:
            self._note(now_ns / NANOSECONDS, self.circuit.stretch)

    def _as_source(self) -> Source:
        """The setpoint with this run's errors as the staircase that the circuit works with."""
        leads = 0.0 if self._acquisition.remote_sense else self._lead_resistance
        series = self._output_resistance + leads
        setpoint = self._setpoint
        if not self._output or setpoint is None:
            if self.specification.off_state == "open":
                return OPEN
            _, most = reach(self.specification, 0.0)
            return Source((most, -most), (0.0,), 1, series, leads)
        if setpoint.mode == "voltage":
            level = self._voltage.sourced(setpoint.level)
            push, take = reach(self.specification, setpoint.level)
            high = max(0.0, min(push, self._current.sourced(setpoint.high)))
            low = min(0.0, max(-take, self._current.sourced(setpoint.low)))
            return Source((high, low), (level,), 1, series, leads)
        level = self._current.sourced(setpoint.level)
        push, _ = reach(self.specification, setpoint.low)
        _, take = reach(self.specification, setpoint.high)
        low, high = sorted(map(self._voltage.sourced, (setpoint.low, setpoint.high)))
        return Source((max(push, level), level, min(-take, level)), (low, high), 2, series, leads)

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
