"""Guards: a part's ratings, and what the recipe adds, as plain comparisons of floats.

A guard trips when a reading, less its own uncertainty, passes the rating; energy and charge guards
also look ahead, by the most that can flow until the output can be open. The bounds are worked out
when something changes (a range, a setpoint), so that a reading costs comparisons only. This module
knows specifications and ratings; it takes no reading and switches nothing.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

from drivers.channel import Setpoint
from drivers.specification import Specification
from sequencer.engine.forms import ColumnCondition, Margin

if TYPE_CHECKING:
    from grammar.quantity import Dimension
    from sequencer.engine.forms import Array, Value

LARGEST = sys.float_info.max
"""Stands for no bound: what is over range, or no number, still lies outside."""
QUANTITIES = ("voltage", "current", "power", "energy", "charge")
UNITS = {"voltage": "V", "current": "A", "power": "W", "energy": "J", "charge": "C"}
UNRATED = (-math.inf, math.inf)


class Uncertainty(NamedTuple):
    """Largest error of a reading in its range: of the value, plus an absolute part."""

    of_value: float
    plus: float

    def widen(self, low: float, high: float) -> tuple[float, float]:
        """The readings at which the true value has surely left low…high.

        A reading r says that the true value is at least r - of_value·|r| - plus (and the like
        below); solved for r at the rating.
        """
        return -self._outward(-low), self._outward(high)

    def _outward(self, rating: float) -> float:
        share = self.of_value if rating + self.plus >= 0 else -self.of_value
        return min((rating + self.plus) / (1 - share), LARGEST)


EXACT = Uncertainty(0.0, 0.0)


@lru_cache(maxsize=256)
def reading_uncertainties(
    specification: Specification,
    voltage_range: float,
    current_range: float,
    aperture_s: float,
    line_frequency_hz: float,
) -> tuple[Uncertainty, Uncertainty]:
    """Uncertainty of voltage and current readings in the smallest ranges that hold these."""
    volts = specification.voltage_range(voltage_range) or specification.voltage_ranges[-1]
    amperes = specification.current_range(current_range) or specification.current_ranges[-1]
    return (
        Uncertainty(*specification.reading_error(volts, aperture_s, line_frequency_hz)),
        Uncertainty(*specification.reading_error(amperes, aperture_s, line_frequency_hz)),
    )


def most_in(setpoint: Setpoint) -> float:
    """The most power (W) that a setpoint can put into a part.

    In voltage mode current flows towards the level: level × the limit on its side. In current mode
    level × the limit on its side.
    """
    level = setpoint.level
    side = setpoint.high if level > 0 else setpoint.low
    return max(0.0, level * side)


def most_out(setpoint: Setpoint, voltage: tuple[float, float]) -> float:
    """The most power (W) that a part within its voltage rating can give back at a setpoint."""
    reach = max(abs(voltage[0]), abs(voltage[1]))
    if setpoint.mode == "voltage":
        return reach * max(abs(setpoint.low), abs(setpoint.high))
    return reach * abs(setpoint.level)


class Nearest:
    """How near one comparison of a guard came to not holding, where somebody wants to know.

    `text` is the comparison, `dimension` that of the distance of its sides, `left` the least of it
    so far (SI, infinite before anything was read) and `when_s` the time at which it was judged.
    """

    def __init__(self, text: str, dimension: Dimension, margin: Margin) -> None:
        self.text, self.dimension = text, dimension
        self._margin = margin
        self.left, self.when_s = math.inf, 0.0

    def look(self) -> None:
        """At what is in the memory now."""
        left, when_s = self._margin.now()
        # What is no number, or over range, says nothing of a distance.
        if math.isfinite(left) and left < self.left:
            self.left, self.when_s = left, when_s

    def look_back(self, memory: Sequence[Value], times_s: Array) -> None:
        """At columns of readings that were judged at these times."""
        left, when_s = self._margin.least(memory, times_s)
        if left < self.left:
            self.left, self.when_s = left, when_s


@dataclass
class Condition:
    """A guard of the recipe: its text, its condition over the memory, the channels it names.

    `unread` are those of them that have no reading yet; until none is left it can't be judged.
    `spent` is that it has tripped and has not held since. `over_columns` is the same condition for
    many readings at once, None where it has no such form. `nearest` follows its comparisons, where
    that is wanted.
    """

    text: str
    why: str
    holds: Callable[[], bool]
    channels: tuple[str, ...]
    unread: set[str]
    over_columns: ColumnCondition | None = None
    spent: bool = False
    nearest: tuple[Nearest, ...] = ()

    def look(self) -> None:
        """Note how near it is to not holding, by what is in the memory now."""
        for comparison in self.nearest:
            comparison.look()
