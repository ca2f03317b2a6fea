"""A photodiode at 0 V: its current is its responsivity times the light that falls on it.

I = -R A E with the `responsivity` R (A/W) and the `area` A for an irradiance E, or I = -S Ev with
the `sensitivity` S (A/lx) for an illuminance Ev. Its anode belongs on the high terminal: the
current comes out there, and is negative. What it carries in the dark is no part of this.

`up_to` is the most light that it is to read; in full sun there are about 1000 W/m² and 100 klx.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, ValidationInfo, field_validator, model_validator

from drivers.fields import QuantityOf
from drivers.sensed import SENSED
from drivers.sensors.base import Sensor, Signal, Uncertainty, read_uncertainty
from grammar.quantity import CURRENT, ILLUMINANCE, LENGTH, POWER

AmperesPerWatt = Annotated[float, BeforeValidator(QuantityOf(CURRENT.over(POWER)))]
AmperesPerLux = Annotated[float, BeforeValidator(QuantityOf(CURRENT.over(ILLUMINANCE)))]
SquareMetres = Annotated[float, BeforeValidator(QuantityOf(LENGTH.power(2)))]

# Noise takes a dark reading below zero.
_BELOW_ZERO = 0.02
_FULL_SUN = {"irradiance": 1500.0, "illuminance": 150e3}


class Photodiode(Sensor):
    """A photodiode."""

    kind: Literal["photodiode"]
    responsivity: AmperesPerWatt | None = Field(default=None, gt=0)
    area: SquareMetres | None = Field(default=None, gt=0)
    sensitivity: AmperesPerLux | None = Field(default=None, gt=0)
    up_to: float | None = Field(default=None, gt=0)
    uncertainty: Uncertainty | None = None

    @field_validator("up_to", mode="before")
    @classmethod
    def _read_most(cls, value: Any, info: ValidationInfo) -> float:
        return QuantityOf(SENSED[_gives(info.data.get("sensitivity"))])(value)

    @field_validator("uncertainty", mode="before")
    @classmethod
    def _read_uncertainty(cls, value: Any, info: ValidationInfo) -> Uncertainty:
        return read_uncertainty(value, SENSED[_gives(info.data.get("sensitivity"))])

    @model_validator(mode="after")
    def _has_one_function(self) -> Photodiode:
        of_power = self.responsivity is not None and self.area is not None
        if of_power == (self.sensitivity is not None) or (
            self.sensitivity is not None and (self.responsivity or self.area)
        ):
            raise ValueError(
                'needs either “responsivity” and “area”, as in responsivity = "0.4 A/W", '
                'area = "7.5 mm^2", or “sensitivity”, as in sensitivity = "10 nA/lx"'
            )
        return self

    @property
    def gives(self) -> str:
        """An irradiance, or an illuminance."""
        return _gives(self.sensitivity)

    @property
    def reads(self) -> Signal:
        """A current."""
        return "current"

    @property
    def span(self) -> tuple[float, float]:
        """From darkness to the most light (W/m² or lx)."""
        most = self.up_to if self.up_to is not None else _FULL_SUN[self.gives]
        return -_BELOW_ZERO * most, most

    @property
    def method(self) -> str:
        """What its current is multiplied by."""
        return f"photodiode by {'responsivity' if self.sensitivity is None else 'sensitivity'}"

    def signal(self, value: float, reference: float = math.nan) -> float:
        """The current (A) in a light (W/m² or lx)."""
        if self.sensitivity is not None:
            return -self.sensitivity * value
        assert self.responsivity is not None
        assert self.area is not None
        return -self.responsivity * self.area * value

    @property
    def drives(self) -> float:
        """About what silicon gives with its terminals open (V; common practice, no source)."""
        return 0.5

    @property
    def stated(self) -> Uncertainty | None:
        """The uncertainty."""
        return self.uncertainty


def _gives(sensitivity: float | None) -> str:
    return "irradiance" if sensitivity is None else "illuminance"
