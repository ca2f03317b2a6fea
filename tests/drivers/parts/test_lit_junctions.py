"""The laws of lit junctions, alone, in series, with bypass diodes and held by capacitances."""

from __future__ import annotations

import math
import random

import pytest

from drivers.simulated.parts.bypass import BypassDiode, Bypassed, HeldBypassed, HeldChain
from drivers.simulated.parts.chain import Chain, Section
from drivers.simulated.parts.lit_junction import LitJunction, across_junction
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.roots import rising_root
from tests.drivers.parts.laws import assert_undoes_itself

VOLTAGES = [s * v for s in (-1, 1) for v in (1e-6, 1e-3, 0.3, 1.0, 12.0, 45.0, 1e3, 1e6)] + [0.0]
RESISTANCES = [0.0, 1e-6, 0.01, 1.0, 1e3, 1e9]


def junction(draw: random.Random, shunt: bool = True) -> LitJunction:
    return LitJunction(
        draw.choice([0.0, draw.uniform(0, 10)]),
        10 ** draw.uniform(-13, -6),
        draw.uniform(0.3, 1.5),
        10 ** draw.uniform(-4, 0),
        10 ** draw.uniform(-4, -1) if shunt else 0.0,
    )


def sections(draw: random.Random, kind: str) -> list[Section]:
    diode = BypassDiode(10 ** draw.uniform(-9, -5), draw.uniform(0.025, 0.05))
    found: list[Section] = []
    for _ in range(draw.randint(1, 4)):
        cells = junction(draw)
        if kind == "bypassed":
            found.append(Bypassed(cells, diode))
        elif kind == "held":
            found.append(HeldBypassed(draw.uniform(-1, 10), cells.series_resistance, diode))
        else:
            found.append(cells)
    return found


@pytest.mark.parametrize("kind", ["cells", "bypassed", "held"])
@pytest.mark.parametrize("seed", range(12))
def test_laws_are_inverse(kind: str, seed: int) -> None:
    """One to four of them in series, at voltages and resistances beyond all sense."""
    found = sections(random.Random(seed), kind)
    law = found[0] if len(found) == 1 else Chain(found)
    # In reverse and without resistance a photocurrent stands before the shunt's current, and its
    # last digit is more than 1e-12 of the voltage: that is judged by the current, far below.
    assert_undoes_itself(law, VOLTAGES, RESISTANCES)


@pytest.mark.parametrize("kind", ["cells", "bypassed", "held"])
@pytest.mark.parametrize("seed", range(5))
def test_slopes(kind: str, seed: int) -> None:
    """dv/di is what the voltages of two currents nearby say."""
    draw = random.Random(seed)
    for section in sections(draw, kind):
        for current in (-12.0, -0.3, 0.2, 5.0):
            step = 1e-5 * abs(current)
            voltage, slope = section.voltage_and_slope(current)
            assert voltage == section.voltage_at(current)
            high, low = section.voltage_at(current + step), section.voltage_at(current - step)
            assert slope == pytest.approx((high - low) / (2 * step), rel=1e-5)


def test_without_a_shunt_there_is_a_most_that_it_gives() -> None:
    """Beyond photocurrent and saturation current nothing drives it, whatever the voltage."""
    cells = LitJunction(5.0, 1e-9, 0.5, 0.1, 0.0)
    assert cells.voltage_at(-5.1) == -math.inf
    assert cells.voltage_and_slope(-5.1) == (-math.inf, math.inf)
    for resistance in RESISTANCES[:4]:
        assert cells.current_through(-1e4, resistance) == pytest.approx(-5.0 - 1e-9, rel=1e-12)
    # The weakest of a chain says how much flows.
    weak = LitJunction(2.0, 1e-9, 0.5, 0.1, 0.0)
    assert Chain([cells, weak]).current_through(5.0, 0.0) == pytest.approx(-2.0, rel=1e-6)


def test_a_huge_shunt_is_next_to_none() -> None:
    """1e18 ohm and none: the same to the last digits."""
    none = LitJunction(5.0, 1e-9, 0.5, 0.1, 0.0)
    huge = none._replace(conductance=1e-18)
    assert huge.voltage_at(0.0) == pytest.approx(none.voltage_at(0.0), rel=1e-14, abs=0)
    for voltage in (-3.0, 0.0, 5.0, 11.0):
        found = huge.current_through(voltage, 0.0)
        assert found == pytest.approx(none.current_through(voltage, 0.0), rel=1e-14, abs=0)


def test_small_currents_beside_a_photocurrent() -> None:
    """Behind a gigaohm nanoamperes flow where amperes circulate within: Ohm's law, to 1e-12."""
    cells, diode = LitJunction(8.0, 1e-9, 0.5, 0.1, 1e-3), BypassDiode(1e-6, 0.03)
    rested = cells.junction_at(0.0)
    for law in (cells, Bypassed(cells, diode), HeldBypassed(rested, 0.1, diode)):
        for voltage in (rested - 1.0, rested + 0.3, 20.0):
            current = law.current_through(voltage, 1e9)
            assert current == pytest.approx(
                (voltage - law.voltage_at(current)) / 1e9, rel=1e-12, abs=0
            )


def test_what_a_bypass_diode_is_for() -> None:
    """A substring in full shade gives way at a diode's drop, and takes none of the current."""
    lit = LitJunction(5.0, 1e-9, 0.5, 0.05, 1e-3)
    dark = lit._replace(photocurrent=0.0, conductance=0.0)
    diode = BypassDiode(1e-6, 0.03)
    without = Chain([lit, dark]).current_through(5.0, 0.0)
    with_it = Chain([Bypassed(lit, diode), Bypassed(dark, diode)]).current_through(5.0, 0.0)
    assert abs(without) < 1e-8
    drop = 0.03 * math.log1p(-with_it / 1e-6)
    assert with_it == pytest.approx(lit.current_through(5.0 + drop, 0.0), rel=1e-6)


@pytest.mark.parametrize("seed", range(20))
def test_held_in_series(seed: int) -> None:
    """All at once they come to what the bracketed root of any chain comes to."""
    draw = random.Random(seed)
    diode = BypassDiode(10 ** draw.uniform(-9, -5), draw.uniform(0.025, 0.05))
    held = [
        HeldBypassed(draw.uniform(-1, 10), 10 ** draw.uniform(-3, 0), diode)
        for _ in range(draw.randint(2, 5))
    ]
    chain, any_chain = HeldChain(held), Chain(held)
    driving = sum(abs(section.u) for section in held)
    ohms = sum(section.resistance for section in held)
    for voltage in [*VOLTAGES, *(draw.uniform(-3, driving + 3) for _ in range(20))]:
        for resistance in RESISTANCES:
            current = chain.current_through(voltage, resistance)
            expected = any_chain.current_through(voltage, resistance)
            # By the voltage that the difference would need, beside the largest there is.
            slope = resistance + sum(section.voltage_and_slope(expected)[1] for section in held)
            largest = abs(voltage) + driving + abs(expected) * (resistance + ohms)
            assert abs(current - expected) * slope <= 1e-13 * largest, (voltage, resistance)


def test_held_in_series_rarely_need_a_bracket(monkeypatch: pytest.MonkeyPatch) -> None:
    """What makes them fast: a module in part shade, swept from short circuit to beyond open."""
    diode = BypassDiode(2e-6, 0.027)
    chain = HeldChain([HeldBypassed(u, 0.117, diode) for u in (7.2, 3.1, 7.2)])

    def bracketed(*_: object) -> float:
        raise AssertionError("Newton's method didn't come to an end")

    monkeypatch.setattr(Chain, "current_through", bracketed)
    for step in range(200):
        chain.current_through(0.12 * step, 0.02)


@pytest.mark.parametrize("seed", range(20))
def test_across_a_junction(seed: int) -> None:
    """g·u + I_0·(exp(u/a) − 1) gives the current back, from femtoamperes to megaamperes."""
    draw = random.Random(seed)
    conductance, saturation = 10 ** draw.uniform(-15, 12), 10 ** draw.uniform(-30, 0)
    slope = draw.uniform(0.02, 3)
    for current in [s * 10.0**e for s in (-1, 1) for e in range(-15, 7)]:
        u = across_junction(conductance, saturation, slope, current)
        parts = (conductance * u, saturation * math.expm1(u / slope))
        size = max(map(abs, parts)) * max(1.0, abs(u / slope))
        assert sum(parts) == pytest.approx(current, abs=2e-15 * size)


def test_roots_of_steep_and_flat_functions() -> None:
    """Where Newton's steps lead out or don't shrink, halving finds it."""
    for root in (-3.0, 1e-9, 0.7, 41.0):
        functions = [
            lambda x, r=root: (math.atan(50 * (x - r)), 50 / (1 + 2500 * (x - r) ** 2)),
            lambda x, r=root: ((x - r) ** 3, 3 * (x - r) ** 2),
            lambda x, r=root: (math.expm1(x - r), math.exp(x - r)),
            lambda x, r=root: (-math.inf, math.inf) if x < r - 1 else (x - r, 1.0),
        ]
        for function in functions:
            for start in (-100.0, 0.0, 100.0):
                found = rising_root(function, -100.0, 100.0, start)
                assert found == pytest.approx(root, rel=1e-5, abs=1e-5)
    assert rising_root(lambda x: (x - 5, 1.0), 0.0, 4.0, 1.0) == 4.0
    assert rising_root(lambda x: (x + 5, 1.0), 0.5, 4.0, 1.0) == 0.5


def test_a_voltage_without_resistance() -> None:
    assert Ohmic(0.0, 2.0).current_through(3.0, 0.0) == math.inf
    assert Ohmic(0.0, 2.0).current_through(2.0, 0.0) == 0.0
    assert Ohmic(0.5, 2.0).current_through(3.0, 0.5) == 1.0
