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


ON_A_BENCH = """
line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "pump.motor"
[channels.meter]
specification = "demo-source-measure"
part = "pump.sensor"
"""


def test_on_two_channels_of_a_bench() -> None:
    """As a person meets it: one instrument drives the motor, another one reads the sensor."""
    file, problems = read_bench(Path("ridge.bench.toml"), ON_A_BENCH + pump.EXAMPLE)
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


BOX = '[digital.vent]\nspecification = "demo-digital"\nline = 7\n'


class Course:
    """The example's pump with a valve, integrated by scipy from one switch to the next.

    The state is current, speed, pressure and what the sensor feels; Radau at 1e-11.
    """

    def __init__(self, v: float, passes: float) -> None:
        self._v, self._passes = v, passes

    def after(self, state: Any, duration_s: float, on: bool, is_open: bool) -> Any:
        """The state so much later, at the source's voltage or with the motor open."""
        pa, volume, turn, dead, leak = 89.5e3, 250e-6, 0.6e-6, 0.2, 0.3e-6 / 1e5
        out = leak + (self._passes if is_open else 0.0)

        def derivative(_: float, y: Any) -> list[float]:
            current, speed, pressure, felt = y
            way = math.tanh(speed / 0.1)
            stroke = turn / (2 * math.pi) * (1 - dead * pressure / pa) * way
            torque = stroke * pa * math.log((pa + pressure) / pa)
            net = 0.025 * current - 4e-6 * speed - 3e-3 * way - torque
            slope = (self._v - 1.8 * current - 0.025 * speed) / 1.5e-3 if on else 0.0
            gas = (stroke * speed - out * pressure) * pa / volume
            return [slope, net / 8e-6, gas, (pressure - felt) / 2e-3]

        if not on:
            state = [0.0, *state[1:]]
        found = solve_ivp(
            derivative, (0, duration_s), state, "Radau", rtol=1e-11, atol=[1e-12, 1e-9, 1e-6, 1e-6]
        )
        return found.y[:, -1]


@pytest.mark.parametrize("opens_when", ["low", "high"])
def test_a_valve_on_a_digital_line(opens_when: str) -> None:
    """Closed, the pump fills the vessel; off, it holds; open, it empties, as scipy has it.

    The box switches 300 µs after the write: the part feels it at that very moment, between readings
    and far from any step of the solver.
    """
    example = pump.EXAMPLE.replace("heating =", "# heating =")
    text = example.replace('opens_when = "high"', f'opens_when = "{opens_when}"')
    text = text.replace("[digital.vent]", BOX)
    file, problems = read_bench(Path("ridge.bench.toml"), ON_A_BENCH + text)
    assert file is not None, [problem.message for problem in problems]
    bench = open_simulated(file, ideal=True)
    clock, smu, meter = bench.clock, bench.channels["smu"], bench.channels["meter"]
    vent, shut = bench.lines["vent"], opens_when == "low"
    for channel in (smu, meter):
        channel.configure(Acquisition(None, None, 1e-5, None))
    smu.program(Setpoint("voltage", 7.5, -4.5, 4.5))
    meter.program(Setpoint("current", 0.0, -10.0, 10.0))
    meter.switch(True)
    course, state, since_s = Course(7.5, 180e-6 / 1e5), [0.0, 0.0, 0.0, 0.0], 0.0

    def at_next_reading(on: bool, is_open: bool) -> None:
        """Read once, and let the course come to the middle of the reading."""
        nonlocal state, since_s
        reading = meter.measure()
        state = course.after(state, reading.time - since_s, on, is_open)
        since_s = reading.time
        assert reading.voltage == pytest.approx(0.5 + 4 * state[3] / 2.5e5, rel=1e-8)

    vent.write(not shut)
    smu.switch(True)
    since_s = clock.now()
    for moment in (0.5123, 1.7):  # open: the pump runs against the open valve
        clock.wait_until(since_s + moment)
        at_next_reading(True, True)
    vent.write(shut)
    state, since_s = course.after(state, clock.now() - since_s, True, True), clock.now()
    for _ in range(3):
        clock.wait_until(since_s + 1.1)
        at_next_reading(True, False)
    assert state[2] > 40e3
    smu.switch(False)
    state, since_s = course.after(state, clock.now() - since_s, True, False), clock.now()
    clock.wait_until(since_s + 2.0)
    at_next_reading(False, False)
    clock.wait_until(since_s + 0.2345678)
    vent.write(not shut)
    state, since_s = course.after(state, clock.now() - since_s, False, False), clock.now()
    for _ in range(3):
        clock.wait_until(since_s + 0.3)
        at_next_reading(False, True)
    assert state[2] < 25e3
    assert [high for _, high in vent.written] == [not shut, shut, not shut]  # type: ignore[attr-defined]


def test_a_valve_on_a_line_that_nothing_drives_is_as_at_power_on() -> None:
    """Low: a vessel at 50 kPa empties through a valve that opens when low, and holds otherwise."""
    filled = pump.EXAMPLE.replace('pressure = "0 Pa"', 'pressure = "50 kPa"')
    said = []
    for opens_when in ("low", "high"):
        text = filled.replace('opens_when = "high"', f'opens_when = "{opens_when}"')
        text = ON_A_BENCH + text
        file, problems = read_bench(Path("ridge.bench.toml"), text)
        assert file is not None, [problem.message for problem in problems]
        bench = open_simulated(file, channels=["meter"], lines=(), ideal=True)
        bench.clock.wait_until(5.0)
        said.append(bench.channels["meter"].measure().voltage)
    for volts, passes in zip(said, (180.3e-6, 0.3e-6), strict=True):
        decay = math.exp(-5.01 * passes / 1e5 * 89500 / 250e-6)
        assert volts == pytest.approx(0.5 + 0.8 * decay, rel=1e-3)


def test_a_burst_vessel_keeps_its_valve() -> None:
    """What damage leaves of the pump still hears of its line, and goes on turning."""
    text = ON_A_BENCH + pump.EXAMPLE.replace(
        'bears_pressure = "4 bar"', 'bears_pressure = "20 kPa"'
    )
    file, problems = read_bench(Path("ridge.bench.toml"), text)
    assert file is not None, [problem.message for problem in problems]
    bench = open_simulated(file, ideal=True)
    smu = bench.channels["smu"]
    smu.program(Setpoint("voltage", 12.0, -4.5, 4.5))
    smu.switch(True)
    bench.clock.wait_until(5.0)
    assert any("the vessel burst" in event.text for event in smu.poll())
    bench.lines["vent"].write(True)
    bench.clock.wait_until(6.0)
    assert smu.measure().current > 0
