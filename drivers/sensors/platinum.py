"""A platinum resistor by IEC 60751: R(t) = R0 (1 + A t + B t²), and C (t - 100) t³ below 0 °C.

t is in °C, from -200 °C to 850 °C; A, B and C are the standard's. The tolerances are those of its
classes, the largest error of a sensor as it is sold: AA 0.1 K + 0.0017 |t|, A 0.15 K + 0.002 |t|,
B 0.3 K + 0.005 |t|, C 0.6 K + 0.01 |t| (from memory; each holds in a narrower span than the
function, which is not looked at here).

Keys: `resistance` at 0 °C, `wires`, the `excitation` that it is measured by (that it warms the
sensor is not simulated), `tolerance`, or an `uncertainty` in place of it.
"""

from __future__ import annotations

import math
from typing import Literal

from pydantic import Field

from drivers.fields import Amperes, Ohms
from drivers.sensors.base import ZERO_CELSIUS, Excitation, Signal, Thermometer, Wires
from grammar.quantity import RESISTANCE, write

A, B, C = 3.9083e-3, -5.775e-7, -4.183e-12
_CLASSES = {"AA": (0.1, 0.0017), "A": (0.15, 0.002), "B": (0.3, 0.005), "C": (0.6, 0.01)}


class Platinum(Thermometer):
    """A platinum resistor."""

    kind: Literal["platinum"]
    resistance: Ohms = Field(gt=0, examples=["100 ohm"])
    wires: Wires = 2
    excitation: Amperes = Field(default=1e-3, gt=0)
    tolerance: Literal["AA", "A", "B", "C"] = "B"

    @property
    def reads(self) -> Signal:
        """A resistance."""
        return "resistance"

    @property
    def span(self) -> tuple[float, float]:
        """That of the standard (K)."""
        return ZERO_CELSIUS - 200.0, ZERO_CELSIUS + 850.0

    @property
    def method(self) -> str:
        """The standard."""
        return f"platinum by IEC 60751, {write(self.resistance, RESISTANCE)}, {self.wires} wires"

    @property
    def excited(self) -> Excitation:
        """The current through it and its wires."""
        return Excitation(self.excitation, self.wires)

    def signal(self, value: float, reference: float = math.nan) -> float:
        """The resistance (ohm) at a temperature (K)."""
        t = value - ZERO_CELSIUS
        below = C * (t - 100) * t**3 if t < 0 else 0.0
        return self.resistance * (1 + A * t + B * t**2 + below)

    def error(self, value: float) -> float:
        """The stated uncertainty, or else the tolerance of its class (K)."""
        if self.uncertainty is not None:
            return super().error(value)
        plus, of_value = _CLASSES[self.tolerance]
        return plus + of_value * abs(value - ZERO_CELSIUS)
