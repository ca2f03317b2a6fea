"""The open-circuit voltage of a cell against its charge, by chemistry or by a table of one's own.

The tables are those of rested cells near 25 °C, as cells of each kind have them to about 20 mV; all
from memory. The curve is smooth between the points (curve.py). Below empty the voltage breaks down,
above full it bends up, each as the square of the charge beyond, s of the capacity: −400 V·s² and
+20 V·s², so that a cell that is run 5 % below empty has lost another volt. The two have no source.
"""

from __future__ import annotations

from drivers.simulated.parts.curve import Curve

Table = tuple[tuple[float, float], ...]
"""Charge (a share of the capacity, from 0 to 1) and voltage (V)."""

CHEMISTRIES: dict[str, Table] = {
    "lithium-ion": (
        (0.00, 3.00), (0.02, 3.25), (0.05, 3.42), (0.10, 3.50), (0.20, 3.58), (0.30, 3.62),
        (0.40, 3.66), (0.50, 3.72), (0.60, 3.81), (0.70, 3.91), (0.80, 4.01), (0.90, 4.09),
        (0.95, 4.13), (1.00, 4.20),
    ),
    "iron phosphate": (
        (0.00, 2.50), (0.02, 2.95), (0.05, 3.13), (0.10, 3.20), (0.20, 3.25), (0.30, 3.28),
        (0.40, 3.295), (0.50, 3.30), (0.60, 3.31), (0.70, 3.33), (0.80, 3.335), (0.90, 3.34),
        (0.97, 3.36), (1.00, 3.45),
    ),
    "lead-acid": (
        (0.00, 1.93), (0.10, 1.97), (0.25, 2.00), (0.50, 2.04), (0.75, 2.085), (1.00, 2.13),
    ),
    "nickel-metal hydride": (
        (0.00, 1.05), (0.05, 1.18), (0.10, 1.22), (0.20, 1.25), (0.40, 1.275), (0.60, 1.29),
        (0.80, 1.31), (0.90, 1.335), (1.00, 1.39),
    ),
}  # fmt: skip

_BELOW_EMPTY_V = 400.0
_ABOVE_FULL_V = 20.0


class OpenCircuit:
    """The voltage over the charge, whose table goes from 0 to 1 and never falls."""

    def __init__(self, table: Table) -> None:
        charges, voltages = zip(*table, strict=True)
        self._curve = Curve(charges, voltages)

    def at(self, charge: float) -> float:
        """The voltage (V) at a charge (a share of the capacity)."""
        voltage = self._curve.at(charge)
        if charge < 0:
            return voltage - _BELOW_EMPTY_V * charge * charge
        if charge > 1:
            return voltage + _ABOVE_FULL_V * (charge - 1) ** 2
        return voltage

    def energy(self, charge: float) -> float:
        """∫ voltage · d(charge) from empty on (V): the energy for each coulomb of capacity."""
        energy = self._curve.integral(charge)
        if charge < 0:
            return energy - _BELOW_EMPTY_V * charge**3 / 3
        if charge > 1:
            return energy + _ABOVE_FULL_V * (charge - 1) ** 3 / 3
        return energy
