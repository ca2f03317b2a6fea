"""Ohm's law with a voltage of its own in series: v = e + R·i."""

from __future__ import annotations

import math


class Ohmic:
    """A resistance R (ohm, may be 0) and a voltage e (V) in series with it."""

    def __init__(self, resistance: float, electromotive: float = 0.0) -> None:
        self._resistance = resistance
        self._electromotive = electromotive

    def voltage_at(self, current: float) -> float:
        """The voltage (V) at a current (A)."""
        return self._electromotive + self._resistance * current

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance in series (ohm).

        Without any resistance only its own voltage is met: any other drives without bound.
        """
        across = voltage - self._electromotive
        total = self._resistance + series_resistance
        if total == 0:
            return math.copysign(math.inf, across) if across else 0.0
        return across / total
