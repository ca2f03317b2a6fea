"""Energy's balance of every part on the simulated circuits, in pulses of either sign, whole or not.

What the sources give is stored or lost, by the circuits' own solution: voltages, currents and
states as readings are made of them, behind leads that have an inductance and a cable. Where a part
gives way, what it held may be set free, and nothing comes of nothing.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.circuit import OPEN
from drivers.simulated.circuits.dynamic import Dynamics, Step
from drivers.simulated.circuits.equations import Equations
from drivers.simulated.circuits.motion import Moment, Motion
from drivers.simulated.circuits.network import NetworkCircuit
from drivers.simulated.conditions import Conditions, Profile
from drivers.simulated.parts.base import AtPort, Dynamic, Network
from drivers.simulated.wiring import as_dynamic
from tests.drivers.parts.driving import holding
from tests.drivers.parts.examples import EXAMPLES, part_of

CHANGING = Conditions(
    temperature=Profile((0.0, 0.3, 0.9, 1e6), (290.0, 305.0, 288.0, 288.0)),
    irradiance=Profile((0.0, 0.2, 0.6, 0.7, 1e6), (200.0, 900.0, 900.0, 0.0, 0.0)),
)
NODES, WEIGHTS = np.polynomial.legendre.leggauss(12)


class Drive(NamedTuple):
    """What a part gets: volts and ohms of its sources, and how long each stays (s)."""

    volts: float
    ohms: float
    longest_s: float
    middle: float = 0.0


# Far beyond what most of them bear, so that many give way.
DRIVES = {
    "cell": Drive(30.0, 2.0, 400.0, 12.0),
    "cell by a table": Drive(3.0, 50.0, 4000.0, 2.8),
    "coil": Drive(30.0, 1.0, 0.2),
    "contact": Drive(1.0, 0.01, 200.0),
    "diode": Drive(150.0, 20.0, 5e-3),
    "insulator": Drive(1500.0, 1e8, 60.0),
    "laser diode": Drive(8.0, 20.0, 3e-6, 1.0),
    "LED": Drive(25.0, 40.0, 0.02),
    "motor": Drive(40.0, 0.3, 1.0),
    "photodiode": Drive(80.0, 1e4, 1e-3),
    "pump": Drive(24.0, 0.3, 10.0, 5.0),
    "resettable fuse": Drive(20.0, 1.0, 20.0),
    "resistor": Drive(60.0, 1.0, 0.1),
    "solar cell": Drive(3.0, 1.0, 0.3),
    "solar module": Drive(80.0, 5.0, 0.3),
    "supercapacitor": Drive(6.0, 0.05, 200.0),
    "suppressor": Drive(40.0, 0.5, 5e-3),
}


class Account(NamedTuple):
    """Joules: given by the sources, stored at the end beyond the start, lost, set free at once.

    `moved` is ∫ |v·i| + |lost| dt; `gave_way` says how often a part did.
    """

    given: float
    gained: float
    lost: float
    freed: tuple[float, ...]
    moved: float

    @property
    def error(self) -> float:
        """The part of what was moved that is not accounted for."""
        return abs(self.given - self.gained - self.lost - sum(self.freed)) / self.moved


def held(equations: Equations, z: list[float]) -> float:
    """What part and inductances hold (J)."""
    part = equations.part
    coils = sum(part.inductances[p] * z[k] ** 2 / 2 for p, k in equations.place_of.items())
    return part.stored(tuple(z[: equations.size])) + coils


def spans(step: Step, until: Moment) -> Iterator[tuple[float, float]]:
    """Gauss's points in a step and their weights (s)."""
    end_s = min(step.duration_s, until.since(step.begin))
    for share, weight in zip(NODES, WEIGHTS, strict=True):
        yield float(end_s * (1 + share) / 2), float(end_s * weight / 2)


def account(part: Dynamic, drive: Drive, seed: int, pulses: int = 6) -> Account:
    """Pulses on a part, each of another voltage, either sign and width, at every pair."""
    draw = random.Random(seed)
    dynamics = Dynamics(part, "it")
    given = lost = moved = 0.0
    freed: list[float] = []
    begin = before = None
    now_ns = 0
    for _ in range(pulses):
        for port in dynamics.ports:
            volts = drive.middle + drive.volts * draw.choice([-1, 0, 1]) * draw.uniform(0.3, 1)
            port.connect(holding(volts, 1e9, drive.ohms), now_ns)
        now_ns += round(drive.longest_s * 10 ** draw.uniform(-3, 0) * NANOSECONDS)
        until = Moment(now_ns)
        for step in dynamics.steps_ahead():
            equations = step.equations
            since_s = step.begin.since(equations.origin)
            here = held(equations, step.state_at(0.0).tolist())
            if begin is None:
                begin = here
            elif step.happening is not None:
                freed.append(before - here)
            else:
                # Nothing jumps where another source is connected, or a condition bends.
                assert here == pytest.approx(before, rel=1e-6, abs=1e-9 * (moved + abs(begin)))
            for time_s, weight_s in spans(step, until):
                z = step.state_at(time_s).tolist()
                found = equations.at_ports(since_s + time_s, z)
                ports = [AtPort(at.voltage, at.current) for at in found]
                x = tuple(z[: equations.size])
                powers = [
                    (at.voltage + henries * at.slope) * at.current
                    for at, henries in zip(found, equations.part.inductances, strict=True)
                ]
                heat = equations.part.lost(step.begin.s + time_s, x, ports)
                given += weight_s * sum(powers)
                lost += weight_s * heat
                moved += weight_s * (sum(map(abs, powers)) + abs(heat))
            end_s = min(step.duration_s, until.since(step.begin))
            before = held(equations, step.state_at(end_s).tolist())
            if until.since(step.begin) <= step.duration_s:
                break
        for port in dynamics.ports:
            port.advance(now_ns)
    assert begin is not None
    assert before is not None
    return Account(given, before - begin, lost, tuple(freed), moved)


def physics_of(name: str) -> Dynamic:
    return as_dynamic(part_of(EXAMPLES[name]).physics(CHANGING))


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", EXAMPLES)
def test_energy(name: str, seed: int) -> None:
    """To 1e-9 of what was moved; what is set free where a part gives way is never less than 0."""
    found = account(physics_of(name), DRIVES[name], seed)
    assert found.error < 1e-9
    assert all(joules >= 0 for joules in found.freed)


LINEAR = {
    "supercapacitor": """
[parts.bank]
model = "supercapacitor"
capacitance = "10 F"
series_resistance = "10 mohm"
slow_branches = [ { resistance = "5 ohm", capacitance = "2 F" },
                  { resistance = "40 ohm", capacitance = "1 F" } ]
leakage_resistance = "1 kohm"
initial = { voltages = ["1 V", "0.4 V", "-0.2 V"] }
""",
    "insulator": """
[parts.it]
model = "insulator"
resistance = "2 ohm"
capacitance = "10 F"
series_resistance = "30 mohm"
absorption = { share = "20 %", shortest = "1 s", longest = "100 s" }
""",
}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", LINEAR)
def test_energy_of_a_linear_part_behind_leads(name: str, seed: int) -> None:
    """There it is integrated as any other, with accounts of its own: to 1e-9 of what was moved."""
    part = as_dynamic(part_of(LINEAR[name]).physics(CHANGING))
    found = account(part, Drive(3.0, 0.05, 30.0), seed)
    assert found.error < 1e-9
    assert found.gained != 0


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("name", LINEAR)
def test_energy_where_it_is_solved_exactly(name: str, seed: int) -> None:
    """What the exact circuit says that went in, against heat and stores by scipy at its current.

    With x' = A·x + B·i and S the storage: ½·xᵀ·S·x is stored, D·i² − xᵀ·S·A·x is heat.
    """
    draw = random.Random(seed)
    network = part_of(LINEAR[name]).physics(Conditions())
    assert isinstance(network, Network)
    a, b, storage = np.array(network.a), np.array(network.b), np.array(network.storage)
    circuit = NetworkCircuit(network)
    motions: list[Motion] = []
    circuit.watchers.append(motions.append)
    now_ns = 0
    for _ in range(8):
        volts = draw.choice([-1, 0, 1]) * draw.uniform(1, 3)
        circuit.connect(holding(volts, draw.uniform(0.3, 3), 0.05), now_ns)
        now_ns += round(10 ** draw.uniform(-1, 1.5) * NANOSECONDS)
    circuit.connect(OPEN, now_ns)
    given, moved, heat, x = 0.0, 0.0, 0.0, np.array(network.initial)
    begin_j = x @ (storage * x) / 2
    for motion, following in pairwise(motions):
        lasts_s = following.begin.since(motion.begin)
        if lasts_s == 0:
            continue
        given += motion.over(lasts_s).energy_j

        def derivative(t: float, y: Any, motion: Motion = motion) -> Any:
            current = motion.value("current", t)
            slope = a @ y[:-2] + b * current
            made = network.d * current**2 - y[:-2] @ (storage * (a @ y[:-2]))
            return [*slope, made, abs(motion.value("voltage", t) * current)]

        start = [*x, heat, moved]
        solved = solve_ivp(derivative, (0, lasts_s), start, "LSODA", rtol=1e-10, atol=1e-11)
        x, (heat, moved) = solved.y[:-2, -1], solved.y[-2:, -1]
    assert circuit.state == pytest.approx(x.tolist(), abs=1e-7)
    gained = x @ (storage * x) / 2 - begin_j
    assert abs(given - gained - heat) < 1e-7 * moved
    assert {motion.limited for motion in motions} == {0.0, 1.0}
