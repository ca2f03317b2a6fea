"""The state of a simulated instrument: what it is set to, what it does by itself, what befalls it.

What it does by itself (a protection that drops the output, damage from outside) and what befalls it
on command it does at its exact time, whenever it is next asked for anything. The module takes no
readings.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from drivers.channel import Acquisition, Event, Setpoint
from drivers.clock import NANOSECONDS
from drivers.simulated.instruments.capture import Ranges
from drivers.simulated.instruments.envelope import accept_acquisition
from drivers.simulated.instruments.mishaps import OUTPUT_STUCK, POWER_CYCLE, SEES, Mishap, Mishaps
from drivers.simulated.instruments.protection import Passed
from drivers.simulated.instruments.sourcing import UNCONFIGURED, Sourcing


class InstrumentState(Sourcing):
    """One channel: a source as `Sourcing` has it, and the `mishaps` that befall it on command."""

    def __init__(self, *source: Any, mishaps: Iterable[Mishap] = (), **more: Any) -> None:
        super().__init__(*source, **more)
        self._mishaps = Mishaps(())
        self._take(UNCONFIGURED, None, False)
        self._mishaps = Mishaps(mishaps)
        self._set_plain()

    def _look(self, now_ns: int) -> None:
        """Look at the circuit, and do on the way what the instrument does by itself."""
        if not (self._protection.watches or self._mishaps):
            self.circuit.look(now_ns)
            return
        while True:
            due_ns = self._mishaps.next_ns
            passed = self._protection.look(min(now_ns, due_ns), self._output)
            if passed is not None:
                self._give_in(passed)
            elif due_ns <= now_ns:
                self._befalls(self._mishaps.take())
            else:
                return

    def _give_in(self, passed: Passed) -> None:
        """The instrument is damaged, or its loop turns over, or it protects itself: it opens."""
        self._gather()
        at_s, bound = passed.at.s, passed.bound
        if bound.effect == "turn":
            self._connect(passed.after_ns, math.inf if passed.above else -math.inf)
            return
        if bound.effect == "damage" or self._stuck:
            self._protection.let_go(bound)
            kind = "damage" if bound.effect == "damage" else "dropped"
            self._events.append(Event(at_s, kind, bound.text))
            return
        self._resting = "open"
        accepted = self._accepted(self._acquisition, self._setpoint, False)
        self._apply(self._acquisition, self._setpoint, False, accepted, None, passed.after_ns)
        self._events.append(Event(at_s, "dropped", bound.text))

    def _befalls(self, mishap: Mishap) -> None:
        """Something happens to the instrument that it doesn't do by itself.

        Where another channel has moved the part past that time, it is then.
        """
        begin, kind = self.circuit.motion().begin, mishap.kind
        at_ns = max(mishap.at_ns, begin.ns + (begin.rest_s > 0))
        self._gather()
        if kind == POWER_CYCLE:
            self._restart(at_ns)
        elif kind == OUTPUT_STUCK:
            self._stuck = True
        else:
            self._sees = SEES[kind]
            if self._capture is not None:
                self._capture.use(self._sampling(), at_ns)
            self._connect(at_ns)
        self._set_plain()

    def _restart(self, at_ns: int) -> None:
        """The mains were away: all that was set is lost unless power-on restores the last state."""
        self._drop_capture()
        self._excess.power_on(at_ns)
        if self.specification.power_on_state != "last":
            self._resting = self._powered_on()
            accepted = self._accepted(UNCONFIGURED, None, False)
            self._apply(UNCONFIGURED, None, False, accepted, None, at_ns)
        at_s = at_ns / NANOSECONDS
        self._events.append(Event(at_s, "power cycle", "the instrument restarted"))

    def _comes_ns(self) -> int:
        """When the instrument next does something by itself, or something befalls it."""
        if not self._protection.watches:
            return self._mishaps.next_ns
        return min(self._mishaps.next_ns, self._protection.next_ns(self._output))

    def _set_plain(self) -> None:
        """Readings are plain where one window serves both meters and no range is waited for.

        They are aligned where their two quantities are those of one window, as they are there.
        """
        self._aligned = (
            not self._blind
            and self.specification.measures == "simultaneous"
            and self.specification.source_value == "measured"
            and self._sees_now == 1.0
        )
        settled = self._ready_ns <= self._clock.now_ns
        follows = self._voltage.fixed is None or self._current.fixed is None
        waits = self._wait_ns is not None and (follows or not settled)
        self._plain = (
            self._aligned and not waits and not self._protection.watches and not self._mishaps
        )

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
        volts = amperes = None
        if output and setpoint is not None:
            if setpoint.mode == "voltage":
                volts = setpoint.level
            else:
                amperes = setpoint.level
        return (
            self._voltage.index_for(acquisition.voltage_range, volts),
            self._current.index_for(acquisition.current_range, amperes),
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
        on = self._output if output is None else output
        accepted = self._accepted(acquisition, setpoint, on)
        # What control did until now, it did under the setpoint before.
        now_ns = self._clock.now_ns
        self._look(now_ns)
        self._gather()
        # A dialect programs the narrower limit, the level, and then the wider limit.
        self._before = self._source if staged else None
        if staged and self._probe is not None:
            self._pass_through(setpoint)
        if output is None and on != self._output:
            on = self._output
            accepted = self._accepted(acquisition, setpoint, on)
        self._apply(acquisition, setpoint, on, accepted, pulse_ns, now_ns)

    def _accepted(
        self, acquisition: Acquisition, setpoint: Setpoint | None, output: bool
    ) -> tuple[int, int | None, int | None]:
        """The aperture (ns) and the ranges of a state. Raises InstrumentError where refused."""
        aperture_ns = accept_acquisition(self.specification, acquisition, self._line_frequency_hz)
        return aperture_ns, *self._ranges(acquisition, setpoint, output)

    def _apply(
        self,
        acquisition: Acquisition,
        setpoint: Setpoint | None,
        output: bool,
        accepted: tuple[int, int | None, int | None],
        pulse_ns: int | None,
        at_ns: int,
    ) -> None:
        """Be in a state that has been accepted, from a time on."""
        specification = self.specification
        aperture_ns, voltage_range, current_range = accepted
        self._acquisition, self._setpoint, self._output = acquisition, setpoint, output
        self._pulsing = pulse_ns is not None
        self._aperture_ns = aperture_ns if pulse_ns is None else min(aperture_ns, pulse_ns)
        forced = "voltage" if self._resting == "zero volts" else "current"
        if output and setpoint is not None:
            forced = setpoint.mode
        self._voltage.use(voltage_range, self._aperture_ns, forced == "voltage")
        self._current.use(current_range, self._aperture_ns, forced == "current")
        self._blind = not output and not specification.can("measure open")
        if not self._pulsing:
            self._settle()
        self._set_plain()
        if self._capture is not None:
            self._capture.use(self._sampling(), at_ns)
        self._connect(at_ns)

    def _sampling(self) -> Ranges:
        """How samples are taken now."""
        volts, amperes = self._voltage.sampling_range, self._current.sampling_range
        return Ranges(volts, amperes, self._sees_now)

    def _drop_capture(self) -> None:
        if self._capture is not None:
            self.circuit.watchers.remove(self._capture.follow)
            self._capture = None
