"""Stiff parts that are met at rest: the solver's first step goes by what would move them back."""

from __future__ import annotations

import tomllib

import pytest

from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.circuit import Source
from drivers.simulated.conditions import Conditions, Profile
from drivers.simulated.parts import MODELS, solar
from drivers.simulated.wiring import circuits_of


def test_a_module_in_light_is_taken_to_its_limit_and_told_the_same_again() -> None:
    """The limit takes over beyond the open-circuit voltage, where nothing moves any more."""
    described = list(tomllib.loads(solar.EXAMPLE)["parts"].values())[-1]
    part = MODELS[described["model"]].model_validate(described)
    assert described["capacitance"]
    (circuit,) = circuits_of(part.physics(Conditions(irradiance=Profile.constant(900.0))))
    now = 0
    for level in (24.0, 24.5, 25.0, 25.0):
        circuit.connect(Source((4.0, -4.0), (level,), 1, 0.05, 0.0), now)
        now += NANOSECONDS
        voltage, current, limited = circuit.mean(now, now + NANOSECONDS // 50)
        now += NANOSECONDS // 50
    assert (current, limited) == (pytest.approx(4.0), 1.0)
    assert voltage < 25.0
