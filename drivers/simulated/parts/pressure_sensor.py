"""A sensor of pressure with a supply of its own, linear from end to end.

    v = z + (f − z)·p/p_f + R_s·i

`zero` z and `full` f (V) are what it says at 0 and at `full_pressure` p_f (0.5 V to 4.5 V, or the
millivolts of a bridge) of the pressure that it `reads`: "gauge", above the outside's, or
"absolute", with the outside's. `output_resistance` R_s (ohm); `lag` (s) is the time constant with
which it feels. What it says ends at `lowest` and `highest` (V) where these are given. Left out:
its curvature, and what temperature does to it.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from drivers.fields import Data, Ohms, QuantityOf, Seconds, Volts
from grammar.quantity import PRESSURE

Pascals = Annotated[float, BeforeValidator(QuantityOf(PRESSURE))]


class PressureSensor(Data):
    """A sensor's parameters."""

    reads: Literal["gauge", "absolute"] = "gauge"
    zero: Volts = Field(examples=["0.5 V"])
    full: Volts = Field(examples=["4.5 V"])
    full_pressure: Pascals = Field(gt=0, examples=["2.5 bar"])
    lowest: Volts | None = None
    highest: Volts | None = None
    output_resistance: Ohms = Field(gt=0, examples=["100 ohm"])
    lag: Seconds = Field(gt=0, examples=["2 ms"])

    @model_validator(mode="after")
    def _says_something(self) -> PressureSensor:
        if self.zero == self.full:
            raise ValueError(
                f"says {self.zero:g} V at no pressure and at full pressure alike: “zero” and "
                '“full” must differ, as in "0.5 V" and "4.5 V"'
            )
        between = sorted((self.zero, self.full))
        lowest, highest = self._ends()
        if lowest > between[0] or highest < between[1]:
            raise ValueError(
                f"can't say {between[0]:g} V to {between[1]:g} V: “lowest” must not be above the "
                "smaller of “zero” and “full”, “highest” not below the larger"
            )
        return self

    def _ends(self) -> tuple[float, float]:
        lowest = -math.inf if self.lowest is None else self.lowest
        return lowest, math.inf if self.highest is None else self.highest

    def says(self, pressure: float) -> float:
        """The voltage (V) that it brings at a pressure (Pa), of the kind that it reads."""
        lowest, highest = self._ends()
        voltage = self.zero + (self.full - self.zero) * pressure / self.full_pressure
        return min(max(voltage, lowest), highest)
