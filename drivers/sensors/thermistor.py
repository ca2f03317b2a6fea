"""A thermistor: its resistance falls as it warms, by one of two functions.

With `beta` (K) and its `resistance` R0 at a temperature T0: 1/T = 1/T0 + ln(R/R0)/beta. With the
three `coefficients` of Steinhart and Hart (Deep-Sea Research 15, 1968, from memory):
1/T = a + b L + c L³ with L = ln(R/ohm).

Keys: either `resistance`, `at` and `beta`, or `coefficients`; `wires`, the `excitation` that it is
measured by, and the span that it is good for: `lowest` and `highest`.
"""

from __future__ import annotations

import math
from typing import Literal

from pydantic import Field, model_validator

from drivers.fields import Amperes, Kelvins, KelvinsDifference, Ohms, Ratio
from drivers.sensors.base import ZERO_CELSIUS, Excitation, Signal, Thermometer, Wires, solve

_LN_OHMS = (-20.0, 40.0)


class Thermistor(Thermometer):
    """A thermistor."""

    kind: Literal["thermistor"]
    resistance: Ohms | None = Field(default=None, gt=0)
    at: Kelvins = Field(default=ZERO_CELSIUS + 25.0, gt=0)
    beta: KelvinsDifference | None = Field(default=None, gt=0)
    coefficients: tuple[Ratio, Ratio, Ratio] | None = None
    wires: Wires = 2
    excitation: Amperes = Field(default=1e-5, gt=0)
    lowest: Kelvins = Field(default=ZERO_CELSIUS - 55.0, gt=0)
    highest: Kelvins = Field(default=ZERO_CELSIUS + 150.0, gt=0)

    @model_validator(mode="after")
    def _has_one_function(self) -> Thermistor:
        by_beta = self.resistance is not None and self.beta is not None
        if by_beta == (self.coefficients is not None) or (
            self.coefficients is not None and (self.resistance or self.beta)
        ):
            raise ValueError(
                'needs either “resistance” and “beta”, as in resistance = "10 kohm", '
                'beta = "3950 K", or the three “coefficients” of Steinhart and Hart'
            )
        if self.coefficients is not None and min(self.coefficients[1:]) <= 0:
            raise ValueError(
                "has “coefficients” that no thermistor has: the second and third are above zero"
            )
        if not self.lowest < self.highest:
            raise ValueError("has a “lowest” that isn't below its “highest”")
        return self

    @property
    def reads(self) -> Signal:
        """A resistance."""
        return "resistance"

    @property
    def span(self) -> tuple[float, float]:
        """What it is good for (K)."""
        return self.lowest, self.highest

    @property
    def method(self) -> str:
        """The function's name."""
        return f"thermistor by {'beta' if self.beta else 'Steinhart and Hart'}, {self.wires} wires"

    @property
    def excited(self) -> Excitation:
        """The current through it and its wires."""
        return Excitation(self.excitation, self.wires)

    def signal(self, value: float, reference: float = math.nan) -> float:
        """The resistance (ohm) at a temperature (K)."""
        return math.exp(solve(self._inverse_kelvins, _LN_OHMS, 1 / value))

    def value(self, signal: float, reference: float = math.nan) -> float:
        """The temperature (K) at a resistance (ohm)."""
        lowest, highest = self.span
        if math.isnan(signal):
            return math.nan
        inverse = self._inverse_kelvins(math.log(signal)) if 0 < signal < math.inf else signal
        if inverse > 1 / lowest:
            return -math.inf
        return 1 / inverse if inverse >= 1 / highest else math.inf

    def _inverse_kelvins(self, ln_ohms: float) -> float:
        """1/T (1/K) at the logarithm of a resistance in ohm."""
        if self.coefficients is not None:
            a, b, c = self.coefficients
            return a + b * ln_ohms + c * ln_ohms**3
        assert self.resistance is not None
        assert self.beta is not None
        return 1 / self.at + (ln_ohms - math.log(self.resistance)) / self.beta
