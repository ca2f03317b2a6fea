"""What a box of digital lines can do, as data: which lines it has, their levels, how fast they are.

Lines carry logic, not loads: what takes more current than a line gives has a driver in between. The
module knows no recipe and opens no link.
"""

from __future__ import annotations

from pathlib import Path
from typing import Self

from pydantic import Field, model_validator

from drivers.fields import Amperes, Data, Seconds, Volts
from drivers.located import Places, parse_toml, validate
from drivers.specification import specification_text
from grammar.diagnostic import Problems, Source
from grammar.quantity import VOLTAGE, write


class Inputs(Data):
    """What an input takes for low (up to `low`, V) and for high (from `high` on), and bears."""

    low: Volts = Field(ge=0, examples=["0.8 V"])
    high: Volts = Field(gt=0, examples=["2 V"])
    bears: Volts = Field(gt=0, examples=["5.5 V"])

    @model_validator(mode="after")
    def _ascends(self) -> Self:
        if not self.low < self.high <= self.bears:
            raise ValueError(
                f"takes up to {write(self.low, VOLTAGE)} for low, from {write(self.high, VOLTAGE)} "
                f"on for high and bears {write(self.bears, VOLTAGE)}: these must ascend"
            )
        return self


class Outputs(Data):
    """What an output gives at most when low, at least when high (V), up to its `most_current`."""

    low: Volts = Field(ge=0, examples=["0.4 V"])
    high: Volts = Field(gt=0, examples=["2.8 V"])
    most_current: Amperes = Field(gt=0, examples=["10 mA"])

    @model_validator(mode="after")
    def _ascends(self) -> Self:
        if not self.low < self.high:
            raise ValueError(
                f"gives {write(self.low, VOLTAGE)} when low and {write(self.high, VOLTAGE)} when "
                "high: high must be above low"
            )
        return self


class DigitalBox(Data):
    """A box's figures.

    `inputs` and `outputs` are the numbers of the lines that can be such, some of them perhaps
    either. A write is there after `switching_time` (s); the next one to the same line begins
    `shortest_interval` (s) after it at the earliest, and the box waits until then.
    """

    title: str
    figures_from: str
    simulated_identity: str = Field(default="RIDGE,DEMO", pattern=r"^[^,;\s]+,[^,;\s]+$")
    inputs: tuple[int, ...] = ()
    outputs: tuple[int, ...] = ()
    input: Inputs | None = None
    output: Outputs | None = None
    switching_time: Seconds = Field(default=0.0, ge=0)
    shortest_interval: Seconds = Field(default=0.0, ge=0)

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        for key, lines, levels in (
            ("inputs", self.inputs, self.input),
            ("outputs", self.outputs, self.output),
        ):
            if len(set(lines)) < len(lines) or min(lines, default=0) < 0:
                raise ValueError(f"has {key} that repeat or are negative: name each line once")
            if lines and levels is None:
                raise ValueError(f"has {key} and doesn't say their levels, under [{key[:-1]}]")
        if not self.lines:
            raise ValueError("has no lines: name them, as in inputs = [0, 1], outputs = [2, 3]")
        if self.shortest_interval < self.switching_time:
            raise ValueError(
                "has a shortest_interval below its switching_time: a write begins when the one "
                "before is there"
            )
        return self

    @property
    def lines(self) -> tuple[int, ...]:
        """The numbers of its lines, ascending."""
        return tuple(sorted({*self.inputs, *self.outputs}))


def load_digital_box(name: str, beside: Path) -> tuple[DigitalBox | None, Problems]:
    """A shipped box by its name, or one from a path (relative to the folder `beside`).

    Returns None with the problems where it can't be read; each is located in its own file.
    """
    source, problems = specification_text(name, beside)
    return (None, problems) if source is None else read_digital_box(source)


def read_digital_box(source: Source) -> tuple[DigitalBox | None, Problems]:
    """A box from its TOML text, with the problems found in it."""
    problems = Problems(source, fault="bench")
    data = parse_toml(problems, "specification")
    if data is None:
        return None, problems
    if "voltage_ranges" in data:
        problems.error(
            "specification-value",
            Places(source.text).key(("voltage_ranges",)),
            "this is the specification of an instrument, and a digital line has that of a box",
            "Name one, as demo-digital.",
        )
        return None, problems
    return validate(DigitalBox, data, problems, Places(source.text), "specification"), problems
