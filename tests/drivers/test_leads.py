"""Leads around a part: against closed forms, the netlist's figures, and energy's balance."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest

from drivers.bench_leads import LeadsEntry
from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.approach import Arrival, Manners
from drivers.simulated.circuits.circuit import Source
from drivers.simulated.circuits.dynamic import Dynamics
from drivers.simulated.circuits.dynamic_port import DynamicPort
from drivers.simulated.circuits.leads import NO_LEADS, RIGHT, Leads, Wired, Wrong
from drivers.simulated.parts.base import AtPort, Dynamic, Static, Vector
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.stateless import Stateless
from tests.drivers.parts.energy import balance, wandering
from tests.drivers.test_dynamic import Coil, Coupled, Fusible, Warmed

S = NANOSECONDS
US = S // 1_000_000


def wired(part: Dynamic, leads: Leads, wrong: Wrong = RIGHT) -> DynamicPort:
    (port,) = Dynamics(Wired(part, [leads], [wrong])).ports
    return port


def resistor(ohms: float, henries: float = 0.0) -> Stateless:
    return Stateless(lambda _: Ohmic(ohms), (henries,))


def test_a_pulse_through_long_leads_comes_late() -> None:
    """10 V through 1 ohm, two leads of 10 mohm and 1 uH, into 0.1 ohm and 20 nH: τ = L/R."""
    circuit = wired(resistor(0.1, 20e-9), Leads(inductance=2e-6))
    goal = Source((20.0, -20.0), (10.0,), 1, 1.02, 0.0)
    # A step that takes 1 ns is one of no length half a nanosecond later.
    circuit.connect(goal, 0, Arrival(Manners(voltage_slew=1e10)))
    tau = 2.02e-6 / 1.12
    for time_ns, amperes in ((1000, None), (5000, None), (500_000, 8.928571)):
        expected = amperes or 10 / 1.12 * -math.expm1(-(time_ns * 1e-9 - 0.5e-9) / tau)
        at_ns = time_ns
        assert circuit.mean(at_ns - 1, at_ns + 1)[1] == pytest.approx(expected, rel=2e-6)
    assert tau == pytest.approx(1.803571e-6, rel=1e-6)


def test_a_cable_is_charged_through_what_is_measured() -> None:
    """100 Gohm and 100 pF: within 1 %, 0.1 %, 0.01 % after 46.05, 69.08, 92.10 s (closed form)."""
    circuit = wired(resistor(100e9), Leads(capacitance=100e-12))
    goal = Source((1e-3, 1e-9, -1e-3), (-200.0, 200.0), 2, 0.0, 0.0)
    circuit.connect(goal, 0)
    for time_s, short in ((46.0517, 1e-2), (69.0776, 1e-3), (92.1034, 1e-4)):
        at_ns = round(time_s * S)
        voltage = circuit.mean(at_ns - 1000, at_ns + 1000)[0]
        assert voltage == pytest.approx(100 * (1 - short), rel=1e-7)


def test_a_driven_guard_takes_cable_and_leakage_away() -> None:
    cable = {"cable_capacitance": "100 pF", "leakage_resistance": "1 Tohm"}
    goal = Source((1e-3, -1e-3), (100.0,), 1, 1.0, 0.0)
    seen = []
    for more in ({"shield": False}, {"shield": True}, {"shield": True, "driven_guard": True}):
        circuit = wired(resistor(100e9), LeadsEntry.model_validate(cable | more).simulated())
        circuit.connect(goal, 0)
        seen.append(circuit.mean(100 * S, 101 * S)[1])
    plain, shielded, guarded = seen
    assert plain == pytest.approx(1e-9 + 100e-12 - 30e-12, rel=1e-6)
    assert shielded == pytest.approx(1e-9 + 100e-12 - 0.3e-12, rel=1e-6)
    assert guarded == pytest.approx(1e-9 + 0.1e-12 - 0.3e-12, rel=1e-6)


def test_a_thermal_voltage_drifts_in_series() -> None:
    """1 mohm at 0.1 A behind 2 uV and 0.3 uV/s: what a single reading takes for resistance."""
    circuit = wired(resistor(1e-3), Leads(thermal_voltage=2e-6, thermal_drift=0.3e-6))
    circuit.connect(Source((1.0, 0.1, -1.0), (-1.0, 1.0), 2, 0.0, 0.0), 0)
    for time_s in (1, 10):
        voltage = circuit.mean(time_s * S - 500, time_s * S + 500)[0]
        assert voltage == pytest.approx(1e-4 + 2e-6 + 0.3e-6 * time_s, rel=1e-9)
    # With nothing sourced it drives a current of its own: 300 uA through 10 mohm from 3 uV.
    shorted = wired(resistor(5e-3), Leads(thermal_voltage=3e-6))
    shorted.connect(Source((1.0, -1.0), (0.0,), 1, 5e-3, 0.0), 0)
    assert shorted.mean(S, 2 * S)[1] == pytest.approx(-300e-6)


class Diodelike:
    """1 ohm one way, 1 Mohm the other."""

    def voltage_at(self, current: float) -> float:
        return current if current > 0 else current * 1e6

    def current_through(self, voltage: float, series_resistance: float) -> float:
        return voltage / ((1.0 if voltage > 0 else 1e6) + series_resistance)


@pytest.mark.parametrize("cable", [0.0, 1e-9])
def test_a_part_that_is_turned_round(cable: float) -> None:
    leads = Leads(capacitance=cable)
    right, wrong = (
        wired(Stateless(lambda _: Diodelike()), leads, Wrong(reversed=turned))
        for turned in (False, True)
    )
    for circuit, amperes in ((right, 0.1), (wrong, 1e-6)):
        circuit.connect(Source((0.1, -0.1), (1.0,), 1, 0.001, 0.0), 0)
        assert circuit.mean(S, 2 * S)[1] == pytest.approx(amperes, rel=1e-2)


def test_a_lead_that_drops_off_and_one_that_bounces() -> None:
    off = wired(resistor(10.0), NO_LEADS, Wrong(open_from=2.0))
    off.connect(Source((1.0, -1.0), (5.0,), 1, 0.0, 0.0), 0)
    assert off.mean(S, 2 * S)[1] == pytest.approx(0.5)
    assert off.mean(2 * S, 3 * S)[1] == pytest.approx(0.0, abs=1e-11)
    bouncing = wired(resistor(10.0), NO_LEADS, Wrong(bounces=((1.0, 1.25), (1.5, 1.75))))
    bouncing.connect(Source((1.0, -1.0), (5.0,), 1, 0.0, 0.0), 0)
    assert bouncing.mean(S, 2 * S)[1] == pytest.approx(0.25)
    assert bouncing.mean(2 * S, 3 * S)[1] == pytest.approx(0.5)


def test_what_gives_way_keeps_its_leads() -> None:
    """The fuse of 2 J opens behind its thermal voltage and cable."""
    circuit = wired(Fusible(), Leads(thermal_voltage=0.5, capacitance=1e-9))
    circuit.connect(Source((1.0, -1.0), (20.0,), 1, 0.0, 0.0), 0)
    assert circuit.mean(S, 3 * S // 2)[0] == pytest.approx(1.5, rel=2e-3)
    circuit.advance(4 * S)
    (happening,) = circuit.happened
    assert happening.time_s == pytest.approx(2.0, rel=1e-4)
    assert circuit.mean(4 * S, 5 * S)[1] == pytest.approx((20 - 0.5) / 1e6, rel=1e-6)


def test_light_that_falls_on_another_pair_is_that_of_the_part_itself() -> None:
    """The first pair is turned round: what the second feels is the current into the part."""
    first, second = Dynamics(
        Wired(Coupled(), [NO_LEADS, NO_LEADS], [Wrong(reversed=True), RIGHT])
    ).ports
    second.connect(Source((1.0, -1.0), (0.0,), 1, 0.0, 0.0), 0)
    first.connect(Source((0.5, -0.5), (10.0,), 0, 0.0, 0.0), 0)
    assert first.mean(S, 2 * S)[:2] == pytest.approx((0.5, 0.5))
    assert second.mean(S, 2 * S)[1] == pytest.approx(-0.05)


class Accounted(Warmed):
    """What heats its 100 J/K stays there as long as it isn't lost to the ambience."""

    kinks: Sequence[float] = ()

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        return ((ports[0].voltage * ports[0].current - 2 * state[0]) / 100,)

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        return Ohmic(1.0 + 0.1 * max(state[0], -5.0))


ALL = Leads(1e-3, 0.2, 0.01, 1e-3, 50.0, 0.05)


@pytest.mark.parametrize("part", [Accounted, Coil, lambda: resistor(3.0, 2e-3)])
@pytest.mark.parametrize("without", ["", "capacitance", "inductance"])
@pytest.mark.parametrize("turned", [False, True])
def test_energy_is_kept(part: type[Dynamic], without: str, turned: bool) -> None:
    leads = ALL._replace(**{without: 0.0} if without else {})
    whole = Wired(part(), [leads], [Wrong(reversed=turned)])
    drives = [(wandering(3, 4.0, 5.0), 0.7)]
    assert balance(whole, drives, 10.0).error < 1e-6
