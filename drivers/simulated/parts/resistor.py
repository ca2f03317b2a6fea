"""A resistor: v = R·i, Ohm's law. No temperature coefficient and no self-heating yet.

Parameters: `resistance` (ohm, above zero).
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from drivers.fields import Ohms
from drivers.simulated.parts.base import PartModel, Static


class Resistor(PartModel):
    """A resistor's parameters."""

    model: Literal["resistor"]
    resistance: Ohms = Field(gt=0, examples=["100 ohm"])

    def physics(self) -> Static:
        """Ohm's law."""
        return Ohmic(self.resistance)


class Ohmic:
    """v = R·i."""

    def __init__(self, resistance: float) -> None:
        self._resistance = resistance

    def voltage_at(self, current: float) -> float:
        """The voltage (V) at a current (A)."""
        return self._resistance * current

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance in series (ohm)."""
        return voltage / (self._resistance + series_resistance)
