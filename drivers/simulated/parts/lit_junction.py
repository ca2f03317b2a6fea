"""A junction in light: Shockley's equation with a photocurrent, a shunt and a series resistance.

    i = I_0 · (exp(u/a) − 1) + g·u − I_ph,   v = u + R_s · i,   a = n·k·T/q for each cell in series

u (V) is across the junction, v (V) at the terminals, i (A) into the part: in light the current at
0 V is negative. g (S) is the shunt's conductance, 0 for none. Source: the one-diode picture as in
W. De Soto, S. A. Klein and W. A. Beckman, "Improvement and validation of a model for photovoltaic
array performance", Solar Energy 80 (2006).

The equation in u is convex and rises, so that Newton's method comes down on its root from the right
of it without passing it; no shunt at all, a huge one and no series resistance are no special cases.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from drivers.simulated.parts.junction import BOLTZMANN_J_PER_K, ELEMENTARY_CHARGE_C

VOLTS_PER_KELVIN = BOLTZMANN_J_PER_K / ELEMENTARY_CHARGE_C
COLDEST_K = 50.0
"""Beneath it the equations no longer hold, and their exponents leave what a float can hold."""

_ITERATIONS = 200
_ROUNDING = 4e-16
_LARGEST_EXPONENT = 700.0
# Here exp(u/a) is below the last digit of 1: a junction in reverse carries its saturation current.
_BLOCKED = -37.5
# Beneath it a resistance has no inverse to work with.
_NO_RESISTANCE = 1e-200


def across_junction(
    conductance: float, saturation_current: float, slope_voltage: float, current: float
) -> float:
    """The voltage u (V) at which g·u + I_0·(exp(u/a) − 1) is a current (A).

    -inf where nothing but the saturation current flows in reverse and `current` is beyond it.
    """
    if current > 0:
        u = slope_voltage * math.log1p(current / saturation_current)
        if conductance == 0:
            return u
        u = min(u, current / conductance)
    elif conductance == 0:
        ratio = current / saturation_current
        return slope_voltage * math.log1p(ratio) if ratio > -1 else -math.inf
    else:
        u = (current + saturation_current) / conductance
        if u < _BLOCKED * slope_voltage:
            return u
        u = 0.0
    for _ in range(_ITERATIONS):
        diffusion = saturation_current * math.expm1(u / slope_voltage)
        excess = conductance * u + diffusion - current
        step = excess / (conductance + (diffusion + saturation_current) / slope_voltage)
        u -= step
        if abs(step) <= _ROUNDING * abs(u):
            break
    return u


class LitJunction(NamedTuple):
    """One junction, or several alike in series, at a moment; the currents in A, a in V.

    `slope_voltage` is a, `conductance` g (S), `series_resistance` R_s (ohm). A static law.
    """

    photocurrent: float
    saturation_current: float
    slope_voltage: float
    series_resistance: float
    conductance: float

    def through(self, u: float) -> tuple[float, float]:
        """The current (A) at a junction voltage, and its slope di/du (S)."""
        exponent = min(u / self.slope_voltage, _LARGEST_EXPONENT)
        diffusion = self.saturation_current * math.expm1(exponent)
        return (
            diffusion + self.conductance * u - self.photocurrent,
            (diffusion + self.saturation_current) / self.slope_voltage + self.conductance,
        )

    def junction_at(self, current: float) -> float:
        """The junction voltage u (V) at a current; -inf where it can't carry it."""
        return across_junction(
            self.conductance,
            self.saturation_current,
            self.slope_voltage,
            current + self.photocurrent,
        )

    def junction_behind(self, voltage: float, resistance: float) -> float:
        """The junction voltage u (V) behind a resistance (ohm, its own not in it) and its own."""
        total = resistance + self.series_resistance
        if total < _NO_RESISTANCE:
            return voltage
        return across_junction(
            self.conductance + 1 / total,
            self.saturation_current,
            self.slope_voltage,
            voltage / total + self.photocurrent,
        )

    def voltage_at(self, current: float) -> float:
        """The voltage (V) at a current (A); -inf where no voltage can drive it."""
        return self.junction_at(current) + self.series_resistance * current

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance in series (ohm)."""
        u = self.junction_behind(voltage, series_resistance)
        current, slope = self.through(u)
        total = series_resistance + self.series_resistance
        # Of the two ways to the same current, the one in which an error of u counts less.
        return (voltage - u) / total if slope * total > 1 else current

    def voltage_and_slope(self, current: float) -> tuple[float, float]:
        """The voltage (V) at a current, and dv/di (ohm)."""
        u = self.junction_at(current)
        if u == -math.inf:
            return u, math.inf
        slope = self.through(u)[1]
        return (
            u + self.series_resistance * current,
            self.series_resistance + (1 / slope if slope > 0 else math.inf),
        )
