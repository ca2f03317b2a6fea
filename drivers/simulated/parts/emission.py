"""How the light of a laser diode comes from its current."""

from __future__ import annotations

import math
from typing import NamedTuple


class Emission(NamedTuple):
    """The light of a laser diode over current; see laser.py for its equations and their reasons.

    `threshold` I_th,0, `width` w and `roll_over` I_r in A, `slope` η_0 in W/A, `nominal` T_0,
    `threshold_e_fold` T_th and `slope_e_fold` T_η in K, inf for none; `share` of it is left.
    """

    threshold: float
    slope: float
    width: float
    roll_over: float
    nominal: float
    threshold_e_fold: float
    slope_e_fold: float
    share: float = 1.0

    def light(self, current: float, temperature: float) -> float:
        """Light (W) at a current (A) and a temperature (K)."""
        if current <= 0:
            return 0.0
        warmer = temperature - self.nominal
        above = current - self.threshold * math.exp(min(warmer / self.threshold_e_fold, 300.0))
        bow = math.hypot(above, self.width)
        # Below threshold the sum would be a difference of two nearly equal numbers.
        twice = above + bow if above > 0 else self.width**2 / (bow - above)
        starts = -math.expm1(-current / self.width)
        falls = 0.5 * (max(above, 0.0) / self.roll_over) ** 2 + warmer / self.slope_e_fold
        light = 0.5 * self.slope * twice * starts * math.exp(min(-falls, 300.0))
        return self.share * light
