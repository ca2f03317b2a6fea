"""Energy's balance of cells, panels, photodiodes and lasers, under random drives."""

from __future__ import annotations

import random

import pytest

from drivers.simulated.conditions import Conditions, Profile
from drivers.simulated.parts import cell, laser, photodiode, solar
from drivers.simulated.parts.base import Dynamic
from tests.drivers.parts.energy import balance, wandering
from tests.drivers.parts.examples import dynamic_of, part_of

SEEDS = range(3)
CHANGING = Conditions(
    temperature=Profile((0.0, 0.3, 0.9, 1e3), (290.0, 305.0, 288.0, 288.0)),
    irradiance=Profile((0.0, 0.2, 0.6, 0.7, 1e3), (200.0, 900.0, 900.0, 0.0, 0.0)),
)


def without(example: str, *names: str) -> str:
    return "\n".join(line for line in example.split("\n") if not line.startswith(names))


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("chemistry", ["lithium-ion", "lead-acid", "nickel-metal hydride"])
def test_cells(seed: int, chemistry: str) -> None:
    """Charged and discharged by amperes, past full and empty and back."""
    lines = cell.EXAMPLE.replace("lithium-ion", chemistry).replace("2.6 Ah", "50 mAh")
    part = dynamic_of(part_of(without(lines, "bears_", "heating")))
    rested = part.law(0, 0.0, part.initial, []).voltage_at(0.0)
    found = balance(part, [(wandering(seed, 4.0, 400.0, rested), 1.0)], 400.0)
    assert found.error < 1e-7


@pytest.mark.parametrize("seed", SEEDS)
def test_a_warm_cell(seed: int) -> None:
    """By its own heat and in an ambient that changes: heat doesn't come back."""
    part = dynamic_of(part_of(without(cell.EXAMPLE, "bears_")), CHANGING)
    rested = part.law(0, 0.0, part.initial, []).voltage_at(0.0)
    found = balance(part, [(wandering(seed, 3.0, 100.0, rested), 0.1)], 100.0)
    assert found.error < 1e-7


def panel(capacitance: bool, bypass: bool) -> Dynamic:
    left_out = [
        *(() if capacitance else ("capacitance",)),
        *(() if bypass else ("bypass_diode",)),
    ]
    return dynamic_of(part_of(without(solar.EXAMPLE, *left_out)), CHANGING)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("bypass", [True, False])
def test_a_module_in_changing_light(seed: int, bypass: bool) -> None:
    """Between both ends of its curve and beyond, with shade on one of three substrings."""
    draw = random.Random(seed)
    drive = wandering(seed, 30.0, 1.0, 8.0)
    found = balance(panel(True, bypass), [(drive, draw.choice([0.0, 2.0]))], 0.8, tolerance=1e-9)
    assert found.error < 1e-7


@pytest.mark.parametrize("seed", SEEDS)
def test_the_capacitance_of_a_module(seed: int) -> None:
    """Fast enough that what is stored counts: microfarads, volts and milliseconds."""
    drive = wandering(seed, 20.0, 2e-4, 5.0)
    found = balance(panel(True, True), [(drive, 30.0)], 5e-4, energy_j=1e-3)
    assert found.error < 1e-7
    assert abs(found.gained) > 1e-3 * found.moved


def test_light_brings_energy_without_a_store() -> None:
    """Into 8 V at noon a module gives power: it loses less than nothing."""
    drive = wandering(0, 0.1, 0.5, 8.0)
    found = balance(panel(False, True), [(drive, 0.1)], 0.5)
    assert found.error < 1e-12
    assert found.gained == 0
    assert found.lost < -2


@pytest.mark.parametrize("seed", SEEDS)
def test_photodiode(seed: int) -> None:
    text = photodiode.EXAMPLE
    part = dynamic_of(part_of(text), CHANGING)
    drive = wandering(seed, 3.0, 1.0)
    found = balance(part, [(drive, 1e6)], 1.0, energy_j=1e-6)
    assert found.error < 1e-7


@pytest.mark.parametrize("seed", SEEDS)
def test_laser_and_photodiode(seed: int) -> None:
    """Above and below threshold, with the photodiode at a bias that changes its sign."""
    part = dynamic_of(part_of(without(laser.EXAMPLE, "bears_")), CHANGING)
    drives = [(wandering(seed, 1.0, 0.5, 2.0), 20.0), (wandering(seed + 9, 2.0, 0.3), 1e4)]
    found = balance(part, drives, 1.0, energy_j=1e-6)
    assert found.error < 1e-7


def test_the_stores_of_laser_and_photodiode() -> None:
    """The photodiode's picofarads alone, in reverse and fast."""
    part = dynamic_of(part_of(without(laser.EXAMPLE, "bears_")))
    drives = [(lambda t: 0.0, 1.0), (wandering(3, 2.0, 2e-6, -3.0), 5e3)]
    found = balance(part, drives, 6e-6, energy_j=1e-12)
    assert found.error < 1e-7
    assert abs(found.gained) > 1e-3 * found.moved
