"""A solar cell, and a module of many: one diode with a photocurrent, in light and temperature.

Each substring of cells in series is a lit junction of its own (see lit_junction.py); in a module a
bypass diode may lie across each, and one current goes through all. From reference conditions
(irradiance G_r, cell temperature T_r) to others:

    I_ph = g · (I_ph,r + α·(T − T_r)),   g = (1 − shade) · G/G_r
    I_0  = I_0,r · (T/T_r)³ · exp(E_r/(k·T_r) − E/(k·T)),   E = E_r · (1 + β·(T − T_r))
    R_sh = R_sh,r / g,   a = n·k·T/q for each cell,   R_s stays

Source: W. De Soto, S. A. Klein and W. A. Beckman, "Improvement and validation of a model for
photovoltaic array performance", Solar Energy 80 (2006), whose E_r/q = 1.121 V and β = -0.0002677
1/K for silicon stand where they are left out.

`photocurrent` I_ph,r and `saturation_current` I_0,r (A), `ideality` n, `series_resistance` R_s and
`shunt_resistance` R_sh,r (ohm; no shunt where left out), `reference_irradiance` (1000 W/m²),
`reference_temperature` (25 °C), `current_per_kelvin` α (A/K), `band_gap` E_r/q (V),
`band_gap_per_kelvin` β (1/K). `dark_shunt_resistance` (ohm) is what is left of the shunt in the
dark, where De Soto's picture has none and a dark curve nothing to see; the conductance goes from it
to that at G_r in a straight line over the light. `nominal_temperature` is what the cells have at
800 W/m² in 20 °C: they are warmer than the ambient in proportion to the light, and as warm as the
ambient where it is left out. `capacitance` (F), of a cell or of a whole module, lies across the
junctions, behind the series resistance, which is then above zero.

A module's figures are those of the whole, as on its sheet: `cells` of them in series, in equal
`substrings`, each with its `shade` (a share of the light), and `bypass_diode` for one across each,
whose figures don't go with temperature but for k·T/q.

Limits of damage, none where left out: `bears_current` (A, either way; opens), for all of the part
`bears_reverse_voltage` (V; punctured, a short).

Light and temperature are those of the bench's conditions. At the start the part is at open circuit.
Left out: shade within a substring, the cells' breakdown in reverse, capacitance that grows with the
forward voltage, the time that cells take to warm.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from drivers.fields import (
    Amperes,
    Data,
    Farads,
    Kelvins,
    Ohms,
    PerKelvin,
    QuantityOf,
    Ratio,
    Volts,
)
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import PartModel, Physics
from drivers.simulated.parts.bypass import BypassDiode
from drivers.simulated.parts.lit import Cells, limits, physics_of
from drivers.simulated.parts.lit_junction import COLDEST_K, VOLTS_PER_KELVIN, LitJunction
from grammar.quantity import CURRENT, IRRADIANCE, TEMPERATURE

EXAMPLE = """
[parts.panel]                            # on the mast, three substrings, a branch before one
model = "solar module"
photocurrent = "2.1 A"
saturation_current = "0.4 nA"
ideality = 1.05
series_resistance = "0.35 ohm"
shunt_resistance = "220 ohm"
dark_shunt_resistance = "900 ohm"
reference_irradiance = "1000 W/m^2"
reference_temperature = "25 °C"
current_per_kelvin = "1.1 mA/K"
band_gap = "1.121 V"
band_gap_per_kelvin = "-0.02677 %/K"
nominal_temperature = "45 °C"
capacitance = "4 uF"
cells = 36
substrings = [ { shade = 0 }, { shade = "40 %" }, { shade = 0 } ]
bypass_diode = { saturation_current = "2 uA", ideality = 1.05 }
bears_current = "9 A"
bears_reverse_voltage = "60 V"
"""

EXAMPLE_CELL = """
[parts.eye]                              # one cell, the station's light sensor
model = "solar cell"
photocurrent = "38 mA"
saturation_current = "60 pA"
ideality = 1.2
series_resistance = "0.4 ohm"
shunt_resistance = "2 kohm"
"""

AmperesPerKelvin = Annotated[
    float, BeforeValidator(QuantityOf(CURRENT.over(TEMPERATURE), example="1 mA/K"))
]
Irradiance = Annotated[float, BeforeValidator(QuantityOf(IRRADIANCE))]

# The conditions under which a nominal cell temperature is stated: 800 W/m² in 20 °C (from memory of
# IEC 61215; the wind is 1 m/s).
_NOMINAL_IRRADIANCE = 800.0
_NOMINAL_AMBIENT_K = 293.15
_LEAST_LOGARITHM = -600.0


class _Lit(PartModel):
    """What a cell and a module have in common."""

    photocurrent: Amperes = Field(gt=0, examples=["8 A"])
    saturation_current: Amperes = Field(gt=0, examples=["0.5 nA"])
    ideality: Ratio = Field(default=1.0, ge=0.1)
    series_resistance: Ohms = Field(default=0.0, ge=0)
    shunt_resistance: Ohms | None = Field(default=None, gt=0, examples=["300 ohm"])
    dark_shunt_resistance: Ohms | None = Field(default=None, gt=0, examples=["1 kohm"])
    reference_irradiance: Irradiance = Field(default=1000.0, gt=0)
    reference_temperature: Kelvins = Field(default=298.15, gt=COLDEST_K)
    current_per_kelvin: AmperesPerKelvin = 0.0
    band_gap: Volts = Field(default=1.121, gt=0)
    band_gap_per_kelvin: PerKelvin = Field(default=-0.0002677, gt=-0.01, lt=0.01)
    nominal_temperature: Kelvins | None = Field(default=None, ge=_NOMINAL_AMBIENT_K)
    capacitance: Farads | None = Field(default=None, gt=0, examples=["1 uF"])
    bears_current: Amperes | None = Field(default=None, gt=0, examples=["10 A"])
    bears_reverse_voltage: Volts | None = Field(default=None, gt=0, examples=["15 V"])

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.capacitance is not None and self.series_resistance == 0:
            raise ValueError(
                "has a “capacitance” and no “series_resistance”: nothing would limit the current "
                'that charges it; write one as in series_resistance = "0.1 ohm"'
            )
        shunt, dark = self.shunt_resistance, self.dark_shunt_resistance
        if dark is not None and (shunt is None or dark < shunt):
            raise ValueError(
                "has a “dark_shunt_resistance” below its “shunt_resistance”: light adds to the "
                "shunt's conductance"
            )
        return self

    def cell_temperature(self, ambient: float, irradiance: float) -> float:
        """Temperature (K) of the cells in an ambient temperature (K) and in light (W/m²)."""
        if self.nominal_temperature is None:
            return ambient
        rise = (self.nominal_temperature - _NOMINAL_AMBIENT_K) / _NOMINAL_IRRADIANCE
        return ambient + rise * irradiance

    def lit(self, temperature: float, irradiance: float, cells: float, share: float) -> LitJunction:
        """So many cells in series, a share of the whole, at their temperature (K) in light (W/m²).

        Source: De Soto, as above.
        """
        reference = self.reference_temperature
        warmer = temperature - reference
        light = irradiance / self.reference_irradiance
        # E/(k·T) = (E/q)/(k·T/q).
        gap = self.band_gap * (1 + self.band_gap_per_kelvin * warmer)
        logarithm = (
            3 * math.log(temperature / reference)
            + (self.band_gap / reference - gap / temperature) / VOLTS_PER_KELVIN
        )
        in_dark = 1 / self.dark_shunt_resistance if self.dark_shunt_resistance else 0.0
        in_light = 1 / self.shunt_resistance if self.shunt_resistance else 0.0
        return LitJunction(
            max(0.0, light * (self.photocurrent + self.current_per_kelvin * warmer)),
            self.saturation_current * math.exp(max(logarithm, _LEAST_LOGARITHM)),
            cells * self.ideality * VOLTS_PER_KELVIN * temperature,
            self.series_resistance * share,
            (in_dark + light * (in_light - in_dark)) / share,
        )

    def _cells(self, temperature: float, irradiance: float) -> Cells:
        """What is in series at a cell temperature (K) and in light (W/m²)."""
        return Cells([self.lit(temperature, irradiance, 1, 1)])

    def _strings(self) -> int:
        """How many junctions the capacitance is divided between, in series."""
        return 1

    def physics(self, conditions: Conditions) -> Physics:
        """The lit junctions in the bench's light and temperature."""

        def cells_at(time_s: float) -> Cells:
            irradiance = max(0.0, conditions.irradiance.at(time_s))
            ambient = conditions.temperature.at(time_s)
            temperature = max(COLDEST_K, self.cell_temperature(ambient, irradiance))
            return self._cells(temperature, irradiance)

        capacitance = None if self.capacitance is None else self.capacitance * self._strings()
        breaks = limits(f"the {self.model}", self.bears_current, self.bears_reverse_voltage)
        return physics_of(cells_at, capacitance, conditions, breaks)


class SolarCell(_Lit):
    """A solar cell's parameters."""

    model: Literal["solar cell"]


class Substring(Data):
    """One of a module's equal substrings, and the share of the light that is kept from it."""

    shade: Ratio = Field(default=0.0, ge=0, le=1, examples=["40 %"])


class Bypass(Data):
    """The diodes across the substrings, all alike."""

    saturation_current: Amperes = Field(gt=0, examples=["1 uA"])
    ideality: Ratio = Field(default=1.0, ge=0.1)


class SolarModule(_Lit):
    """A solar module's parameters, those of the whole."""

    model: Literal["solar module"]
    cells: int = Field(strict=True, ge=1, le=10_000, examples=[36])
    substrings: tuple[Substring, ...] = Field(default=(Substring(),), min_length=1, max_length=100)
    bypass_diode: Bypass | None = None

    @model_validator(mode="after")
    def _divides(self) -> Self:
        if self.cells % len(self.substrings):
            raise ValueError(
                f"has {self.cells} cells in {len(self.substrings)} substrings: each substring has "
                "as many as the others"
            )
        return self

    def _strings(self) -> int:
        return len(self.substrings)

    def _cells(self, temperature: float, irradiance: float) -> Cells:
        count = len(self.substrings)
        junctions = [
            self.lit(temperature, irradiance * (1 - s.shade), self.cells / count, 1 / count)
            for s in self.substrings
        ]
        diode = None
        if self.bypass_diode is not None:
            slope = self.bypass_diode.ideality * VOLTS_PER_KELVIN * temperature
            diode = BypassDiode(self.bypass_diode.saturation_current, slope)
        return Cells(junctions, diode)
