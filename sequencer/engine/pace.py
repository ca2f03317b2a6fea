"""How a run passes its time: on grids and in waits, never blind, heeding the person meanwhile.

While any output is on, every channel that matters is read often enough, whatever the run waits for.
Knows ports, the bench's clock and the record; no step, and no way to switch anything.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

from drivers.faults import BenchError
from sequencer.engine.ending import Interrupted

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


class Pace:
    """The time of one run. Times are seconds from the run's start."""

    def __init__(
        self,
        clock: Clock,
        record: RunWriter,
        ports: Mapping[str, Port],
        *,
        person: Person,
        beat: Beat | None,
        real_time: bool,
    ) -> None:
        self.clock = clock
        self.start = clock.now()
        self.record = record
        self.ports = ports
        self.executed = 0
        self.patience_s = LONGEST_EXCHANGE_S
        self.several = False
        self.real_time = real_time
        self._person = person
        self._beat = beat
        self._grids: list[_Grid] = []
        self._powered: list[Port] = []
        self.watched: list[Port] = []
        self._ignoring_person = False
        self._switching_off = False

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
            for port in self.watched:
                due = min(due, max(port.next_due, self.now()))
            self._pass_time(due)
            if due >= moment:
                return
            self._read_due(due)

    def rest_until(self, moment: float) -> None:
        """As `wait_until`, for what must come no sooner: what is due is read at once, not at last.

        So a short rest ends on time.
        """
        left = moment - self.now()
        if left > CLOCK_S:
            self.look_round(left)
            self.wait_until(moment)

    def _read_due(self, moment: float) -> None:
        for port in self.watched:
            if port.next_due <= moment + 1e-9:
                port.measure()

    def look_round(self, ahead_s: float = 0.0, but: Sequence[Port] = ()) -> None:
        """Read what is due by now, or will be while a step keeps the run busy for so long.

        `but` are the channels that the step reads itself.
        """
        if self.watched:
            moment = self.now() + ahead_s
            for port in self.watched:
                if port.next_due <= moment and port not in but:
                    port.measure()

    def _pass_time(self, moment: float) -> None:
        """Until a moment, with nothing to read; in real time the person and watchdog have a say."""
        clock, start = self.clock, self.start
        if not self.real_time:
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
        if self.real_time or self._person.stop:
            self.attend()
        for port in self.watched:
            if port.next_due < moment:
                self._watch_until(moment, grid.period)
                self._read_left_out(moment - grid.period)
                break
        if self.real_time:
            self._pass_time(moment)
        late = self.clock.tick(k)
        if late > 0.0:
            grid.worst = max(grid.worst, late)
            if late > UNHEEDED_LATENESS_S:
                grid.late += 1

    @property
    def grid(self) -> _Grid:
        """The innermost loop's grid."""
        return self._grids[-1]

    def _watch_until(self, moment: float, period: float) -> None:
        """Read what is due before a tick, on whole fractions of the period."""
        while True:
            now = self.now()
            nearest = min(port.next_due for port in self.watched)
            if nearest >= moment or now >= moment:
                return
            parts = max(1, math.ceil(period / max(nearest - now, 1e-9)))
            longest = max(port.shortest_interval_s for port in self.watched)
            parts = min(parts, max(1, math.floor(period / longest)))
            left = (moment - now) / period * parts
            # A fraction that the clock's whole nanoseconds can't tell from now would never pass.
            due = moment - math.floor(left - LEAST_WAIT_S / period * parts) * period / parts
            if due >= moment - 1e-9 and nearest >= now + longest:
                return
            self._pass_time(min(due, moment))
            if self.now() >= moment - longest / 2:
                return
            for port in self.watched:
                if port.next_due <= self.now() + period / parts:
                    port.measure()

    def _read_left_out(self, tick: float) -> None:
        """Read what is due and has not been read since the last tick, though this one gets late.

        The body takes too long to leave a place between two ticks, and doesn't read it itself.
        """
        now = self.now()
        for port in self.watched:
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

    @contextmanager
    def busy(self, seconds: float) -> Iterator[None]:
        """An exchange with an instrument may take so much longer than others."""
        self.patience_s += seconds
        try:
            yield
        finally:
            self.patience_s -= seconds

    def watch(self, port: Port, on: bool) -> None:
        """A port has gone on or off: from now on every powered one is read, and all they need."""
        if on and port not in self._powered:
            self._powered.append(port)
        elif not on and port in self._powered:
            self._powered.remove(port)
        others = [
            p for p in self.ports.values() if p.watches_others and not p.on and p.can_measure_off
        ]
        self.watched = [*self._powered, *others] if self._powered else []
        self.several = len(self.ports) > 1 and bool(self.watched)

    def touched(self) -> None:
        """The person may have changed what hangs on an output that is off."""
        for port in self.ports.values():
            if not port.on:
                port.watch_anew()

    def event(self, kind: str, text: str, port: Port | None = None) -> None:
        """Something that the run did, on record."""
        self.record.event(self.now(), kind, text, port.name if port is not None else "")


class _Grid:
    """A loop's grid and how well it is kept."""

    def __init__(self, start: float, period: float) -> None:
        self.start, self.period = start, period
        self.late = self.skipped = 0
        self.worst = 0.0
