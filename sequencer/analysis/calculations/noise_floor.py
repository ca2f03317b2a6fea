"""The physical floors of noise: a resistance's and a current's own, to stand beside the measured.

Pure functions of numbers.
"""

from __future__ import annotations

import math

from grammar.quantity import CURRENT, RESISTANCE, TEMPERATURE_POINT, write
from sequencer.analysis.calculations.physics import (
    BOLTZMANN_J_PER_K,
    ELEMENTARY_CHARGE_C,
    require_temperature,
)
from sequencer.analysis.calculations.readings import Calculated, NotWorkedOut


def johnson_noise(resistance: float, temperature: float) -> Calculated:
    """The physical floor of a resistance's noise, as a voltage; over the resistance, as a current.

    Equation: e = √(4 k T R), one-sided spectral density.

    Args:
        resistance: R (Ω).
        temperature: T of the resistance (K).

    Returns:
        The density (V/√Hz), even over frequency.

    Raises:
        NotWorkedOut: a resistance below zero or without bound, no temperature.

    Source: J. B. Johnson and H. Nyquist, Physical Review 32 (1928); k is exact in the SI.
    """
    require_temperature(temperature)
    if not 0 <= resistance < math.inf:
        raise NotWorkedOut(
            f"the resistance is {write(resistance, RESISTANCE)}", "one from 0 ohm up"
        )
    return Calculated(
        math.sqrt(4 * BOLTZMANN_J_PER_K * temperature * resistance),
        f"√(4 k T R) at {write(temperature, TEMPERATURE_POINT)}",
    )


def shot_noise(current: float) -> Calculated:
    """The physical floor of a current's noise, where its charges cross a barrier one by one.

    Equation: i = √(2 q I), one-sided spectral density.

    Args:
        current: the size of I (A), from 0 up.

    Returns:
        The density (A/√Hz), even over frequency.

    Raises:
        NotWorkedOut: a current below zero or without bound.

    Source: W. Schottky, Annalen der Physik 57 (1918); q is exact in the SI.
    """
    if not 0 <= current < math.inf:
        raise NotWorkedOut(
            f"the current is {write(current, CURRENT)}", "its size, from 0 A up: abs(…)"
        )
    return Calculated(math.sqrt(2 * ELEMENTARY_CHARGE_C * current), "√(2 q I)")
