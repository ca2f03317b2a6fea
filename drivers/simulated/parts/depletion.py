"""The capacitance of a junction: constant, or that of the depletion layer.

    C(v) = C_0 / (1 − v/V_j)^m         up to v = V_j/2, in the forward direction
    C(v) goes on as a straight line    beyond

C_0 (F) at 0 V, V_j the junction's potential (V), m the grading (0: constant, 0.5 for an abrupt
junction, 0.33 for a graded one). The formula and its straight line are those of SPICE (ngspice's
manual, chapter on diodes, "CJO", "VJ", "M", "FC" = 0.5). Where two junctions stand back to back it
falls either way from 0 V. Not scaled with temperature; charge that is stored while it conducts (the
transit time) is left out.
"""

from __future__ import annotations

from typing import NamedTuple

_STRAIGHT_FROM = 0.5


class Depletion(NamedTuple):
    """C_0 (F), V_j (V) and m; `both` where it falls either way."""

    zero_bias: float
    potential: float = 1.0
    grading: float = 0.0
    both: bool = False

    def capacitance(self, voltage: float) -> float:
        """C (F) at a voltage in the forward direction (V)."""
        c, p, m, both = self
        if m == 0:
            return c
        ratio = (-abs(voltage) if both else voltage) / p
        if ratio <= _STRAIGHT_FROM:
            return float(c * (1 - ratio) ** -m)
        left = 1 - _STRAIGHT_FROM
        return float(c * left**-m * (1 + m * (ratio - _STRAIGHT_FROM) / left))

    def energy(self, voltage: float) -> float:
        """∫ C·v dv from 0 V (J)."""
        c, p, m, both = self
        if m == 0:
            return 0.5 * c * voltage * voltage
        ratio = (-abs(voltage) if both else voltage) / p
        curved = min(ratio, _STRAIGHT_FROM)
        left = 1 - curved
        total = (1 - left ** (1 - m)) / (1 - m) - (1 - left ** (2 - m)) / (2 - m)
        if ratio > _STRAIGHT_FROM:
            # ∫ (g + h·x)·x dx with x the ratio, from where the straight line begins.
            h = left ** (-m - 1) * m
            g = left**-m - h * _STRAIGHT_FROM
            squares, cubes = ratio**2 - _STRAIGHT_FROM**2, ratio**3 - _STRAIGHT_FROM**3
            total += g * squares / 2 + h * cubes / 3
        return float(c * p * p * total)
