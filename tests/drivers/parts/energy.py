"""Energy's balance of a part: what went in is stored or lost, by an integrator of its own.

Each pair of terminals hangs on a voltage that wanders (a sum of sines drawn from a seed) behind a
resistance. scipy integrates the part's states, the currents of its inductances, ∫ v·i dt over all
pairs and ∫ lost dt together; nothing of the simulated circuits is used.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np
from scipy.integrate import solve_ivp

from drivers.simulated.parts.base import AtPort, Dynamic

Drive = Callable[[float], float]


class Balance(NamedTuple):
    """Energies (J): what went in, what the store gained, what was lost; and what was moved.

    `moved` is ∫ |v·i| dt plus ∫ |lost| dt, the size that the difference is compared with.
    """

    given: float
    gained: float
    lost: float
    moved: float

    @property
    def error(self) -> float:
        """The part of what was moved that is not accounted for."""
        return abs(self.given - self.gained - self.lost) / self.moved


def wandering(seed: int, size: float, slowest_s: float, mean: float = 0.0) -> Drive:
    """A voltage (V) that wanders smoothly over ±size around a mean."""
    draw = random.Random(seed)
    sines = [
        (draw.uniform(0.2, 0.5), draw.uniform(1, 4) * math.tau / slowest_s, draw.uniform(0, 6))
        for _ in range(3)
    ]
    return lambda t: mean + size * sum(a * math.sin(w * t + phase) for a, w, phase in sines)


def motion(
    part: Dynamic,
    drives: Sequence[tuple[Drive, float]],
    duration_s: float,
    *,
    method: str = "LSODA",
    tolerance: float = 1e-10,
    energy_j: float = 1.0,
) -> Any:
    """What scipy makes of the part behind (voltage, resistance) at each pair of terminals.

    The rows of `y` are the states, the currents of the inductances above 0, then ∫ v·i, ∫ lost and
    ∫ |v·i| + |lost|. `energy_j` is the size of energies (J) of which the tolerance is a share. The
    integrator is stopped and started anew at the part's kinks.
    """
    coils = [port for port, inductance in enumerate(part.inductances) if inductance > 0]
    size = len(part.initial)

    def derivative(t: float, y: Any) -> list[float]:
        t = float(t)
        state = tuple(map(float, y[:size]))
        currents = dict(zip(coils, map(float, y[size : size + len(coils)]), strict=True))
        ports: list[AtPort] = []
        slopes: list[float] = []
        for port, (drive, resistance) in enumerate(drives):
            law = part.law(port, t, state, ports)
            if port in currents:
                current = currents[port]
                voltage = law.voltage_at(current)
                across = drive(t) - resistance * current - voltage
                slopes.append(across / part.inductances[port])
            else:
                current = law.current_through(drive(t), resistance)
                voltage = law.voltage_at(current)
            ports.append(AtPort(voltage, current))
        power = sum(at.voltage * at.current for at in ports)
        lost = part.lost(t, state, ports)
        sizes = sum(abs(at.voltage * at.current) for at in ports) + abs(lost)
        return [*part.rates(t, state, ports), *slopes, power, lost, sizes]

    start = np.array([*part.initial, *(0.0 for _ in coils), 0.0, 0.0, 0.0])
    sizes = [*part.magnitudes, *(1.0 for _ in coils), energy_j, energy_j, energy_j]
    solution: Any = None
    begin = 0.0
    for end in [*(t for t in sorted(part.kinks) if 0 < t < duration_s), duration_s]:
        solution = solve_ivp(
            derivative, (begin, end), start, method=method, rtol=tolerance,
            atol=tolerance * np.array(sizes), first_step=(end - begin) * 1e-6, dense_output=True,
        )  # fmt: skip
        assert solution.success, solution.message
        begin, start = end, solution.y[:, -1]
    return solution


def balance(
    part: Dynamic, drives: Sequence[tuple[Drive, float]], duration_s: float, **how: Any
) -> Balance:
    """The balance of a part over a time, all of its pairs of terminals together."""
    size = len(part.initial)
    end = motion(part, drives, duration_s, **how).y[:, -1]
    gained = part.stored(tuple(map(float, end[:size]))) - part.stored(part.initial)
    return Balance(float(end[-3]), gained, float(end[-2]), float(end[-1]))
