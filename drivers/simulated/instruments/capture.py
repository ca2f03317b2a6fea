"""A capture while it is under way: which motions it needs, whether its trigger came, its samples.

Motions are exact, so the samples don't depend on how the circuit was moved meanwhile. The trigger
looks at the true value at the terminals; what is sampled there goes through the meters afterwards.
The module knows no source and no part.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from drivers.channel import Capture, Mode, Trigger, Waveform
from drivers.clock import NANOSECONDS
from drivers.faults import InstrumentError
from drivers.simulated.circuits.flow import Array
from drivers.simulated.circuits.motion import Moment, Motion
from drivers.simulated.instruments.meter import Meter
from drivers.specification import Specification
from grammar.quantity import FREQUENCY, write

# A sample that rounding puts a hair before a switching belongs to what follows it.
_SAME_SAMPLE = 1e-6


def accept_capture(specification: Specification, capture: Capture) -> None:
    """Raise InstrumentError where the instrument wouldn't take a capture."""
    fastest, memory = specification.fastest_sampling_hz, specification.memory_samples
    if not specification.can("capture") or fastest is None or memory is None:
        raise InstrumentError("this instrument makes no captures")
    rate_hz, samples, trigger = capture
    if not 0 < rate_hz < math.inf:
        raise InstrumentError(f"a capture can't sample {rate_hz:g} times a second")
    if rate_hz > fastest * (1 + 1e-9):
        raise InstrumentError(
            f"sampling at {write(rate_hz, FREQUENCY)} is faster than the instrument's "
            f"{write(fastest, FREQUENCY)}",
            "Sample more slowly.",
        )
    if not 1 <= samples <= memory:
        raise InstrumentError(
            f"a capture of {samples} samples doesn't fit: the instrument's memory holds 1 to "
            f"{memory}",
            "Sample more slowly or for a shorter time.",
        )
    if trigger is not None:
        if not math.isfinite(trigger.threshold):
            raise InstrumentError("the threshold of a trigger is no finite number")
        if not 0 <= trigger.before_s <= samples / rate_hz * (1 + 1e-9):
            raise InstrumentError(
                f"a record of {samples / rate_hz:g} s can't begin {trigger.before_s:g} s before "
                "its trigger"
            )


class Ranges(NamedTuple):
    """The ranges that samples are taken in, as indices of the instrument's.

    `sees` is the voltage that the voltmeter sees, as a factor of that at the terminals.
    """

    voltage: int
    current: int
    sees: float = 1.0


class Samples(NamedTuple):
    """Samples that were taken in the same ranges, true at the terminals."""

    ranges: Ranges
    voltage: Array
    current: Array
    limited: float


class _Piece(NamedTuple):
    begin: Moment
    motion: Motion
    ranges: Ranges


class CaptureUnderWay:
    """One capture from its beginning to its end.

    Without a trigger its record starts at once. With one it starts `before_s` before the trigger,
    but never before the capture has begun: a trigger that comes sooner has less before it.
    """

    def __init__(self, capture: Capture, now_ns: int, motion: Motion, ranges: Ranges) -> None:
        self.capture = capture
        self._begin = Moment(now_ns)
        self.start = self._begin if capture.trigger is None else None
        self._pieces = deque([_Piece(self._begin, motion, ranges)])
        if capture.trigger is not None:
            value = motion.value(capture.trigger.quantity, self._begin.since(motion.begin))
            self._beyond = _is_beyond(value, capture.trigger)

    def follow(self, motion: Motion) -> None:
        """Another motion begins."""
        self._add(_Piece(motion.begin, motion, self._pieces[-1].ranges))

    def use(self, ranges: Ranges, now_ns: int) -> None:
        """Other ranges are in force from now on."""
        if ranges != self._pieces[-1].ranges:
            self._add(_Piece(Moment(now_ns), self._pieces[-1].motion, ranges))

    def full_at(self, now_ns: int) -> int | None:
        """When the record will be full (ns), None where the trigger hasn't come by now."""
        self._look_for_trigger(Moment(now_ns))
        end = self._end()
        return None if end is None else end.ns + math.ceil(end.rest_s * NANOSECONDS)

    def _end(self) -> Moment | None:
        if self.start is None:
            return None
        duration_ns = round(self.capture.samples / self.capture.rate_hz * NANOSECONDS)
        return Moment(self.start.ns + duration_ns, self.start.rest_s)

    def _add(self, piece: _Piece) -> None:
        self._look_for_trigger(piece.begin)
        end = self._end()
        if end is not None and piece.begin.since(end) >= 0:
            return
        self._pieces.append(piece)
        # What is older than any record can begin is let go, however long the trigger is waited for.
        first = self.start
        if first is None and self.capture.trigger is not None:
            first = piece.begin.later(-self.capture.trigger.before_s)
        while first is not None and len(self._pieces) > 1:
            if self._pieces[1].begin.since(first) >= 0:
                break
            self._pieces.popleft()

    def _look_for_trigger(self, until: Moment) -> None:
        """Whether the newest piece brings the trigger before it ends; then the record has a start.

        It comes within a motion, or at its beginning where switching has made the value jump.
        """
        trigger = self.capture.trigger
        if self.start is not None or trigger is None:
            return
        begin, motion, _ = self._pieces[-1]
        first_s, last_s = begin.since(motion.begin), until.since(motion.begin)
        quantity, above, threshold, before_s = trigger
        at_first = _is_beyond(motion.value(quantity, first_s), trigger)
        when_s = math.inf
        if at_first and not self._beyond:
            when_s = first_s
        elif last_s > first_s:
            when_s = motion.passes(quantity, above, threshold, first_s)
        if when_s <= last_s:
            came = motion.begin.later(when_s - before_s)
            self.start = came if came.since(self._begin) > 0 else self._begin
        self._beyond = _is_beyond(motion.value(quantity, last_s), trigger)

    def samples(self) -> Iterator[Samples]:
        """The samples at start + k/rate, piece by piece; the record must be full."""
        assert self.start is not None, "the trigger hasn't come"
        rate_hz, count, _ = self.capture
        pieces = list(self._pieces)
        taken = 0
        for number, (_, motion, ranges) in enumerate(pieces):
            last = count
            if number + 1 < len(pieces):
                after_s = pieces[number + 1].begin.since(self.start)
                last = min(count, max(taken, math.ceil(after_s * rate_hz - _SAME_SAMPLE)))
            if last > taken:
                times_s = self.start.since(motion.begin) + np.arange(taken, last) / rate_hz
                times_s = np.maximum(times_s, 0.0)
                yield Samples(
                    ranges,
                    motion.values("voltage", times_s) * ranges.sees,
                    motion.values("current", times_s),
                    motion.limited,
                )
                taken = last


def waveform(capture: CaptureUnderWay, voltage: Meter, current: Meter) -> Waveform:
    """The samples of a full record as the meters show them, with the largest ranges of any."""
    assert capture.start is not None, "the trigger hasn't come"
    rate_hz, start = capture.capture.rate_hz, capture.start
    shown: dict[Mode, list[float]] = {"voltage": [], "current": []}
    scales: dict[Mode, float] = {"voltage": 0.0, "current": 0.0}
    limited: list[float] = []
    for samples in capture.samples():
        both: tuple[tuple[Mode, Meter, int, Array], ...] = (
            ("voltage", voltage, samples.ranges.voltage, samples.voltage),
            ("current", current, samples.ranges.current, samples.current),
        )
        at_s = np.arange(len(limited), len(limited) + len(samples.voltage)) / rate_hz
        times_ns = start.ns + np.rint((start.rest_s + at_s) * NANOSECONDS).astype(np.int64)
        for quantity, meter, index, true in both:
            values = meter.sampled(true, index, 1 / rate_hz, times_ns)
            shown[quantity] += values.tolist()
            scales[quantity] = max(scales[quantity], meter.full_scale_of(index))
        limited += [samples.limited] * len(samples.voltage)
    return Waveform(
        capture.start.s,
        rate_hz,
        shown["voltage"],
        shown["current"],
        limited,
        scales["voltage"],
        scales["current"],
    )


def _is_beyond(value: float, trigger: Trigger) -> bool:
    return value > trigger.threshold if trigger.above else value < trigger.threshold
