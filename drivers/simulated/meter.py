"""What a true value goes through before it is a reading: error, noise, resolution, range.

Gain and offset errors are drawn once a run within the specification; noise is drawn for every
reading. A meter knows one quantity, and neither part nor source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import repeat
from typing import NamedTuple

import numpy as np

from drivers.faults import InstrumentError
from drivers.simulated.flow import Array
from drivers.specification import (
    CurrentAccuracy,
    CurrentRange,
    VoltageAccuracy,
    VoltageRange,
    reading_noise,
)
from grammar.quantity import Dimension, write

_BATCH = 4096

# 1.5·2^52: added and taken away again it rounds a float below 2^51 to the nearest whole number,
# ties to even, as rint does, and never leaves a negative zero.
_ROUND = 6755399441055744.0

Range = VoltageRange | CurrentRange


class Error(NamedTuple):
    """The errors of one range in this run: factors on the value, absolute parts (V or A)."""

    source_gain: float = 1.0
    source_offset: float = 0.0
    measure_gain: float = 1.0
    measure_offset: float = 0.0


class Scale(NamedTuple):
    """A range as a reading meets it: shown while its magnitude is above `under`, up to `over`.

    Past that a fixed range is over range, while autorange takes another one. `steps` are the digits
    per volt or ampere, the inverse of the resolution: dividing by a whole number of them gives the
    very float that the digits spell. 0 shows every digit.
    """

    gain: float
    offset: float
    deviation: float
    steps: float
    under: float
    over: float


class Meter:
    """One quantity of an instrument: its ranges, its errors in this run and its noise.

    Without generators it is ideal: no error, no noise, no resolution; ranges stay. The noise of
    samples is a stream of its own, so that a capture never changes the readings.
    """

    def __init__(
        self,
        dimension: Dimension,
        ranges: Sequence[Range],
        generator: np.random.Generator | None,
        sampling_generator: np.random.Generator | None,
        over_range: float,
        coverage_factor: float | None,
    ) -> None:
        self._dimension = dimension
        self._ranges = ranges
        self._over_range = over_range
        self._ideal = generator is None
        self._sampling = sampling_generator
        self._errors = [Error()] * len(ranges)
        self._noise: Iterator[float] = repeat(0.0)
        if generator is not None:
            self._errors = [_draw(r, generator, coverage_factor) for r in ranges]
            self._noise = _normal(generator)
        self._index = len(ranges) - 1
        self._deviations: list[float] = [0.0] * len(ranges)
        self.fixed: float | None = None

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
        for index, r in enumerate(self._ranges):
            if magnitude <= r.full_scale:
                return index
        return None

    def use(self, index: int | None, aperture_s: float, line_frequency_hz: float) -> None:
        """Fix a range, or let it follow the readings (None), at an aperture (s)."""
        self.fixed = None if index is None else self._ranges[index].full_scale
        if index is not None:
            self._index = index
        if not self._ideal:
            self._deviations = [
                reading_noise(r.noise, aperture_s, line_frequency_hz) for r in self._ranges
            ]
        self._set_scale()

    def _set_scale(self) -> None:
        index = self._index
        r, error = self._ranges[index], self._errors[index]
        under = -1.0
        if self.fixed is None and index:
            under = self._ranges[index - 1].full_scale
        steps = 0.0 if self._ideal or not r.resolution else _whole_if_near(1 / r.resolution)
        self.full_scale = r.full_scale
        self._scale = Scale(
            error.measure_gain,
            error.measure_offset,
            self._deviations[index],
            steps,
            under,
            r.full_scale * (1 + self._over_range),
        )

    def show(self, true: float) -> float:
        """A reading of a true value (V or A), ±inf past the range; `full_scale` is its range."""
        gain, offset, deviation, steps, under, over = self._scale
        noise = next(self._noise)
        value = true * gain + offset + noise * deviation
        if steps:
            value = (value * steps + _ROUND - _ROUND) / steps
        if under < abs(value) <= over:
            return value
        return self._in_other_range(true, noise, value)

    def _in_other_range(self, true: float, noise: float, value: float) -> float:
        """The reading where the present range doesn't show it, with the noise already drawn."""
        if self.fixed is None:
            index = self.holding(abs(true))
            self._index = len(self._ranges) - 1 if index is None else index
            self._set_scale()
            gain, offset, deviation, steps, _, _ = self._scale
            value = true * gain + offset + noise * deviation
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

    def sampled(self, true: Array, index: int, aperture_s: float, line_hz: float) -> Array:
        """Samples of true values (V or A), each over an aperture (s); ±inf past the range."""
        r, error = self._ranges[index], self._errors[index]
        values = true * error.measure_gain + error.measure_offset
        if self._sampling is not None:
            deviation = reading_noise(r.noise, aperture_s, line_hz)
            values += self._sampling.standard_normal(len(values)) * deviation
            if r.resolution:
                steps = _whole_if_near(1 / r.resolution)
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
        error = self._errors[index]
        return value * error.source_gain + error.source_offset


def _whole_if_near(value: float) -> float:
    """The whole number that a value misses by rounding alone; other values as they are."""
    return float(round(value)) if abs(value - round(value)) < 1e-9 * value else value


def _draw(r: Range, generator: np.random.Generator, coverage_factor: float | None) -> Error:
    """Errors within a range's accuracy: rectangular where it is a limit.

    With a coverage factor k the accuracy is k standard deviations of a normal distribution
    (JCGM 100:2008, 4.3.3 and 4.3.7).
    """

    def error(limit: float) -> float:
        if coverage_factor is None:
            return float(generator.uniform(-limit, limit))
        return float(generator.normal(0.0, limit / coverage_factor))

    def pair(accuracy: VoltageAccuracy | CurrentAccuracy) -> tuple[float, float]:
        return 1 + error(accuracy.of_value), error(accuracy.plus)

    return Error(*pair(r.source), *pair(r.measure))


def _normal(generator: np.random.Generator) -> Iterator[float]:
    """Standard normal values without end, drawn in batches: one at a time they cost ten times."""
    while True:
        yield from generator.standard_normal(_BATCH).tolist()
