"""Levels of a sweep taken many at a time are those taken one by one, to the last byte on record."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from drivers.bench import Bench
from drivers.bench_file import BenchFile
from sequencer.engine.series import Series
from tests.sequencer.engine.bench_of import Ran, bench_file, dry
from tests.sequencer.engine.test_blocks import kept

RECIPES = 60

PARTS = {
    "diode": """
[parts.blocking]
model = "diode"
saturation_current = "3 nA"
ideality = 1.7
series_resistance = "35 mohm"
""",
    "resistor": """
[parts.blocking]
model = "resistor"
resistance = "4.7 ohm"
""",
}


class OneByOne:
    """A channel that does all that the one behind it does but foresee levels."""

    def __init__(self, channel: Any) -> None:
        self._channel = channel

    def __getattr__(self, name: str) -> Any:
        if name == "peek_levels":
            raise AttributeError(name)
        return getattr(self._channel, name)


class Made(NamedTuple):
    """A sweep and its bench."""

    recipe: str
    bench: BenchFile
    ideal: bool
    seed: int


def made(number: int) -> Made:
    """A random sweep: where it goes, how it is settled, measured, guarded and ended."""
    chance = random.Random(number)
    kind = chance.choice(sorted(PARTS))
    mode = chance.choice(["voltage", "voltage", "voltage", "current"])
    unit, limit = ("V", chance.choice(["60 mA", "1 A"])) if mode == "voltage" else ("A", "2 V")
    largest = chance.choice([0.3, 0.7, 0.9]) if mode == "voltage" else chance.choice([0.01, 0.3])
    first = chance.choice([0.0, -largest, largest / 100])
    if kind == "diode":
        first = abs(first)
    logarithmic = ", logarithmic" if first > 0 and chance.random() < 0.5 else ""
    settle = chance.choice(["", "", ", settle 20 us", ", settle 1 ms", ", settle 30 ms"])
    settle = chance.choice([settle, settle, ", settle resting", ", settle 5 s"])
    until = chance.choice(["", "", f", until smu.{mode} >= {largest * 0.6:.4g} {unit}"])
    ranges = chance.choice(
        ["voltage range = 5 V, current range = 5 A", "voltage range = 5 V, current range = auto"]
        if mode == "voltage"
        else ["voltage range = 5 V, current range = 5 A", "current range = 5 A"]
    )
    guard = chance.choice(
        [
            "guard smu.current < 1.9 A",
            f"guard smu.current < {chance.choice([5, 40, 150])} mA",
            "guard smu.charge < 5 mC and smu.power < 0.5 W",
            "guard smu.voltage < 0.85 V",
        ]
    )
    aperture = chance.choice(["1 PLC", "1 ms", "0.1 PLC"])
    points = chance.choice([5, 30, 120, 333])
    recipe = f"""\
recipe "Ridge weather station, a sweep"
channel smu: source, sink, measure, measure open
part blocking is {kind} on smu:
    voltage within 3 V
    current within 2 A
{guard}
setting resting = 2 ms in 1 ms to 3 ms "between level and reading"
steps:
    setup smu: aperture = {aperture}, {ranges}
    source smu {mode} 0 {unit}, limit {limit}
    output smu on
    measure smu into curve
    sweep smu {mode} from {first:.4g} {unit} to {largest:.4g} {unit} in {points} points\
{logarithmic}{settle}{until}, into curve
    wait 1500 ms
    reset smu.charge
    sweep smu {mode} from {largest:.4g} {unit} to 0 {unit} in {points} points{settle}, into back
    measure smu into curve
results:
    most = maximum(curve, current)
"""
    return Made(recipe, bench_file(PARTS[kind]), chance.random() < 0.2, number)


def both_ways(made: Made, folder: Path) -> tuple[Ran, Ran]:
    ways = []
    for way in ("many", "single"):
        store = folder / way
        store.mkdir()

        def change(bench: Bench, way: str = way) -> None:
            if way == "single":
                for name, channel in bench.channels.items():
                    one: Any = OneByOne(channel)
                    bench.channels[name] = one

        ways.append(
            dry(made.recipe, store, made.bench, ideal=made.ideal, seed=made.seed, change=change)
        )
    return ways[0], ways[1]


def test_random_sweeps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    taken: Counter[str] = Counter()
    take = Series.take

    def counted(series: Series, k: int) -> int:
        count = take(series, k)
        taken["levels"] += count
        taken[
            "whole" if count and k + count == len(series.levels) else "cut" if count else "none"
        ] += 1
        return count

    monkeypatch.setattr(Series, "take", counted)
    outcomes: Counter[str] = Counter()
    for number in range(RECIPES):
        folder = tmp_path / str(number)
        folder.mkdir()
        many, single = both_ways(made(number), folder)
        assert many.ending.outcome == single.ending.outcome, number
        assert many.ending.reason == single.ending.reason, number
        found, expected = kept(folder / "many"), kept(folder / "single")
        for table in expected:
            assert found[table] == expected[table], (number, table)
        outcomes[many.ending.outcome.word] += 1
    # The recipes are worth something only if all of it comes about.
    assert taken["levels"] > 1500
    assert min(taken["whole"], taken["cut"], taken["none"]) > 5
    assert outcomes["tripped"] > 5
    assert outcomes["finished"] > 20
