"""Every parameter of every part model, one at a time, made what it can't be.

The examples name every parameter there is. Which of them may be zero or negative is written down
here, from what they mean; all others are refused at both, with their key path and their place.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from drivers.bench import read_bench
from drivers.located import Path as KeyPath
from drivers.located import Places, validate, written
from drivers.simulated.parts import MODELS
from grammar.diagnostic import Problem, Problems, Source
from tests.drivers.parts.examples import EXAMPLES, TOP


def leaves(data: Any, path: KeyPath = ()) -> Iterator[tuple[KeyPath, Any]]:
    if isinstance(data, dict):
        for key, value in data.items():
            yield from leaves(value, (*path, key))
    elif isinstance(data, list):
        for number, value in enumerate(data):
            yield from leaves(value, (*path, number))
    elif path[-1] != "model":
        yield path, data


# What may be nothing, what may be below zero, without the numbers in lists; °C are apart.
MAY_BE_ZERO = {
    "cell": {"activation_temperature", "cells.capacity", "cells.resistance", "cells.charge"},
    "cell by a table": set(),
    "coil": {"initial.current"},
    "contact": {"temperature_coefficient", "thermal_voltage"},
    "diode": {"saturation_exponent", "breakdown.temperature_coefficient", "grading"},
    "insulator": {
        "voltage_coefficient", "offset_current", "offset_drift", "movement.at", "movement.charge",
    },
    "laser diode": {"series_resistance", "coupling", "photodiode.responsivity"},
    "LED": {"light_share", "series_resistance"},
    "motor": {"viscous_friction", "friction_torque", "initial.speed"},
    "photodiode": {"transmission"},
    "pump": {
        "dead_volume", "leak", "initial.pressure", "motor.viscous_friction",
        "motor.friction_torque", "motor.initial.speed", "sensor.lowest",
    },
    "resettable fuse": set(),
    "resistor": {"temperature_coefficient", "inductance"},
    "solar cell": {"series_resistance"},
    "solar module": {"current_per_kelvin", "band_gap_per_kelvin", "substrings.shade"},
    "supercapacitor": {"capacitance_per_volt", "initial.voltage"},
    "suppressor": {"breakdown.temperature_coefficient", "grading"},
}  # fmt: skip
MAY_BE_NEGATIVE = {
    "cell": {"cells.capacity", "cells.resistance", "cells.charge"},
    "coil": {"initial.current"},
    "contact": {"thermal_voltage", "drift"},
    "diode": {"breakdown.temperature_coefficient"},
    "insulator": {"voltage_coefficient", "offset_current", "offset_drift", "movement.charge"},
    "motor": {"initial.speed"},
    "pump": {"initial.pressure", "motor.initial.speed", "sensor.lowest"},
    "resistor": {"temperature_coefficient"},
    "solar module": {"current_per_kelvin", "band_gap_per_kelvin"},
    "supercapacitor": {"initial.voltage"},
    "suppressor": {"breakdown.temperature_coefficient"},
}
# A curve's points may be zero as far as the others allow it: curves have tests of their own.
BY_SIGN = re.compile(r"must (not be negative|be greater than 0|be at least 0|be at most 0)")
CURVES = {"open_circuit", "responsivity_curve"}


def key_of(path: KeyPath) -> str:
    return ".".join(str(step) for step in path[2:] if isinstance(step, str))


def told(name: str, values: Mapping[KeyPath, str]) -> tuple[list[Problem], Places]:
    """The problems of an example with other values, and where its values stand."""
    text = TOP + EXAMPLES[name]
    places = Places(text)
    lines = text.split("\n")
    # From the last one on, so that the places of those before stay what they are.
    for path in sorted(values, key=places.value, reverse=True):
        first, column, last, end = places.value(path)
        assert first == last
        line = lines[first - 1]
        lines[first - 1] = line[: column - 1] + values[path] + line[end - 1 :]
    _, problems = read_bench(Path("ridge.bench.toml"), "\n".join(lines))
    return list(problems), places


class Leaf(NamedTuple):
    """A value of an example, and what kind of value it is."""

    path: KeyPath
    value: Any

    @property
    def unit(self) -> str:
        return self.value.partition(" ")[2] if isinstance(self.value, str) else ""

    @property
    def is_choice(self) -> bool:
        return isinstance(self.value, str) and not any(map(str.isdigit, self.value))

    @property
    def is_count(self) -> bool:
        return key_of(self.path) in ("in_series", "cells")

    @property
    def has_dimension(self) -> bool:
        return self.unit not in ("", "%")


EXAMPLES_LEAVES = {
    name: [Leaf(*found) for found in leaves(tomllib.loads(text))] for name, text in EXAMPLES.items()
}
WRONG: dict[str, Callable[[Leaf], str]] = {
    "another dimension": lambda leaf: '"3 kg"',
    "one where there is none": lambda leaf: "3" if leaf.has_dimension else '"3 V"',
    "no unit": lambda leaf: '"3"' if leaf.has_dimension and not leaf.is_choice else '""',
    "not a number": lambda leaf: f'"nan {leaf.unit}"',
    "no end": lambda leaf: f'"1e999 {leaf.unit}"',
    "TOML's own not-a-number": lambda leaf: "nan",
    "TOML's own infinity": lambda leaf: "inf",
    "true": lambda leaf: "true",
    "a list": lambda leaf: "[]",
    "a table": lambda leaf: "{}",
    "half of one": lambda leaf: "3.5" if leaf.is_count else '"3 mol"',
}


def test_every_model_is_there() -> None:
    """With every key that it knows: the examples' own tests compare them with the models."""
    named = {tomllib.loads(text)["parts"].popitem()[1]["model"] for text in EXAMPLES.values()}
    assert named == set(MODELS)
    assert MAY_BE_ZERO.keys() == EXAMPLES.keys()
    for allowed in (MAY_BE_ZERO, MAY_BE_NEGATIVE):
        for name, keys in allowed.items():
            assert keys <= {key_of(leaf.path) for leaf in EXAMPLES_LEAVES[name]}


@pytest.mark.parametrize("name", EXAMPLES)
@pytest.mark.parametrize("kind", WRONG)
def test_what_is_no_value_of_its_kind(kind: str, name: str) -> None:
    """All parameters at once: each is told with its key path, in its place."""
    problems, places = told(name, {leaf.path: WRONG[kind](leaf) for leaf in EXAMPLES_LEAVES[name]})
    assert all(problem.severity == "error" for problem in problems)
    found = sorted((problem.message.split("”")[0], problem.span.line) for problem in problems)
    expected = sorted(
        (f"“{written(leaf.path)}", places.value(leaf.path)[0]) for leaf in EXAMPLES_LEAVES[name]
    )
    assert found == expected


SIZES = [
    pytest.param(name, leaf, id=f"{name}: {written(leaf.path[2:])}")
    for name, found in EXAMPLES_LEAVES.items()
    for leaf in found
    if not leaf.is_choice and key_of(leaf.path) not in CURVES
]


@pytest.mark.parametrize(("name", "leaf"), SIZES)
def test_what_is_no_size_of_it(name: str, leaf: Leaf) -> None:
    """Nothing, and less than nothing; of a temperature absolute zero, and colder.

    Each is told of the parameter, or of the table whose figures contradict each other then.
    """
    nothing, less = ("-273.15", "-274") if leaf.unit == "°C" else ("0", "-1")
    for number, allowed in ((nothing, MAY_BE_ZERO), (less, MAY_BE_NEGATIVE)):
        size = number if leaf.is_count else f'"{number} {leaf.unit}"'.replace(' "', '"')
        problems, places = told(name, {leaf.path: size})
        if key_of(leaf.path) in allowed.get(name, ()):
            # Not of itself wrong: others may not go with so little of it, or with so much.
            said = [problem.message for problem in problems]
            assert not any(
                f"“{written(leaf.path)}”" in words and BY_SIGN.search(words) for words in said
            )
            continue
        (problem,) = problems
        about = {
            (f"“{written(leaf.path[:end])}", places.key(leaf.path[:end])[0])
            for end in range(2, len(leaf.path) + 1)
        }
        assert (problem.message.split("”")[0], problem.span.line) in about, size


SHARES = [
    ("cell", "coulombic_efficiency"),
    ("cell", "initial.charge"),
    ("diode", "grading"),
    ("insulator", "absorption.share"),
    ("laser diode", "coupling"),
    ("LED", "light_share"),
    ("photodiode", "transmission"),
    ("pump", "dead_volume"),
    ("solar module", "substrings.shade"),
]


@pytest.mark.parametrize(("name", "key"), SHARES)
def test_a_share_of_more_than_all(name: str, key: str) -> None:
    leaf = next(leaf for leaf in EXAMPLES_LEAVES[name] if key_of(leaf.path) == key)
    problems, places = told(name, {leaf.path: '"101 %"'})
    (problem,) = problems
    said = f"“{written(leaf.path)}” is 101 %: it must be "
    assert re.fullmatch(re.escape(said) + r"(at most|less than) \d+ %", problem.message)
    assert problem.span.line == places.value(leaf.path)[0]


@pytest.mark.parametrize("name", EXAMPLES)
def test_what_is_left_out(name: str) -> None:
    """A parameter that a part can't do without is told by its name and with an example of it."""
    missing = 0
    for leaf in EXAMPLES_LEAVES[name]:
        if isinstance(leaf.path[-1], int):
            continue
        data = tomllib.loads(TOP + EXAMPLES[name])
        owner: Any = data
        for step in leaf.path[:-1]:
            owner = owner[step]
        del owner[leaf.path[-1]]
        part = MODELS[data["parts"][leaf.path[1]]["model"]]
        problems = Problems(Source("ridge.bench.toml", EXAMPLES[name]), fault="bench")
        entry = data["parts"][leaf.path[1]]
        if validate(part, entry, problems, Places(EXAMPLES[name]), "bench", leaf.path[:2]) is None:
            missing += 1
            (problem,) = problems
            assert str(leaf.path[-1]) in problem.message
    assert missing > 0


@pytest.mark.parametrize("name", [n for n, text in EXAMPLES.items() if "bears = " in text])
def test_what_is_broken_from_the_start(name: str) -> None:
    """A part that bears less than the 23 °C of its room: told, and what would give way."""
    paths = [leaf.path for leaf in EXAMPLES_LEAVES[name] if leaf.path[-2:] == ("heating", "bears")]
    problems, places = told(name, dict.fromkeys(paths, '"22.9 °C"'))
    (problem,) = problems
    assert problem.span.line == places.key(paths[0][:2])[0]
    if name != "resettable fuse":
        assert "would give way before anything is done to it: " in problem.message
        assert problem.message.endswith("it reached 22.9 °C, the most that it bears")
    assert told(name, dict.fromkeys(paths, '"23.1 °C"'))[0] == [] or name == "resettable fuse"
