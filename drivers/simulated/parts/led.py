"""An LED: a junction known by its forward drop, which gives off light; forward is positive.

    I_s = I_f / (exp((V_f − R_s·I_f)/a) − 1)

`forward`: `voltage` V_f (V) at `current` I_f (A) and `temperature`; `light_share`, the share of the
junction's power that leaves as light and doesn't warm it. All other parameters are those of a diode
(diode.py); `band_gap` (V) is 2.0 where it is left out, that of a red one (from memory). The light
is no quantity of the bench: its colour, and how it falls with temperature, are left out.
"""

from __future__ import annotations

import math
from typing import Literal

from pydantic import Field, model_validator

from drivers.fields import Amperes, Data, Ratio, Volts
from drivers.simulated.parts.junction import BOLTZMANN_J_PER_K, ELEMENTARY_CHARGE_C
from drivers.simulated.parts.junction_part import JunctionPart

EXAMPLE = """
[parts.lamp]
model = "LED"
forward = { voltage = "1.9 V", current = "20 mA" }
light_share = "15 %"
ideality = 1.8
series_resistance = "3 ohm"
breakdown = { voltage = "18 V", current = "10 uA", ideality = 6 }
heating = { heat_capacity = "30 uJ/K", thermal_resistance = "180 K/W", bears = "160 °C", outer = [
    { heat_capacity = "20 mJ/K", thermal_resistance = "150 K/W" } ] }
fails = "open"
"""

# Beyond it the saturation current is no number to work with.
_LARGEST_EXPONENT = 300.0


class Forward(Data):
    """The forward voltage (V) at a current (A)."""

    voltage: Volts = Field(gt=0, examples=["1.9 V"])
    current: Amperes = Field(gt=0, examples=["20 mA"])


class Led(JunctionPart):
    """An LED's parameters."""

    model: Literal["LED"]
    forward: Forward
    light_share: Ratio = Field(default=0.0, ge=0, lt=1)
    band_gap: Volts = Field(default=2.0, gt=0, examples=["2 V"])

    @model_validator(mode="after")
    def _has_a_drop(self) -> Led:
        drop = self.forward
        ohmic = self.series_resistance * drop.current
        if ohmic >= drop.voltage:
            raise ValueError(
                f"drops {ohmic:g} V in its series resistance alone, all of its forward voltage "
                f"of {drop.voltage:g} V: one of the two is wrong"
            )
        if self._exponent > _LARGEST_EXPONENT:
            raise ValueError(
                f"has a forward voltage of {drop.voltage:g} V, too much for one junction of "
                f"ideality {self.ideality:g}: for several in series, give that of all together"
            )
        return self

    @property
    def _exponent(self) -> float:
        drop = self.forward
        thermal = BOLTZMANN_J_PER_K * self.temperature / ELEMENTARY_CHARGE_C
        across = drop.voltage - self.series_resistance * drop.current
        return across / (self.ideality * thermal)

    def saturation(self) -> float:
        """By the forward drop."""
        return self.forward.current / math.expm1(self._exponent)

    @property
    def light(self) -> float:
        """As given."""
        return self.light_share
