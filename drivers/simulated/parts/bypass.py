"""Cells with a bypass diode across them, that carries the current where shade stops theirs.

The diode is Shockley's, i_b = I_b · (exp(−v/a_b) − 1), and conducts where the voltage v across the
cells is negative: i = i_cells − i_b.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from drivers.simulated.parts.chain import Chain
from drivers.simulated.parts.lit_junction import LitJunction, across_junction
from drivers.simulated.parts.roots import rising_root

_LARGEST_EXPONENT = 700.0
_AT_ONCE = 20
_ROUNDING = 1e-16


class BypassDiode(NamedTuple):
    """A bypass diode: `saturation_current` I_b (A), `slope_voltage` a_b (V)."""

    saturation_current: float
    slope_voltage: float

    def current(self, voltage: float) -> tuple[float, float]:
        """i_b (A) at a voltage across the cells, and −di_b/dv (S)."""
        exponent = min(-voltage / self.slope_voltage, _LARGEST_EXPONENT)
        current = self.saturation_current * math.expm1(exponent)
        return current, (current + self.saturation_current) / self.slope_voltage

    def voltage(self, current: float) -> float:
        """The voltage across the cells (V) at which the diode carries a current of 0 A or more."""
        return -self.slope_voltage * math.log1p(current / self.saturation_current)


class Bypassed:
    """Cells in light with a bypass diode, as a static law.

    The junction's voltage u is what is solved for: v and i follow from it without a root.
    """

    def __init__(self, cells: LitJunction, diode: BypassDiode) -> None:
        self._cells, self._diode = cells, diode
        self._shorted_u = cells.junction_behind(0.0, 0.0)
        self._shorted_current = cells.current_through(0.0, 0.0)

    def voltage_at(self, current: float) -> float:
        """The voltage (V) at a current (A)."""
        return self.voltage_and_slope(current)[0]

    def voltage_and_slope(self, current: float) -> tuple[float, float]:
        """The voltage (V) at a current (A), and dv/di (ohm)."""
        excess_current = current - self._shorted_current

        def excess(u: float) -> tuple[float, float]:
            _, through, _, slope = self._point(u)
            return through - current, slope

        if excess_current >= 0:
            high = self._cells.junction_at(current)
            u = rising_root(excess, self._shorted_u, high, high)
        else:
            low = self._lowest(-excess_current)
            u = rising_root(excess, low, self._shorted_u, low)
        voltage, _, rise, slope = self._point(u)
        return voltage, rise / slope

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance in series (ohm)."""
        if series_resistance == 0:
            return self._cells.current_through(voltage, 0.0) - self._diode.current(voltage)[0]

        def excess(u: float) -> tuple[float, float]:
            across, through, rise, slope = self._point(u)
            return across + series_resistance * through - voltage, rise + series_resistance * slope

        excess_current = voltage / series_resistance - self._shorted_current
        if excess_current >= 0:
            high = self._cells.junction_behind(voltage, series_resistance)
            u = rising_root(excess, self._shorted_u, high, high)
        else:
            low = self._lowest(-excess_current)
            u = rising_root(excess, low, self._shorted_u, low)
        across, through, rise, slope = self._point(u)
        # Of the two ways to the same current, the one in which an error of u counts less.
        if series_resistance * slope > rise:
            return (voltage - across) / series_resistance
        return through

    def _point(self, u: float) -> tuple[float, float, float, float]:
        """v (V), i (A), dv/du and di/du (S) at a junction voltage."""
        through, conductance = self._cells.through(u)
        voltage = u + self._cells.series_resistance * through
        rise = 1 + self._cells.series_resistance * conductance
        bypassed, bypass_conductance = self._diode.current(voltage)
        return voltage, through - bypassed, rise, conductance + bypass_conductance * rise

    def _lowest(self, bypassed: float) -> float:
        """The junction voltage with all of a current (A) in the diode: never above the true one."""
        return self._cells.junction_behind(self._diode.voltage(bypassed), 0.0)


class HeldBypassed(NamedTuple):
    """Cells whose junctions' capacitance holds u (V), behind their resistance, with their diode.

    `resistance` (ohm) is above zero.
    """

    u: float
    resistance: float
    diode: BypassDiode

    def _across(self, conductance: float, current: float) -> float:
        return -across_junction(conductance, *self.diode, -current)

    def voltage_at(self, current: float) -> float:
        """The voltage (V) at a current (A)."""
        return self._across(1 / self.resistance, current + self.u / self.resistance)

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance in series (ohm)."""
        across = voltage
        if series_resistance > 0:
            conductance = 1 / self.resistance + 1 / series_resistance
            driven = voltage / series_resistance + self.u / self.resistance
            across = self._across(conductance, driven)
        bypassed, slope = self.diode.current(across)
        if series_resistance * (slope + 1 / self.resistance) > 1:
            return (voltage - across) / series_resistance
        return (across - self.u) / self.resistance - bypassed

    def voltage_and_slope(self, current: float) -> tuple[float, float]:
        """The voltage (V) at a current (A), and dv/di (ohm)."""
        voltage = self.voltage_at(current)
        return voltage, 1 / (1 / self.resistance + self.diode.current(voltage)[1])


class HeldChain(Chain):
    """Several held cells in series, each with its diode: their voltages add up."""

    def __init__(self, held: Sequence[HeldBypassed]) -> None:
        super().__init__(held)
        self._held = held

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance in series (ohm).

        Newton's method for the current and all voltages at once, from where they were if the diodes
        were ideal; where it doesn't come to an end, as any chain.
        """
        current = self._with_ideal_diodes(voltage, series_resistance)
        if current is None:
            return super().current_through(voltage, series_resistance)
        across = [section.u + section.resistance * current for section in self._held]
        for _ in range(_AT_ONCE):
            excess, slope = series_resistance * current - voltage, series_resistance
            missing: list[tuple[float, float, float]] = []
            for k, (u, resistance, diode) in enumerate(self._held):
                v = across[k]
                if v < 0:
                    # With all of the current that the cells don't take in the diode.
                    bypassed = max(0.0, -u / resistance - current)
                    v = across[k] = max(v, diode.voltage(bypassed))
                through, steepness = diode.current(v)
                wrong = (v - u) / resistance - through - current
                rise = 1 / resistance + steepness
                missing.append((wrong, rise, steepness))
                excess += v - wrong / rise
                slope += 1 / rise
            step = -excess / slope
            current += step
            # What the diodes' curves bend over the step is what is still missing.
            bent = 0.0
            for k, (wrong, rise, steepness) in enumerate(missing):
                moved = (step - wrong) / rise
                across[k] += moved
                bent = max(bent, steepness * moved * moved / self._held[k].diode.slope_voltage)
            if bent <= _ROUNDING * abs(current):
                return current
        return super().current_through(voltage, series_resistance)

    def _with_ideal_diodes(self, voltage: float, series_resistance: float) -> float | None:
        """The current, were there nothing across a diode that conducts; None if without bound."""
        # The first to be bypassed are those that take least in reverse.
        held = sorted(self._held, key=lambda section: section.u / section.resistance)
        while True:
            resistance = series_resistance + sum(section.resistance for section in held)
            if resistance == 0:
                return None
            current = (voltage - sum(section.u for section in held)) / resistance
            if not held or held[0].u + held[0].resistance * current >= 0:
                return current
            held = held[1:]
