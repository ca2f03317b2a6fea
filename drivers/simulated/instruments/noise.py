"""What moves a reading besides the part: white noise, drift (1/f noise), pick-up from the mains.

White noise is a row of numbers, one for every reading. Drift and pick-up are functions of time and
seed alone: how often anyone looks changes nothing. Each has a form for one reading and one for many
that gives the same bits. The module knows no instrument and no quantity.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from drivers.clock import NANOSECONDS
from drivers.figures import drift_octaves
from drivers.simulated.circuits.flow import Array, Integers

_FIRST_BATCH, _LARGEST_BATCH = 256, 4096
# In ns: a whole number of cycles of every frequency that is a whole number of millihertz.
_THOUSAND_S = 1000 * NANOSECONDS
_FIRST_AT_HAND, _AT_HAND = 16, 256
_CHUNK = 256
# So many of its steps all octaves of a drift have at hand.
_AT_FIRST = 64
# Where so many steps of a drift lie between two readings, it is worked out for each by itself.
_SPARSE = 64
# Octaves that are added up anew for every reading; what the slower ones come to stays longer.
_FAST = 6
_POWERS = 1 << np.arange(63)


class Disturbance(NamedTuple):
    """What leads and part add to what a meter reads.

    `pick_up` is the amplitude at line frequency (V or A), `noise_density` that of white noise
    (V/√Hz or A/√Hz, one-sided), as Johnson noise has it; behind a time constant `settling_s` it
    falls off towards high frequencies. `carrier` is the charge (C) in which the current passes.
    """

    pick_up: float = 0.0
    noise_density: float = 0.0
    settling_s: float = 0.0
    carrier: float = 0.0

    def deviation(self, aperture_s: float) -> float:
        """The standard deviation of a mean over an aperture (s), without shot noise.

        White noise of a one-sided density S has the variance S/(2·T) in a mean over T. Behind a
        time constant τ the share 1 − (1 − exp(−x))/x of it is left, x = T/τ: the mean of the
        covariance S/(4·τ)·exp(−|t|/τ) over the aperture. Each reading is drawn by itself, whereas
        those that follow within τ are alike in truth.
        """
        white = self.noise_density / math.sqrt(2 * aperture_s)
        if self.settling_s == 0:
            return white
        x = aperture_s / self.settling_s
        return white * math.sqrt(max(0.0, 1 + math.expm1(-x) / x))

    def shot(self, aperture_s: float) -> float:
        """The variance of a mean over an aperture (s) for each ampere: 2·q·I/(2·T) (A)."""
        return self.carrier / aperture_s


UNDISTURBED = Disturbance()


class White:
    """Standard normal numbers in a row, that can be looked at before they are spent.

    `at_hand` are the next few, the last one first, to be popped from its end: a reading has no time
    for more. Without a generator all are zero.
    """

    def __init__(self, generator: np.random.Generator | None) -> None:
        self.at_hand: list[float] = []
        self._generator = generator
        self._drawn: Array = np.empty(0)
        self._batch, self._hand = _FIRST_BATCH, _FIRST_AT_HAND
        self._next = 0

    def more(self) -> float:
        """The next number, where none is at hand."""
        self._draw(1)
        batch = self._drawn[self._next : self._next + self._hand]
        self._hand = min(2 * self._hand, _AT_HAND)
        self._next += len(batch)
        self.at_hand[:] = batch[::-1].tolist()
        return self.at_hand.pop()

    def ahead(self, count: int) -> Array:
        """The next `count` numbers; spends none."""
        self._put_back()
        self._draw(count)
        return self._drawn[self._next : self._next + count]

    def spend(self, count: int) -> None:
        """Let the next `count` numbers go."""
        self._put_back()
        self._draw(count)
        self._next += count

    def _put_back(self) -> None:
        self._next -= len(self.at_hand)
        self.at_hand.clear()

    def _draw(self, count: int) -> None:
        missing = count - (len(self._drawn) - self._next)
        if missing <= 0:
            return
        # How many are drawn at a time changes none of them; a short run needs few.
        size, self._batch = max(missing, self._batch), min(2 * self._batch, _LARGEST_BATCH)
        more = np.zeros(size) if self._generator is None else self._generator.standard_normal(size)
        self._drawn = np.concatenate((self._drawn[self._next :], more))
        self._next = 0


class Drift:
    """1/f noise with a spectral density of 1/(f·ln 2), a unit's standard deviation an octave.

    A sum over octaves k of standard normal numbers n_k, each held for T_k = 2^k·T_0 on a lattice in
    time whose place is random; 1/T_0 is sixteen times the corner. One octave has the density
    2·T_k·sinc²(π f T_k), and since ∫ sinc²(π f T) dT = 1/(2f) their sum comes to 1/(f·ln 2) up to
    the corner, less a few percent there. That is R. F. Voss's way of making it (from memory), with
    steps that depend on time alone. Over an aperture longer than T_k an octave averages out as
    white noise does. `later` is the seed of the numbers that come after the first.
    """

    def __init__(
        self,
        chance: np.random.Generator,
        later: Callable[[], np.random.SeedSequence],
        corner_hz: float,
    ) -> None:
        self._later = later
        self._cell_ns = round(NANOSECONDS / (16 * corner_hz))
        octaves = drift_octaves(corner_hz)
        places: list[int] = chance.integers(0, _POWERS[:octaves]).tolist()
        self._slowest_first = [*enumerate(places)][::-1]
        # A stream for each octave costs more than a short run takes: all of them begin in one.
        self._counts, self._starts, count = _at_first(octaves)
        self._first: Array = chance.standard_normal(count)
        self._seed: np.random.SeedSequence | None = None
        self._kept: list[tuple[int, Array]] = [(-1, self._first)] * octaves
        self._shares: Sequence[float] = ()
        self._aperture_ns = 0
        self._slow = (0, 0, 0.0)

    def at(self, time_ns: int, aperture_ns: int) -> float:
        """Its mean over an aperture around a time."""
        return self._value(time_ns // self._cell_ns, self._shares_over(aperture_ns))

    def holds(self, time_ns: int) -> tuple[int, int]:
        """From when, and until before when, it stays what it is at a time."""
        begin_ns = time_ns // self._cell_ns * self._cell_ns
        return begin_ns, begin_ns + self._cell_ns

    def many(self, times_ns: Integers, aperture_ns: int) -> Array:
        """Its means over apertures around ascending times."""
        shares = self._shares_over(aperture_ns)
        cells = times_ns // self._cell_ns
        first, last = int(cells[0]), int(cells[-1])
        if last - first < len(cells):
            return self._row(np.arange(first, last + 1), shares)[cells - first]
        if last - first < _SPARSE * len(cells):
            return self._row(cells, shares)
        return np.array([self._value(cell, shares) for cell in cells.tolist()])

    def _shares_over(self, aperture_ns: int) -> Sequence[float]:
        """How much of each octave an aperture leaves."""
        if aperture_ns != self._aperture_ns:
            self._shares = _left_over(aperture_ns, self._cell_ns, len(self._slowest_first))
            self._aperture_ns = aperture_ns
            self._slow = (0, 0, 0.0)
        return self._shares

    def _value(self, cell: int, shares: Sequence[float]) -> float:
        from_cell, until_cell, total = self._slow
        if not from_cell <= cell < until_cell:
            self._slow = from_cell, until_cell, total = self._slow_at(cell, shares)
        for k, place in self._slowest_first[-_FAST:]:
            total += shares[k] * self._number(k, (cell + place) >> k)
        return total

    def _slow_at(self, cell: int, shares: Sequence[float]) -> tuple[int, int, float]:
        """What the slow octaves come to at a cell, and from which cell until before which."""
        from_cell, until_cell, total = 0, cell + (1 << len(shares)), 0.0
        for k, place in self._slowest_first[:-_FAST]:
            at = (cell + place) >> k
            from_cell, until_cell = (
                max(from_cell, (at << k) - place),
                min(until_cell, (at + 1 << k) - place),
            )
            total += shares[k] * self._number(k, at)
        return from_cell, until_cell, total

    def _row(self, cells: Integers, shares: Sequence[float]) -> Array:
        """As `_value`, of cells that ascend."""
        first_cell, last_cell = int(cells[0]), int(cells[-1])
        # One number as long as none of the octaves so far changes in between.
        total: float | Array = 0.0
        for k, place in self._slowest_first:
            begin, end = (first_cell + place) >> k, (last_cell + place) >> k
            first, last = begin // _CHUNK, end // _CHUNK
            if begin == end:
                total = total + shares[k] * self._number(k, begin)
                continue
            numbers = self._chunk(k, last, end % _CHUNK)
            if first < last:
                whole = [self._chunk(k, n, _CHUNK - 1) for n in range(first, last)]
                numbers = np.concatenate((*whole, numbers))
            total = total + shares[k] * numbers[((cells + place) >> k) - first * _CHUNK]
        return np.full(len(cells), total)

    def _number(self, k: int, step: int) -> float:
        """One number of an octave's stream."""
        if step < self._counts[k]:
            return self._first.item(self._starts[k] + step)
        number, step = divmod(step, _CHUNK)
        return self._chunk(k, number, step).item(step)

    def _chunk(self, k: int, number: int, step: int) -> Array:
        """A piece of an octave's stream, up to that step of it: so it can be entered anywhere."""
        kept, piece = self._kept[k]
        start, count = self._starts[k], self._counts[k]
        first = self._first[start : start + count]
        if number == 0 and step < count:
            return first
        if kept != number:
            self._seed = seed = self._seed or self._later()
            key = (*seed.spawn_key, k, number)
            stream = np.random.SeedSequence(seed.entropy, spawn_key=key)
            piece = np.random.default_rng(stream).standard_normal(_CHUNK)
            if number == 0:
                piece[:count] = first
            self._kept[k] = number, piece
        return piece


@lru_cache(maxsize=64)
def _at_first(octaves: int) -> tuple[list[int], list[int], int]:
    """How many of its numbers each octave begins with, where they stand in a row, and all of them.

    Each lasts for the first cells at hand, wherever its lattice lies.
    """
    counts = [max(2, (_AT_FIRST >> k) + 1) for k in range(octaves)]
    return counts, [sum(counts[:k]) for k in range(octaves)], sum(counts)


@lru_cache(maxsize=256)
def _left_over(aperture_ns: int, cell_ns: int, octaves: int) -> tuple[float, ...]:
    """How much an aperture leaves of each octave of a drift, from the fastest on."""
    lasting = (cell_ns << k for k in range(octaves))
    return tuple(math.sqrt(min(1.0, ns / aperture_ns)) for ns in lasting)


def line_at(time_ns: int, line_hz: float, phase: float) -> float:
    """A sine of unit amplitude at line frequency and a phase (rad)."""
    place = time_ns % _THOUSAND_S * round(line_hz * 1000) % _THOUSAND_S
    return math.cos(2 * math.pi * (place / _THOUSAND_S) + phase)


def lines_at(times_ns: Integers, line_hz: float, phase: float) -> Array:
    """As `line_at`, at many times."""
    angles, which = _in_cycle(times_ns.tobytes(), line_hz)
    cosines: Array = np.array([math.cos(angle + phase) for angle in angles])[which]
    return cosines


@lru_cache(maxsize=16)
def _in_cycle(times_ns: bytes, line_hz: float) -> tuple[list[float], Integers]:
    """The angles (rad) in the cycle of the mains that times differ in, and which each has.

    On a grid they are few. Both meters read at the same times, and so do many runs.
    """
    times = np.frombuffer(times_ns, dtype=np.int64)
    places = times % _THOUSAND_S * round(line_hz * 1000) % _THOUSAND_S
    different, which = np.unique(places, return_inverse=True)
    return (2 * math.pi * (different / _THOUSAND_S)).tolist(), which
