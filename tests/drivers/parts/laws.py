"""How laws are judged: they rise, and voltage and current give each other back."""

from __future__ import annotations

import math
from collections.abc import Iterable

import pytest

from drivers.simulated.parts.base import Static


def assert_undoes_itself(
    law: Static, voltages: Iterable[float], resistances: Iterable[float]
) -> None:
    """To 1e-12: voltages add up, or, where the current hardly goes with them, it comes back."""
    rising = sorted(set(voltages))
    for resistance in resistances:
        last = -math.inf
        for voltage in rising:
            current = law.current_through(voltage, resistance)
            assert last <= current < math.inf, (voltage, resistance)
            last = current
            across, drop = law.voltage_at(current), resistance * current
            size = max(abs(across), abs(drop), abs(voltage))
            if abs(across + drop - voltage) > 1e-12 * size:
                again = law.current_through(across + drop, resistance)
                assert again == pytest.approx(current, rel=1e-12, abs=0), (voltage, resistance)
