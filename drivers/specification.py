"""What an instrument can do, as data: read from TOML, used by checker, runner and simulator alike.

Figures are kept in SI. Accuracy is a fraction of the value plus an absolute part, a limit
(rectangular) unless a coverage factor is stated. The module knows no recipe and opens no link.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from drivers.located import Places, parse_toml, suggestion, validate
from grammar.diagnostic import NOWHERE, Problems, Source
from grammar.quantity import (
    CURRENT,
    FREQUENCY,
    LINE_CYCLES,
    PLAIN,
    POWER,
    RESISTANCE,
    TIME,
    VOLTAGE,
    Dimension,
    UnitError,
    read,
)


def quantity_of(dimension: Dimension) -> Callable[[Any], float]:
    """A validator for a quantity written as in recipes ("2.7 V"), giving its SI value."""

    def validate(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            example = f"1 {dimension.unit}".rstrip()
            raise _wrong(f'expected a {dimension.name} written as in "{example}"')
        try:
            quantity = read(value) if isinstance(value, str) else None
        except UnitError as error:
            raise _wrong(
                f"{error}; expected a {dimension.name}"
                + (f" as in “1 {dimension.unit}”" if dimension.unit else "")
            ) from None
        if not dimension.is_plain and (quantity is None or quantity.dimension.is_plain):
            raise _wrong(f'the unit is missing: write "{value} {dimension.unit}"')
        if quantity is None:
            return _finite(value)
        if quantity.dimension != dimension:
            raise _wrong(
                f"“{value}” is a {quantity.dimension.name}, expected a {dimension.name}"
                + (f" as in “1 {dimension.unit}”" if dimension.unit else "")
            )
        return quantity.value

    return validate


def _finite(value: Any) -> float:
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise _wrong("this is no number to work with")
    return number


def _wrong(words: str) -> PydanticCustomError:
    """A type of its own tells wrong units from other wrong values where problems are located."""
    return PydanticCustomError("unit", "{words}", {"words": words})


Volts = Annotated[float, BeforeValidator(quantity_of(VOLTAGE))]
Amperes = Annotated[float, BeforeValidator(quantity_of(CURRENT))]
Seconds = Annotated[float, BeforeValidator(quantity_of(TIME))]
Watts = Annotated[float, BeforeValidator(quantity_of(POWER))]
Ohms = Annotated[float, BeforeValidator(quantity_of(RESISTANCE))]
Hertz = Annotated[float, BeforeValidator(quantity_of(FREQUENCY))]
Ratio = Annotated[float, BeforeValidator(quantity_of(PLAIN))]
Cycles = Annotated[float, BeforeValidator(quantity_of(LINE_CYCLES))]


class Data(BaseModel):
    """The base of all that is read from files: unknown keys are errors, values don't change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class VoltageAccuracy(Data):
    """Largest error of a voltage: of the value, plus an absolute part (V)."""

    of_value: Ratio = Field(ge=0)
    plus: Volts = Field(ge=0)


class CurrentAccuracy(Data):
    """Largest error of a current: of the value, plus an absolute part (A)."""

    of_value: Ratio = Field(ge=0)
    plus: Amperes = Field(ge=0)


class VoltageRange(Data):
    """One voltage range; noise is the standard deviation of a reading of one power line cycle."""

    full_scale: Volts = Field(gt=0)
    resolution: Volts = Field(ge=0)
    noise: Volts = Field(ge=0)
    source: VoltageAccuracy
    measure: VoltageAccuracy


class CurrentRange(Data):
    """One current range; noise is the standard deviation of a reading of one power line cycle."""

    full_scale: Amperes = Field(gt=0)
    resolution: Amperes = Field(ge=0)
    noise: Amperes = Field(ge=0)
    source: CurrentAccuracy
    measure: CurrentAccuracy


class Rectangle(Data):
    """One rectangle of the continuous envelope, about zero: up to these magnitudes.

    `source` is the quadrants where power goes out of the instrument, `sink` where it comes back.
    """

    voltage: Volts = Field(gt=0)
    current: Amperes = Field(gt=0)
    direction: Literal["source", "sink", "both"] = "both"


class Overshoot(Data):
    """How far each limit is passed before it responds."""

    voltage: Volts = Field(default=0.0, ge=0)
    current: Amperes = Field(default=0.0, ge=0)


Capability = Literal[
    "source",
    "sink",
    "measure",
    "measure voltage",
    "measure current",
    "remote sense",
    "measure open",
    "pulse",
    "capture",
    "two-sided limit",
    "mode change under power",
]


class Specification(Data):
    """An instrument's figures.

    `simulated_identity` is the maker and model that its simulation answers with; `over_range` is
    how far past a full scale a reading still holds, as a fraction of it; `coverage_factor` is that
    of the stated accuracies, none where they are limits.
    """

    title: str
    figures_from: str
    simulated_identity: str = Field(default="RIDGE,DEMO", pattern=r"^[^,;\s]+,[^,;\s]+$")
    capabilities: tuple[Capability, ...]
    off_state: Literal["open", "zero volts"] = "open"
    reset_state: Literal["open", "zero volts"] = "open"
    power_on_state: Literal["open", "zero volts", "last"] = "open"
    measures: Literal["simultaneous", "sequential"] = "simultaneous"
    switching_time: Seconds = Field(ge=0)
    limit_response: Seconds = Field(default=0.0, ge=0)
    overshoot: Overshoot = Overshoot()
    shortest_aperture: Seconds = Field(gt=0)
    longest_aperture: Seconds = Field(gt=0)
    over_range: Ratio = Field(default=0.0, ge=0)
    coverage_factor: float | None = Field(default=None, gt=0)
    output_resistance: Ohms = Field(default=0.0, ge=0)
    continuous: tuple[Rectangle, ...] = Field(min_length=1)
    voltage_ranges: tuple[VoltageRange, ...] = Field(min_length=1)
    current_ranges: tuple[CurrentRange, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _ranges_ascend(self) -> Specification:
        for name in ("voltage_ranges", "current_ranges"):
            scales = [r.full_scale for r in getattr(self, name)]
            if scales != sorted(set(scales)):
                raise ValueError(
                    f"has {name} that don't ascend: the smallest full scale first, each once"
                )
        if self.shortest_aperture > self.longest_aperture:
            raise ValueError("has a shortest_aperture that is longer than its longest_aperture")
        return self

    def can(self, capability: str) -> bool:
        """Whether the instrument has a capability; "measure" covers its two quantities."""
        if capability in ("measure voltage", "measure current") and "measure" in self.capabilities:
            return True
        return capability in self.capabilities

    def voltage_range(self, magnitude: float) -> VoltageRange | None:
        """The smallest voltage range that holds a magnitude (V), None where none does."""
        return next((r for r in self.voltage_ranges if r.full_scale >= magnitude), None)

    def current_range(self, magnitude: float) -> CurrentRange | None:
        """The smallest current range that holds a magnitude (A), None where none does."""
        return next((r for r in self.current_ranges if r.full_scale >= magnitude), None)

    def holds(self, voltage: float, current: float, direction: str) -> bool:
        """Whether the continuous envelope holds these magnitudes; direction "source" or "sink"."""
        return any(
            r.direction in (direction, "both") and voltage <= r.voltage and current <= r.current
            for r in self.continuous
        )

    @property
    def largest_voltage(self) -> float:
        """The largest voltage of the continuous envelope (V)."""
        return max(r.voltage for r in self.continuous)

    @property
    def largest_current(self) -> float:
        """The largest current of the continuous envelope (A)."""
        return max(r.current for r in self.continuous)


def reading_noise(noise_at_one_cycle: float, aperture_s: float, line_frequency: float) -> float:
    """Standard deviation of a reading over an aperture, white noise: ∝ 1/√aperture."""
    return noise_at_one_cycle / math.sqrt(aperture_s * line_frequency)


def shipped_specifications() -> list[str]:
    """The names of the specifications that ship with the program, in alphabetical order."""
    folder = resources.files("drivers") / "specifications"
    return sorted(f.name[:-5] for f in folder.iterdir() if f.name.endswith(".toml"))


def load_specification(
    name: str, beside: Path | None = None
) -> tuple[Specification | None, Problems]:
    """A shipped specification by its name, or one from a path (relative to the folder `beside`).

    Returns None with the problems where it can't be read; each is located in its own file.
    """
    if name in shipped_specifications():
        file = resources.files("drivers") / "specifications" / f"{name}.toml"
        return read_specification(Source(f"{name}.toml", file.read_text("utf-8")))
    path = (beside or Path()) / name
    try:
        text = path.read_text("utf-8")
    except (OSError, ValueError):
        problems = Problems(Source(name, ""), fault="bench")
        problems.error(
            "specification-file",
            NOWHERE,
            f"there is no specification “{name}”, neither shipped nor as a text file at {path}",
            suggestion(name, shipped_specifications()),
        )
        return None, problems
    return read_specification(Source(str(path), text))


def read_specification(source: Source) -> tuple[Specification | None, Problems]:
    """A specification from its TOML text, with the problems found in it."""
    problems = Problems(source, fault="bench")
    data = parse_toml(problems, "specification")
    if data is None:
        return None, problems
    places = Places(source.text)
    return validate(Specification, data, problems, places, "specification"), problems
