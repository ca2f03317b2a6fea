"""What in the readings of one quantity depends on their time, in one run.

Drift, pick-up from the mains, what a change of range has left, and errors that are larger than
stated for a while. Each has a form for one reading and one for many that gives the same bits. The
module knows no resolution and no over-range.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

from drivers.clock import NANOSECONDS
from drivers.figures import (
    CurrentRange,
    RangeSettling,
    VoltageRange,
    averaged_line,
    drift_per_octave,
)
from drivers.simulated.circuits.flow import Array, Integers
from drivers.simulated.instruments.excess import Excess
from drivers.simulated.instruments.noise import Drift, line_at, lines_at

# e^-40 of what was settling is beyond the last digit of any reading.
_CONSTANTS = 40


class Amplitudes(NamedTuple):
    """Sizes in a range at an aperture (V or A): of drift an octave, of pick-up averaged over it."""

    drift: float
    pick_up: float
    aperture_ns: int


class Moves:
    """All of it for one meter. `pick_up` is the amplitude (V or A) that the leads add.

    `later` is the seed of what of the drift isn't drawn at once.
    """

    def __init__(
        self,
        ranges: Sequence[VoltageRange | CurrentRange],
        chance: np.random.Generator,
        later: Callable[[], np.random.SeedSequence],
        line_hz: float,
        pick_up: float,
        excess: Excess | None,
        settling: RangeSettling | None,
    ) -> None:
        self._ranges, self._line_hz, self._pick_up, self._excess = ranges, line_hz, pick_up, excess
        self._phase = float(chance.uniform(0.0, 2 * math.pi))
        self._sign = (-1.0, 1.0)[int(chance.integers(0, 2))]
        corner_hz = max(r.noise_corner for r in ranges)
        self._drift = Drift(chance, later, corner_hz) if corner_hz else None
        self._error, self._decay_ns = 0.0, 0.0
        if settling is not None:
            self._error, self._decay_ns = settling.error, settling.decay * NANOSECONDS
        self._left = 0.0
        self._since_ns = self._until_ns = 0
        self._amplitudes = Amplitudes(0.0, 0.0, 1)

    def use(self, index: int, aperture_ns: int) -> bool:
        """Take a range and an aperture; returns whether anything can move readings in them."""
        self._amplitudes = amplitudes = self._in(index, aperture_ns)
        return bool(
            amplitudes.drift or amplitudes.pick_up or self._left or self._excess is not None
        )

    def _in(self, index: int, aperture_ns: int) -> Amplitudes:
        r = self._ranges[index]
        pick_up = r.line_pick_up + self._pick_up
        if pick_up:
            pick_up *= averaged_line(aperture_ns / NANOSECONDS, self._line_hz)
        return Amplitudes(
            drift_per_octave(r.noise, r.noise_corner, self._line_hz), pick_up, aperture_ns
        )

    def settle(self, time_ns: int, full_scale: float) -> None:
        """A range of that full scale (V or A) has been waited for: what is left of it decays."""
        self._left = self._sign * self._error * full_scale
        if self._error:
            self._since_ns, self._until_ns = time_ns, time_ns + round(_CONSTANTS * self._decay_ns)

    def at(self, true: float, time_ns: int, gain: float, offset: float) -> float:
        """What is added to a reading of a true value (V or A) in the middle of its aperture.

        `gain` (a fraction) and `offset` (V or A) are the errors of the range in this run.
        """
        drift, pick_up, aperture_ns = self._amplitudes
        moved = 0.0
        if drift and self._drift is not None:
            moved += drift * self._drift.at(time_ns, aperture_ns)
        if pick_up:
            moved += pick_up * line_at(time_ns, self._line_hz, self._phase)
        if self._excess is not None:
            moved += self._excess.at(time_ns) * (true * gain + offset)
        if time_ns < self._until_ns:
            moved += self._left_at(time_ns)
        return moved

    def holds(self, time_ns: int) -> tuple[int, int]:
        """From when, and until before when, what is added stays as it is at a time."""
        if (
            self._amplitudes.pick_up
            or self._excess is not None
            or time_ns < self._until_ns
            or self._drift is None
        ):
            return time_ns, time_ns
        return self._drift.holds(time_ns)

    def _left_at(self, time_ns: int) -> float:
        return self._left * math.exp((self._since_ns - time_ns) / self._decay_ns)

    def many(self, true: Array, times_ns: Integers, gain: float, offset: float) -> Array:
        """As `at`, of many in ascending order."""
        moved = self._sampled(self._amplitudes, true, times_ns, gain, offset)
        if len(times_ns) and times_ns[0] < self._until_ns:
            left = times_ns[: int(np.searchsorted(times_ns, self._until_ns))].tolist()
            moved[: len(left)] += np.array([self._left_at(t) for t in left])
        return moved

    def samples(
        self, true: Array, times_ns: Integers, index: int, aperture_ns: int,
        gain: float, offset: float,
    ) -> Array:  # fmt: skip
        """As `many`, in a range and at an aperture of their own, with nothing left to settle."""
        return self._sampled(self._in(index, aperture_ns), true, times_ns, gain, offset)

    def _sampled(
        self, amplitudes: Amplitudes, true: Array, times_ns: Integers, gain: float, offset: float
    ) -> Array:
        moved = np.zeros(len(true))
        if amplitudes.drift and self._drift is not None:
            moved += amplitudes.drift * self._drift.many(times_ns, amplitudes.aperture_ns)
        if amplitudes.pick_up:
            moved += amplitudes.pick_up * lines_at(times_ns, self._line_hz, self._phase)
        if self._excess is not None:
            excess = np.array([self._excess.at(t) for t in times_ns.tolist()])
            moved += excess * (true * gain + offset)
        return moved
