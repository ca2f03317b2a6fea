"""The motor against closed forms, scipy's integrators and ngspice.

Reference: 12 V, 0.5 ohm, 1 mH, k 0.05, b 1e-4 N·m·s, J 2e-4 kg·m². The figures are the closed
forms of the two linear equations v = R·i + L·di/dt + k·ω, J·dω/dt = k·i − b·ω − M, worked out once
more with a second solver outside this project. scipy judges with the equations written anew here,
ngspice with an equivalent circuit: the inertia is a capacitor, the friction a conductance.
"""

from __future__ import annotations

import math
import random
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from drivers.channel import Acquisition, Setpoint
from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.dynamic import DynamicPort
from tests.drivers.parts.driving import at, driven, holding
from tests.drivers.parts.examples import dynamic_of, part_of
from tests.drivers.simulated_bench import on_part
from tests.reference.test_ngspice import _ngspice_is_there, curves

__all__ = ["_ngspice_is_there"]

MOTOR = """
model = "motor"
resistance = "0.5 ohm"
inductance = "1 mH"
constant = "0.05 V*s"
inertia = "2e-4 kg*m^2"
viscous_friction = "1e-4 N*m*s"
"""
LOADED = MOTOR + 'friction_torque = "0.1 N*m"\n'


def on_12_volts(text: str) -> DynamicPort:
    (port,) = driven(dynamic_of(part_of("[parts.it]" + text)), holding(12.0))
    return port


@pytest.mark.parametrize(
    ("text", "speed", "current"),
    [(MOTOR, 235.294118, 0.470588235), (LOADED, 215.686275, 2.43137255)],
)
def test_steady_speed_and_current(text: str, speed: float, current: float) -> None:
    """As its terminals show them once all is settled: k·ω is what the resistance leaves of 12 V."""
    _, found = at(on_12_volts(text), 20.0)
    assert found == pytest.approx(current, rel=1e-7)
    assert (12 - 0.5 * found) / 0.05 == pytest.approx(speed, rel=1e-7)


def test_efficiency() -> None:
    """0.1 N·m at the shaft over 12 V·i."""
    _, current = at(on_12_volts(LOADED), 20.0)
    speed = (12 - 0.5 * current) / 0.05
    assert 0.1 * speed / (12 * current) == pytest.approx(0.739247312, rel=1e-7)


def test_inrush() -> None:
    """The largest current and its moment, by a curve through means over 1 µs around it."""
    port = on_12_volts(MOTOR)
    moments = 6.459206e-3 + np.linspace(-50e-6, 50e-6, 21)
    starts = [round((moment - 0.5e-6) * NANOSECONDS) for moment in moments]
    middles = [(start + 500) / NANOSECONDS for start in starts]
    currents = [port.mean(start, start + 1000)[1] for start in starts]
    curve = np.polynomial.Polynomial.fit(middles, currents, 4)
    (top,) = (root.real for root in curve.deriv().roots() if abs(root - 6.459206e-3) < 50e-6)
    assert curve(top) == pytest.approx(21.3695825, rel=1e-7)
    assert top == pytest.approx(6.459206e-3, rel=1e-6)


def test_as_a_person_meets_it() -> None:
    """On the bench: 12 V limited to 4.5 A start it; switched off, it brings k·ω, which decays.

    With nothing but viscous friction ω falls with J/b = 2 s.
    """
    channel, clock, _ = on_part(MOTOR, ideal=True)
    channel.configure(Acquisition(None, None, 1e-3, None))
    channel.program(Setpoint("voltage", 12.0, -4.5, 4.5))
    channel.switch(True)
    start = clock.now()
    clock.wait_until(start + 0.05)
    limited = channel.measure()
    assert limited.current == pytest.approx(4.5, rel=1e-9)
    assert limited.limited == 1.0
    clock.wait_until(start + 10.0)
    assert channel.measure().current == pytest.approx(0.470588235, rel=1e-7)
    assert [event.kind for event in channel.poll()] == ["limit", "level"]
    channel.switch(False)
    clock.wait_until(start + 11.0)
    first = channel.measure()
    clock.wait_until(start + 13.0)
    second = channel.measure()
    assert 0.05 * 235.294118 * math.exp(-1.1 / 2) < first.voltage < 0.05 * 235.294118
    decay = math.exp(-(second.time - first.time) / 2)
    assert second.voltage / first.voltage == pytest.approx(decay, rel=1e-7)


def drawn(seed: int) -> dict[str, float]:
    draw = random.Random(seed)
    return {
        "v": draw.uniform(3, 24),
        "R": draw.uniform(0.2, 4),
        "L": 10 ** draw.uniform(-4, -2.3),
        "k": draw.uniform(0.01, 0.1),
        "J": 10 ** draw.uniform(-5, -3.5),
        "b": 10 ** draw.uniform(-6, -4),
        "M": draw.uniform(1e-3, 1e-2),
        "source": draw.uniform(0.01, 0.3),
        "C": draw.uniform(2, 20),
        "Rth": draw.uniform(5, 30),
    }


def text_of(p: dict[str, float], heating: bool) -> str:
    text = f"""[parts.it]
model = "motor"
resistance = "{p["R"]!r} ohm"
inductance = "{p["L"]!r} H"
constant = "{p["k"]!r} V*s"
inertia = "{p["J"]!r} kg*m^2"
viscous_friction = "{p["b"]!r} N*m*s"
friction_torque = "{p["M"]!r} N*m"
"""
    if heating:
        nodes = f'heat_capacity = "{p["C"]!r} J/K", thermal_resistance = "{p["Rth"]!r} K/W"'
        text += f"heating = {{ {nodes} }}\n"
    return text


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_scipy_integrates_the_same(seed: int) -> None:
    """Dry friction and a winding that warms; Radau at 1e-11 with the equations written anew."""
    p = drawn(seed)

    def derivative(_: float, y: Any) -> list[float]:
        current, speed, rise = y
        resistance = p["R"] * (1 + 0.00393 * (rise + 3.0))
        drop = (resistance + p["source"]) * current + p["k"] * speed
        friction = p["b"] * speed + p["M"] * math.tanh(speed / 0.1)
        return [
            (p["v"] - drop) / p["L"],
            (p["k"] * current - friction) / p["J"],
            (resistance * current**2 - rise / p["Rth"]) / p["C"],
        ]

    judge = solve_ivp(
        derivative, (0, 2.0), [0, 0, 0], "Radau", rtol=1e-11, atol=1e-13, dense_output=True
    )
    part = dynamic_of(part_of(text_of(p, heating=True)))
    (port,) = driven(part, holding(p["v"], ohms=p["source"]))
    largest = float(np.abs(judge.y[0]).max())
    for moment in [1e-4, 5e-4, *np.geomspace(1e-3, 2.0, 30)]:
        _, current = at(port, float(moment))
        # On the grid of nanoseconds to which the bench's time moves.
        assert current == pytest.approx(float(judge.sol(moment)[0]), abs=2e-8 * largest)


@pytest.mark.ngspice
@pytest.mark.parametrize("seed", [5, 6, 7])
def test_ngspice_as_a_circuit(seed: int, tmp_path: Path) -> None:
    """Speed is a voltage on the shaft's node, torque a current into it; currents to 1e-5."""
    p = drawn(seed)
    deck = f"""motor
V1 s 0 {p["v"]!r}
Rs s t {p["source"]!r}
R1 t a {p["R"]!r}
L1 a e {p["L"]!r} ic=0
Be e 0 V = {p["k"]!r}*V(w)
Bt 0 w I = {p["k"]!r}*I(V1)*(-1)
Cj w 0 {p["J"]!r} ic=0
Gb w 0 w 0 {p["b"]!r}
Bm w 0 I = {p["M"]!r}*tanh(V(w)/0.1)
.options reltol=1e-7 abstol=1e-12 vntol=1e-10
.control
set numdgt=14
set wr_singlescale
tran 20u 0.5 0 20u uic
let current = -i(V1)
wrdata out current v(w)
.endc
.end
"""
    time, current, _ = curves(deck, tmp_path).T
    assert time[-1] >= 0.499
    (port,) = driven(
        dynamic_of(part_of(text_of(p, heating=False))), holding(p["v"], ohms=p["source"])
    )
    largest = current.max()
    for moment in np.linspace(0.002, 0.49, 50):
        judged = np.interp(moment, time, current)
        assert at(port, float(moment))[1] == pytest.approx(judged, abs=1e-5 * largest)
