"""Steps that take a source through levels: ramps, sweeps and pulses, with a reading after each.

The mode is that of the last `source`, and so is the limit where the step names none. Each level is
worked out as it comes, so that no series is too long to be held.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

from drivers.channel import Mode, Pulse, Setpoint
from sequencer.engine.ending import Failed
from sequencer.engine.expressions import Condition, Number, whole
from sequencer.engine.steps import Bounds, Step, lasting

if TYPE_CHECKING:
    from sequencer.engine.forms import ColumnCondition
    from sequencer.engine.further import Further
    from sequencer.engine.port import Port
    from sequencer.engine.run import Run
    from sequencer.engine.series import Series

RAMP_PERIOD_S = 0.1
COUNTED_ALOUD = 10
"""How many of the last seconds before a pulse are counted."""


class Readings(NamedTuple):
    """What is read after each level: the source first, then others; the trace, its other columns.

    `until` ends the series where it holds after a reading; `over_columns` is the same for many.
    """

    ports: tuple[Port, ...]
    trace: int
    further: Further | None
    until: Condition | None
    over_columns: ColumnCondition | None = None

    def take(self, line: int) -> bool:
        """Read every channel; True where the series is over."""
        for port in self.ports:
            port.measure(self.trace, line)
        return self.over()

    def over(self) -> bool:
        """The readings are there: the further columns, and whether the series is over."""
        if self.further is not None:
            self.further.row(self.ports[0].last_time)
        return self.until is not None and self.until()


class Head(NamedTuple):
    """What every such step begins with; without a limit the last `source`'s holds."""

    line: int
    text: str
    mode: Mode
    limit: Bounds | None
    readings: Readings


class _Levels(Step):
    """What they share: a source, its mode, perhaps a limit, and what is read."""

    takes_time = True

    def __init__(self, head: Head) -> None:
        super().__init__(head.line, head.text)
        self.mode, self.limit, self.readings = head.mode, head.limit, head.readings
        self.source = head.readings.ports[0]

    def bounds(self, run: Run) -> tuple[float, float]:
        """The limit: the step's own, or that of the last `source`."""
        sourced = run.sourced[self.source.name]
        return self.limit() if self.limit is not None else (sourced.low, sourced.high)

    @contextmanager
    def grid(self, run: Run, period: float) -> Iterator[float]:
        """A time grid from now on; gives its start."""
        start = run.now()
        run.begin_grid(start, period)
        try:
            yield start
        finally:
            run.end_grid(self.line)


class Sweep(_Levels):
    """A measured series of levels under one limit; stays at its last level."""

    def __init__(
        self,
        head: Head,
        levels: Callable[[], Sequence[float]],
        settle: Number | None,
        settles_alike: bool,
    ) -> None:
        super().__init__(head)
        self.levels, self.settle, self.settles_alike = levels, settle, settles_alike

    def run(self, run: Run) -> None:
        """Do it."""
        low, high = self.bounds(run)
        levels, setpoint = self.levels(), Setpoint(self.mode, 0.0, low, high)
        series = self._series(run, setpoint, levels)
        k = 0
        while k < len(levels):
            k += series.take(k) if series is not None else 0
            if k == len(levels):
                return
            level = levels[k]
            k += 1
            run.attend()
            run.program(self.source, setpoint._replace(level=level))
            if self.settle is not None:
                run.wait_until(run.now() + lasting(self.settle(), self.line))
            else:
                run.look_round()
            if self.readings.take(self.line):
                return

    def _series(self, run: Run, setpoint: Setpoint, levels: Sequence[float]) -> Series | None:
        """What takes many levels at a time; None where each has to run by itself."""
        if run.real_time or not self.settles_alike:
            return None
        # Only where there are channels to foresee are there columns to reckon with.
        from sequencer.engine.series import Series

        settle_s = None if self.settle is None else lasting(self.settle(), self.line)
        return Series(run, self.readings, self.line, setpoint, levels, settle_s)


class Ramp(_Levels):
    """From the programmed level to another in equal steps each 100 ms, or in steps of a size.

    Each step comes when its share of the whole time is over, so that the levels never run ahead of
    the rate: with n steps over a time D the k-th at t0 + k·D/n. In steps of a size the last may be
    a smaller one; it comes at t0 + D like every last one.
    """

    def __init__(
        self,
        head: Head,
        level: Number,
        rate: Number | None,
        duration: Number | None,
        size: Number | None,
    ) -> None:
        super().__init__(head)
        self.level, self.rate, self.duration, self.size = level, rate, duration, size

    def run(self, run: Run) -> None:
        """Do it."""
        programmed = self.source.setpoint
        assert programmed is not None
        low, high = self.bounds(run)
        first, last = programmed.level, self.level()
        distance = last - first
        duration = self._duration(abs(distance))
        size, count = self._steps(abs(distance), duration)
        period = duration * size / abs(distance) if distance else duration / count
        with self.grid(run, max(period, 1e-9)) as start:
            for k in range(1, count + 1):
                if k < count or math.isclose(count * period, duration):
                    run.tick(k)
                else:
                    # The last step of a size may be smaller, and comes sooner.
                    run.wait_until(start + duration)
                level = first + math.copysign(k * size, distance) if k < count else last
                run.program(self.source, Setpoint(self.mode, level, low, high))
                if self.readings.take(self.line):
                    return

    def _duration(self, distance: float) -> float:
        if self.duration is not None:
            return lasting(self.duration(), self.line)
        assert self.rate is not None
        rate = self.rate()
        if not rate > 0:
            raise Failed(f"line {self.line}: the rate comes out as {rate:g}: not above 0", "recipe")
        return lasting(distance / rate, self.line)

    def _steps(self, distance: float, duration: float) -> tuple[float, int]:
        """The size of a step and their number, the last one included."""
        # The shaved part keeps the number whole where one divides the other in decimal.
        if self.size is not None:
            size = abs(self.size())
            if not size > 0:
                raise Failed(f"line {self.line}: the steps come out as {size:g}: none", "recipe")
            return size, max(1, math.ceil(distance / size * (1 - 1e-12)))
        count = max(1, math.ceil(duration / RAMP_PERIOD_S * (1 - 1e-12)))
        return distance / count, count


class _Pulses(_Levels):
    """Pulses on a time grid, each from and back to the programmed level."""

    def train(self, run: Run, levels: Iterable[float], width: float, period: float | None) -> None:
        """A pulse at each level, at t0 + k·P.

        A pulse that comes late puts off the next: no two are closer than the period, by which their
        mean and the instrument's duty were checked. The last pulse's period is waited out: trains
        that follow one another keep their mean.
        """
        low, high = self.bounds(run)
        source, readings = self.source, self.readings
        share = None if period is None else width / period
        run.before_pulses(source, width)
        with self.grid(run, width if period is None else period) as start:
            made, due = 0, start
            for k, level in enumerate(levels):
                made = k + 1
                if k:
                    run.tick(k)
                    run.rest_until(due)
                else:
                    run.attend()
                due = run.now() + (period or 0.0)
                run.pulse(source, Pulse(level, low, high, width), share, readings.trace, self.line)
                for other in readings.ports[1:]:
                    # Read when the pulse is over: what changes with the pulse, a capture shows.
                    other.measure(readings.trace, self.line)
                if readings.over():
                    break
            if period is not None:
                run.wait_until(start + made * period)
                run.rest_until(due)


class PulseTrain(_Pulses):
    """`pulse`: one or several of one level."""

    def __init__(
        self,
        head: Head,
        level: Number,
        width: Number,
        period: Number | None,
        count: Number | None,
        countdown: Number | None,
    ) -> None:
        super().__init__(head)
        self.level, self.width, self.period = level, width, period
        self.count_of, self.countdown = count, countdown

    def run(self, run: Run) -> None:
        """Do it."""
        level, width = self.level(), lasting(self.width(), self.line)
        period = lasting(self.period(), self.line) if self.period is not None else None
        count = whole(self.count_of()) if self.count_of is not None else 1
        if self.countdown is not None:
            self._count_down(run, lasting(self.countdown(), self.line))
        self.train(run, itertools.repeat(level, count), width, period)

    def _count_down(self, run: Run, seconds: float) -> None:
        """Count the seconds aloud, so that one can step back; guards go on meanwhile."""
        end = run.now() + seconds
        whole = math.floor(seconds + 1e-9)
        if whole > COUNTED_ALOUD:
            run.say(f"pulse in {seconds:g} s", aloud=True)
        for left in range(min(whole, COUNTED_ALOUD), 0, -1):
            run.wait_until(end - left)
            run.say(f"{left}", aloud=True)
        run.wait_until(end)


class PulsedSweep(_Pulses):
    """`sweep …, pulsed`: a pulse at each level; the source stays where it is programmed."""

    def __init__(
        self, head: Head, levels: Callable[[], Sequence[float]], width: Number, period: Number
    ) -> None:
        super().__init__(head)
        self.levels, self.width, self.period = levels, width, period

    def run(self, run: Run) -> None:
        """Do it."""
        width, period = lasting(self.width(), self.line), lasting(self.period(), self.line)
        self.train(run, self.levels(), width, period)
