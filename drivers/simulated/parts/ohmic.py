"""Ohm's law with a voltage of its own in series: v = e + R·i."""

from __future__ import annotations


class Ohmic:
    """A resistance R (ohm, above zero) and a voltage e (V) in series with it."""

    def __init__(self, resistance: float, electromotive: float = 0.0) -> None:
        self._resistance = resistance
        self._electromotive = electromotive

    def voltage_at(self, current: float) -> float:
        """The voltage (V) at a current (A)."""
        return self._electromotive + self._resistance * current

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance in series (ohm)."""
        return (voltage - self._electromotive) / (self._resistance + series_resistance)
