"""A surge suppressor: a junction used in its breakdown.

A positive current flows against the junction, from cathode to anode: one that clamps in `direction`
"one" breaks down at positive voltages and conducts like any diode at negative ones; one that clamps
in "both" breaks down either way.

`breakdown`: `voltage` (V) at `current` (A), `ideality`, `temperature_coefficient` (1/K; about 0.1 %
a kelvin, common practice, no source); `saturation_current` (A) is its leakage below; the slope
above is that of `series_resistance` (ohm) and of the heat. All other parameters are those of a
diode (diode.py). Left out: the spread of current over the junction, and that it snaps back.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from drivers.fields import Amperes
from drivers.simulated.parts.junction_part import Breakdown, JunctionPart

EXAMPLE = """
[parts.clamp]
model = "suppressor"
direction = "one"
saturation_current = "20 nA"
breakdown.voltage = "14 V"
breakdown.current = "1 mA"
breakdown.ideality = 1.5
breakdown.temperature_coefficient = "0.09 %/K"
series_resistance = "45 mohm"
capacitance = "3.5 nF"
grading = 0.4
junction_potential = "0.7 V"
heating = { heat_capacity = "4 mJ/K", thermal_resistance = "1.5 K/W", bears = "350 °C", outer = [
    { heat_capacity = "0.2 J/K", thermal_resistance = "70 K/W" } ] }
bears_energy = "1.1 J"
"""


class Suppressor(JunctionPart):
    """A suppressor's parameters."""

    model: Literal["suppressor"]
    direction: Literal["one", "both"] = Field(examples=["one"])
    saturation_current: Amperes = Field(gt=0, examples=["20 nA"])
    breakdown: Breakdown

    def saturation(self) -> float:
        """As given."""
        return self.saturation_current

    @property
    def clamps_both_ways(self) -> bool:
        """As given."""
        return self.direction == "both"

    @property
    def polarity(self) -> float:
        """Positive voltages are blocked."""
        return -1.0
