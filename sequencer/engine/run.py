"""The run's own acts: time that passes under guards, outputs that go on and off, what is told.

Steps ask a `Run` for everything that spends time, switches or records. It knows ports, the bench's
clock and the record; whether channel and clock are real or simulated it can't tell.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

from drivers.channel import Acquisition, Event, Setpoint
from drivers.faults import BenchError
from sequencer.engine.ending import Failed, Interrupted
from sequencer.engine.look import first_look, look_before_on
from sequencer.engine.setpoints import refuse_beyond_rating, same, way_down, words

if TYPE_CHECKING:
    from drivers.clock import Clock
    from sequencer.engine.port import Port
    from sequencer.record import RunWriter

ATTENTION_S = 0.05
"""How long a wait goes on before the person is heeded and the watchdog's beat is sent."""
LONGEST_EXCHANGE_S = 5.0
"""What an exchange and its recovery may take beyond the apertures, before the watchdog acts."""
UNHEEDED_LATENESS_S = 1e-3
"""How late a tick may come without being counted: a computer wakes no more exactly than that."""
LEAST_WAIT_S = 1e-6
CLOCK_S = 1e-9
"""A clock may count whole nanoseconds: a moment between two of them is never quite reached."""
SETTLED_AT_ZERO_S = 0.05


class Beat(Protocol):
    """The watchdog's side of the run: told that the run is alive, and by when it says so again."""

    def beat(self, step: int, seconds: float) -> None:
        """The run is alive at a step; the next beat comes within so many seconds."""
        ...

    def close(self) -> None:
        """The run is over and its outputs are off; may be said more than once."""
        ...


class Person:
    """What the person wants meanwhile, as set by keys or signals: looked at between steps."""

    def __init__(self) -> None:
        self.stop = False
        self.stop_at_once = False


class Run:
    """One run from its first step to its last. Times are seconds from the run's start."""

    def __init__(
        self,
        clock: Clock,
        record: RunWriter,
        memory: list[float],
        ports: Mapping[str, Port],
        *,
        tell: Callable[[str], None],
        person: Person,
        beat: Beat | None,
        real_time: bool,
        remote_sense: Mapping[str, bool],
        can_switch_mode: Mapping[str, bool],
    ) -> None:
        self.clock = clock
        self.start = clock.now()
        self.record = record
        self.memory = memory
        self.ports = ports
        self.sourced: dict[str, Setpoint] = {}
        self.line = 0
        self.executed = 0
        self.patience_s = LONGEST_EXCHANGE_S
        self.several = False
        self._tell = tell
        self._person = person
        self._beat = beat
        self._real_time = real_time
        self._remote_sense = remote_sense
        self._can_switch_mode = can_switch_mode
        self._looked: set[str] = set()
        self._grids: list[_Grid] = []
        self._powered: list[Port] = []
        self._watched: list[Port] = []
        self._ignoring_person = False
        self._switching_off = False
        self._named: dict[str, dict[str, float | None]] = defaultdict(dict)

    # Time

    def now(self) -> float:
        """Seconds since the run's start."""
        return self.clock.now() - self.start

    def alive(self) -> None:
        """Tell the watchdog that the run goes on, and by when at the latest it says so again.

        Raises WatchdogError where it is gone; but not while outputs are switched off, which is the
        very thing to do then.
        """
        if self._beat is not None:
            try:
                self._beat.beat(self.executed, self.patience_s)
            except BenchError:
                if not self._switching_off:
                    raise

    def attend(self) -> None:
        """Look at what the person wants; raises Interrupted."""
        if self._person.stop_at_once:
            raise Interrupted(at_once=True)
        if self._person.stop and not self._ignoring_person:
            raise Interrupted

    def wait_until(self, moment: float) -> None:
        """Let time pass until a moment, reading every powered channel meanwhile: never blind."""
        while True:
            self.attend()
            due = moment
            for port in self._watched:
                due = min(due, max(port.next_due, self.now()))
            self._pass_time(due)
            if due >= moment:
                return
            self._read_due(due)

    def _read_due(self, moment: float) -> None:
        for port in self._watched:
            if port.next_due <= moment + 1e-9:
                port.measure()

    def look_round(self, ahead_s: float = 0.0, but: Sequence[Port] = ()) -> None:
        """Read what is due by now, or will be while a step keeps the run busy for so long.

        `but` are the channels that the step reads itself.
        """
        if self._watched:
            moment = self.now() + ahead_s
            for port in self._watched:
                if port.next_due <= moment and port not in but:
                    port.measure()

    def _pass_time(self, moment: float) -> None:
        """Until a moment, with nothing to read; in real time the person and watchdog have a say."""
        clock, start = self.clock, self.start
        if not self._real_time:
            clock.wait_until(start + moment)
            return
        while True:
            now = self.now()
            if now >= moment - CLOCK_S:
                return
            self.alive()
            self.attend()
            clock.wait_until(start + min(moment, now + ATTENTION_S))

    def begin_grid(self, start: float, period: float) -> None:
        """A loop on a grid begins."""
        self._grids.append(_Grid(start, period))
        self.clock.begin_grid(self.start + start, period)

    def tick(self, k: int) -> None:
        """Wait for tick k of the innermost grid; guard readings come at fractions of its period."""
        grid = self._grids[-1]
        moment = grid.start + k * grid.period
        if self._real_time or self._person.stop:
            self.attend()
        for port in self._watched:
            if port.next_due < moment:
                self._watch_until(moment, grid.period)
                self._read_left_out(moment - grid.period)
                break
        if self._real_time:
            self._pass_time(moment)
        late = self.clock.tick(k)
        if late > 0.0:
            grid.worst = max(grid.worst, late)
            if late > UNHEEDED_LATENESS_S:
                grid.late += 1

    def _watch_until(self, moment: float, period: float) -> None:
        """Read what is due before a tick, on whole fractions of the period."""
        while True:
            now = self.now()
            nearest = min(port.next_due for port in self._watched)
            if nearest >= moment or now >= moment:
                return
            parts = max(1, math.ceil(period / max(nearest - now, 1e-9)))
            longest = max(port.shortest_interval_s for port in self._watched)
            parts = min(parts, max(1, math.floor(period / longest)))
            left = (moment - now) / period * parts
            # A fraction that the clock's whole nanoseconds can't tell from now would never pass.
            due = moment - math.floor(left - LEAST_WAIT_S / period * parts) * period / parts
            if due >= moment - 1e-9 and nearest >= now + longest:
                return
            self._pass_time(min(due, moment))
            if self.now() >= moment - longest / 2:
                return
            for port in self._watched:
                if port.next_due <= self.now() + period / parts:
                    port.measure()

    def _read_left_out(self, tick: float) -> None:
        """Read what is due and has not been read since the last tick, though this one gets late.

        The body takes too long to leave a place between two ticks, and doesn't read it itself.
        """
        now = self.now()
        for port in self._watched:
            if port.next_due <= now and port.last_time < tick:
                port.measure()

    def skipped(self, ticks: int) -> None:
        """Ticks that passed while the body looped or waited."""
        self._grids[-1].skipped += ticks

    def end_grid(self, line: int) -> None:
        """The innermost loop on a grid is over; its lateness goes on record."""
        grid = self._grids.pop()
        self.clock.end_grid()
        if grid.late or grid.skipped:
            self.event(
                "lateness",
                f"line {line}: ticks late {grid.late}, by {grid.worst:.3g} s at most; "
                f"skipped {grid.skipped}",
            )

    # Channels

    def configure(self, port: Port, given: Mapping[str, float | None]) -> None:
        """Set aperture, averaging and ranges as a `setup` names them."""
        named = self._named[port.name]
        if "aperture" in given or "aperture cycles" in given:
            # One aperture, in either unit: the newest.
            named.pop("aperture", None)
            named.pop("aperture cycles", None)
        named.update(given)
        self._apply(port, port.acquisition.voltage_range, port.acquisition.current_range)

    def _apply(self, port: Port, volts: float | None, amperes: float | None) -> None:
        named = self._named[port.name]
        specification = port.channel.specification
        if not port.on:
            if "voltage range" in named:
                volts = _scale(specification.voltage_range, named["voltage range"])
            if "current range" in named:
                amperes = _scale(specification.current_range, named["current range"])
        seconds, cycles = named.get("aperture"), named.get("aperture cycles")
        port.configure(
            Acquisition(
                voltage_range=volts,
                current_range=amperes,
                aperture_s=seconds,
                aperture_cycles=None if seconds is not None else cycles or 1.0,
                average=round(named.get("average") or 1),
                remote_sense=self._remote_sense[port.name],
            )
        )
        apertures = {name: p.aperture_s for name, p in self.ports.items()}
        self.patience_s = LONGEST_EXCHANGE_S + 2 * max(apertures.values())
        for other in self.ports.values():
            other.others_s = sum(apertures.values()) - apertures[other.name]
            other.rejudge()

    def program(self, port: Port, setpoint: Setpoint) -> None:
        """Program a setpoint; a change of mode under power goes through off and on again.

        What the check has proved is looked at once more: a value that came from a reading over
        range may be one that it has not foreseen.
        """
        refuse_beyond_rating(port, setpoint)
        changes = port.on and port.setpoint is not None and port.setpoint.mode != setpoint.mode
        if changes and not self._can_switch_mode[port.name]:
            self.event("interruption", f"{port.name}: off and on again to change the mode", port)
            self.off(port)
            port.program(setpoint)
            look_before_on(port, setpoint, self)
            self.on(port, anew=False)
        else:
            if changes:
                look_before_on(port, setpoint, self)
            port.program(setpoint)

    def switch_on(self, port: Port, forced: tuple[float, float]) -> None:
        """`output on`: the last `source` again, read back, looked at, on record, then switched."""
        setpoint = self.sourced[port.name]
        if port.on:
            # It is on already: nothing is switched, and ranges don't change under power.
            self.program(port, setpoint)
            return
        specification = port.channel.specification
        level, limit = abs(setpoint.level), max(abs(setpoint.low), abs(setpoint.high))
        own = (level, limit) if setpoint.mode == "voltage" else (limit, level)
        volts, amperes = max(forced[0], own[0]), max(forced[1], own[1])
        if port.kind is not None and port.kind.forces != "nothing":
            # What the part brings by itself is on the terminals too, whatever the level is.
            volts = max(volts, *(abs(bound) for bound in port.ratings["voltage"]))
        self._apply(
            port,
            _scale(specification.voltage_range, volts),
            _scale(specification.current_range, amperes),
        )
        if port.name not in self._looked:
            first_look(port, setpoint, self)
            self._looked.add(port.name)
        port.program(setpoint)
        look_before_on(port, setpoint, self)
        self._read_back(port, setpoint, on=False)
        for other in self.ports.values():
            # A guard on a channel that nobody has read yet guards nothing.
            unread = any(other.name in guard.unread for guard in other.extra)
            if unread and not other.on and other.can_measure_off:
                other.measure()
        self.event("output", f"{port.name} on", port)
        self.on(port)
        port.measure()

    def on(self, port: Port, anew: bool = True) -> None:
        """Switch on and watch from now on; all that was told so far is on the disk before."""
        self.record.commit()
        port.switch(True, anew)
        if port not in self._powered:
            self._powered.append(port)
        self._watch()

    def off(self, port: Port) -> None:
        """Open the output."""
        port.switch(False)
        if port in self._powered:
            self._powered.remove(port)
        self._watch()

    def _watch(self) -> None:
        """While any output is on: every powered channel, and every one that a guard names."""
        named = [p for p in self.ports.values() if p.extra and not p.on and p.can_measure_off]
        self._watched = [*self._powered, *named] if self._powered else []
        self.several = len(self.ports) > 1 and bool(self._watched)

    def _read_back(self, port: Port, setpoint: Setpoint, on: bool) -> None:
        """What was programmed is what the instrument says it has; a difference ends the run."""
        state = port.channel.read_back()
        if state.output != on:
            said = "on" if state.output else "off"
            raise Failed(
                f"{port.name}: the instrument says that its output is {said}", "instrument"
            )
        if state.setpoint is None or not same(state.setpoint, setpoint):
            raise Failed(
                f"{port.name}: programmed {words(setpoint)}, and the instrument reads back "
                f"{words(state.setpoint)}",
                "instrument",
            )

    def switch_off(self, port: Port) -> None:
        """`output off`, the way that the part's kind asks for."""
        self.go_off(port, trip=False)
        self.event("output", f"{port.name} off", port)

    def go_off(self, port: Port, trip: bool) -> None:
        """Off by kind: open at once, or the level to zero first."""
        kind = port.kind
        way = "open" if kind is None else kind.trip if trip else kind.off
        setpoint = port.setpoint
        try:
            if port.on and way != "open" and setpoint is not None:
                for level in way_down(setpoint, way):
                    port.program(setpoint._replace(level=level))
                    self.clock.wait_until(self.clock.now() + SETTLED_AT_ZERO_S)
        finally:
            # An instrument that doesn't take the level on the way down may well open.
            self.off(port)

    @contextmanager
    def switching_off(self) -> Iterator[None]:
        """Outputs go off: nothing comes before that, not even a watchdog that is gone."""
        self._switching_off = True
        try:
            yield
        finally:
            self._switching_off = False

    # What is told and recorded

    def event(self, kind: str, text: str, port: Port | None = None) -> None:
        """Something that the run did, on record."""
        self.record.event(self.now(), kind, text, port.name if port is not None else "")

    def happened(self, channel: str, event: Event) -> None:
        """Something that an instrument reported, on record."""
        self.record.event(event.time, event.kind, event.text, channel, event.exact)

    def say(self, words: str, aloud: bool) -> None:
        """Tell the person, or only the record."""
        self.record.note(self.now(), words)
        if aloud:
            self._tell(words)

    @contextmanager
    def undisturbed(self) -> Iterator[None]:
        """`finally` is not interrupted by the first wish to stop, which led to it."""
        self._ignoring_person = True
        for port in self.ports.values():
            port.in_final = True
        try:
            yield
        finally:
            self._ignoring_person = False


class _Grid:
    """A loop's grid and how well it is kept."""

    def __init__(self, start: float, period: float) -> None:
        self.start, self.period = start, period
        self.late = self.skipped = 0
        self.worst = 0.0


def _scale(find: Callable[[float], object], magnitude: float | None) -> float | None:
    """The full scale of the range that holds a magnitude; None is autorange."""
    if magnitude is None:
        return None
    found = find(magnitude)
    if found is None:
        raise Failed(f"no range of the instrument holds {magnitude:.6g}", "bench")
    return found.full_scale  # type: ignore[attr-defined, no-any-return]
