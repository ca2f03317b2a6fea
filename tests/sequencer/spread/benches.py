"""A resistor of the Ridge weather station with its tolerance, and a recipe on it."""

from __future__ import annotations

from pathlib import Path

from drivers.bench import read_bench
from sequencer.spread.work import Work

BENCH = """\
line_frequency = "50 Hz"

[channels.smu]
specification = "demo-source-measure"
part          = "shunt"

[parts.shunt]
model      = "resistor"
resistance = "100 ohm ± 10 %"
"""

RECIPE = """\
recipe "Ridge weather station, a shunt"

channel smu: source, measure, measure open

part shunt is resistor on smu:
    voltage within 5 V
    current within 100 mA

guard smu.current < 10.5 mA "more than was asked for"
guard smu.voltage in -1 V to 4 V and smu.power <= 50 mW
guard smu.voltage < 4 V or smu.current < 1 mA

steps:
    setup smu: aperture = 1 PLC, voltage range = 5 V, current range = 50 mA
    source smu voltage 1 V, limit 50 mA
    output smu on
    every 20 ms for 800 ms:
        measure smu into readings

results:
    I = mean(readings, current) as mA "Current"
    R = mean(readings, voltage) / I as ohm "Resistance"
    expect R in 100 ohm ± 5 %
"""


def work(recipe: str = RECIPE, bench: str = BENCH, seed: int = 3, *, ideal: bool = False) -> Work:
    file, _ = read_bench(Path("shunt.bench.toml"), bench)
    assert file is not None
    texts = tuple(file.specification_texts.items())
    return Work(recipe, "shunt.recipe", bench, "shunt.bench.toml", texts, seed=seed, ideal=ideal)
