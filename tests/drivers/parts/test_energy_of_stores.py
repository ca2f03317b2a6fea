"""Energy's balance of the parts that turn, leak and store, under random drives."""

from __future__ import annotations

import random

import pytest

from drivers.simulated.conditions import Conditions, Profile
from drivers.simulated.parts import coil, insulator, motor, pump, supercapacitor
from drivers.simulated.parts.insulator import Insulator
from tests.drivers.parts.energy import balance, wandering
from tests.drivers.parts.examples import dynamic_of, part_of

SEEDS = range(3)


@pytest.mark.parametrize("seed", SEEDS)
def test_supercapacitor(seed: int) -> None:
    part = dynamic_of(part_of(supercapacitor.EXAMPLE))
    drive = wandering(seed, 2.0, 200.0, 0.5)
    assert balance(part, [(drive, 0.05)], 300.0).error < 1e-8


@pytest.mark.parametrize("seed", SEEDS)
def test_insulator(seed: int) -> None:
    """Volts to hundreds of them, through nothing or through much; currents flow by themselves."""
    model = part_of(insulator.EXAMPLE)
    assert isinstance(model, Insulator)
    draw = random.Random(seed)
    series = draw.choice([0.0, 1e6, 1e10])
    drive = wandering(seed, draw.choice([1.0, 300.0]), 50.0)
    found = balance(dynamic_of(model), [(drive, series)], 120.0, tolerance=1e-12, energy_j=1e-9)
    assert found.error < 1e-7


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("parallel", [True, False])
def test_coil(seed: int, parallel: bool) -> None:
    text = coil.EXAMPLE
    if not parallel:
        for key in ("parallel_resistance", "bears_voltage", "initial"):
            text = "\n".join(line for line in text.split("\n") if not line.startswith(key))
    part = dynamic_of(part_of(text))
    found = balance(part, [(wandering(seed, 20.0, 0.02), 2.0)], 0.05)
    if parallel:
        assert found.error < 1e-8
    else:
        # What the inductance holds is the circuit's: nothing of the part's own comes back.
        assert found.gained == 0.0
        assert found.given == pytest.approx(found.lost, rel=1e-12)


@pytest.mark.parametrize("seed", SEEDS)
def test_motor(seed: int) -> None:
    """Both ways round, so that dry friction and generating are in it."""
    part = dynamic_of(part_of(motor.EXAMPLE))
    found = balance(part, [(wandering(seed, 12.0, 0.4), 0.2)], 0.5)
    assert found.error < 1e-8
    assert found.gained > 0


@pytest.mark.parametrize("seed", SEEDS)
def test_pump(seed: int) -> None:
    """The sensor takes and gives, too; the ambient's temperature bends on the way."""
    weather = Conditions(temperature=Profile((0.0, 0.5, 3.0), (290.0, 310.0, 280.0)))
    part = dynamic_of(part_of(pump.EXAMPLE), weather)
    drives = [(wandering(seed, 5.0, 1.5, 9.0), 0.1), (wandering(seed + 100, 5.0, 0.5), 1e3)]
    found = balance(part, drives, 2.0)
    assert found.error < 1e-8
    assert found.gained > 0.1
