"""The metallic spots of a contact: a small resistance that its own heat raises at once.

    v = e + R_f·i + u,   u = R·(1 + α·(T_a − T_0) + ⅔·α·(T_s − T_a))·i
    T_s² = T_a² + u²/(4·L),   L = π²/3·(k/q)²

The spots are so small that they follow at once: their temperature T_s goes with the voltage u
across the metal alone and is the same for every metal (R. Holm, "Electric Contacts", and
F. Kohlrausch before him; L after Wiedemann and Franz; from memory, as is the factor ⅔ with which
the resistance of the constriction follows it). T_0 is 20 °C, T_a the ambient's temperature.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from drivers.simulated.parts.base import AtPort
from drivers.simulated.parts.junction import BOLTZMANN_J_PER_K, ELEMENTARY_CHARGE_C
from drivers.simulated.parts.roots import rising_root

REFERENCE_K = 293.15
LORENZ_V2_PER_K2 = math.pi**2 / 3 * (BOLTZMANN_J_PER_K / ELEMENTARY_CHARGE_C) ** 2
_LEAST_FACTOR = 0.01


class Spots(NamedTuple):
    """The law at a moment: R, α, T_a (K), e (V) and R_f (ohm)."""

    resistance: float
    coefficient: float
    ambient: float
    electromotive: float
    film: float

    def resistance_at(self, across: float) -> tuple[float, float]:
        """The metal's resistance (ohm) with a voltage (V, from 0) across it, and its slope."""
        hot = self.temperature_at(across)
        cold = self.coefficient * (self.ambient - REFERENCE_K)
        rise = 2 / 3 * self.coefficient
        factor = max(_LEAST_FACTOR, 1 + cold) + rise * (hot - self.ambient)
        slope = rise * across / (4 * LORENZ_V2_PER_K2 * hot)
        return self.resistance * factor, self.resistance * slope

    def temperature_at(self, across: float) -> float:
        """The temperature (K) of the spots with a voltage (V) across the metal."""
        return math.hypot(self.ambient, across / (2 * math.sqrt(LORENZ_V2_PER_K2)))

    def across_metal(self, at: AtPort) -> float:
        """The voltage (V) across the metal."""
        return at.voltage - self.electromotive - self.film * at.current

    def voltage_at(self, current: float) -> float:
        """The voltage (V) at a current (A).

        inf where the resistance rises so fast with the voltage that no voltage can drive it. With
        k = ⅔·α·R·i and f the rest of the factor, u = i·R·f + k·√(T_a² + q·u²) is a square equation.
        """
        driven = abs(current) * self.resistance
        k = 2 / 3 * self.coefficient * driven
        q = 1 / (4 * LORENZ_V2_PER_K2)
        left = 1 - k * k * q
        if left <= 0:
            return math.copysign(math.inf, current)
        cold = self.coefficient * (self.ambient - REFERENCE_K)
        rest = driven * max(_LEAST_FACTOR, 1 + cold) - k * self.ambient
        across = (rest + k * math.sqrt(self.ambient**2 * left + q * rest**2)) / left
        return self.electromotive + self.film * current + math.copysign(across, current)

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance in series (ohm)."""
        driving = voltage - self.electromotive
        before = series_resistance + self.film
        most = abs(driving)

        def excess(across: float) -> tuple[float, float]:
            resistance, slope = self.resistance_at(across)
            current = across / resistance
            steepness = (1 - current * slope) / resistance
            return across + before * current - most, 1 + before * steepness

        cold = self.resistance_at(0.0)[0]
        across = most
        if before > 0 and most > 0:
            across = rising_root(excess, 0.0, most, most * cold / (cold + before))
        resistance, _ = self.resistance_at(across)
        current = (most - across) / before if before > resistance else across / resistance
        return math.copysign(current, driving)
