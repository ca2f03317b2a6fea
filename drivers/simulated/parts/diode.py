"""A diode: the junction of Shockley's equation with a resistance in series; forward is positive.

    i = I_s · (exp(v_j / (n · V_t)) − 1),   v = v_j + R_s · i,   V_t = k·T / q

`saturation_current` I_s (A), `ideality` n (1 to 2 in silicon), `series_resistance` R_s (ohm),
`temperature` T of the junction. I_s is the value at that temperature: it isn't scaled by it. There
is no breakdown, no capacitance and no self-heating yet. Source: W. Shockley, "The theory of p-n
junctions in semiconductors and p-n junction transistors", Bell System Technical Journal 28 (1949);
k and q are exact in the SI since 2019.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from drivers.fields import Amperes, Ohms, Ratio, quantity_of
from drivers.simulated.parts.base import PartModel, Static
from grammar.quantity import TEMPERATURE_POINT

BOLTZMANN_J_PER_K = 1.380649e-23
ELEMENTARY_CHARGE_C = 1.602176634e-19

_ITERATIONS = 200
_ROUNDING = 4e-16

Kelvins = Annotated[float, BeforeValidator(quantity_of(TEMPERATURE_POINT))]


class Diode(PartModel):
    """A diode's parameters."""

    model: Literal["diode"]
    saturation_current: Amperes = Field(gt=0, examples=["1 nA"])
    ideality: Ratio = Field(default=1.0, gt=0)
    series_resistance: Ohms = Field(default=0.0, ge=0)
    temperature: Kelvins = Field(default=298.15, gt=0)

    def physics(self) -> Static:
        """The junction at its temperature."""
        thermal_voltage = BOLTZMANN_J_PER_K * self.temperature / ELEMENTARY_CHARGE_C
        return Junction(
            self.saturation_current, self.ideality * thermal_voltage, self.series_resistance
        )


class Junction:
    """Shockley's equation; `slope_voltage` is n·V_t (V)."""

    def __init__(
        self, saturation_current: float, slope_voltage: float, series_resistance: float
    ) -> None:
        self._saturation_current = saturation_current
        self._slope_voltage = slope_voltage
        self._series_resistance = series_resistance

    def voltage_at(self, current: float) -> float:
        """The voltage (V) at a current (A); -inf at and below -I_s, which no voltage can drive."""
        ratio = current / self._saturation_current
        if ratio <= -1:
            return -math.inf
        return self._slope_voltage * math.log1p(ratio) + self._series_resistance * current

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance in series (ohm).

        f(v_j) = v_j + R·i(v_j) − v is convex and rises, so that Newton's method comes down on its
        root from the right of it without passing it.
        """
        resistance = self._series_resistance + series_resistance
        slope, saturation = self._slope_voltage, self._saturation_current
        if resistance == 0:
            return saturation * math.expm1(min(voltage / slope, 700.0))
        junction = 0.0
        if voltage > 0:
            # All of the voltage across the resistance: never less than the true junction voltage.
            junction = min(voltage, slope * math.log1p(voltage / (resistance * saturation)))
        for _ in range(_ITERATIONS):
            current = saturation * math.expm1(junction / slope)
            excess = junction + resistance * current - voltage
            step = excess / (1 + resistance * (current + saturation) / slope)
            junction -= step
            if abs(step) <= _ROUNDING * abs(junction):
                break
        return saturation * math.expm1(junction / slope)
