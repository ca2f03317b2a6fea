"""Resistors, resettable fuses and contacts: energy and heat that add up, and what is refused."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from drivers.simulated.conditions import Conditions, Profile
from drivers.simulated.parts import contact, resettable_fuse, resistor
from drivers.simulated.parts.base import AtPort
from drivers.simulated.parts.contact import Contact
from drivers.simulated.parts.heating import Heating, HeatPath
from drivers.simulated.parts.resettable_fuse import ResettableFuse
from drivers.simulated.parts.resistor import Resistor
from drivers.simulated.parts.stateless import OPENED_OHMS, opened, shorted
from tests.drivers.parts.energy import balance, wandering
from tests.drivers.parts.examples import dynamic_of, keys, part_of, refusal

EXAMPLES = {
    "resistor": resistor.EXAMPLE,
    "resettable fuse": resettable_fuse.EXAMPLE,
    "contact": contact.EXAMPLE,
}
MODELS = {"resistor": Resistor, "resettable fuse": ResettableFuse, "contact": Contact}
VOLTAGES = [sign * size for sign in (-1, 1) for size in (0, 1e-9, 1e-3, 0.4, 5, 60, 1e6)]
WEATHER = Conditions(temperature=Profile((0.0, 40.0, 400.0), (290.0, 296.0, 270.0)))


@pytest.mark.parametrize("model", EXAMPLES)
def test_examples(model: str) -> None:
    """Every key of a model stands in its example, which is read as a bench file is."""
    part = part_of(EXAMPLES[model])
    assert type(part) is MODELS[model]
    assert set(keys(EXAMPLES[model])) == set(MODELS[model].model_fields)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("model", "size", "slowest_s", "lasts_s"),
    [("resistor", 6.0, 1.0, 3.0), ("resettable fuse", 9.0, 90.0, 120.0), ("contact", 0.3, 50, 60)],
)
def test_energy(model: str, size: float, slowest_s: float, lasts_s: float, seed: int) -> None:
    part = dynamic_of(part_of(EXAMPLES[model]), WEATHER)
    found = balance(part, [(wandering(seed, size, slowest_s), 1.0)], lasts_s, method="Radau")
    assert found.error < 1e-6
    assert (found.gained, found.lost > 0) == (0.0, True)


@pytest.mark.parametrize("count", [1, 2, 4])
def test_heat_adds_up(count: int) -> None:
    """What is made in the element is what the capacities hold and what reached the ambient."""
    nodes = [
        {"heat_capacity": f"{0.01 * 4**k} J/K", "thermal_resistance": f"{20 + 7 * k} K/W"}
        for k in range(count)
    ]
    path = HeatPath(Heating.model_validate({**nodes[0], "outer": nodes[1:]}), WEATHER.temperature)

    def derivative(t: float, y: Any) -> list[float]:
        state = tuple(map(float, y[:count]))
        power = 1 + math.sin(t)
        return [*path.flows(t, power, state), power - path.to_ambient(t, state)]

    start = [0.0] * (count + 1)
    solution = solve_ivp(derivative, (0, 39.9), start, rtol=1e-10, atol=1e-12, method="Radau")
    held = path.held(tuple(solution.y[:count, -1]))
    assert held == pytest.approx(solution.y[-1, -1], rel=1e-8, abs=0)
    assert held > 0.1


def test_steady_heat_is_that_of_resistances_in_series() -> None:
    """10 W through 2 K/W and 5 K/W: 70 K above the ambient, 50 K further out (closed form)."""
    further_out = {"heat_capacity": "1 J/K", "thermal_resistance": "5 K/W"}
    heating = Heating.model_validate(
        {"heat_capacity": "0.1 J/K", "thermal_resistance": "2 K/W", "outer": [further_out]}
    )
    path = HeatPath(heating, Profile.constant(300.0))
    assert path.flows(0.0, 10.0, (70.0, 50.0)) == [0.0, 0.0]
    assert path.temperature((70.0, 50.0)) == 370.0
    assert path.to_ambient(0.0, (70.0, 50.0)) == 10.0
    assert path.heat(0.0, (70.0, 50.0)) == pytest.approx(7.0)


def test_what_is_left_of_a_broken_part() -> None:
    for left, ohms in ((opened(2), OPENED_OHMS), (shorted(2), 0.01)):
        assert left.inductances == (0.0, 0.0)
        for port in (0, 1):
            assert left.law(port, 0.0, (), ()).voltage_at(1.0) == ohms
        assert left.lost(0.0, (), [AtPort(2.0, 3.0), AtPort(-1.0, 1.0)]) == 5.0


@pytest.mark.parametrize("model", EXAMPLES)
def test_any_state_has_a_law(model: str) -> None:
    """Wherever a solver looks: no NaN, no error."""
    part = dynamic_of(part_of(EXAMPLES[model]))
    for rise in (-1e6, -296.0, 0.0, 1e3, 1e6):
        state = (rise,) * len(part.initial)
        if model == "resettable fuse":
            state = (rise, 1.2)
        law = part.law(0, 0.0, state, ())
        for volts in VOLTAGES:
            flows = law.current_through(volts, 0.1)
            rates = part.rates(0.0, state, [AtPort(law.voltage_at(flows), flows)])
            assert np.isfinite([flows, *rates]).all()


R, FUSE, CONTACT = EXAMPLES.values()


@pytest.mark.parametrize(
    ("text", "before", "after", "said"),
    [
        (R, '"47 ohm"', '"0 ohm"', "“parts.heater.resistance” is 0 ohm: it must be greater than 0"),
        (R, '"20 nH"', '"-20 nH"', "“parts.heater.inductance” is -20 nH: it must not be negative"),
        (R, '"100 ppm/K"', '"100 ppm"', "“parts.heater.temperature_coefficient”: the unit is miss"),
        (R, '"1.2 mJ/K"', '"1.2 K/J"', "“parts.heater.heating.heat_capacity”: “1.2 K/J” is a "),
        (R, '"1.2 mJ/K"', '"1.2"', 'the unit is missing: write "1.2 J/K"'),
        (R, '"90 K/W"', '"90 W/K"', "expected a thermal resistance as in “1 K/W”"),
        (R, 'heating = {', 'inductanze = {', "“parts.heater.inductanze” is no key known here"),
        (FUSE, '"220 °C"', '"110 °C"', "“parts.fuse” bears less than its own switching temperatur"),
        (FUSE, "raised = 1.45", "raised = 0.9", "“parts.fuse.raised” is 0.9: it must be at least "),
        (FUSE, '"20 K"', '"20 °C"', "“parts.fuse.switching_width”: “20 °C” is a temperature, "),
        (FUSE, "decades = 5", "decades = 50", "“parts.fuse.decades” is 50: it must be at most 12"),
        (CONTACT, 'drift_period = "7 min"\n', "", "“parts.joint” must have both “drift” and"),
        (CONTACT, '"15 uohm"', '"15 mohm"', "“parts.joint” would have more resistance welded than"),
        (CONTACT, '"1083 °C"', '"-5 °C"', "“parts.joint.welding.temperature” is -5 °C: it must be"),
        (CONTACT, '"0.39 %/K"', '"-0.39 %/K"', "“parts.joint.temperature_coefficient” is -0.39 %/"),
        (CONTACT, '"0.3 uV"', '"0.3 nV/s"', "“parts.joint.drift”: “0.3 nV/s” is a voltage slope"),
    ],
)  # fmt: skip
def test_what_contradicts_itself(text: str, before: str, after: str, said: str) -> None:
    assert said in refusal(text, before, after)
