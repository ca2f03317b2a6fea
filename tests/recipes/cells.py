"""Recipes on a cell, worked out by its own differential equations, solved by scipy.

v = U(s) + R·i + v_1 + v_2, R and the branches grown by age, R with the temperature; U by scipy's
monotone cubic (Fritsch and Butland) through the chemistry's table. What is charged or drawn goes by
the recipe's own moments: a reading of the cell and its thermometer takes 61 ms, the contact 5 ms,
the push 505 ms.
"""

from __future__ import annotations

import bisect
import functools
import math
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.interpolate import PchipInterpolator

from drivers.simulated.parts.open_circuit import CHEMISTRIES
from tests.recipes.jobs import (
    Bias,
    Instrument,
    Job,
    part_of,
)

Floats = NDArray[np.float64]
CONTACT_S, LOOK_S = 0.005, 0.02
AIR_K = 295.15


class Cell:
    """A cell in a room of 22 °C: its rise (K), the voltages of two branches (V), and its charge s.

    Args:
        name: the recipe whose bench it is on.
    """

    def __init__(self, name: str) -> None:
        self._part = part = part_of(name, "cell")
        charges, volts = zip(*CHEMISTRIES[part.chemistry], strict=True)
        curve = PchipInterpolator(charges, volts)
        self._knots, self._pieces = list(charges), curve.c.T.tolist()
        grown = part.age.resistance
        self._ohm = part.series_resistance * grown
        self._branches = [(b.resistance * grown, b.time_constant) for b in part.branches]
        self._capacity = part.capacity * part.age.capacity
        self.state: Floats = np.array([0.0, 0.0, 0.0, part.initial.charge])

    def at_rest(self, charge: float) -> float:
        """The open-circuit voltage (V) at a charge (a share), which may be below 0 or above 1.

        Beyond its ends the curve goes straight on; below empty it is 400 V·s² less, above full 20
        V·s² more, s the charge beyond.
        """
        if charge < 0:
            d, c = self._pieces[0][3], self._pieces[0][2]
            return float(d + c * charge - 400 * charge**2)
        k = min(bisect.bisect_right(self._knots, charge) - 1, len(self._pieces) - 1)
        a, b, c, d = self._pieces[k]
        x = min(charge, 1.0) - self._knots[k]
        beyond = max(charge - 1.0, 0.0)
        slope = (3 * a * x + 2 * b) * x + c
        return float(((a * x + b) * x + c) * x + d + slope * beyond + 20 * beyond**2)

    def ohms(self, state: Floats) -> float:
        """The series resistance (ohm), by Arrhenius' law from 25 °C on."""
        part = self._part
        warm = part.activation_temperature * (1 / (AIR_K + state[0]) - 1 / 298.15)
        return float(self._ohm * math.exp(warm))

    def voltage(self, current: float, state: Floats | None = None) -> float:
        """The terminal voltage (V) while a current (A) flows in."""
        s = self.state if state is None else state
        return self.at_rest(s[3]) + s[1] + s[2] + self.ohms(s) * current

    def flow(self, voltage: float, state: Floats) -> float:
        """What flows (A) from a held voltage (V)."""
        return (voltage - self.at_rest(state[3]) - state[1] - state[2]) / self.ohms(state)

    def _rates(self, current: float, s: Floats) -> list[float]:
        part, u = self._part, self.at_rest(s[3])
        kept = part.coulombic_efficiency if current > 0 else 1.0
        leak = u / part.leakage_resistance
        (r_1, t_1), (r_2, t_2) = self._branches
        heat = self.ohms(s) * current**2 + s[1] ** 2 / r_1 + s[2] ** 2 / r_2
        heat += u * (max(current, 0.0) * (1 - kept) + leak)
        warming = part.heating
        return [
            (heat - s[0] / warming.thermal_resistance) / warming.heat_capacity,
            (r_1 * current - s[1]) / t_1,
            (r_2 * current - s[2]) / t_2,
            (current * kept - leak) / self._capacity,
        ]

    def go(
        self, seconds: float, current: float = 0.0, held: float | None = None,
        until: Callable[[float, Floats], float] | None = None,
    ) -> tuple[float, Callable[[Floats], Floats]]:  # fmt: skip
        """Pass a current (A), or hold a voltage (V); returns how long, and the states on the way.

        It ends early where `until` of time and state falls to 0.
        """
        begun = self.state

        def rates(_: float, s: Floats) -> list[float]:
            return self._rates(current if held is None else self.flow(held, s), s)

        ends = None
        if until is not None:
            until.terminal = True  # type: ignore[attr-defined]
            ends = [until]
        done = solve_ivp(
            rates, (0.0, seconds), begun, "LSODA", dense_output=True, events=ends, rtol=1e-8,
            atol=1e-10,
        )  # fmt: skip
        self.state = done.y[:, -1]
        return float(done.t[-1]), done.sol

    def charge(
        self, full: float, limit: float, until: float, step: float = 1.0
    ) -> tuple[Floats, Floats, Floats]:
        """Charge up to a voltage, read each step from 30 ms after the contact on, until a current.

        Returns time, true voltage and current of the rows; the cell is left at the last.
        """
        turns, rising = self.go(1e5, limit, until=lambda _, s: full - self.voltage(limit, s))
        before = 0.03 + step * np.arange(math.ceil((turns - 0.03) / step))
        start = self.state
        ends, _ = self.go(1e5, held=full, until=lambda _, s: self.flow(full, s) - until)
        count = len(before) + math.ceil((ends + turns - before[-1]) / step)
        times = 0.03 + step * np.arange(count)
        after = times[len(before) :] - turns
        self.state = start
        _, falling = self.go(float(after[-1]), held=full)
        volts = [self.voltage(limit, s) for s in rising(before).T]
        flows = [self.flow(full, s) for s in falling(after).T]
        return (
            times,
            np.array(volts + [full] * len(after)),
            np.array([limit] * len(before) + flows),
        )

    def draw(self, load: float, rows: Floats) -> Floats:
        """Draw a current (A, above zero); the voltages at times from now, the last one stays."""
        _, states = self.go(float(rows[-1]), -load)
        return np.array([self.voltage(-load, s) for s in states(rows).T])


def presence(cell: Cell, amperes: float) -> None:
    """The push before the first `on`, and the contact of the output's own."""
    cell.go(0.505, amperes)
    cell.go(CONTACT_S)


DRAWN_A, FULL_V = 1.25, 4.1
"""Not the recipe's 0.5 A and 4.2 V: so it is over in half of the readings."""


@functools.cache
def cycle(
    source_v: float = 0.0, source_i: float = 0.0, read_i_gain: float = 0.0,
    read_i_offset: float = 0.0, read_v: float = 0.0, sensor: float = 0.0,
) -> Mapping[str, float]:  # fmt: skip
    """Emptied, charged, rested ten minutes, discharged; counters of readings a second apart."""
    cell = Cell("cycle-cell")
    load, full = DRAWN_A + source_i, FULL_V + source_v

    def discharge() -> tuple[float, float, Floats]:
        begun = cell.state
        ends, _ = cell.go(1e5, -load, until=lambda _, s: cell.voltage(-load, s) + read_v - 2.755)
        cell.state = begun
        rows = 0.03 + np.arange(math.ceil(ends - 0.03) + 1.0)
        seen = cell.draw(load, rows) + read_v
        flow = load * (1 + read_i_gain) - read_i_offset
        given = flow * float(rows[-1])
        energy = flow * (float(np.trapezoid(seen, rows)) + 0.03 * float(seen[0]))
        cell.go(0.051 + CONTACT_S, -load)
        return given, energy, seen

    cell.go(0.188)
    presence(cell, 0.015)
    discharge()
    cell.go(600.046)
    times, volts, flows = cell.charge(
        full, 1.25 + source_i, (0.125 - read_i_offset) / (1 + read_i_gain)
    )
    cell.go(0.051 + CONTACT_S, held=full)
    flows = flows * (1 + read_i_gain) + read_i_offset
    taken = float(np.trapezoid(flows, times))
    work = float(np.trapezoid(flows * (volts + read_v), times))
    cell.go(600.107)
    Q, E, _ = discharge()
    return {
        "Q": Q, "E": E, "coulombic": Q / taken, "round_trip": E / work, "health": Q / 9000.0,
        "warmest": AIR_K + sensor,
    }  # fmt: skip


@functools.cache
def pulses(
    source_v: float = 0.0, source_gain: float = 0.0, source_offset: float = 0.0,
    read_i_gain: float = 0.0, read_i_offset: float = 0.0, read_v_gain: float = 0.0,
    read_v_offset: float = 0.0,
) -> Mapping[str, float]:  # fmt: skip
    """Charged, then ten tenths down; at each of them rest, two steps, rest, and one step.

    The ends of the two steps are on the lines that the method draws, a tenth of a second long.
    """
    cell = Cell("pulse-cell")

    def load(amperes: float) -> float:
        return amperes * (1 + source_gain) - source_offset

    def read(true: float) -> float:
        return true * (1 + read_v_gain) + read_v_offset

    def flow(true: float) -> float:
        return true * (1 + read_i_gain) - read_i_offset

    cell.go(0.127)
    presence(cell, 0.028)
    full = 4.2 + source_v
    cell.charge(full, load(1.25), (0.125 - read_i_offset) / (1 + read_i_gain))
    cell.go(0.051 + CONTACT_S, held=full)
    found: dict[str, float] = {}
    small, large = load(0.5), load(2.5)
    for tenth in range(10):
        key = f"[{tenth / 10:.6g}]"
        cell.go(3600.01)
        found["U_0" + key] = read(cell.voltage(0.0))
        cell.go(0.117)
        a, b = cell.draw(small, np.array([9.93, 10.03]))
        cell.go(0.01, -small)
        first = read(b + 0.1 * (b - a))
        c, d = cell.draw(large, np.array([0.91, 1.01]))
        second = read(c + 0.9 * (d - c))
        found["R_two" + key] = (first - second) / (flow(large) - flow(small))
        cell.go(0.01, -large)
        cell.go(300.12, -load(0.0))
        still, idle = read(cell.voltage(-load(0.0))), flow(load(0.0))
        seen = cell.draw(large, np.array([1e-3, 1.0, 10.0, 10.0495]))
        for name, volts in zip(("R_1ms", "R_1", "R_10"), seen, strict=False):
            found[name + key] = (still - read(float(volts))) / (flow(large) - idle)
        # The counter is at 10 % of 2.5 Ah when the tenth is over; it counts a reading a second.
        before = 10.04 * flow(small) + 1.02 * flow(large) + 300.12 * idle + 10.0495 * flow(large)
        rows = math.ceil((900.0 - before) / flow(small) - 0.01 - 1e-9) + 1
        begun = cell.state
        empties, _ = cell.go(
            0.01 + rows - 1.0, -small, until=lambda _, s: read(cell.voltage(-small, s)) - 2.755
        )
        if empties < 0.01 + rows - 1.0:
            break
        cell.state = begun
        cell.go(rows - 1.0 + 0.01 + 0.051 + CONTACT_S, -small)
    return found


SMU, METER = Instrument("pulse-cell"), Instrument("cycle-cell", "case")
VOLTS, AMPERES = SMU.measures("V", 5.0), SMU.measures("A", 5.0)
FROM_V, FROM_A = SMU.sources("V", 5.0), SMU.sources("A", 5.0)
V_NOISE, A_NOISE = SMU.noise("V", 5.0), SMU.noise("A", 5.0)
FAST_V = SMU.noise("V", 5.0, 1 / 20)
TENTHS = [f"[{tenth / 10:.6g}]" for tenth in range(10)]
OHMIC = Cell("pulse-cell").ohms(np.zeros(4))
LIMITS = {
    "read_i_gain": AMPERES.share,
    "read_i_offset": AMPERES.plus,
}
COLD_METER = 2.0
"""The meter's errors when it is cold; it warms in 25 min."""

JOBS = [
    Job(
        "cycle-cell",
        cycle,
        {
            **LIMITS,
            "source_v": FROM_V.at(4.2),
            "source_i": FROM_A.at(1.25),
            "read_v": VOLTS.at(4.2),
            # A transmitter of 125 K for 10 V, and the noise of the largest of thousands.
            "sensor": (COLD_METER * METER.measures("V", 12.0).at(4.96) + 6e-5) * 12.5,
        },
        ticks={
            "Q": (1.25, "the reading that ends it comes a second sooner or later"),
            "E": (1.25 * 2.75, "the same, at 2.75 V"),
            "health": (1.25 / 9000, "the same"),
            "coulombic": (1.4 / 8500, "the same, and that of the charge at 0.125 A"),
            "round_trip": (1.4 * 2.75 / 32000, "the same"),
        },
        settings={"discharge_rate": "1.25 A", "full": "4.1 V", "rest": "10 min"},
        seeds=(0,),
    ),
    Job(
        "pulse-cell",
        pulses,
        {
            **LIMITS,
            "source_v": FROM_V.at(4.2),
            "source_gain": FROM_A.share,
            "source_offset": FROM_A.plus,
            "read_v_gain": VOLTS.share,
            "read_v_offset": VOLTS.plus,
        },
        scatter={
            **{f"U_0{tenth}": V_NOISE for tenth in TENTHS},
            **{f"R_two{tenth}": 1.5 * (V_NOISE + 0.043 * A_NOISE) / 2.0 for tenth in TENTHS},
            # Samples of a millisecond, one before the step and one after it.
            **{
                f"{name}{tenth}": 1.5 * (FAST_V + 0.05 * A_NOISE * math.sqrt(20)) / 2.5
                for name in ("R_1ms", "R_1", "R_10")
                for tenth in TENTHS
            },
        },
        exact={
            f"R_two{tenth}": (
                3e-6,
                "a reading is a mean of 20 ms, and the fast branch bends: 23 mV·(20 ms/0.8 s)²/24",
            )
            for tenth in TENTHS
        },
        # A tenth ends at a reading, a second sooner or later: 0.5 C of 8460 C, on a slope of 1 V,
        # near empty of 6 V; there the slope itself changes, too, which counts in what lasts.
        ticks={
            **{f"U_0{tenth}": (0.5 / 8460, "0.5 C more or less") for tenth in TENTHS[:-1]},
            f"U_0{TENTHS[-1]}": (0.5 / 8460 * 6, "0.5 C more or less near empty"),
        },
        biases={
            # Both branches have begun to follow: 10.4 mΩ·(1 ms/0.8 s) and 16.1 mΩ·(1 ms/40 s).
            "R_1ms[0.5]": Bias(OHMIC, 2.1e-4, "3.8e-4 of these, less what it is warmer by"),
            # Both steps' ends hold the branches' answer to both; the ohmic resistance is less.
            "R_1[0.5]": Bias(OHMIC, 0.226, "the fast branch's 10.4 mΩ·(1 − e^(−1/0.8))"),
        },
        seeds=(0,),
    ),
]
