"""Guards: a part's ratings, and what the recipe adds, as plain comparisons of floats.

A guard trips when a reading, less its own uncertainty, passes the rating; energy and charge guards
also look ahead, by the most that can flow until the output can be open. The bounds are worked out
when something changes (a range, a setpoint), so that a reading costs comparisons only. This module
knows specifications and ratings; it takes no reading and switches nothing.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass

from drivers.channel import Setpoint
from drivers.specification import Specification

LARGEST = sys.float_info.max
"""Stands for no bound: what is over range, or no number, still lies outside."""
QUANTITIES = ("voltage", "current", "power", "energy", "charge")
UNITS = {"voltage": "V", "current": "A", "power": "W", "energy": "J", "charge": "C"}
UNRATED = (-math.inf, math.inf)


@dataclass(frozen=True)
class Uncertainty:
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


def reading_uncertainties(
    specification: Specification,
    voltage_range: float,
    current_range: float,
    aperture_s: float,
    line_frequency_hz: float,
) -> tuple[Uncertainty, Uncertainty]:
    """Uncertainty of voltage and current readings: accuracy and three deviations of the noise."""
    volts = specification.voltage_range(voltage_range) or specification.voltage_ranges[-1]
    amperes = specification.current_range(current_range) or specification.current_ranges[-1]
    cycles = math.sqrt(max(aperture_s * line_frequency_hz, 1e-9))
    return (
        Uncertainty(
            volts.measure.of_value,
            volts.measure.plus + 3 * volts.noise / cycles + volts.resolution,
        ),
        Uncertainty(
            amperes.measure.of_value,
            amperes.measure.plus + 3 * amperes.noise / cycles + amperes.resolution,
        ),
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


@dataclass
class Condition:
    """A guard of the recipe: its text, its condition over the memory, the channels it names.

    `unread` are those of them that have no reading yet; until none is left it can't be judged.
    `spent` is that it has tripped and has not held since.
    """

    text: str
    why: str
    holds: Callable[[], bool]
    channels: tuple[str, ...]
    unread: set[str]
    spent: bool = False
