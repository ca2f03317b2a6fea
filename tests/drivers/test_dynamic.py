"""Parts that move by a differential equation: against exact solutions, and alike however looked at.

The judges are the exact network of the same part, and closed forms written out here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from random import Random

import numpy as np
import pytest

from drivers.clock import NANOSECONDS
from drivers.faults import SimulationError
from drivers.simulated.circuits.circuit import OPEN, Source
from drivers.simulated.circuits.dynamic import Dynamics
from drivers.simulated.circuits.dynamic_port import DynamicPort
from drivers.simulated.circuits.motion import Moment, Motion
from drivers.simulated.circuits.network import NetworkCircuit
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import AtPort, Break, Changed, Network, Static, Vector
from drivers.simulated.parts.supercapacitor import Supercapacitor

S = NANOSECONDS
BANK = Supercapacitor.model_validate(
    {
        "model": "supercapacitor",
        "capacitance": "10 F",
        "series_resistance": "10 mohm",
        "slow_branches": [{"resistance": "5 ohm", "capacitance": "2 F"}],
        "leakage_resistance": "10 kohm",
    }
)
CHARGING = Source((1.0, -1.0), (2.7,), 1, 1e-3, 0.0)
EMPTYING = Source((1.0, -1.0), (0.0,), 1, 1e-3, 0.0)


class Emf:
    """v = E + R·i."""

    def __init__(self, emf: float, resistance: float) -> None:
        self.emf, self.resistance = emf, resistance

    def voltage_at(self, current: float) -> float:
        return self.emf + self.resistance * current

    def current_through(self, voltage: float, series_resistance: float) -> float:
        return (voltage - self.emf) / (self.resistance + series_resistance)


class Plain:
    """A resistance with nothing else; what follows adds to it."""

    initial: Vector = ()
    magnitudes: Vector = ()
    inductances: Vector = (0.0,)
    kinks: Sequence[float] = ()
    breaks: Sequence[Break] = ()
    resistance = 1.0

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        return Emf(0.0, self.resistance)

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        return ()

    def stored(self, state: Vector) -> float:
        return 0.0

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        return sum(at.voltage * at.current for at in ports)


class AsDynamic(Plain):
    """A network, solved as if it weren't linear."""

    def __init__(self, network: Network) -> None:
        self.network, self.initial = network, network.initial
        self.magnitudes = (1.0,) * len(network.initial)

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        inside = sum(c * x for c, x in zip(self.network.c, state, strict=True))
        return Emf(inside, self.network.d)

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        current = ports[0].current
        return [
            sum(a * x for a, x in zip(row, state, strict=True)) + b * current
            for row, b in zip(self.network.a, self.network.b, strict=True)
        ]


class Coil(Plain):
    """0.5 ohm and 1 mH."""

    inductances = (1e-3,)
    resistance = 0.5


class Warmed(Plain):
    """100 J/K, 2 W/K to an ambience that goes from 0 to 10 K within 100 s; 1 ohm + 0.1 ohm/K."""

    initial = (0.0,)
    magnitudes = (1.0,)
    kinks = (100.0,)

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        return Emf(0.0, 1.0 + 0.1 * state[0])

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        ambient = min(time_s, 100.0) / 10
        heat = ports[0].voltage * ports[0].current
        return ((heat - 2 * (state[0] - ambient)) / 100,)


class Coupled(Plain):
    """A resistance whose current flows as a tenth out of a second pair of terminals."""

    inductances = (0.0, 0.0)

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        return Emf(0.0, 1.0) if port == 0 else Emf(-0.1 * 1000 * before[0].current, 1000.0)


class Fusible(Plain):
    """Opens, to 1 Mohm, when 2 J have gone into its 1 ohm."""

    initial = (0.0,)
    magnitudes = (1.0,)

    @property
    def breaks(self) -> Sequence[Break]:  # type: ignore[override]
        return (
            Break(lambda _, x, __: 2.0 - x[0], lambda *_: Changed(Opened(), "it burnt through")),
        )

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        return (ports[0].voltage * ports[0].current,)


class Opened(Plain):
    resistance = 1e6


def readings(
    circuit: DynamicPort | NetworkCircuit, count: int, aperture: int
) -> list[tuple[float, ...]]:
    return [circuit.mean(k * S, k * S + aperture) for k in range(1, count)]


def test_a_linear_part_does_what_its_exact_network_does() -> None:
    network = BANK.physics(Conditions())
    assert isinstance(network, Network)
    exact, solved = NetworkCircuit(network), Dynamics(AsDynamic(network)).ports[0]
    for circuit in (exact, solved):
        circuit.connect(CHARGING, S // 2)
    for ours, theirs in zip(
        readings(solved, 300, S // 50), readings(exact, 300, S // 50), strict=True
    ):
        assert ours[:2] == pytest.approx(theirs[:2], rel=1e-6)
        assert ours[2] == theirs[2]
    for circuit in (exact, solved):
        circuit.connect(EMPTYING, 300 * S)
        circuit.advance(400 * S)
    assert [c.stretch for c in solved.changes] == [c.stretch for c in exact.changes] == [1, 1]
    for ours, theirs in zip(solved.changes, exact.changes, strict=True):
        assert ours.time_s == pytest.approx(theirs.time_s, rel=1e-10)


def test_a_coil_is_driven_at_the_limit_until_its_current_is_there() -> None:
    # i = V/R (1 - exp(-R t/L)) with the limit's 5 V and 0.6 ohm until 1 A, then 0.5 V are left.
    circuit = Dynamics(Coil()).ports[0]
    circuit.connect(Source((10.0, 1.0, -10.0), (-5.0, 5.0), 2, 0.1, 0.0), 0)
    circuit.advance(S)
    (change,) = circuit.changes
    assert change.stretch == 2
    assert change.time_s == pytest.approx(-1e-3 / 0.6 * math.log(1 - 0.6 / 5), rel=1e-9)
    assert circuit.mean(S, 2 * S) == (pytest.approx(0.5), pytest.approx(1.0), 0.0)
    # Down again, the limit's other side drives: i = (1 + 5/0.6) exp(-R t/L) - 5/0.6.
    circuit.connect(Source((10.0, 0.0, -10.0), (-5.0, 5.0), 2, 0.1, 0.0), 2 * S)
    circuit.advance(3 * S)
    assert circuit.changes[-1].time_s - 2 == pytest.approx(
        1e-3 / 0.6 * math.log(1 + 0.6 / 5), rel=1e-9
    )
    # A circuit that is opened keeps nothing.
    circuit.connect(Source((10.0, 1.0, -10.0), (-5.0, 5.0), 2, 0.1, 0.0), 3 * S)
    circuit.advance(4 * S)
    circuit.connect(OPEN, 4 * S)
    assert circuit.mean(4 * S, 5 * S) == (0.0, 0.0, 0.0)


def test_a_condition_that_bends_is_met_to_the_digit() -> None:
    """Without current the part's temperature lags a ramp: T = r (t - τ + τ exp(-t/τ)), τ = 50 s."""
    circuit = Dynamics(Warmed()).ports[0]
    circuit.connect(Source((1e-6, -1e-6), (1e9,), 0, 0.0, 0.0), 0)
    for time_s in (10, 60, 100, 101, 200):
        lagging = 0.1 * (min(time_s, 100) - 50 + 50 * math.exp(-min(time_s, 100) / 50))
        if time_s > 100:
            lagging = 10 + (lagging - 10) * math.exp(-(time_s - 100) / 50)
        voltage, current, _ = circuit.mean(time_s * S - 1000, time_s * S + 1000)
        assert voltage / current == pytest.approx(1 + 0.1 * lagging, rel=1e-8)


def test_current_at_one_pair_of_terminals_is_felt_at_another() -> None:
    first, second = Dynamics(Coupled()).ports
    second.connect(Source((1.0, -1.0), (0.0,), 1, 0.0, 0.0), 0)
    assert second.mean(S // 2, S)[1] == 0.0
    first.connect(Source((0.5, -0.5), (10.0,), 0, 0.0, 0.0), S)
    assert first.mean(S, 2 * S)[:2] == pytest.approx((0.5, 0.5))
    assert second.mean(2 * S, 3 * S)[1] == pytest.approx(0.05)


def test_a_part_gives_way_when_it_has_had_enough() -> None:
    """2 J at 1 A through 1 ohm take 2 s."""
    circuit = Dynamics(Fusible()).ports[0]
    circuit.connect(Source((1.0, -1.0), (20.0,), 1, 0.0, 0.0), S)
    assert circuit.mean(S, 2 * S) == (pytest.approx(1.0), pytest.approx(1.0), 1.0)
    assert circuit.happened == []
    voltage, current, _ = circuit.mean(4 * S, 5 * S)
    (happening,) = circuit.happened
    assert (happening.text, happening.damage) == ("it burnt through", True)
    assert happening.time_s == pytest.approx(3.0, rel=1e-9)
    assert (voltage, current) == (pytest.approx(20.0), pytest.approx(20e-6))


def random_course(circuit: DynamicPort, seed: int, blocks: bool) -> list[tuple[float, ...]]:
    """Readings under sources that change: one at a time, or foreseen in blocks and then spent."""
    dice, cuts = Random(seed), Random(~seed)
    found: list[tuple[float, ...]] = []
    now = 0
    for _ in range(4):
        high, level = dice.uniform(0.2, 3.0), dice.uniform(-1.0, 4.0)
        circuit.connect(Source((high, -high), (level,), 1, 0.01, 0.0), now)
        period, aperture = dice.randint(10_000_000, S), dice.randint(1_000, 10_000_000)
        starts = now + period * np.arange(dice.randint(5, 60), dtype=np.int64)
        done = 0
        while done < len(starts):
            if blocks:
                means = circuit.means(starts[done : done + 16], aperture)
                seen = len(means.voltage)
                spent = cuts.choice((seen, cuts.randint(0, seen)))
                columns = means.voltage[:spent].tolist(), means.current[:spent].tolist()
                found += [(v, i, means.limited) for v, i in zip(*columns, strict=True)]
                done += spent
                if spent:
                    circuit.advance(int(starts[done - 1]) + aperture)
            if done < len(starts):
                start = int(starts[done])
                found.append(circuit.mean(start, start + aperture))
                done += 1
        now = int(starts[-1]) + aperture + dice.randint(0, S)
    return found


@pytest.mark.parametrize("seed", range(8))
def test_readings_in_blocks_are_those_taken_one_at_a_time(seed: int) -> None:
    network = BANK.physics(Conditions())
    assert isinstance(network, Network)
    for make in (Warmed, Fusible, lambda: AsDynamic(network), Coil):
        one_by_one = random_course(Dynamics(make()).ports[0], seed, blocks=False)
        in_blocks = random_course(Dynamics(make()).ports[0], seed, blocks=True)
        assert in_blocks == one_by_one


def test_looking_more_often_changes_nothing_that_is_seen() -> None:
    """The solver's steps don't follow the readings."""
    seldom, often = Dynamics(Warmed()).ports[0], Dynamics(Warmed()).ports[0]
    for circuit in (seldom, often):
        circuit.connect(CHARGING, 0)
    for k in range(1, 5_000):
        often.mean(k * S // 100, k * S // 100 + 1000)
    assert often.mean(60 * S, 61 * S) == seldom.mean(60 * S, 61 * S)


def test_watchers_hear_of_motions_without_a_gap() -> None:
    circuit = Dynamics(Warmed()).ports[0]
    heard: list[Motion] = []
    circuit.watchers.append(heard.append)
    circuit.connect(CHARGING, S)
    circuit.advance(20 * S)
    circuit.connect(EMPTYING, 20 * S)
    circuit.advance(300 * S)
    assert len(heard) > 4
    for one, next_one in pairwise(heard):
        begins_s = next_one.begin.since(one.begin)
        assert begins_s >= 0
        if next_one.begin not in (Moment(S), Moment(20 * S)):
            for quantity in ("voltage", "current"):
                assert one.value(quantity, begins_s) == pytest.approx(
                    next_one.value(quantity, 0.0), rel=1e-8
                )


def test_what_a_motion_did_is_what_its_values_say() -> None:
    circuit = Dynamics(Warmed()).ports[0]
    circuit.connect(CHARGING, 0)
    circuit.advance(5 * S)
    motion = circuit.motion()
    times = np.linspace(0.0, motion.duration_s, 2001)
    volts, amperes = motion.values("voltage", times), motion.values("current", times)
    over = motion.over(motion.duration_s)
    power = volts * amperes
    spans = over.voltage, over.current, over.power
    for span, values in zip(spans, (volts, amperes, power), strict=True):
        assert span.low <= values.min() + 1e-9
        assert span.high >= values.max() - 1e-9
        assert span.low == pytest.approx(values.min(), rel=1e-6)
        assert span.high == pytest.approx(values.max(), rel=1e-6)
    assert over.energy_j == pytest.approx(float(np.trapezoid(power, times)), rel=1e-6)
    assert over.charge_c == pytest.approx(float(np.trapezoid(amperes, times)), rel=1e-6)


class Exploding(Plain):
    initial = (1.0,)
    magnitudes = (1.0,)

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        return (state[0] * state[0],)  # 1/(1 - t): there is no state after 1 s


def test_a_part_that_cannot_be_solved_ends_with_its_name_time_and_state() -> None:
    with pytest.raises(SimulationError) as refused:
        Dynamics(Exploding(), "gauge").ports[0].advance(2 * S)
    assert "“gauge” can't be simulated past 1 s, in the state (" in refused.value.message
    assert refused.value.fault == "bench"
