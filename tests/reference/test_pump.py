"""The pump, its vessel and its sensor against scipy and against closed forms.

The equations are written anew here: Boyle's law for the vessel, isothermal compression for the
torque. Radau at 1e-11 judges.
"""

from __future__ import annotations

import math
import random
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from drivers.bench import open_simulated, read_bench
from drivers.channel import Acquisition, Setpoint
from drivers.clock import VirtualClock
from drivers.simulated.circuits.circuit import OPEN
from drivers.simulated.parts import pump
from tests.drivers.parts.driving import at, driven, holding
from tests.drivers.parts.examples import dynamic_of, part_of


def drawn(seed: int) -> dict[str, float]:
    draw = random.Random(seed)
    return {
        "v": draw.uniform(6, 15),
        "R": draw.uniform(0.5, 4),
        "L": 10 ** draw.uniform(-3.5, -2.5),
        "k": draw.uniform(0.015, 0.05),
        "J": 10 ** draw.uniform(-5.5, -4.5),
        "b": 10 ** draw.uniform(-6, -5),
        "M": draw.uniform(1e-3, 4e-3),
        "turn": draw.uniform(0.2e-6, 0.8e-6),
        "c": draw.uniform(0.1, 0.5),
        "V": draw.uniform(50e-6, 400e-6),
        "G": draw.uniform(1e-13, 5e-11),
        "pa": draw.uniform(80e3, 101e3),
        "p0": draw.uniform(-20e3, 60e3),
        "zero": draw.uniform(-0.01, 0.6),
        "full": draw.uniform(1, 5),
        "pf": draw.uniform(1e5, 5e5),
        "Rs": draw.uniform(50, 5000),
        "lag": 10 ** draw.uniform(-3, -1),
        "load": draw.uniform(1e3, 1e5),
    }


def text_of(p: dict[str, float]) -> str:
    return f"""[parts.it]
model = "pump"
displacement = "{p["turn"]!r} m^3"
dead_volume = {p["c"]!r}
volume = "{p["V"]!r} m^3"
leak = "{p["G"]!r} m^3/s/Pa"
ambient_pressure = "{p["pa"]!r} Pa"
initial = {{ pressure = "{p["p0"]!r} Pa" }}
[parts.it.motor]
resistance = "{p["R"]!r} ohm"
inductance = "{p["L"]!r} H"
constant = "{p["k"]!r} V*s"
inertia = "{p["J"]!r} kg*m^2"
viscous_friction = "{p["b"]!r} N*m*s"
friction_torque = "{p["M"]!r} N*m"
[parts.it.sensor]
zero = "{p["zero"]!r} V"
full = "{p["full"]!r} V"
full_pressure = "{p["pf"]!r} Pa"
output_resistance = "{p["Rs"]!r} ohm"
lag = "{p["lag"]!r} s"
"""


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_scipy_integrates_the_same(seed: int) -> None:
    p = drawn(seed)

    def derivative(_: float, y: Any) -> list[float]:
        current, speed, pressure, felt = y
        way = math.tanh(speed / 0.1)
        stroke = p["turn"] / (2 * math.pi) * (1 - p["c"] * pressure / p["pa"]) * way
        torque = stroke * p["pa"] * math.log((p["pa"] + pressure) / p["pa"])
        net = p["k"] * current - p["b"] * speed - p["M"] * way - torque
        gas = (stroke * speed - p["G"] * pressure) * p["pa"] / p["V"]
        slope = (p["v"] - p["R"] * current - p["k"] * speed) / p["L"]
        return [slope, net / p["J"], gas, (pressure - felt) / p["lag"]]

    judge = solve_ivp(
        derivative, (0, 20.0), [0, 0, p["p0"], p["p0"]], "Radau",
        rtol=1e-11, atol=[1e-12, 1e-9, 1e-6, 1e-6], dense_output=True,
    )  # fmt: skip
    part = dynamic_of(part_of(text_of(p)))
    # A meter of `load` ohm: what it reads is divided by the sensor's own resistance.
    motor, sensor = driven(part, holding(p["v"]), holding(0.0, ohms=p["load"]))
    largest = float(np.abs(judge.y[0]).max())
    for moment in np.geomspace(1e-3, 19.9, 40):
        current, _, _, felt = judge.sol(float(moment))
        assert at(motor, float(moment))[1] == pytest.approx(current, abs=2e-8 * largest)
        said = p["zero"] + (p["full"] - p["zero"]) * felt / p["pf"]
        divided = said * p["load"] / (p["load"] + p["Rs"])
        assert at(sensor, float(moment))[0] == pytest.approx(divided, rel=1e-7, abs=1e-8)


def test_where_compression_ends() -> None:
    """Without a leak the pressure comes to p_a/c, where the dead volume holds all that was taken.

    The motor then turns with its own friction alone: i = (b·ω + M)/k.
    """
    p = {**drawn(9), "G": 0.0, "c": 0.5, "pa": 90e3, "V": 20e-6, "p0": 0.0, "lag": 1e-3}
    part = dynamic_of(part_of(text_of(p)))
    motor, sensor = driven(part, holding(p["v"]), OPEN)
    said = p["zero"] + (p["full"] - p["zero"]) * 180e3 / p["pf"]
    assert at(sensor, 100.0)[0] == pytest.approx(said, rel=1e-7)
    _, current = at(motor, 100.0)
    speed = (p["v"] - p["R"] * current) / p["k"]
    assert p["k"] * current == pytest.approx(p["b"] * speed + p["M"], rel=1e-7)


def test_a_leak_empties_the_vessel() -> None:
    """At rest dp/dt = −p·G·p_a/V, an exponential."""
    p = {**drawn(10), "p0": 50e3, "lag": 1e-3}
    part = dynamic_of(part_of(text_of(p)))
    _, sensor = driven(part, OPEN, OPEN)
    rate = p["G"] * p["pa"] / p["V"]
    felt = 50e3 * math.exp(-2.0) / (1 - rate * p["lag"])
    said = p["zero"] + (p["full"] - p["zero"]) * felt / p["pf"]
    assert at(sensor, 2 / rate)[0] == pytest.approx(said, rel=1e-6)


def test_an_absolute_sensor_feels_the_air() -> None:
    """At rest and empty, p_a; a vessel that holds 50 kPa more says p_a + 50 kPa at first."""
    for filled in (0.0, 50e3):
        p = {**drawn(11), "p0": filled, "G": 0.0}
        text = text_of(p).replace("[parts.it.sensor]", '[parts.it.sensor]\nreads = "absolute"')
        _, sensor = driven(dynamic_of(part_of(text)), OPEN, OPEN)
        said = p["zero"] + (p["full"] - p["zero"]) * (p["pa"] + filled) / p["pf"]
        assert at(sensor, 1.0)[0] == pytest.approx(said, rel=1e-12)


def test_on_two_channels_of_a_bench() -> None:
    """As a person meets it: one instrument drives the motor, another one reads the sensor."""
    text = f"""
line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "pump.motor"
[channels.meter]
specification = "demo-source-measure"
part = "pump.sensor"
{pump.EXAMPLE}
"""
    file, problems = read_bench(Path("ridge.bench.toml"), text)
    assert file is not None, [problem.message for problem in problems]
    bench = open_simulated(file, ideal=True)
    assert isinstance(bench.clock, VirtualClock)
    smu, meter = bench.channels["smu"], bench.channels["meter"]
    for channel in (smu, meter):
        channel.configure(Acquisition(None, None, 1e-3, None))
    smu.program(Setpoint("voltage", 12.0, -4.5, 4.5))
    meter.program(Setpoint("current", 0.0, -10.0, 10.0))
    meter.switch(True)
    assert meter.measure().voltage == pytest.approx(0.5, abs=1e-9)
    smu.switch(True)
    bench.clock.wait_until(10.0)
    filled = meter.measure().voltage
    running = smu.measure().current
    assert 2.0 < filled < 3.0
    assert 0.3 < running < 0.6
    smu.switch(False)
    bench.clock.wait_until(11.0)
    first = meter.measure()
    bench.clock.wait_until(21.0)
    second = meter.measure()
    rate = 0.3e-6 / 1e5 * 89500 / 250e-6
    decay = math.exp(-rate * (second.time - first.time))
    assert (second.voltage - 0.5) / (first.voltage - 0.5) == pytest.approx(decay, rel=1e-7)
