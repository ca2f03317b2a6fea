"""A laser diode with a photodiode in its light: one part with two pairs of terminals.

    L = ½·η·(x + √(x² + w²)) · s · r,   x = I − I_th
    I_th = I_th,0 · exp((T − T_0)/T_th),   η = η_0 · exp(−(T − T_0)/T_η)
    s = 1 − exp(−I/w) for I > 0, else 0,   r = exp(−½·(max(x, 0)/I_r)²)
    I_ph = coupling · R(λ) · L

"laser": `threshold_current` I_th,0 (A), `slope_efficiency` η_0 (W/A), `threshold_width` w (A), over
which the light sets in, without a kink; `roll_over_current` I_r (A), so far above threshold the
light is strongest and falls again beyond (never where left out). `threshold_e_fold` T_th and
`efficiency_e_fold` T_η (K) say over how many kelvins they change by a factor of e (not at all where
left out), from those at `reference_temperature` T_0 (25 °C). The junction is that of junction.py
with `saturation_current` (A), `ideality`, `series_resistance` (ohm) and `band_gap` (V), by which
the saturation current goes with temperature. `heating` (heating.py) takes what isn't light, and is
a second cause of roll-over; without it the laser is as warm as the ambient. `wavelength` λ (m).

"photodiode": `coupling` is the share of the light that reaches it, `photodiode` a table of the
figures of a photodiode (see photodiode.py); it is as warm as the ambient, and sees no other light.

Limits of damage, none where left out: `bears_power` (W of light) and `bears_current` (A), beyond
which the facet is destroyed and a hundredth of the light is left; `bears_reverse_voltage` (V),
beyond which the junction is a short; `bears` in `heating`, beyond which it burns open.

That threshold rises e-fold in so many kelvins is common practice, no source; the hyperbola is the
smoothest way from no light to a straight line. s takes away the light that the hyperbola would give
at no current, and is 1 to 2e-9 from 20 w on; r is of no source either, but its shape is that of
curves as they are measured. Left out: the junction voltage that is clamped above threshold, kinks,
modes, light that comes back, the light below threshold beyond that of the hyperbola.
"""

from __future__ import annotations

from typing import Literal

from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import QUIET, Noise, PartModel
from drivers.simulated.parts.junction import ELEMENTARY_CHARGE_C
from drivers.simulated.parts.laser_figures import LaserFigures
from drivers.simulated.parts.laser_pair import Pair

EXAMPLE = """
[parts.beam]                             # of the visibility meter
model = "laser diode"
wavelength = "650 nm"
threshold_current = "20 mA"
slope_efficiency = "0.8 W/A"
threshold_width = "1 mA"
roll_over_current = "120 mA"
threshold_e_fold = "90 K"
efficiency_e_fold = "400 K"
reference_temperature = "25 °C"
saturation_current = "1e-18 A"
ideality = 2
series_resistance = "4 ohm"
band_gap = "1.9 V"
heating = { heat_capacity = "5 mJ/K", thermal_resistance = "60 K/W", bears = "120 °C" }
coupling = "5 %"
bears_power = "40 mW"
bears_current = "90 mA"
bears_reverse_voltage = "2 V"

[parts.beam.photodiode]
responsivity = "0.4 A/W"
dark_current = "0.5 nA"
shunt_resistance = "300 Mohm"
series_resistance = "20 ohm"
capacitance = "60 pF"
"""


class LaserDiode(PartModel, LaserFigures):
    """A laser diode's parameters, and those of the photodiode in its light."""

    model: Literal["laser diode"]

    @property
    def ports(self) -> tuple[str, ...]:
        """The laser's terminals, and the photodiode's."""
        return ("laser", "photodiode")

    def noise(self, port: str) -> Noise:
        """The shot noise of the photodiode; a laser's own light is left without."""
        return Noise(carrier=ELEMENTARY_CHARGE_C) if port == "photodiode" else QUIET

    def physics(self, conditions: Conditions) -> Pair:
        """Both, dark and as warm as the ambient."""
        return Pair(self, conditions)
