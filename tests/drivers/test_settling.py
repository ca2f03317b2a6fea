"""Exact circuits whose source takes its time: as if solved throughout; looks change nothing."""

from __future__ import annotations

from random import Random
from typing import cast

import pytest

from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.approach import Arrival, Manners
from drivers.simulated.circuits.circuit import Source
from drivers.simulated.circuits.dynamic import Dynamics
from drivers.simulated.circuits.settling import Linear, SettlingCircuit
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import Network, Static
from drivers.simulated.parts.diode import Diode
from drivers.simulated.parts.stateless import Stateless
from tests.drivers.test_dynamic import BANK

S = NANOSECONDS
US = S // 1_000_000
MANNERS = Manners(
    voltage_slew=1e5, current_slew=2e5, current_overshoot=0.02, voltage_overshoot=0.3, response=5e-5
)


def bank() -> Network:
    network = BANK.physics(Conditions())
    assert isinstance(network, Network)
    return network


def diode() -> Static:
    part = {"model": "diode", "saturation_current": "1 nA", "series_resistance": "50 mohm"}
    return cast(Static, Diode.model_validate(part).physics(Conditions()))


def steps(seed: int) -> list[tuple[int, Source]]:
    """Sources at random times, some while the one before is still on its way."""
    dice, now, found = Random(seed), S, []
    for _ in range(6):
        if dice.random() < 0.5:
            goal = Source((dice.uniform(0.1, 2), -1.0), (dice.uniform(-1, 3),), 1, 1e-3, 0.0)
        else:
            goal = Source((5.0, dice.uniform(-1, 1), -5.0), (-3.0, 3.0), 2, 1e-3, 0.0)
        found.append((now, goal))
        now += dice.choice((3 * US, 60 * US, 3 * S))
    return found


@pytest.mark.parametrize("seed", range(6))
def test_the_bank_goes_as_if_it_were_solved_throughout(seed: int) -> None:
    exact = SettlingCircuit(bank())
    (solved,) = Dynamics(Linear(bank(), bank().initial)).ports
    windows = []
    for at_ns, goal in steps(seed):
        for circuit in (exact, solved):
            circuit.connect(goal, at_ns, Arrival(MANNERS))
        windows.append((at_ns + 1 * US, at_ns + 2 * US))
        ours, theirs = exact.mean(*windows[-1]), solved.mean(*windows[-1])
        assert ours[:2] == pytest.approx(theirs[:2], rel=1e-8, abs=1e-9)
        assert ours[2] == theirs[2]
    for start_us in (100, 900, 3_000_000):
        window = at_ns + start_us * US, at_ns + (start_us + 500) * US
        ours, theirs = exact.mean(*window), solved.mean(*window)
        assert ours[:2] == pytest.approx(theirs[:2], rel=1e-8, abs=1e-8)
    assert exact.stretch == solved.stretch


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("physics", [bank, diode])
def test_who_looks_changes_nothing(seed: int, physics: object) -> None:
    """A watcher and readings in between leave readings and changes of control as they are."""
    make = bank if physics is bank else diode
    alone, watched = SettlingCircuit(make()), SettlingCircuit(make())
    heard: list[object] = []
    watched.watchers.append(heard.append)
    seen = []
    for circuit in (alone, watched):
        readings = []
        for at_ns, goal in steps(seed):
            circuit.connect(goal, at_ns, Arrival(MANNERS))
            readings.append(circuit.stretch)
            if circuit is watched:
                watched.mean(at_ns + US, at_ns + 2 * US)
        readings.append(circuit.mean(at_ns + S, at_ns + 2 * S))
        seen.append((readings, list(circuit.changes)))
    assert heard
    assert seen[0] == seen[1]


def test_a_diode_is_followed_where_someone_looks_at_it() -> None:
    settling = SettlingCircuit(diode())
    law = diode()
    (solved,) = Dynamics(Stateless(lambda _: law)).ports
    goal = Source((0.5, -0.5), (5.0,), 1, 1e-3, 0.0)
    for circuit in (settling, solved):
        circuit.connect(goal, S, Arrival(MANNERS))
    for window in ((S + US, S + 2 * US), (S + 2 * US, S + 900 * US), (2 * S, 3 * S)):
        assert settling.mean(*window) == pytest.approx(solved.mean(*window), rel=1e-9)
    assert settling.changes == solved.changes == []
