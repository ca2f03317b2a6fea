"""A capture on one channel: begun, ended, and its samples counted, put on record and judged.

While it lasts the channel can't be read. What could have flowed unseen is counted as the most that
can, and the port is due for judgment when a rating of energy or charge could have been passed. What
the samples show goes the way of a reading once they are there: counters, record, guards.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, cast

from drivers.channel import Capture, CapturingChannel, Pulse, Waveform
from sequencer.engine.judging import Bounds

if TYPE_CHECKING:
    from sequencer.engine.port import Port

Sample = tuple[float, ...]
"""A row of the record, without its further columns."""


class Capturing:
    """What happens on a channel while it captures, and so can't be read.

    `levels` are those since then with their times (s); `bounds` are those of its pulses, if any.
    """

    def __init__(self, began: float, level: float, bounds: Bounds) -> None:
        self.levels = [(began, level)]
        self.bounds = bounds

    def pulse(self, began: float, pulse: Pulse, back: float, bounds: Bounds) -> None:
        """A pulse was made, and the level is back where it was."""
        self.levels += [(began, pulse.level), (began + pulse.width_s, back)]
        self.bounds = bounds


class Sampling:
    """One capture of a port, from its beginning to its end. Times are from the run's start (s)."""

    def __init__(self, port: Port) -> None:
        self.port = port
        self.began = 0.0
        self._counted = (0.0, 0.0)

    def begin(self, capture: Capture) -> None:
        """Begin to sample, or to wait for the trigger."""
        port, counters = self.port, self.port.counters
        port.say_alive()
        counters.close_for_pulse(port.now(), port.on)
        cast("CapturingChannel", port.channel).begin_capture(capture)
        self.began = port.now()
        self._counted = counters.charge, counters.energy
        level = port.setpoint.level if port.setpoint is not None else math.nan
        port.capturing = Capturing(self.began, level, port.judge.plain)
        port.rejudge()

    def end(self, keep: Callable[[Iterable[Sample]], None]) -> int:
        """Wait until the record is full, count, keep and judge it; how many samples there are.

        There are none where a trigger was waited for in vain. Raises Tripped.
        """
        port, counters = self.port, self.port.counters
        log = port.capturing
        assert log is not None
        port.say_alive()
        waveform = cast("CapturingChannel", port.channel).end_capture()
        now = port.now()
        # Nobody has read what flowed: the ratings count the most, whatever the samples say.
        counters.close(now, port.on)
        self.drop()
        samples = len(waveform.voltage) if waveform is not None else 0
        if waveform is not None and samples:
            counters.charge, counters.energy = self._counted
            keep(self._rows(waveform, log))
            self._count_rest(waveform, now)
            port.last_time = self._time(waveform, samples - 1)
            port.show(waveform.voltage[-1], waveform.current[-1], waveform.limited[-1])
            self._judge(waveform, log)
        port.judge_tallies()
        port.poll(now)
        return samples

    def drop(self) -> None:
        """The channel may be read again; what it samples is left to it."""
        self.port.capturing = None
        self.port.rejudge()

    def _time(self, waveform: Waveform, k: int) -> float:
        return waveform.start - self.port.start + k / waveform.rate_hz

    def _rows(self, waveform: Waveform, log: Capturing) -> Iterator[Sample]:
        """The samples as rows; each is counted, by trapezoids, when it is taken from here."""
        counters = self.port.counters
        ranges = (waveform.voltage_range, waveform.current_range)
        levels = iter(log.levels)
        level, upcoming = math.nan, next(levels, None)
        before: tuple[float, float, float] | None = None
        for k, (voltage, current, limited) in enumerate(
            zip(waveform.voltage, waveform.current, waveform.limited, strict=True)
        ):
            moment = self._time(waveform, k)
            while upcoming is not None and upcoming[0] <= moment + 1e-9:
                level, upcoming = upcoming[1], next(levels, None)
            flow, work = counters.countable(current, voltage * current)
            last, last_flow, last_work = before or (min(self.began, moment), flow, work)
            counters.charge += 0.5 * (moment - last) * (flow + last_flow)
            counters.energy += 0.5 * (moment - last) * (work + last_work)
            before = (moment, flow, work)
            counted = (counters.charge, counters.energy)
            yield (moment, voltage, current, limited, level, *ranges, *counted)

    def _count_rest(self, waveform: Waveform, now: float) -> None:
        """From the last sample on nothing was read: it speaks for the rest."""
        counters = self.port.counters
        voltage, current = waveform.voltage[-1], waveform.current[-1]
        left = max(now - self._time(waveform, len(waveform.voltage) - 1), 0.0)
        counters.hold(left, *counters.countable(current, voltage * current))

    def _judge(self, waveform: Waveform, log: Capturing) -> None:
        """Every sample against the ratings and the recipe's guards, by the error of a sample."""
        port = self.port
        bounds = Bounds(log.bounds.rated)
        bounds.work_out(*port.errors_over(1 / waveform.rate_hz))
        held = port.setpoint if port.on and log.bounds is port.judge.plain else None
        level = port.setpoint.level if port.setpoint is not None else math.nan
        conditions = port.judge.conditions
        for voltage, current, limited in zip(
            waveform.voltage, waveform.current, waveform.limited, strict=True
        ):
            power = voltage * current
            if not bounds.hold(voltage, current, power):
                port.judge.reading(bounds, voltage, current, power, held)
            if conditions:
                port.hold_conditions(voltage, current, limited, level)
