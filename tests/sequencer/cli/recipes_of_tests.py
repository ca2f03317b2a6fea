"""Short recipes on a resistor of the Ridge weather station, and their bench."""

from __future__ import annotations

from pathlib import Path

BENCH = """\
title          = "Ridge weather station, test bench"
line_frequency = "50 Hz"

[channels.smu]
specification = "demo-source-measure"
{resource}library       = "@py"
dialect       = "scpi-1999-source-measure"
identity      = "^RIDGE,"
part          = "shunt"

[parts.shunt]
model      = "resistor"
resistance = "100 ohm"
"""

RECIPE = """\
recipe "Ridge weather station, a shunt"

channel smu: source, measure, measure open

part shunt is resistor on smu:
    voltage within 5 V
    current within 100 mA

setting level = 1 V in 0.1 V to 2 V "level"

steps:
    source smu voltage level, limit 50 mA
    output smu on
    every 20 ms for {length}:
        measure smu into readings
    say "Measured {{smu.current}}."

results:
    I = mean(readings, current) as mA "Current"
    expect I in 10 mA ± {tolerance}
"""


def write_bench(folder: Path, resource: str = "") -> Path:
    """The bench file, for a run with a resource."""
    path = folder / "shunt.bench.toml"
    path.write_text(BENCH.format(resource=f'resource      = "{resource}"\n' if resource else ""))
    return path


def write_recipe(folder: Path, length: str = "100 ms", tolerance: str = "1 %") -> Path:
    """The recipe, its readings taken for so long."""
    path = folder / "shunt.recipe"
    path.write_text(RECIPE.format(length=length, tolerance=tolerance))
    return path
