"""A conductance that grows with the voltage, branches beside it, and what flows by itself.

i = G·v + B·v·|v| + Σ G_k·(v − v_k) + i_f
"""

from __future__ import annotations

import math
from collections.abc import Sequence


class Across:
    """The law at a moment, its branches' voltages standing still.

    `conductance` G (S), `bend` B (A/V²), `free` i_f (A); `parts` are each branch's conductance G_k
    (S) and its own voltage v_k (V).
    """

    __slots__ = ("_bend", "_free", "_parts", "_sum", "_total")

    def __init__(
        self,
        conductance: float,
        bend: float,
        free: float,
        parts: Sequence[tuple[float, float]],
    ) -> None:
        self._parts = [(conductance, 0.0), *parts]
        self._bend, self._free = bend, free
        self._total = sum(g for g, _ in self._parts)
        self._sum = sum(g * voltage for g, voltage in self._parts) - free

    def voltage_at(self, current: float) -> float:
        """The voltage (V) at a current (A)."""
        return self._solve(self._total, self._bend, current + self._sum)

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance in series (ohm)."""
        r = series_resistance
        across = self._solve(1 + r * self._total, r * self._bend, voltage + r * self._sum)
        if r * self._total > 1:
            return (voltage - across) / r
        # Branch by branch: what is charged up takes nothing, exactly.
        current = sum(g * (across - held) for g, held in self._parts)
        return current + self._bend * across * abs(across) + self._free

    @staticmethod
    def _solve(stiffness: float, bend: float, drive: float) -> float:
        """The v for which stiffness·v + bend·v·|v| = drive, without loss of digits."""
        root = math.hypot(stiffness, 2 * math.sqrt(bend * abs(drive)))
        return 2 * drive / (stiffness + root)
