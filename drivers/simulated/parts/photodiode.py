"""A photodiode: a lit junction whose photocurrent is the light on it times its responsivity.

    I_ph = R(λ) · P,   P = irradiance · area · transmission,   R(λ) = QE · λ · q/(h·c)

The junction's law is that of lit_junction.py, with the dark current as its saturation current: in
the dark and in reverse it carries the dark current and what the shunt takes, at 0 V nothing.

The responsivity is given in one of three ways: `responsivity` (A/W), `quantum_efficiency` QE (a
share of the photons), or `responsivity_curve`, a table of wavelengths and responsivities, smooth
between its points. `wavelength` λ (m) is that of the light, taken as of one colour, `area` (m²) is
what it falls on, `transmission` the share that a filter lets through (100 %).
`dark_current` (A) is that at `reference_temperature` (25 °C) and doubles with each `dark_doubling`
(K) of ambient temperature (8 to 10 K are common practice, no source), or not at all where that is
left out. `ideality` (1), `series_resistance` (ohm), `shunt_resistance` (ohm, none where left out),
`capacitance` (F) across the junction, which needs a series resistance.

Limits of damage, none where left out: `bears_current` (A, either way; opens) and
`bears_reverse_voltage` (V; punctured, a short).

The light is the irradiance of the bench's conditions, a profile of hours if need be. Source of
R(λ): one electron for each photon of energy h·c/λ; q, h and c are exact in the SI since 2019. Left
out: the spectrum of the light, saturation at strong light, breakdown, capacitance that falls with
the voltage, the noise of the shunt. Shot noise is the reading's business.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from drivers.fields import (
    Amperes,
    Data,
    Farads,
    Kelvins,
    KelvinsDifference,
    Ohms,
    QuantityOf,
    Ratio,
    Volts,
)
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import Noise, PartModel, Physics
from drivers.simulated.parts.curve import Curve
from drivers.simulated.parts.junction import ELEMENTARY_CHARGE_C
from drivers.simulated.parts.lit import Cells, limits, physics_of
from drivers.simulated.parts.lit_junction import COLDEST_K, VOLTS_PER_KELVIN, LitJunction
from grammar.quantity import CURRENT, LENGTH, POWER, write

EXAMPLE = """
[parts.light]                            # the station's light sensor, behind a grey filter
model = "photodiode"
wavelength = "850 nm"
area = "7.5e-6 m^2"
transmission = "4 %"
responsivity_curve = [ ["400 nm", "0.12 A/W"], ["650 nm", "0.41 A/W"], ["850 nm", "0.58 A/W"],
                       ["950 nm", "0.62 A/W"], ["1100 nm", "0.19 A/W"] ]
dark_current = "40 pA"
reference_temperature = "25 °C"
dark_doubling = "9 K"
ideality = 1.1
series_resistance = "25 ohm"
shunt_resistance = "800 Mohm"
capacitance = "70 pF"
bears_current = "10 mA"
bears_reverse_voltage = "60 V"
"""

PLANCK_J_S = 6.62607015e-34
LIGHT_M_PER_S = 299792458.0
# A/W of one electron for each photon, for each metre of wavelength.
AMPERES_PER_WATT_METRE = ELEMENTARY_CHARGE_C / (PLANCK_J_S * LIGHT_M_PER_S)

Metres = Annotated[float, BeforeValidator(QuantityOf(LENGTH))]
SquareMetres = Annotated[float, BeforeValidator(QuantityOf(LENGTH.power(2)))]
AmperesPerWatt = Annotated[
    float, BeforeValidator(QuantityOf(CURRENT.over(POWER), example="0.5 A/W"))
]
Wavelength = Annotated[Metres, Field(gt=1e-8, lt=1e-3, examples=["850 nm"])]
Responsivity = Annotated[AmperesPerWatt, Field(ge=0, examples=["0.5 A/W"])]

_WAYS = ("responsivity", "quantum_efficiency", "responsivity_curve")


class Receiver(Data):
    """A photodiode by itself, whatever light falls on it."""

    responsivity: Responsivity | None = None
    quantum_efficiency: Ratio | None = Field(default=None, ge=0, le=1)
    responsivity_curve: tuple[tuple[Wavelength, Responsivity], ...] | None = Field(
        default=None, min_length=2, max_length=1000
    )
    dark_current: Amperes = Field(gt=0, examples=["1 nA"])
    reference_temperature: Kelvins = Field(default=298.15, gt=0)
    dark_doubling: KelvinsDifference | None = Field(default=None, ge=1, examples=["10 K"])
    ideality: Ratio = Field(default=1.0, ge=0.1)
    series_resistance: Ohms = Field(default=0.0, ge=0)
    shunt_resistance: Ohms | None = Field(default=None, gt=0, examples=["500 Mohm"])
    capacitance: Farads | None = Field(default=None, gt=0, examples=["100 pF"])

    @model_validator(mode="after")
    def _receives(self) -> Self:
        given = [way for way in _WAYS if getattr(self, way) is not None]
        if len(given) != 1:
            raise ValueError(
                'must say what light gives in one of three ways: responsivity = "0.5 A/W", '
                "quantum_efficiency = 0.8, or a “responsivity_curve” of wavelengths and "
                f"responsivities; here are {len(given)} of them"
            )
        for before, after in pairwise(self.responsivity_curve or ()):
            if after[0] <= before[0]:
                raise ValueError(
                    "has a “responsivity_curve” whose wavelengths don't rise from "
                    f"{write(before[0], LENGTH)} to {write(after[0], LENGTH)}: the shortest first, "
                    "each once"
                )
        if self.capacitance is not None and self.series_resistance == 0:
            raise ValueError(
                "has a “capacitance” and no “series_resistance”: nothing would limit the current "
                'that charges it; write one as in series_resistance = "20 ohm"'
            )
        return self

    def responsivity_at(self, wavelength: float) -> float:
        """Responsivity (A/W) at a wavelength (m); see the module for how it is given.

        Raises ValueError where the curve doesn't reach the wavelength, or where there would be more
        than one electron for each photon.
        """
        highest = AMPERES_PER_WATT_METRE * wavelength
        if self.quantum_efficiency is not None:
            return self.quantum_efficiency * highest
        found = self.responsivity or 0.0
        if self.responsivity_curve is not None:
            wavelengths, values = zip(*self.responsivity_curve, strict=True)
            if not wavelengths[0] <= wavelength <= wavelengths[-1]:
                raise ValueError(
                    f"is lit at {write(wavelength, LENGTH)}, which its “responsivity_curve” "
                    f"doesn't reach: it goes from {write(wavelengths[0], LENGTH)} to "
                    f"{write(wavelengths[-1], LENGTH)}"
                )
            found = Curve(wavelengths, values).at(wavelength)
        if found > highest * (1 + 1e-9):
            raise ValueError(
                f"gives {found:.4g} A/W at {write(wavelength, LENGTH)}, more than one electron for "
                f"each photon: at most {highest:.4g} A/W"
            )
        return found

    def lit(self, photocurrent: float, temperature: float) -> LitJunction:
        """The junction at a photocurrent (A) and a temperature (K)."""
        doublings = 0.0
        if self.dark_doubling is not None:
            doublings = (temperature - self.reference_temperature) / self.dark_doubling
        return LitJunction(
            photocurrent,
            self.dark_current * 2.0 ** min(max(doublings, -900.0), 900.0),
            self.ideality * VOLTS_PER_KELVIN * max(temperature, COLDEST_K),
            self.series_resistance,
            1 / self.shunt_resistance if self.shunt_resistance else 0.0,
        )


class Photodiode(PartModel, Receiver):
    """A photodiode's parameters, alone in the light of the bench."""

    model: Literal["photodiode"]
    wavelength: Wavelength
    area: SquareMetres = Field(gt=0, examples=["7.5e-6 m^2"])
    transmission: Ratio = Field(default=1.0, ge=0, le=1, examples=["10 %"])
    bears_current: Amperes | None = Field(default=None, gt=0, examples=["10 mA"])
    bears_reverse_voltage: Volts | None = Field(default=None, gt=0, examples=["60 V"])

    @model_validator(mode="after")
    def _sees_its_light(self) -> Self:
        self.responsivity_at(self.wavelength)
        return self

    def noise(self, port: str) -> Noise:
        """The shot noise of what passes the junction."""
        return Noise(carrier=ELEMENTARY_CHARGE_C)

    def physics(self, conditions: Conditions) -> Physics:
        """The junction in the bench's light and temperature."""
        gives = self.responsivity_at(self.wavelength) * self.area * self.transmission

        def cells_at(time_s: float) -> Cells:
            irradiance = max(0.0, conditions.irradiance.at(time_s))
            return Cells([self.lit(gives * irradiance, conditions.temperature.at(time_s))])

        breaks = limits("the photodiode", self.bears_current, self.bears_reverse_voltage)
        return physics_of(cells_at, self.capacitance, conditions, breaks)
