"""A diode: a junction with a resistance in series; forward is positive.

`saturation_current` I_s (A), `ideality` n (1 to 2 in silicon), `series_resistance` R_s (ohm), all
at `temperature` (25 °C where it is left out); with temperature I_s goes by `band_gap` (V, 1.11 for
silicon) and `saturation_exponent` (3). `breakdown`: `voltage` (V) at `current` (A), its softness
`ideality`, its `temperature_coefficient` (1/K); without it any voltage is blocked. `capacitance`
(F) at 0 V, constant or, with `grading` and `junction_potential` (V), that of the depletion layer;
it needs R_s. `heating`: heat capacities, and the temperature that the junction bears;
`bears_energy` (J) is what its own heat capacity bears above ambient; past either it `fails` as a
short (as most do, common practice, no source) or open.

Equations, sources and what is left out: junction.py, junction_part.py, depletion.py, heating.py.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from drivers.fields import Amperes
from drivers.simulated.parts.junction_part import JunctionPart

EXAMPLE = """
[parts.blocking]
model = "diode"
saturation_current = "3 nA"
ideality = 1.7
series_resistance = "35 mohm"
temperature = "25 °C"
band_gap = "1.11 V"
saturation_exponent = 3
breakdown.voltage = "110 V"
breakdown.current = "10 uA"
breakdown.ideality = 4
breakdown.temperature_coefficient = "0.1 %/K"
capacitance = "45 pF"
grading = 0.45
junction_potential = "0.7 V"
heating = { heat_capacity = "0.6 mJ/K", thermal_resistance = "12 K/W", bears = "230 °C", outer = [
    { heat_capacity = "0.15 J/K", thermal_resistance = "60 K/W" } ] }
bears_energy = "0.12 J"
fails = "short"
"""


class Diode(JunctionPart):
    """A diode's parameters."""

    model: Literal["diode"]
    saturation_current: Amperes = Field(gt=0, examples=["1 nA"])

    def saturation(self) -> float:
        """As given."""
        return self.saturation_current
