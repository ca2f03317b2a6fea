"""Exact circuits whose source takes its time: as if solved throughout; looks change nothing."""

from __future__ import annotations

import math
from collections.abc import Callable
from random import Random
from typing import cast

import pytest

from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.approach import Arrival, Manners
from drivers.simulated.circuits.circuit import Circuit, Source
from drivers.simulated.circuits.dynamic import Dynamics
from drivers.simulated.circuits.linear import Linear
from drivers.simulated.circuits.network import NetworkCircuit
from drivers.simulated.circuits.settling import SettlingCircuit
from drivers.simulated.conditions import Conditions, Profile
from drivers.simulated.parts.base import Network, Static
from drivers.simulated.parts.diode import Diode
from drivers.simulated.parts.resistor import Resistor
from drivers.simulated.parts.stateless import Stateless
from drivers.simulated.wiring import circuit_of
from tests.drivers.test_dynamic import BANK
from tests.drivers.test_simulated_circuit import bank as made

S = NANOSECONDS
US = S // 1_000_000
OHM = {"model": "resistor", "resistance": "1 ohm"}
MANNERS = Manners(
    voltage_slew=1e5, current_slew=2e5, current_overshoot=0.02, voltage_overshoot=0.3, response=5e-5
)
THERMAL_V = 1.380649e-23 * 298.15 / 1.602176634e-19
"""kT/q at 25 °C; both constants are exact in the SI."""


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


NETWORKS = {
    "bank": bank(),
    "no leak": made(1e-3, 0.05, (), None, (0.2,)),
    "three branches": made(0.5, 0.02, ((0.1, 1.0), (2.0, 3.0), (40.0, 10.0)), 50.0, (0.3,) * 4),
    "faster than its source": made(1e-5, 0.3, ((3.0, 2e-5),), 1e3, (0.0, 0.0)),
}


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("name", NETWORKS)
def test_a_network_goes_as_if_it_were_integrated_throughout(name: str, seed: int) -> None:
    """Beside the integrator of other parts, which errs by 1e-12 a step: to 1e-10 of 1 V, 1 A."""
    network = NETWORKS[name]
    exact = NetworkCircuit(network)
    (solved,) = Dynamics(Linear(network, network.initial)).ports
    windows = []
    for at_ns, goal in steps(seed):
        for circuit in (exact, solved):
            circuit.connect(goal, at_ns, Arrival(MANNERS))
        windows.append((at_ns + 1 * US, at_ns + 2 * US))
        ours, theirs = exact.mean(*windows[-1]), solved.mean(*windows[-1])
        assert ours[:2] == pytest.approx(theirs[:2], rel=1e-10, abs=1e-10)
        assert ours[2] == theirs[2]
    for start_us in (100, 900, 3_000_000):
        window = at_ns + start_us * US, at_ns + (start_us + 500) * US
        ours, theirs = exact.mean(*window), solved.mean(*window)
        assert ours[:2] == pytest.approx(theirs[:2], rel=1e-10, abs=1e-10)
    assert exact.stretch == solved.stretch


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("make", [lambda: NetworkCircuit(bank()), lambda: SettlingCircuit(diode())])
def test_who_looks_changes_nothing(seed: int, make: Callable[[], Circuit]) -> None:
    """A watcher and readings in between leave readings and changes of control as they are."""
    alone, watched = make(), make()
    heard: list[object] = []
    watched.watchers.append(heard.append)
    seen = []
    for circuit in (alone, watched):
        readings: list[object] = []
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


def test_a_current_rises_from_the_one_that_a_diode_blocks_with() -> None:
    """At exactly that current its law has no voltage: the source begins a rounding within it."""
    part = {"model": "diode", "saturation_current": "1 nA"}
    circuit = SettlingCircuit(cast(Static, Diode.model_validate(part).physics(Conditions())))
    circuit.connect(Source((1.0, -1.0), (-5.0,), 1, 0.0, 0.0), S)
    assert circuit.mean(S, 2 * S)[1] == -1e-9
    goal = Source((5.0, 0.1, -5.0), (-3.0, 3.0), 2, 0.0, 0.0)
    met: list[float] = []
    circuit.watchers.append(lambda motion: met.append(motion.value("voltage", 0.0)))
    circuit.connect(goal, 2 * S, Arrival(Manners(current_slew=1e3)))
    # log1p(-1 + 1e-15) is -34.5: as far as doubles go, and not the limit of -3 V.
    assert -35 * THERMAL_V < met[0] < -30 * THERMAL_V
    # 1 kA/s: 50 mA after 50 us.
    assert circuit.mean(2 * S + 49 * US, 2 * S + 51 * US)[1] == pytest.approx(0.05, rel=1e-6)
    assert circuit.mean(3 * S, 4 * S)[1] == 0.1


@pytest.mark.parametrize("offset_a", [-80e-6, -0.5e-9])
def test_a_warming_junction_comes_to_its_limit_on_the_way(offset_a: float) -> None:
    """A source of 0 A that is off by some: beyond the saturation current the law has no voltage.

    Within it, Shockley's equation says what the junction is at (25 °C, and hardly warmer).
    """
    part = {
        "model": "diode",
        "saturation_current": "1 nA",
        "heating": {"heat_capacity": "1 mJ/K", "thermal_resistance": "50 K/W"},
    }
    warm = Conditions(temperature=Profile.constant(298.15))
    circuit = circuit_of(Diode.model_validate(part).physics(warm))
    goal = Source((5.0, 0.02, -5.0), (-0.1, 3.0), 2, 1e-3, 0.0)
    circuit.connect(goal, S, Arrival(MANNERS))
    assert circuit.mean(2 * S, 3 * S)[1:] == pytest.approx((0.02, 0.0), rel=1e-12)
    circuit.connect(goal._replace(currents=(5.0, offset_a, -5.0)), 3 * S, Arrival(MANNERS))
    voltage, current, limited = circuit.mean(4 * S, 5 * S)
    if offset_a < -1e-9:
        assert (voltage, limited) == (pytest.approx(-0.1), 1.0)
        assert current == pytest.approx(-1e-9 * -math.expm1(-0.1 / THERMAL_V), rel=1e-3)
    else:
        assert (current, limited) == (pytest.approx(offset_a), 0.0)
        assert voltage == pytest.approx(THERMAL_V * math.log1p(offset_a / 1e-9), rel=1e-4)


def test_a_mean_over_the_way_to_where_a_junction_blocks() -> None:
    """On the way through its saturation current a law has no voltage, and the mean has one."""
    part = {"model": "diode", "saturation_current": "1 nA"}
    circuit = SettlingCircuit(cast(Static, Diode.model_validate(part).physics(Conditions())))
    goal = Source((5.0, 0.02, -5.0), (-0.1, 3.0), 2, 1e-3, 0.0)
    circuit.connect(goal, S, Arrival(MANNERS))
    circuit.connect(goal._replace(currents=(5.0, -80e-6, -5.0)), 2 * S, Arrival(MANNERS))
    voltage, current, limited = circuit.mean(2 * S, 2 * S + 20_000 * US)
    # 0.02 A falls at 0.2 A/us in a tenth of a microsecond, and then the limit has control.
    assert voltage == pytest.approx(-0.1, abs=0.3 / 20_000 * 60)
    assert 0 < current < 0.02 * 0.1 / 20_000
    assert limited == 1.0


def test_a_limit_that_is_narrow_on_the_way() -> None:
    """As if integrated throughout: 0.12 A while the level moves, then up to the wider limit."""
    law = cast(Static, Resistor.model_validate(OHM).physics(Conditions()))
    (solved,) = Dynamics(Stateless(lambda _: law)).ports
    settling = SettlingCircuit(law)
    narrow = Source((0.1, -0.1), (1.0,), 1, 0.0, 0.0)
    wide = Source((1.0, -1.0), (5.0,), 1, 0.0, 0.0)
    for circuit in (settling, solved):
        circuit.connect(narrow, S)
        circuit.connect(wide, 2 * S, Arrival(MANNERS, before=narrow))
    # 4.9 V at 0.1 V/us.
    for window in ((2 * S, 2 * S + 40 * US), (2 * S + 40 * US, 2 * S + 60 * US), (3 * S, 4 * S)):
        assert settling.mean(*window) == pytest.approx(solved.mean(*window), rel=1e-9)
    assert solved.mean(3 * S, 4 * S)[1] == 1.0


def test_a_limit_that_has_control_in_the_middle_of_the_way() -> None:
    """A kick of 4 mV outlasts what the limit gives way by: the level has control at both ends."""
    law = cast(Static, Resistor.model_validate(OHM).physics(Conditions()))
    (solved,) = Dynamics(Stateless(lambda _: law)).ports
    settling = SettlingCircuit(law)
    goal = Source((1.002, -1.0), (1.0,), 1, 0.0, 0.0)
    manners = Manners(current_overshoot=5e-3, response=5e-5, kick=4e-3, kick_time=1e-3)
    for circuit in (settling, solved):
        circuit.connect(goal, S, Arrival(manners, closing=True))
    found = settling.mean(S, S + 8000 * US)
    assert found == pytest.approx(solved.mean(S, S + 8000 * US), rel=1e-10)
    assert found[2] == 1.0
