"""Parts for these tests: the models' examples, and a model from the lines of a bench file."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, cast

from drivers.bench import read_bench
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts import (
    cell,
    coil,
    contact,
    diode,
    insulator,
    laser,
    led,
    motor,
    photodiode,
    pump,
    resettable_fuse,
    resistor,
    solar,
    supercapacitor,
    suppressor,
)
from drivers.simulated.parts.base import Dynamic, PartModel
from grammar.diagnostic import draw

TOP = """\
line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
"""
EXAMPLES = {
    "cell": cell.EXAMPLE,
    "cell by a table": cell.EXAMPLE_TABLE,
    "coil": coil.EXAMPLE,
    "contact": contact.EXAMPLE,
    "diode": diode.EXAMPLE,
    "insulator": insulator.EXAMPLE,
    "laser diode": laser.EXAMPLE,
    "LED": led.EXAMPLE,
    "motor": motor.EXAMPLE,
    "photodiode": photodiode.EXAMPLE,
    "pump": pump.EXAMPLE,
    "resettable fuse": resettable_fuse.EXAMPLE,
    "resistor": resistor.EXAMPLE,
    "solar cell": solar.EXAMPLE_CELL,
    "solar module": solar.EXAMPLE,
    "supercapacitor": supercapacitor.EXAMPLE,
    "suppressor": suppressor.EXAMPLE,
}
"""Every model, with every parameter that it has."""


def part_of(text: str) -> PartModel:
    """The part in a table `[parts.…]` of a bench file, read as every bench file is."""
    file, problems = read_bench(Path("ridge.bench.toml"), TOP + text)
    assert file is not None, "\n".join(map(draw, problems))
    (part,) = file.parts.values()
    return part


def dynamic_of(part: PartModel, conditions: Conditions | None = None) -> Dynamic:
    """A part's physics, where they are a differential equation."""
    physics = part.physics(conditions or Conditions())
    assert hasattr(physics, "rates")
    return cast(Dynamic, physics)


def refusal(text: str, before: str, after: str) -> str:
    """What is said of a part once a piece of its lines is another, first line only."""
    assert before in text
    file, problems = read_bench(Path("ridge.bench.toml"), TOP + text.replace(before, after, 1))
    assert file is None
    return "\n".join(draw(problem).split("\n")[0] for problem in problems)


def keys(text: str) -> dict[str, Any]:
    """The keys of the one part in a text, to see that an example leaves none out."""
    (part,) = tomllib.loads(text)["parts"].values()
    return dict(part)
