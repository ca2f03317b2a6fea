"""Constants of nature that calculations share, and the temperatures that they can work at.

k, q, h and c are exact in the SI since 2019.
"""

from __future__ import annotations

import math

from grammar.quantity import TEMPERATURE_POINT, write
from sequencer.analysis.calculations.readings import NotWorkedOut

BOLTZMANN_J_PER_K = 1.380649e-23
ELEMENTARY_CHARGE_C = 1.602176634e-19
PLANCK_J_S = 6.62607015e-34
LIGHT_M_PER_S = 299_792_458.0
VOLTS_PER_KELVIN = BOLTZMANN_J_PER_K / ELEMENTARY_CHARGE_C
"""k/q: the thermal voltage for each kelvin (V/K)."""


def require_temperature(temperature: float) -> None:
    """Refuse a temperature (K) that there is none of. Raises NotWorkedOut."""
    if not 0 < temperature < math.inf:
        raise NotWorkedOut(
            f"the temperature is {write(temperature, TEMPERATURE_POINT)}",
            "the part's own, above absolute zero",
        )
