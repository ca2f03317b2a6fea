"""What an instrument adds to the worst case: its errors, its overshoot, its envelope, its readings.

Figures come from a specification that is handed in; without a bench there is none, and nothing is
added. Knows no recipe.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from sequencer.checker.worst.interval import EVERYTHING, Interval, product

if TYPE_CHECKING:
    from drivers.specification import Specification

LONGEST_BLIND_S = 1.0
"""While an output is on, the runner reads its channel at least this often."""
SLOWEST_MAINS_HZ = 50.0
"""Noise is stated at one cycle: of the slower mains a cycle has less of it."""
SHARE_WITHOUT_FIGURES = 0.01
"""What a limit named after a part keeps from its rating where no instrument is known."""


class Error(NamedTuple):
    """How far one quantity may be off what was programmed (V or A).

    `of_value` and `plus` are the source's accuracy; `overshoot` is how far it may pass beyond,
    away from zero at a level, outward at both sides of a limit. `turn_on` is what the closing
    output adds to a level, away from zero; a level of zero has no overshoot, but that.
    """

    of_value: float = 0.0
    plus: float = 0.0
    overshoot: float = 0.0
    turn_on: float = 0.0

    def accuracy(self, value: float) -> float:
        """The largest error of a value."""
        return product(abs(value), self.of_value) + self.plus

    def of_level(self, level: Interval) -> Interval:
        """What a level of these values may turn out as."""
        below = self.overshoot if level.low < 0 else self.turn_on if level.low == 0 else 0.0
        above = self.overshoot if level.high > 0 else self.turn_on if level.high == 0 else 0.0
        return Interval(
            level.low - self.accuracy(level.low) - below,
            level.high + self.accuracy(level.high) + above,
        )

    def of_limit(self, limit: Interval) -> Interval:
        """What a limit of these two sides may let through."""
        return Interval(
            limit.low - self.accuracy(limit.low) - self.overshoot,
            limit.high + self.accuracy(limit.high) + self.overshoot,
        )


class Errors(NamedTuple):
    """The errors of both quantities in the ranges in force."""

    voltage: Error = Error()
    current: Error = Error()

    def of(self, quantity: str) -> Error:
        """The error of one quantity."""
        return self.voltage if quantity == "voltage" else self.current


NO_ERRORS = Errors()


def errors(specification: Specification | None, volts: float, amperes: float) -> Errors:
    """The source's errors in the smallest ranges that hold these magnitudes (V, A)."""
    if specification is None:
        return NO_ERRORS
    voltage = specification.voltage_range(volts) or specification.voltage_ranges[-1]
    current = specification.current_range(amperes) or specification.current_ranges[-1]
    over = specification.overshoot
    kick = specification.turn_on.voltage if specification.turn_on is not None else 0.0
    return Errors(
        Error(voltage.source.of_value, voltage.source.plus, over.voltage, kick),
        Error(current.source.of_value, current.source.plus, over.current),
    )


def limit_of(rating: Interval, error: Error | None) -> Interval:
    """The limit that a part's name stands for: its rating less the error, each side inward."""

    def less(end: float) -> float:
        if error is None:
            return SHARE_WITHOUT_FIGURES * abs(end)
        return error.accuracy(end) + error.overshoot

    low, high = rating.low + less(rating.low), rating.high - less(rating.high)
    if rating.low <= 0 <= rating.high:
        # A side at zero has nothing to give: what is left of it is no limit of the other sign.
        low, high = min(low, 0.0), max(high, 0.0)
    return Interval(low, high)


def reading(specification: Specification | None, quantity: str, rating: Interval) -> Interval:
    """The readings that trip no guard: the rating widened by the largest error of a reading.

    The largest of all ranges counts, at the shortest aperture.
    """
    if specification is None or rating == EVERYTHING:
        return rating
    ranges = specification.voltage_ranges if quantity == "voltage" else specification.current_ranges
    aperture_s = min(specification.shortest_aperture, 1 / SLOWEST_MAINS_HZ)
    found = [specification.reading_error(r, aperture_s, SLOWEST_MAINS_HZ) for r in ranges]
    of_value, plus = map(max, zip(*found, strict=True))

    def more(end: float) -> float:
        return (abs(end) + plus) / (1 - of_value) - abs(end) if math.isfinite(end) else 0.0

    return Interval(rating.low - more(rating.low), rating.high + more(rating.high))


def envelope(specification: Specification | None, row: str) -> Interval | None:
    """The span of the envelope of a row, that of pulses for theirs; None where none is to show."""
    quantity = row.removesuffix(" per pulse")
    if specification is None or quantity not in ("voltage", "current"):
        return None
    pulsed = specification.pulsed if row != quantity else ()
    largest = max(getattr(r, quantity) for r in (*specification.continuous, *pulsed))
    return Interval(-largest, largest)


def reaction_s(specification: Specification, reading_s: float) -> float:
    """The longest time from a rating that is passed to an output that is open (s)."""
    return LONGEST_BLIND_S + reading_s + specification.switching_time
