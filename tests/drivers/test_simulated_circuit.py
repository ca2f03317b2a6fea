"""Circuits: exact in time, sound in their crossings, conserving charge, never past a limit."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.circuits.circuit import OPEN, Source, corners_of
from drivers.simulated.circuits.course import phi, psi
from drivers.simulated.circuits.crossings import zeros
from drivers.simulated.circuits.flow import Flow
from drivers.simulated.circuits.network import NetworkCircuit
from drivers.simulated.circuits.static import StaticCircuit
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import Network
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.supercapacitor import Supercapacitor

SECOND = 1_000_000_000


def bank(
    capacitance: float = 10.0,
    series: float = 0.01,
    branches: tuple[tuple[float, float], ...] = ((5.0, 2.0),),
    leak: float | None = 1e4,
    initial: tuple[float, ...] = (0.0, 0.0),
) -> Network:
    data = {
        "model": "supercapacitor",
        "capacitance": f"{capacitance!r} F",
        "series_resistance": f"{series!r} ohm",
        "slow_branches": [
            {"resistance": f"{r!r} ohm", "capacitance": f"{c!r} F"} for r, c in branches
        ],
        "initial": {"voltages": [f"{v!r} V" for v in initial]},
    }
    if leak is not None:
        data["leakage_resistance"] = f"{leak!r} ohm"
    return Supercapacitor.model_validate(data).physics(Conditions())


def voltage_source(level: float, low: float, high: float, series: float = 0.0) -> Source:
    return Source((high, low), (level,), 1, series, 0.0)


def current_source(level: float, low: float, high: float, most: float = 4.5) -> Source:
    return Source((most, level, -most), (low, high), 2, 0.0, 0.0)


floats = st.floats(allow_nan=False, allow_infinity=False)


@st.composite
def banks(draw: st.DrawFn) -> Network:
    count = draw(st.integers(0, 3))
    branches = tuple((draw(st.floats(0.1, 50)), draw(st.floats(0.1, 50))) for _ in range(count))
    return bank(
        draw(st.floats(0.1, 100)),
        draw(st.floats(1e-3, 1)),
        branches,
        draw(st.one_of(st.none(), st.floats(10, 1e6))),
        tuple(draw(st.floats(-1, 3)) for _ in range(1 + count)),
    )


@st.composite
def sources(draw: st.DrawFn) -> Source:
    which = draw(st.sampled_from(("voltage", "current", "open")))
    if which == "open":
        return OPEN
    if which == "voltage":
        return voltage_source(
            draw(st.floats(-3, 3)), -draw(st.floats(0, 4)), draw(st.floats(0, 4)),
            draw(st.sampled_from((0.0, 0.1))),
        )  # fmt: skip
    low = draw(st.floats(-3, 3))
    return current_source(draw(st.floats(-4, 4)), low, low + draw(st.floats(0, 3)))


WINDOWS = st.lists(st.integers(1, 40 * SECOND), min_size=1, max_size=6)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(banks(), st.lists(st.tuples(sources(), WINDOWS), min_size=1, max_size=3))
def test_charge_is_conserved(network: Network, turns: list[tuple[Source, list[int]]]) -> None:
    """What went in is stored or leaked: ∫i dt = Σ C·Δv + ∫v_0 dt/R_l (Kirchhoff's current law)."""
    circuit = NetworkCircuit(network)
    leak = -sum(network.a[0]) * network.storage[0]
    before = circuit.state
    went_in = leaked = turned_over = 0.0
    now = 0
    for source, windows in turns:
        circuit.connect(source, now)
        for window in windows:
            voltage, current, _ = circuit.mean(now, now + window)
            now += window
            duration = window / SECOND
            # The voltmeter sits behind the series resistance that these sources don't sense.
            inner = voltage - network.d * current
            went_in += current * duration
            leaked += leak * inner * duration
            turned_over += abs(current) * duration + abs(leak * inner) * duration
    circuit.advance(now)
    stored = sum(
        size * (after - start)
        for size, after, start in zip(network.storage, circuit.state, before, strict=True)
    )
    # Rounding: some 1e-16 of all charge that has moved or is stored, over a few hundred operations.
    scale = turned_over + sum(3 * size for size in network.storage)
    assert went_in - leaked == pytest.approx(stored, abs=2e-12 * scale)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(banks(), sources(), WINDOWS)
def test_no_mean_leaves_the_staircase(network: Network, source: Source, windows: list[int]) -> None:
    """Ideal currents stay on the staircase; in voltage control the level is exactly the voltage."""
    circuit = NetworkCircuit(network)
    circuit.connect(source, 0)
    now = 0
    slack = 1e-12 * (5 + 5 / network.d)  # rounding of a voltage of up to 5 V over the resistance
    for window in windows:
        changes = len(circuit.changes)
        voltage, current, _ = circuit.mean(now, now + window)
        now += window
        assert source.currents[-1] - slack <= current <= source.currents[0] + slack
        if (
            len(circuit.changes) == changes
            and circuit.stretch % 2 == 1
            and not (source.series_resistance)
        ):
            assert voltage == source.voltages[circuit.stretch // 2]
        if len(circuit.changes) == changes and circuit.stretch % 2 == 0:
            assert current == source.currents[circuit.stretch // 2]


@settings(max_examples=100, deadline=None, derandomize=True)
@given(banks(), sources(), st.integers(0, 2**32 - 1))
def test_a_long_step_is_many_short_ones(network: Network, source: Source, seed: int) -> None:
    """No change of control is missed, however long the step: 200 s at once or in 400 pieces."""
    whole, pieces = NetworkCircuit(network), NetworkCircuit(network)
    whole.connect(source, 0)
    pieces.connect(source, 0)
    end = 200 * SECOND
    draw = random.Random(seed)
    for moment in sorted(draw.randrange(1, end) for _ in range(400)):
        pieces.advance(moment)
        assert corner_distance(pieces, source, network) <= 4e-12
    pieces.advance(end)
    whole.advance(end)
    assert [c.stretch for c in whole.changes] == [c.stretch for c in pieces.changes]
    for one, other in zip(whole.changes, pieces.changes, strict=True):
        # Where a voltage merely grazes its threshold the time is as uncertain as its root.
        assert one.time_s == pytest.approx(other.time_s, abs=2e-5)
    assert whole.state == pytest.approx(pieces.state, abs=1e-9)


def corner_distance(circuit: NetworkCircuit, source: Source, network: Network) -> float:
    """How far y = c·x lies outside the stretch that is in control (V)."""
    corners = [-math.inf, *corners_of(source, network.d), math.inf]
    y = circuit.state[0]
    return max(corners[circuit.stretch] - y, y - corners[circuit.stretch + 1], 0.0)


def test_three_changes_within_one_step() -> None:
    """A full main capacitance beside an empty branch, held a little lower with a small limit.

    The source sinks at its limit, holds its level, can't keep up with what the branch draws, and
    comes back to its level when the branch is full: seen from both ends nothing has happened.
    """
    circuit = NetworkCircuit(bank(initial=(2.7, 0.0)))
    circuit.connect(voltage_source(2.5, -0.3, 0.3), 0)
    assert circuit.stretch == 2
    circuit.advance(10_000 * SECOND)
    assert [change.stretch for change in circuit.changes] == [1, 0, 1]


def test_a_dip_and_back_under_constant_current() -> None:
    """At 0.1 A the branch first pulls the voltage under the low limit, then lets it go."""
    circuit = NetworkCircuit(bank(initial=(2.7, 0.0)))
    circuit.connect(current_source(0.1, 2.5, 2.75), 0)
    circuit.advance(10_000 * SECOND)
    assert [change.stretch for change in circuit.changes] == [1, 2, 3]


def test_the_crossing_is_exact_within_a_nanosecond() -> None:
    """1 A into 1 mF: limit until t = C·(V − I·R)/I, then i = exp(−(t' − t)/τ) with τ = R·C = 10 µs.

    A nanosecond of the crossing is 1e-4 of the current ten microseconds later.
    """
    voltage = 1.000000123456
    circuit = NetworkCircuit(bank(1e-3, 0.01, (), None, (0.0,)))
    circuit.connect(voltage_source(voltage, -1.0, 1.0), 0)
    crossing = 1e-3 * (voltage - 0.01)
    start = round(crossing * SECOND) + 10_000
    _, current, limited = circuit.mean(start, start + 1000)
    (change,) = circuit.changes
    assert change.time_s == pytest.approx(crossing, abs=1e-15)
    since, tau, window = start / SECOND - crossing, 1e-5, 1e-6
    mean = math.exp(-since / tau) * -math.expm1(-window / tau) * tau / window
    assert current == pytest.approx(mean, rel=1e-9)
    assert limited == 0.0


def test_a_voltage_that_comes_to_rest_on_a_corner_has_not_passed_it() -> None:
    """Nothing leaks and the source can't sink: the current dies away to the low limit of 0 A."""
    draw = random.Random(11)
    for _ in range(50):
        branches = ((draw.uniform(1, 5), draw.uniform(0.1, 2)),) * draw.randrange(2)
        network = bank(draw.uniform(0.1, 10), 0.001, branches, None, (0.0,) * (1 + len(branches)))
        circuit = NetworkCircuit(network)
        circuit.connect(voltage_source(draw.uniform(0.1, 2.7), 0.0, draw.uniform(0.01, 1)), 0)
        for hour in range(1, 20):
            circuit.advance(hour * 3600 * SECOND)
        assert [change.stretch for change in circuit.changes] == [1]


def test_a_balance_on_a_corner_ends() -> None:
    """The limit is just what the leak takes: control must not pass to and fro for ever."""
    leak = 1e3
    level = 2.0
    network = bank(branches=(), leak=leak, initial=(level,), series=0.01)
    current = level / leak
    circuit = NetworkCircuit(network)
    circuit.connect(voltage_source(level + 0.01 * current, -current, current), 0)
    circuit.advance(1_000_000 * SECOND)
    assert len(circuit.changes) <= 5
    assert circuit.state[0] == pytest.approx(level, rel=1e-12)


def test_charge_without_leak_is_a_ramp() -> None:
    """Eigenvalue zero: 1 A into 10 F without leak or branch is 0.1 V/s, for ever exact."""
    circuit = NetworkCircuit(bank(branches=(), leak=None, initial=(0.0,)))
    circuit.connect(current_source(1.0, -40.0, 40.0), 0)
    voltage, current, limited = circuit.mean(99 * SECOND, 101 * SECOND)
    assert voltage == pytest.approx(10.01, rel=1e-14)
    assert (current, limited) == (1.0, 0.0)


def test_equal_gaps_meet_equal_rows() -> None:
    """A reading answered from the table is the one that is integrated piece by piece."""
    table, fresh = NetworkCircuit(bank()), NetworkCircuit(bank())
    source = voltage_source(2.7, -1.0, 1.0)
    table.connect(source, 0)
    fresh.connect(source, 0)
    for k in range(1, 500):
        start, end = k * SECOND // 5, k * SECOND // 5 + 20_000_000
        first = table.mean(start, end)
        fresh.advance(start)
        voltage, current, _ = fresh.mean(start, end)
        assert first[0] == pytest.approx(voltage, rel=1e-12)
        assert first[1] == pytest.approx(current, rel=1e-9)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(floats.filter(lambda z: -700 < z <= 0))
def test_phi_and_psi(z: float) -> None:
    """Against their Taylor series in exact fractions, or the plain formula far from zero."""
    if z > -1:
        exact_phi = math.fsum(z**k / math.factorial(k + 1) for k in range(25))
        exact_psi = math.fsum(z**k / math.factorial(k + 2) for k in range(25))
    else:
        exact_phi = (math.exp(z) - 1) / z
        exact_psi = (exact_phi - 1) / z
    assert phi(z, 1.0) == pytest.approx(exact_phi, rel=1e-14)
    assert psi(z, 1.0) == pytest.approx(exact_psi, rel=2e-14)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    st.lists(st.floats(-10, 0), min_size=2, max_size=5, unique=True),
    # Weights so small that their terms vanish in a float have no zeros to find.
    st.lists(st.floats(-5, 5).filter(lambda w: w == 0 or abs(w) > 1e-6), min_size=5, max_size=5),
)
def test_zeros_of_exponential_sums(rates: list[float], weights: list[float]) -> None:
    """Every change of sign on a dense grid has its zero, and each zero is one."""
    terms = sorted(zip(rates, weights, strict=False), reverse=True)

    def value(t: float) -> float:
        return math.fsum(w * math.exp(r * t) for r, w in terms)

    found = zeros(terms, 1e10)
    assert found == sorted(found)
    for zero in found:
        assert abs(value(zero)) <= 1e-9 * sum(abs(w) * math.exp(r * zero) for r, w in terms)
    grid = np.linspace(0, 5, 2001)
    values = [value(float(t)) for t in grid]
    scale = max(abs(w) for _, w in terms)
    for left, right, a, b in zip(grid, grid[1:], values, values[1:], strict=False):
        if a * b < 0 and min(abs(a), abs(b)) > 1e-12 * scale:
            assert any(left <= zero <= right for zero in found)


def test_a_network_must_be_reciprocal() -> None:
    with pytest.raises(AssertionError, match="not reciprocal"):
        Flow(np.array([[-1.0, 0.5], [0.1, -1.0]]), np.array([1.0, 1.0]))


@pytest.mark.parametrize(
    ("source", "voltage", "current", "limited"),
    [
        (voltage_source(5.0, -1.0, 1.0), 5.0, 0.05, 0.0),
        (voltage_source(5.0, -0.01, 0.01), 1.0, 0.01, 1.0),
        (voltage_source(-5.0, -0.01, 0.02), -1.0, -0.01, 1.0),
        (voltage_source(1.0, -0.01, 0.01), 1.0, 0.01, 0.0),
        (current_source(0.02, -5.0, 5.0), 2.0, 0.02, 0.0),
        (current_source(0.02, -1.0, 1.0), 1.0, 0.01, 1.0),
        (current_source(-0.02, -1.0, 5.0), -1.0, -0.01, 1.0),
        (current_source(0.01, -1.0, 1.0), 1.0, 0.01, 0.0),
        (current_source(-0.01, -1.0, 1.0), -1.0, -0.01, 0.0),
        (current_source(0.0, 2.0, 5.0, most=0.015), 1.5, 0.015, 1.0),
        (OPEN, 0.0, 0.0, 0.0),
    ],
)
def test_resistor_on_a_staircase(
    source: Source, voltage: float, current: float, limited: float
) -> None:
    """Ohm's law, 100 ohm, with either quantity in control; exactly at both it is the level's."""
    circuit = StaticCircuit(Ohmic(100.0))
    circuit.connect(source, 0)
    assert circuit.mean(0, SECOND) == pytest.approx((voltage, current, limited))


@settings(max_examples=100, deadline=None, derandomize=True)
@given(sources(), st.floats(1e-3, 1e6))
def test_resistor_never_leaves_the_staircase(source: Source, resistance: float) -> None:
    circuit = StaticCircuit(Ohmic(resistance))
    circuit.connect(source, 0)
    voltage, current, _ = circuit.mean(0, 1)
    assert source.currents[-1] <= current <= source.currents[0]
    inside = source.series_resistance * current
    assert voltage == pytest.approx(resistance * current, rel=1e-9, abs=1e-12)
    if circuit.stretch % 2 == 1:
        assert voltage + inside == pytest.approx(source.voltages[circuit.stretch // 2], abs=1e-12)
