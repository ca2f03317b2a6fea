"""Traces for the tests: closed forms sampled, and a plain table that stands for a recorded one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass
class Table:
    name: str
    columns: dict[str, Floats]


def ideal_discharge(
    capacitance_F: float,
    current_A: float,
    start_V: float,
    step_s: float,
    rows: int,
    resistance_ohm: float = 0.0,
) -> Table:
    """A capacitor with a series resistance, discharged at constant current from the first row on.

    v(t) = U0 − I (R + t/C), the closed form.
    """
    time = np.arange(rows) * step_s
    voltage = start_V - current_A * (resistance_ohm + time / capacitance_F)
    return table("discharging", time, voltage, np.full(rows, -current_A))


def table(name: str, time: Floats, voltage: Floats, current: Floats) -> Table:
    return Table(
        name,
        {
            "time": time,
            "smu.voltage": voltage,
            "smu.current": current,
            "smu.limited": np.ones(len(time)),
        },
    )


@dataclass
class TwoBranches:
    """The closed form of a capacitor with one slow branch, discharged at constant current.

    A series resistance feeds a main capacitance, beside it a branch resistance with a branch
    capacitance, and a leakage resistance. x' = A x + B i for the two capacitor voltages x, current
    i into the part, v = x_1 + R_s i; solved by the eigenvalues of A from a settled start.
    """

    series_ohm: float
    main_f: float
    branch_ohm: float
    branch_f: float
    leak_ohm: float
    start_v: float
    current_a: float

    def __post_init__(self) -> None:
        a = 1 / (self.branch_ohm * self.main_f)
        b = 1 / (self.branch_ohm * self.branch_f)
        matrix = np.array([[-a - 1 / (self.leak_ohm * self.main_f), a], [b, -b]])
        # x∞ = −A⁻¹ B i with i = −I; the rest decays from the start in the two modes.
        settled = np.linalg.solve(matrix, np.array([1 / self.main_f, 0.0])) * self.current_a
        self.rates, vectors = np.linalg.eig(matrix)
        self.weights = vectors[0] * np.linalg.solve(vectors, self.start_v - settled)
        self.final_v = settled[0] - self.current_a * self.series_ohm

    def voltage(self, time: Floats, aperture_s: float = 0.0) -> Floats:
        """v (V) at times, or its exact means over apertures about them."""
        half = self.rates * aperture_s / 2
        shape = np.sinh(half) / half if aperture_s else 1.0
        return self.final_v + np.exp(np.outer(time, self.rates)) @ (self.weights * shape)

    def crossing(self, voltage_V: float, longest_s: float) -> float:
        """When v falls to a voltage, by bisection."""
        low, high = 0.0, longest_s
        for _ in range(200):
            middle = (low + high) / 2
            above = self.voltage(np.array([middle]))[0] > voltage_V
            low, high = (middle, high) if above else (low, middle)
        return low

    def line_at_start(self, start_s: float, end_s: float) -> float:
        """Where the line that minimises ∫(v − a − b t)² dt meets t = 0, by Gauss-Legendre."""
        nodes, weights = np.polynomial.legendre.leggauss(40)
        time = (end_s + start_s) / 2 + nodes * (end_s - start_s) / 2
        root = np.sqrt(weights)
        basis = np.stack((root, root * time), axis=1)
        (at_start, _), *_ = np.linalg.lstsq(basis, root * self.voltage(time))
        return float(at_start)
