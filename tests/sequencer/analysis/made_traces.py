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
