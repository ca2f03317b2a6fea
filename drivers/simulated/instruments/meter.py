"""What a true value goes through before it is a reading: error, noise, resolution, range.

Gain and offset errors are drawn once a run within the specification; white noise is drawn for every
reading, what else disturbs it depends on its time. A meter knows one quantity, and neither part nor
source.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Collection, Iterator
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from drivers.clock import NANOSECONDS
from drivers.faults import InstrumentError
from drivers.figures import (
    CurrentRange,
    VoltageRange,
    reading_noise,
)
from drivers.simulated.circuits.flow import Array, Integers
from drivers.simulated.instruments.excess import Excess
from drivers.simulated.instruments.moves import Moves
from drivers.simulated.instruments.noise import UNDISTURBED, Disturbance, White
from drivers.specification import Specification
from grammar.quantity import VOLTAGE, Dimension, write

# 1.5·2^52: added and taken away again it rounds a float below 2^51 to the nearest whole number,
# ties to even, as rint does, and never leaves a negative zero.
_ROUND = 6755399441055744.0

_NEVER = (0, 0)

Range = VoltageRange | CurrentRange


class Error(NamedTuple):
    """The errors of one range in this run: factors on the value, absolute parts (V or A)."""

    source_gain: float = 1.0
    source_offset: float = 0.0
    measure_gain: float = 1.0
    measure_offset: float = 0.0


class Scale(NamedTuple):
    """A range as a reading meets it: shown while its magnitude is above `under`, up to `over`.

    Past that a fixed range is over range, while autorange takes another one. `deviation` is that of
    white noise, to whose square `shot` adds so much for each ampere. `steps` are the digits per
    volt or ampere, the inverse of the resolution: dividing by a whole number of them gives the very
    float that the digits spell. 0 shows every digit.
    """

    gain: float
    offset: float
    deviation: float
    shot: float
    steps: float
    under: float
    over: float


class Streams(NamedTuple):
    """Where a meter's chance comes from: errors and readings, samples, what a drift comes to later.

    Each has a stream of its own, so that neither a capture nor the time it takes changes the
    readings. The latter two are made when asked for: most runs take none.
    """

    readings: np.random.Generator
    samples: Callable[[], np.random.Generator]
    later: Callable[[], np.random.SeedSequence]


class Meter:
    """One quantity of an instrument: its ranges, its errors in this run and its noise.

    Without streams it is ideal: no error, no noise, no resolution; ranges stay. `changed` says that
    the range is another one than when it last settled.
    """

    def __init__(
        self,
        dimension: Dimension,
        specification: Specification,
        streams: Streams | None,
        line_hz: float,
        disturbance: Disturbance = UNDISTURBED,
        excess: Excess | None = None,
    ) -> None:
        self._dimension = dimension
        self._ranges, self._scales, self._steps, limits = _figures(specification, dimension)
        self._over_range = specification.over_range
        self._line_hz = line_hz
        self._ideal = streams is None
        self._disturbance = disturbance
        self._errors = [Error()] * len(self._ranges)
        self._moves: Moves | None = None
        self._samples: Callable[[], np.random.Generator] | None = None
        self._sampling: np.random.Generator | None = None
        readings: np.random.Generator | None = None
        if streams is not None:
            readings, self._samples, later = streams
            self._errors = _draw(limits, readings, specification.coverage_factor)
            self._moves = Moves(
                self._ranges, readings, later, line_hz, disturbance.pick_up, excess,
                specification.range_settling,
            )  # fmt: skip
        self._white = White(readings)
        self._at_hand = self._white.at_hand
        self._sourced_in: set[int] = set()
        self._index = len(self._ranges) - 1
        self._aperture_ns = self._half_ns = 0
        self._forced, self._is_set = False, False
        self._moving, self._holds, self._held = False, _NEVER, 0.0
        self.fixed: float | None = None
        self.changed = False

    def index_for(self, asked: float | None, forced: float | None) -> int | None:
        """The range for a full scale asked for and a value forced (V or A); None for autorange.

        Raises InstrumentError where there is no such range, or where the value doesn't fit it.
        """
        if asked is None and forced is None:
            return None
        index = self.holding(asked if asked is not None else abs(forced or 0.0))
        if asked is not None and (index is None or asked <= 0):
            largest = write(self._ranges[-1].full_scale, self._dimension)
            raise InstrumentError(
                f"there is no {self._dimension.name} range of {write(asked, self._dimension)}: "
                f"the largest is {largest}"
            )
        if index is None or (forced and abs(forced) > self._ranges[index].full_scale):
            full_scale = self._ranges[-1 if index is None else index].full_scale
            raise InstrumentError(
                f"a level of {write(forced or 0.0, self._dimension)} doesn't fit the range of "
                f"{write(full_scale, self._dimension)}",
                "Set a larger range first.",
            )
        return index

    def holding(self, magnitude: float) -> int | None:
        """The index of the smallest range that holds a magnitude, None where none does."""
        index = bisect_left(self._scales, magnitude)
        return index if index < len(self._scales) else None

    def use(self, index: int | None, aperture_ns: int, forced: bool = False) -> None:
        """Fix a range, or let it follow the readings (None), at an aperture.

        A quantity that is `forced` upon the part doesn't have its noise: the other one does.
        """
        measures_alike = aperture_ns == self._aperture_ns and forced == self._forced
        if measures_alike and self.fixed is not None and index == self._index:
            return
        self.fixed = None if index is None else self._ranges[index].full_scale
        if index is not None and index != self._index:
            self._index, self.changed = index, True
        if not measures_alike:
            self._aperture_ns, self._half_ns = aperture_ns, aperture_ns // 2
            self._forced = forced
        # Much is set before anything is shown: what follows from it is worked out then.
        self.full_scale, self._is_set = self._scales[self._index], False

    def _deviation(self, r: Range, aperture_s: float) -> float:
        """The white noise of a reading, with the part's, shot noise left out."""
        own = reading_noise(r.noise, aperture_s, self._line_hz)
        if self._forced:
            return own
        return math.hypot(own, self._disturbance.deviation(aperture_s))

    def _shot_over(self, aperture_s: float) -> float:
        """The variance of shot noise for each ampere (A)."""
        return 0.0 if self._forced else self._disturbance.shot(aperture_s)

    def settle(self, time_ns: int) -> None:
        """The range has changed, and from this time on the instrument waits for it no more."""
        self.changed = False
        if self._moves is not None:
            self._moves.settle(time_ns, self.full_scale)
            self._moving, self._holds = True, _NEVER

    def _set_scale(self) -> None:
        self._is_set = True
        index = self._index
        r, error = self._ranges[index], self._errors[index]
        under = -1.0
        if self.fixed is None and index:
            under = self._ranges[index - 1].full_scale
        steps = 0.0 if self._ideal else self._steps[index]
        aperture_s = self._aperture_ns / NANOSECONDS
        self.full_scale = r.full_scale
        self._scale = Scale(
            error.measure_gain,
            error.measure_offset,
            0.0 if self._ideal else self._deviation(r, aperture_s),
            0.0 if self._ideal else self._shot_over(aperture_s),
            steps,
            under,
            r.full_scale * (1 + self._over_range),
        )
        if self._moves is not None:
            self._moving = self._moves.use(index, self._aperture_ns)
            self._holds = _NEVER

    def show(self, true: float, end_ns: int) -> float:
        """The reading of a true mean (V or A) over the aperture that ends then.

        It is ±inf past the range; `full_scale` is the range that it was taken in.
        """
        if not self._is_set:
            self._set_scale()
        gain, offset, deviation, shot, steps, under, over = self._scale
        at_hand = self._at_hand
        noise = at_hand.pop() if at_hand else self._white.more()
        if shot:
            deviation = math.sqrt(deviation * deviation + shot * abs(true))
        value = true * gain + offset + noise * deviation
        if self._moving:
            holds_from, holds_until = self._holds
            if holds_from <= end_ns < holds_until:
                value += self._held
            else:
                value += self._moved(true, end_ns)
        if steps:
            value = (value * steps + _ROUND - _ROUND) / steps
        if under < abs(value) <= over:
            return value
        return self._in_other_range(true, end_ns, noise, value)

    def show_many(self, true: Array, ends_ns: Integers) -> tuple[Array, int]:
        """The readings that `show` would give of true means, one after the other; spends nothing.

        `true` holds the means (V or A) over apertures that end at `ends_ns`, which ascend. Returns
        as many values, of which the first `count` are readings, to the bit, all taken in the range
        of `full_scale`. The one after them is past that range, or the range would follow it: take
        it by `show`. `spend` lets go of what was taken.
        """
        if not self._is_set:
            self._set_scale()
        gain, offset, deviation, shot, steps, under, over = self._scale
        noise = self._white.ahead(len(true))
        noise = noise * (_with_shot(deviation, shot, true) if shot else deviation)
        values = true * gain + offset + noise
        if self._moving and self._moves is not None:
            values += self._moves.many(true, ends_ns - self._half_ns, gain - 1, offset)
        if steps:
            values = (values * steps + _ROUND - _ROUND) / steps
        sizes = np.abs(values)
        shown = (under < sizes) & (sizes <= over)
        return values, len(values) if shown.all() else int(shown.argmin())

    def spend(self, count: int) -> None:
        """Let go of the first `count` readings of `show_many`, as if `show` had given them."""
        self._white.spend(count)

    def _moved(self, true: float, end_ns: int) -> float:
        """What in a reading depends on its time (V or A)."""
        if self._moves is None:
            return 0.0
        scale, time_ns = self._scale, end_ns - self._half_ns
        self._held = self._moves.at(true, time_ns, scale.gain - 1, scale.offset)
        begin_ns, until_ns = self._moves.holds(time_ns)
        self._holds = begin_ns + self._half_ns, until_ns + self._half_ns
        return self._held

    def _in_other_range(self, true: float, end_ns: int, noise: float, value: float) -> float:
        """The reading where the present range doesn't show it, with the noise already drawn."""
        if self.fixed is None:
            index = self.holding(abs(true))
            index = len(self._ranges) - 1 if index is None else index
            self.changed = self.changed or index != self._index
            self._index = index
            self._set_scale()
            gain, offset, deviation, shot, steps, _, _ = self._scale
            if shot:
                deviation = math.sqrt(deviation * deviation + shot * abs(true))
            value = true * gain + offset + noise * deviation
            if self._moving:
                value += self._moved(true, end_ns)
            if steps:
                value = (value * steps + _ROUND - _ROUND) / steps
        if abs(value) > self.full_scale * (1 + self._over_range):
            return math.copysign(math.inf, value)
        return value

    @property
    def sampling_range(self) -> int:
        """The index of the range for samples, the largest where it follows the readings."""
        return len(self._ranges) - 1 if self.fixed is None else self._index

    def full_scale_of(self, index: int) -> float:
        """The full scale of a range (V or A)."""
        return self._ranges[index].full_scale

    def sampled(self, true: Array, index: int, aperture_s: float, times_ns: Integers) -> Array:
        """Samples of true values (V or A) at these times; ±inf past the range.

        Each is over an aperture (s).
        """
        r, error = self._ranges[index], self._errors[index]
        values = true * error.measure_gain + error.measure_offset
        if self._samples is not None:
            self._sampling = self._sampling or self._samples()
            deviation, shot = self._deviation(r, aperture_s), self._shot_over(aperture_s)
            noise = self._sampling.standard_normal(len(values))
            values += noise * (_with_shot(deviation, shot, true) if shot else deviation)
            if self._moves is not None:
                aperture_ns = round(aperture_s * NANOSECONDS)
                errors = error.measure_gain - 1, error.measure_offset
                values += self._moves.samples(true, times_ns, index, aperture_ns, *errors)
            steps = self._steps[index]
            if steps:
                values = (values * steps + _ROUND - _ROUND) / steps
        over = np.abs(values) > r.full_scale * (1 + self._over_range)
        values[over] = np.copysign(np.inf, values[over])
        return values

    def sourced(self, value: float) -> float:
        """What a programmed level or limit (V or A) truly is, on the range in force or its own."""
        index = self._index
        if self.fixed is None or abs(value) > self.fixed:
            fitting = self.holding(abs(value))
            index = len(self._ranges) - 1 if fitting is None else fitting
        self._sourced_in.add(index)
        error = self._errors[index]
        return value * error.source_gain + error.source_offset

    def sourced_many(self, values: Array) -> Array:
        """As `sourced`, of many values of which none is beyond the fixed range in force."""
        self._sourced_in.add(self._index)
        error = self._errors[self._index]
        return values * error.source_gain + error.source_offset

    def errors(self, measured_in: Collection[float]) -> Iterator[tuple[str, float]]:
        """This run's errors by name: gains as factors, offsets in V or A.

        Those of sourcing in the ranges that were sourced in so far, and of measuring in those of
        these full scales.
        """
        for index, (scale, error) in enumerate(zip(self._scales, self._errors, strict=True)):
            named = zip(_names(scale, self._dimension), error, strict=True)
            sourced, measured = index in self._sourced_in, scale in measured_in
            if sourced or measured:
                yield from [*named][0 if sourced else 2 : 4 if measured else 2]


def _with_shot(deviation: float, shot: float, true: Array) -> Array:
    """The deviation of each of these currents (A), to the bit as for one alone."""
    found: Array = np.sqrt(deviation * deviation + shot * np.abs(true))
    return found


@lru_cache(maxsize=256)
def _names(full_scale: float, dimension: Dimension) -> tuple[str, ...]:
    """The names of a range's errors, in the order of `Error`."""
    scale = f"{write(full_scale, dimension)} range"
    return tuple(
        f"{what} {error}, {scale}" for what in ("source", "measure") for error in ("gain", "offset")
    )


def _whole_if_near(value: float) -> float:
    """The whole number that a value misses by rounding alone; other values as they are."""
    return float(round(value)) if abs(value - round(value)) < 1e-9 * value else value


class _Figures(NamedTuple):
    """What all meters of a quantity have of one specification.

    The ranges, their full scales (V or A) and digits per volt or ampere (0 shows every digit), and
    the limits of their errors, in the order of `Error`, shape (ranges, 4).
    """

    ranges: tuple[Range, ...]
    scales: tuple[float, ...]
    steps: tuple[float, ...]
    limits: Array


@lru_cache(maxsize=64)
def _figures(specification: Specification, dimension: Dimension) -> _Figures:
    ranges: tuple[Range, ...] = (
        specification.voltage_ranges if dimension == VOLTAGE else specification.current_ranges
    )
    return _Figures(
        ranges,
        tuple(r.full_scale for r in ranges),
        tuple(_whole_if_near(1 / r.resolution) if r.resolution else 0.0 for r in ranges),
        np.array(
            [(r.source.of_value, r.source.plus, r.measure.of_value, r.measure.plus) for r in ranges]
        ),
    )


def _draw(
    limits: Array, generator: np.random.Generator, coverage_factor: float | None
) -> list[Error]:
    """Errors of each range within its accuracy: rectangular where it is a limit.

    With a coverage factor k the accuracy is k standard deviations of a normal distribution
    (JCGM 100:2008, 4.3.3 and 4.3.7).
    """
    if coverage_factor is None:
        errors = generator.random(limits.shape) * (2 * limits) - limits
    else:
        errors = generator.normal(0.0, limits / coverage_factor)
    by_range: list[list[float]] = errors.tolist()
    return [Error(1 + source, plus, 1 + gain, offset) for source, plus, gain, offset in by_range]
