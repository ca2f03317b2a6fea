"""By how much an instrument's errors are larger than stated: while it is cold, or where it is.

Only what it shows is off by it; what it sources keeps to its stated errors. The module knows no
range and no quantity.
"""

from __future__ import annotations

import math

from drivers.clock import NANOSECONDS
from drivers.simulated.conditions import Profile
from drivers.specification import Specification

# e^-5 of the excess is left after the stated time of a warm-up.
_CONSTANTS = 5


class Excess:
    """The errors' excess over what is stated, as a fraction of them, at any time.

    `temperature` is that around the instrument (K).
    """

    def __init__(self, specification: Specification, temperature: Profile) -> None:
        self._warm_up, self._surroundings = specification.warm_up, specification.temperature
        self._temperature = temperature
        self._on_ns = 0

    @property
    def never(self) -> bool:
        """Whether there is none at any time."""
        return self._warm_up is None and not any(map(self._by, self._temperature.values))

    def power_on(self, time_ns: int) -> None:
        """The instrument has just been switched on: it is cold."""
        self._on_ns = time_ns

    def at(self, time_ns: int) -> float:
        """The excess at a time."""
        excess = 1.0
        if self._warm_up is not None:
            constants = _CONSTANTS * (time_ns - self._on_ns) / NANOSECONDS / self._warm_up.time
            excess += (self._warm_up.factor - 1) * math.exp(-constants)
        if self._surroundings is not None:
            excess *= 1 + self._by(self._temperature.at(time_ns / NANOSECONDS))
        return excess - 1

    def _by(self, temperature: float) -> float:
        """The part of it that the surroundings make (K)."""
        stated = self._surroundings
        if stated is None:
            return 0.0
        beyond = abs(temperature - stated.calibrated_at) - stated.holds_within
        return stated.coefficient * max(0.0, beyond)
