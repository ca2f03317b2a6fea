"""Sections in series with one current through all."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from drivers.simulated.parts.base import Static
from drivers.simulated.parts.roots import rising_root


class Section(Static, Protocol):
    """A static law that tells its slope, too."""

    def voltage_and_slope(self, current: float) -> tuple[float, float]:
        """The voltage (V) at a current (A), and dv/di (ohm)."""
        ...


class Chain:
    """Two sections or more in series: their voltages add up."""

    def __init__(self, sections: Sequence[Section]) -> None:
        self._sections = sections

    def voltage_at(self, current: float) -> float:
        """The voltage (V) at a current (A)."""
        return sum(section.voltage_at(current) for section in self._sections)

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance in series (ohm).

        With an equal share of voltage and resistance for each section by itself, none of them
        would carry more than the largest of their currents or less than the smallest; nor do they
        together.
        """
        share = 1 / len(self._sections)
        alone = [
            section.current_through(voltage * share, series_resistance * share)
            for section in self._sections
        ]

        def excess(current: float) -> tuple[float, float]:
            total, slope = series_resistance * current - voltage, series_resistance
            for section in self._sections:
                across, steepness = section.voltage_and_slope(current)
                total += across
                slope += steepness
            return total, slope

        low, high = min(alone), max(alone)
        # Where all of them are straight and of one slope, the mean is the answer.
        return low if low == high else rising_root(excess, low, high, sum(alone) * share)
