"""Supercapacitor, insulator, coil, motor and pump: examples, laws, forms, and what is refused."""

from __future__ import annotations

import math
import random

import pytest

from drivers.channel import Acquisition, Setpoint
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts import coil, insulator, motor, pump, supercapacitor
from drivers.simulated.parts.across import Across
from drivers.simulated.parts.base import AtPort, Network, PartModel
from drivers.simulated.parts.insulator import A_DECADE, Insulator
from drivers.simulated.parts.pump import Pump
from drivers.simulated.parts.winding import Wound
from tests.drivers.parts.examples import dynamic_of, keys, part_of, refusal
from tests.drivers.parts.laws import assert_undoes_itself
from tests.drivers.simulated_bench import on_part

EXAMPLES = [
    supercapacitor.EXAMPLE,
    insulator.EXAMPLE,
    coil.EXAMPLE,
    motor.EXAMPLE,
    pump.EXAMPLE,
]


@pytest.mark.parametrize("example", EXAMPLES)
def test_examples_name_every_parameter(example: str) -> None:
    part = part_of(example)
    named, known = set(keys(example)), set(type(part).model_fields)
    if "voltages" not in example:
        assert named == known


def test_pairs_of_terminals() -> None:
    ports = [part_of(example).ports for example in EXAMPLES]
    assert ports == [("",)] * 4 + [("motor", "sensor")]
    for example in EXAMPLES:
        part = part_of(example)
        assert len(dynamic_of(part).inductances) == len(part.ports)


@pytest.mark.parametrize("example", EXAMPLES)
@pytest.mark.parametrize("seed", range(5))
def test_laws_are_inverse(example: str, seed: int) -> None:
    """At states and voltages beyond all sense, with and without a resistance in series."""
    draw = random.Random(seed)
    part = dynamic_of(part_of(example))
    state = tuple(draw.uniform(-3, 3) * (1 + abs(x)) for x in part.initial)
    voltages = [s * 10.0**e for s in (-1, 1) for e in range(-9, 7, 3)]
    before: list[AtPort] = []
    for port in range(len(part.inductances)):
        law = part.law(port, 90.1, state, before)
        assert_undoes_itself(law, [*voltages, 0.0], [0.0, 0.05, 1e3, 1e11])
        before.append(AtPort(law.voltage_at(0.0), 0.0))
        rates = part.rates(90.1, state, [AtPort(1e6, 1e6)] * len(part.inductances))
        assert len(rates) == len(state)
        assert all(map(math.isfinite, rates))


def test_a_voltage_coefficient_bends_as_it_says() -> None:
    """R(v) = R·(1 + β·|v|) to the first order: at 100 V and -20 ppm/V, 0.2 % below R."""
    law = Across(1e-11, 20e-6 * 1e-11, 0.0, [])
    for sign in (1, -1):
        current = law.current_through(sign * 100.0, 0.0)
        assert sign * 100 / current == pytest.approx(1e11 / 1.002, rel=1e-14)
        assert law.voltage_at(current) == pytest.approx(sign * 100, rel=1e-14)


def test_a_large_resistance_in_series_loses_no_digits() -> None:
    """What drops on 100 Gohm and what is left across 10 pA's worth of law make up the voltage."""
    law = Across(1e-11, 1e-16, 2e-12, [(1e-6, 3.0), (1e-10, -2.0)])
    for resistance in (0.0, 0.04, 1e5, 1e7, 1e11):
        for voltage in (-3.0, 1e-3, 3.0, 100.0):
            current = law.current_through(voltage, resistance)
            total = law.voltage_at(current) + resistance * current
            assert total == pytest.approx(voltage, abs=1e-13 * 100)


def _without(example: str, *names: str) -> PartModel:
    lines = [line for line in example.split("\n") if not line.startswith(names)]
    return part_of("\n".join(lines))


def test_what_is_linear_is_solved_exactly() -> None:
    limits = ("bears_voltage", "puncture_voltage", "bears_reversal")
    linear = _without(supercapacitor.EXAMPLE, "capacitance_per_volt", *limits)
    assert isinstance(linear.physics(Conditions()), Network)
    for left in ("capacitance_per_volt", *limits):
        others = [key for key in ("capacitance_per_volt", *limits) if key != left]
        assert not isinstance(
            _without(supercapacitor.EXAMPLE, *others).physics(Conditions()), Network
        )
    restless = ("voltage_coefficient", "offset", "movement", "bears_voltage")
    quiet = _without(insulator.EXAMPLE, *restless)
    assert isinstance(quiet.physics(Conditions()), Network)
    for left in restless:
        others = [key for key in restless if key != left]
        assert not isinstance(_without(insulator.EXAMPLE, *others).physics(Conditions()), Network)


def test_the_network_of_an_insulator_is_its_differential_equation() -> None:
    """The same derivatives and voltages from both forms, in random states."""
    quiet = _without(
        insulator.EXAMPLE, "voltage_coefficient", "offset", "movement", "bears_voltage"
    )
    assert isinstance(quiet, Insulator)
    network = quiet.physics(Conditions())
    assert isinstance(network, Network)
    size = len(network.initial)
    assert size == 1 + 3 * A_DECADE
    leak = insulator.Leak(quiet, network.initial)
    draw = random.Random(5)
    for _ in range(20):
        state = tuple(draw.uniform(-100, 100) for _ in range(size))
        current = draw.uniform(-1, 1) * 1e-9
        voltage = leak.law(0, 0.0, state, []).voltage_at(current)
        expected = sum(c * x for c, x in zip(network.c, state, strict=True)) + network.d * current
        assert voltage == pytest.approx(expected, rel=1e-12)
        rates = leak.rates(0.0, state, [AtPort(voltage, current)])
        for row, b, capacitance, rate in zip(
            network.a, network.b, network.storage, rates, strict=True
        ):
            of_it = sum(a * x for a, x in zip(row, state, strict=True)) + b * current
            # To 1e-9 of what flows in and out of that capacitance.
            assert capacitance * rate == pytest.approx(capacitance * of_it, abs=1e-9 * 100e-6)


def test_johnson_noise_is_that_of_the_resistance() -> None:
    part = part_of(insulator.EXAMPLE)
    assert isinstance(part, Insulator)
    assert part.noise("") == (100e9, 10.0, 0.0)


def test_copper() -> None:
    """1 ohm at 20 °C is 1.21615 ohm at 75 °C (α20 0.00393: IEC 60028, from memory)."""
    part = Wound(resistance="1 ohm")  # type: ignore[arg-type]
    assert part.resistance_at(348.15) == pytest.approx(1.216150, rel=1e-8)
    assert part.resistance_at(0.1) == 0.01


@pytest.mark.parametrize(
    ("example", "before", "after", "said"),
    [
        (
            supercapacitor.EXAMPLE,
            'capacitance_per_volt = "30 F/V"',
            'capacitance_per_volt = "30 F"',
            "8:24: error: “parts.bank.capacitance_per_volt”: “30 F” is a capacitance, expected "
            "a F/V as in “30 F/V” [bench-unit]",
        ),
        (
            supercapacitor.EXAMPLE,
            '"30 F/V"',
            '"-1 F/V"',
            "8:24: error: “parts.bank.capacitance_per_volt” is -1 F/V: it must not be negative "
            "[bench-value]",
        ),
        (
            supercapacitor.EXAMPLE,
            'puncture_voltage = "3.6 V"',
            'puncture_voltage = "2.6 V"',
            "5:1: error: “parts.bank” is punctured at 2.6 V, before it has gassed at 2.85 V: "
            "“puncture_voltage” must be above “bears_voltage” [bench-value]",
        ),
        (
            supercapacitor.EXAMPLE,
            '{ voltage = "0 V" }',
            '{ voltage = "3 V" }',
            "5:1: error: “parts.bank” begins at 3 V, and bears no more than 2.85 V: write "
            "another “initial” voltage [bench-value]",
        ),
        (
            supercapacitor.EXAMPLE,
            '{ voltage = "0 V" }',
            '{ voltage = "-0.3 V" }',
            "5:1: error: “parts.bank” begins at -0.3 V, and bears no more than -0.2 V: write "
            "another “initial” voltage [bench-value]",
        ),
        (
            insulator.EXAMPLE,
            '"-20 ppm/V"',
            '"20 ppm/V"',
            "8:23: error: “parts.stand_off.voltage_coefficient” is 20 ppm/V: it must be at most"
            " 0 [bench-value]",
        ),
        (
            insulator.EXAMPLE,
            'capacitance = "100 pF"',
            'capacitance = "-100 pF"',
            "9:15: error: “parts.stand_off.capacitance” is -100 pF: it must be greater than 0 "
            "[bench-value]",
        ),
        (
            insulator.EXAMPLE,
            'longest = "1000 s"',
            'longest = "0.5 s"',
            "11:14: error: “parts.stand_off.absorption” lasts from 1 s to 0.5 s: “longest” must"
            " be above “shortest”, by 7 decades at most [bench-value]",
        ),
        (
            insulator.EXAMPLE,
            'movement = [ { at = "90 s"',
            'movement = [ { at = "99 s", charge = "1 pC", decay = "1 s" }, { at = "90 s"',
            "14:12: error: “parts.stand_off.movement” has times that don't rise: the earliest "
            "first, each time once [bench-value]",
        ),
        (
            coil.EXAMPLE,
            'parallel_resistance = "2.2 kohm"\n',
            "",
            "5:1: error: “parts.vane” has “bears_voltage” and no “parallel_resistance”: without"
            " a way round, the current of an open coil is 0 and its voltage has no bound; write"
            ' “parallel_resistance” too, as in "2.2 kohm" [bench-value]',
        ),
        (
            motor.EXAMPLE,
            'inertia = "2e-4 kg*m^2"',
            'inertia = "2e-4 kg"',
            "10:11: error: “parts.fan.inertia”: “2e-4 kg” is a mass, expected a m^2*kg as in "
            "“2e-4 kg*m^2” [bench-unit]",
        ),
        (
            motor.EXAMPLE,
            'speed = "0 rpm"',
            'speed = "-7000 rpm"',
            "5:1: error: “parts.fan” begins at 7000 rpm, and bears no more than 6000 rpm: write"
            " a lower “initial” speed [bench-value]",
        ),
        (
            pump.EXAMPLE,
            'pressure = "0 Pa"',
            'pressure = "-900 hPa"',
            "5:1: error: “parts.pump” begins at -90000 Pa against the outside, which is less "
            "than nothing: the outside has 89500 Pa [bench-value]",
        ),
        (
            pump.EXAMPLE,
            'pressure = "0 Pa"',
            'pressure = "5 bar"',
            "5:1: error: “parts.pump” begins at 500000 Pa, and bears no more than 400000 Pa: "
            "write a lower “initial” pressure [bench-value]",
        ),
        (
            pump.EXAMPLE,
            'full = "4.5 V"',
            'full = "0.5 V"',
            "27:1: error: “parts.pump.sensor” says 0.5 V at no pressure and at full pressure "
            'alike: “zero” and “full” must differ, as in "0.5 V" and "4.5 V" [bench-value]',
        ),
        (
            pump.EXAMPLE,
            'highest = "4.8 V"',
            'highest = "4.4 V"',
            "27:1: error: “parts.pump.sensor” can't say 0.5 V to 4.5 V: “lowest” must not be above "
            "the smaller of “zero” and “full”, “highest” not below the larger [bench-value]",
        ),
        (
            pump.EXAMPLE,
            'dead_volume = "20 %"',
            'dead_volume = "100 %"',
            "8:15: error: “parts.pump.dead_volume” is 100 %: it must be less than 100 % "
            "[bench-value]",
        ),
    ],
)
def test_what_contradicts_itself_is_refused(
    example: str, before: str, after: str, said: str
) -> None:
    assert refusal(example, before, after) == f"ridge.bench.toml:{said}"


def test_valves_rectify() -> None:
    """A pump that turns backwards fills its vessel all the same."""
    part = part_of(pump.EXAMPLE)
    assert isinstance(part, Pump)
    physics = dynamic_of(part)
    _, _, _, *heat = physics.initial
    quiet = [AtPort(0.0, 0.0), AtPort(0.5, 0.0)]
    forward = physics.rates(0.0, (1e4, 1e4, 300.0, *heat), quiet)
    backward = physics.rates(0.0, (1e4, 1e4, -300.0, *heat), quiet)
    assert forward[0] == backward[0] > 0
    assert forward[2] == -backward[2] < 0


def test_a_stated_limit_costs_no_accuracy() -> None:
    """Charged, held for half an hour, discharged: as solved exactly, to 1e-9 of 2.7 V and 1 A."""
    text = "\n".join(
        line
        for line in supercapacitor.EXAMPLE.split("\n")
        if line and not line.startswith(("[", "capacitance_per_volt", "bears", "puncture"))
    )

    def run(limits: str) -> list[float]:
        channel, clock, _ = on_part(text.replace('"280 F"', '"10 F"') + limits, ideal=True)
        channel.configure(Acquisition(5.0, 5.0, 1e-3, None))
        found = []
        for setpoint in (Setpoint("voltage", 2.7, -1.0, 1.0), Setpoint("current", -1.0, 0.0, 2.8)):
            channel.program(setpoint)
            channel.switch(True)
            start = clock.now()
            for since in (0.01, 1.0, 10.0, 16.0, 1800.0)[: 5 if setpoint.mode == "voltage" else 4]:
                clock.wait_until(start + since)
                reading = channel.measure()
                found += [reading.voltage / 2.7, reading.current]
        return [*found, *(event.time for event in channel.poll())]

    exact, integrated = run(""), run('\nbears_voltage = "2.85 V"\n')
    assert len(exact) == len(integrated) > 18
    assert integrated == pytest.approx(exact, abs=1e-9)


def test_a_sensor_ends_where_it_must() -> None:
    """0.5 V to 4.5 V for 2.5 bar, ending at 0.2 V and 4.8 V: at -0.1875 and at 2.6875 bar."""
    part = part_of(pump.EXAMPLE)
    assert isinstance(part, Pump)
    said = [part.sensor.says(bar * 1e5) for bar in (-0.5, -0.18, 0.0, 2.5, 2.68, 2.7)]
    assert said == pytest.approx([0.2, 0.212, 0.5, 4.5, 4.788, 4.8])
