"""The figures of a laser diode and of the photodiode in its light; laser.py tells of each."""

from __future__ import annotations

import math
from typing import Annotated, Self

from pydantic import BeforeValidator, Field, model_validator

from drivers.fields import (
    Amperes,
    Data,
    Kelvins,
    KelvinsDifference,
    Ohms,
    QuantityOf,
    Ratio,
    Volts,
    Watts,
)
from drivers.simulated.parts.emission import Emission
from drivers.simulated.parts.heating import Heating
from drivers.simulated.parts.photodiode import AMPERES_PER_WATT_METRE, Receiver, Wavelength
from grammar.quantity import LENGTH, VOLTAGE, write

WattsPerAmpere = Annotated[float, BeforeValidator(QuantityOf(VOLTAGE, example="0.8 W/A"))]


class LaserFigures(Data):
    """The parameters of a laser diode and of the photodiode in its light."""

    wavelength: Wavelength
    threshold_current: Amperes = Field(gt=0, examples=["20 mA"])
    slope_efficiency: WattsPerAmpere = Field(gt=0, examples=["0.8 W/A"])
    threshold_width: Amperes = Field(gt=0, examples=["1 mA"])
    roll_over_current: Amperes | None = Field(default=None, gt=0, examples=["150 mA"])
    threshold_e_fold: KelvinsDifference | None = Field(default=None, gt=0, examples=["90 K"])
    efficiency_e_fold: KelvinsDifference | None = Field(default=None, gt=0, examples=["400 K"])
    reference_temperature: Kelvins = Field(default=298.15, ge=100)
    saturation_current: Amperes = Field(gt=0, examples=["1e-18 A"])
    ideality: Ratio = Field(default=2.0, ge=0.1)
    series_resistance: Ohms = Field(default=0.0, ge=0)
    band_gap: Volts = Field(gt=0, examples=["1.9 V"])
    heating: Heating | None = None
    coupling: Ratio = Field(ge=0, le=1, examples=["5 %"])
    photodiode: Receiver
    bears_power: Watts | None = Field(default=None, gt=0, examples=["40 mW"])
    bears_current: Amperes | None = Field(default=None, gt=0, examples=["90 mA"])
    bears_reverse_voltage: Volts | None = Field(default=None, gt=0, examples=["2 V"])

    @model_validator(mode="after")
    def _is_possible(self) -> Self:
        highest = 1 / (AMPERES_PER_WATT_METRE * self.wavelength)
        if self.slope_efficiency > highest:
            raise ValueError(
                f"has a “slope_efficiency” of {self.slope_efficiency:.4g} W/A, more than one "
                f"photon for each electron: at {write(self.wavelength, LENGTH)} at most "
                f"{highest:.4g} W/A"
            )
        if self.threshold_width >= self.threshold_current:
            raise ValueError(
                "has a “threshold_width” that is no narrower than its “threshold_current”: there "
                "would be no threshold"
            )
        self.photodiode.responsivity_at(self.wavelength)
        return self

    def emission(self) -> Emission:
        """How light comes from current, before any damage."""
        return Emission(
            self.threshold_current,
            self.slope_efficiency,
            self.threshold_width,
            self.roll_over_current or math.inf,
            self.reference_temperature,
            self.threshold_e_fold or math.inf,
            self.efficiency_e_fold or math.inf,
        )
