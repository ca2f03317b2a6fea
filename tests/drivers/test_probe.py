"""The probe: true extremes, energy and charge of all of the time, against means of their own.

The circuits' own motion is judged in `test_simulated_circuit.py` and against ngspice; here it is
what is worked out of it that is judged: by samples, by closed forms and by a matrix exponential.
"""

from __future__ import annotations

import math
from itertools import groupby, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad_vec
from scipy.linalg import expm

from drivers.channel import Acquisition, Capture, Pulse, Reading, Setpoint
from drivers.simulated.circuits.circuit import Source
from drivers.simulated.circuits.motion import Moment
from drivers.simulated.circuits.network import NetworkCircuit
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import Network
from drivers.simulated.parts.supercapacitor import Supercapacitor
from drivers.simulated.probe import Probe, TrueInterval
from tests.drivers.simulated_bench import on_part

RC = 'model = "supercapacitor"\ncapacitance = "10 mF"\nseries_resistance = "0.5 ohm"'
BANK = """model = "supercapacitor"
capacitance = "10 mF"
series_resistance = "0.2 ohm"
slow_branches = [ { resistance = "2 ohm", capacitance = "4 mF" } ]
leakage_resistance = "1 kohm"
initial = { voltage = "1 V" }"""
SECOND = 1_000_000_000


def programme(seed: int = 1, probed: bool = True) -> tuple[list[TrueInterval], list[object]]:
    """A programme of every kind of change, with the readings and events that came of it."""
    told: list[TrueInterval] = []
    channel, clock, bench = on_part(BANK, seed=seed, probe=told.append if probed else None)
    channel.configure(Acquisition(5.0, 12.0, 100e-6, None))
    seen: list[object] = [channel.measure()]
    channel.program(Setpoint("voltage", 2.0, -1.0, 1.0))
    channel.switch(True)
    for level, limit in ((2.0, 2.0), (3.0, 0.5), (0.5, 1.5)):
        channel.program(Setpoint("voltage", level, -limit, limit))
        seen.append(channel.measure())
        clock.wait_until(clock.now() + 7e-3)
        seen.append(channel.pulse(Pulse(4.5, -8.0, 8.0, 2e-3)))
        clock.wait_until(clock.now() + 0.1)
        seen += channel.poll()
    # The same again is no change, and what it would have started from is nothing to a pulse later.
    for _ in range(2):
        channel.program(Setpoint("voltage", 4.0, -0.2, 0.2))
        clock.wait_until(clock.now() + 0.02)
    seen.append(channel.pulse(Pulse(4.5, -8.0, 8.0, 5e-6)))
    channel.program(Setpoint("current", -0.5, 0.2, 4.0))
    clock.wait_until(clock.now() + 0.05)
    seen.append(channel.measure())
    channel.switch(False)
    clock.wait_until(clock.now() + 0.05)
    seen.append(channel.measure())
    seen += channel.poll()
    bench.close()
    return told, seen


def test_a_probe_never_changes_a_run() -> None:
    assert programme(probed=True)[1] == programme(probed=False)[1]


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(("voltage", "current", "pulse", "measure", "wait")),
            st.floats(-3, 3),
            st.floats(0.01, 3),
        ),
        max_size=10,
    )
)
def test_a_probe_never_changes_any_run(deeds: list[tuple[str, float, float]]) -> None:
    def run(probed: bool) -> list[object]:
        told: list[TrueInterval] = []
        channel, clock, bench = on_part(BANK, seed=5, probe=told.append if probed else None)
        channel.configure(Acquisition(5.0, 5.0, 100e-6, None))
        channel.program(Setpoint("voltage", 1.0, -1.0, 1.0))
        channel.switch(True)
        seen: list[object] = []
        for what, level, limit in deeds:
            if what == "voltage":
                channel.program(Setpoint("voltage", level, -limit, limit))
            elif what == "current":
                channel.program(Setpoint("current", level, -limit, limit))
            elif what == "pulse":
                seen.append(channel.pulse(Pulse(level, -limit, limit, 1e-3)))
            elif what == "measure":
                seen.append(channel.measure())
            else:
                clock.wait_until(clock.now() + 3e-3)
        bench.close()
        return [*seen, channel.measure(), *channel.poll()]

    assert run(True) == run(False)


def test_intervals_follow_each_other_without_a_gap() -> None:
    told, seen = programme()
    assert told[0].begin_s == 0.0
    for before, after in pairwise(told):
        assert after.begin_s == pytest.approx(before.end_s, abs=1e-15)
        assert before.begin_s <= before.end_s
    last = [reading for reading in seen if isinstance(reading, Reading)][-1]
    assert told[-1].end_s >= last.time
    assert [on for on, _ in groupby(told, lambda i: i.output)] == [False, True, False]
    for interval in told:
        if not interval.output:
            assert interval.current == interval.power == (0.0, 0.0)


def test_extremes_energy_and_charge_against_a_fine_capture() -> None:
    """No sample passes an interval's extremes; the extremes are reached by some sample nearly.

    Trapezoids over samples 2.5 us apart err by their square over twelve times the curvature: below
    1e-6 of the whole here, beside a sample's time at each jump.
    """
    told: list[TrueInterval] = []
    channel, clock, bench = on_part(BANK, ideal=True, probe=told.append)
    channel.configure(Acquisition(5.0, 12.0, 100e-6, None))
    channel.program(Setpoint("voltage", 2.5, -1.0, 1.0))
    channel.switch(True)
    begin = clock.now()
    channel.begin_capture(Capture(400e3, 40_000))
    clock.wait_until(begin + 20e-3)
    channel.pulse(Pulse(4.0, -8.0, 8.0, 5e-3))
    channel.program(Setpoint("voltage", 0.5, -2.0, 2.0))
    waveform = channel.end_capture()
    assert waveform is not None
    bench.close()
    t = begin + np.arange(40_000) / 400e3
    volts, amperes = np.array(waveform.voltage), np.array(waveform.current)
    values = {"voltage": volts, "current": amperes, "power": volts * amperes}
    judged = 0
    for interval in told:
        within = (t >= interval.begin_s + 1e-9) & (t < interval.end_s - 1e-9)
        if within.sum() < 10:
            continue
        judged += 1
        for name, samples in values.items():
            low, high = getattr(interval, name)
            inside, most = samples[within], float(np.abs(samples).max())
            assert low - 1e-12 * most <= inside.min() <= low + 2e-3 * most
            assert high + 1e-12 * most >= inside.max() >= high - 2e-3 * most
    assert judged >= 4
    charge = np.trapezoid(amperes, t)
    energy = np.trapezoid(values["power"], t)
    assert told[-1].charge_c == pytest.approx(charge, abs=4 * 8 * 2.5e-6)
    assert told[-1].energy_j == pytest.approx(energy, abs=4 * 32 * 2.5e-6)


def test_between_two_programmings() -> None:
    """A limit that goes up comes after the level, one that goes down before it."""
    told: list[TrueInterval] = []
    part = 'model = "resistor"\nresistance = "10 ohm"'
    channel, clock, bench = on_part(part, ideal=True, probe=told.append)
    channel.configure(Acquisition(40.0, 5.0))
    channel.program(Setpoint("voltage", 2.0, -1.0, 1.0))
    channel.switch(True)
    clock.wait_until(1.0)
    channel.program(Setpoint("voltage", 20.0, -2.0, 2.0))
    clock.wait_until(2.0)
    channel.program(Setpoint("voltage", 15.0, -1.0, 1.0))
    clock.wait_until(3.0)
    bench.close()
    passed = [(i.begin_s, i.voltage.high, i.current.high) for i in told if i.begin_s == i.end_s]
    at = {moment: [(v, i) for t, v, i in passed if t == moment] for moment in (1.0, 2.0)}
    # Level first: 20 V would be 2 A, the limit still holds 1 A. Then the sides, one by one.
    assert at[1.0] == [(10.0, 1.0), (20.0, 2.0)]
    # Both sides first: 20 V can't be held with 1 A. Then the level, which 1 A doesn't reach either.
    assert at[2.0] == [(10.0, 1.0), (10.0, 1.0)]
    assert (told[-1].voltage.high, told[-1].current.high) == (10.0, 1.0)


def test_a_pulse_in_a_limit_gives_its_energy() -> None:
    """2 A from 0 V for w: ∫(I·R + I·t/C)·I dt = I²·R·w + I²·w²/(2 C)."""
    told: list[TrueInterval] = []
    channel, _, bench = on_part(RC, ideal=True, probe=told.append)
    channel.configure(Acquisition(5.0, 5.0, 100e-6, None))
    channel.program(Setpoint("current", 0.0, -0.1, 4.0))
    channel.switch(True)
    channel.pulse(Pulse(2.0, -0.1, 4.0, 4e-3))
    bench.close()
    (pulse,) = [i for i in told if i.current.high > 0]
    assert pulse.energy_j == pytest.approx(4 * 0.5 * 4e-3 + 4 * 4e-3**2 / 0.02, rel=1e-12)
    assert pulse.charge_c == pytest.approx(8e-3, rel=1e-12)
    assert pulse.voltage == pytest.approx((1.0, 1.8), rel=1e-12)
    assert pulse.power == pytest.approx((2.0, 3.6), rel=1e-12)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.lists(st.floats(-3, 3), min_size=3, max_size=3),
    st.lists(st.floats(0.05, 5), min_size=2, max_size=2),
    st.floats(-3, 3),
    st.floats(1e-3, 30),
    st.booleans(),
)
def test_any_interval_against_the_matrix_exponential(
    initial: list[float], resistances: list[float], level: float, duration: float, closed: bool
) -> None:
    """Extremes and integrals of a three-state network behind a source with a resistance of its own.

    The oracle knows no eigenvalues: expm of the augmented matrix on a fine grid that doubles from
    the fastest time constant on, and adaptive quadrature. Extremes lie between two grid points, so
    they agree to the square of the grid's step.
    """
    part = network(initial, resistances)
    source = (
        Source((1e3, -1e3), (level,), 1, 0.3, 0.1) if closed else Source((0.0,), (), 0, 0.0, 0.0)
    )
    circuit = NetworkCircuit(part)
    circuit.connect(source, 0)
    told: list[TrueInterval] = []
    probe = Probe("smu", circuit, told.append)
    end_ns = round(duration * SECOND)
    probe.tell_until(Moment(end_ns))
    (interval,) = told
    size = len(part.b)
    a, b, c = np.array(part.a), np.array(part.b), np.array(part.c)
    total = part.d + 0.3
    augmented = np.zeros((size + 1, size + 1))
    augmented[:size, :size] = a - np.outer(b, c) / total if closed else a
    augmented[:size, size] = b * level / total if closed else 0.0
    state = np.array([*part.initial, 1.0])

    def terminals(t: float) -> np.ndarray:
        y = float(c @ (expm(augmented * t) @ state)[:size])
        current = (level - y) / total if closed else 0.0
        voltage = y + (part.d + 0.1) * current if closed else y
        return np.array([voltage, current, voltage * current])

    end_s = end_ns / SECOND
    fast = 1 / float(np.abs(np.linalg.eigvals(augmented)).max())
    grid = np.unique(
        np.clip(np.concatenate([[0.0], np.geomspace(min(fast, end_s) / 50, end_s, 400)]), 0, end_s)
    )
    seen = np.array([terminals(t) for t in grid])
    for quantity, name in enumerate(("voltage", "current", "power")):
        low, high = getattr(interval, name)
        values = seen[:, quantity]
        scale = max(1e-9, float(np.abs(values).max()))
        step = float(np.abs(np.diff(values)).max())
        assert low - 1e-9 * scale <= values.min() <= low + step + 1e-9 * scale
        assert high + 1e-9 * scale >= values.max() >= high - step - 1e-9 * scale
    integral, _ = quad_vec(terminals, 0.0, end_s, epsabs=1e-10, epsrel=1e-10, limit=500)
    assert interval.charge_c == pytest.approx(integral[1], rel=1e-7, abs=1e-8)
    assert interval.energy_j == pytest.approx(integral[2], rel=1e-7, abs=1e-8)


def network(initial: list[float], resistances: list[float]) -> Network:
    """0.5 F behind 50 mohm with branches of 1 F and 2 F behind the given resistances (ohm)."""
    return Supercapacitor.model_validate(
        {
            "model": "supercapacitor",
            "capacitance": "0.5 F",
            "series_resistance": "50 mohm",
            "slow_branches": [
                {"resistance": f"{r!r} ohm", "capacitance": f"{k + 1} F"}
                for k, r in enumerate(resistances)
            ],
            "leakage_resistance": "40 ohm",
            "initial": {"voltages": [f"{v!r} V" for v in initial]},
        }
    ).physics(Conditions())


def test_a_voltage_that_turns_round_between_two_readings() -> None:
    """A fast branch pulls the open voltage down, a slow one lifts it again: the least lies between.

    Read at both ends it would look as if nothing had happened.
    """
    circuit = NetworkCircuit(network([1.0, 0.0, 2.5], [0.05, 5.0]))
    told: list[TrueInterval] = []
    probe = Probe("smu", circuit, told.append)
    probe.tell_until(Moment(20 * SECOND))
    (interval,) = told
    # At the ends the voltage is that of the open main capacitance.
    first, last = 1.0, circuit.mean(20 * SECOND, 20 * SECOND + 1)[0]
    assert interval.voltage.low < 0.4 < first < last < interval.voltage.high


def test_what_was_told_goes_on_after_being_asked_in_between() -> None:
    circuit = NetworkCircuit(network([1.0, 0.0, 2.5], [0.5, 5.0]))
    circuit.connect(Source((1e3, -1e3), (2.0,), 1, 0.3, 0.1), 0)
    whole: list[TrueInterval] = []
    parts: list[TrueInterval] = []
    Probe("smu", circuit, whole.append).tell_until(Moment(3 * SECOND))
    probe = Probe("smu", circuit, parts.append)
    for seconds in (1, 2, 3):
        probe.tell_until(Moment(seconds * SECOND))
    assert [i.begin_s for i in parts] == [0.0, 1.0, 2.0]
    assert parts[-1].energy_j == pytest.approx(whole[0].energy_j, rel=1e-12)
    assert parts[-1].charge_c == pytest.approx(whole[0].charge_c, rel=1e-12)
    assert min(i.voltage.low for i in parts) == pytest.approx(whole[0].voltage.low, rel=1e-12)


def test_a_long_stand_on_a_leak() -> None:
    """1 V on 10 mF open for a day: nothing flows, and no time is lost to rounding."""
    told: list[TrueInterval] = []
    _, clock, bench = on_part(RC + '\ninitial = { voltage = "1 V" }', ideal=True, probe=told.append)
    clock.wait_until(86_400.0)
    bench.close()
    assert told[-1].end_s == 86_400.0
    assert told[-1].energy_j == told[-1].charge_c == 0.0
    assert math.isclose(told[-1].voltage.low, 1.0)
