"""The fields that files of data are made of: quantities written as in recipes, kept in SI.

Bench files, specifications, dialects and parts are all built from these. The module knows none of
them.
"""

from __future__ import annotations

import math
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict
from pydantic_core import PydanticCustomError

from grammar.quantity import (
    CAPACITANCE,
    CURRENT,
    ENERGY,
    FREQUENCY,
    INDUCTANCE,
    PLAIN,
    POWER,
    RESISTANCE,
    TEMPERATURE,
    TEMPERATURE_POINT,
    TIME,
    VOLTAGE,
    Dimension,
    Quantity,
    UnitError,
    read,
)


class QuantityOf:
    """A validator for a quantity written as in recipes ("2.7 V"), giving its SI value.

    One that has been read already is as good. `example` shows how to write one whose dimension has
    no unit of its own ("100 ppm/K"); its `unit` is that, else None.
    """

    def __init__(self, dimension: Dimension, example: str = "") -> None:
        self.dimension = dimension
        self.unit = example.partition(" ")[2] or None
        self._example = example
        self._expected = f"expected a {dimension.name}"
        if example or dimension.unit:
            self._expected += f" as in “{example or f'1 {dimension.unit}'}”"

    def __call__(self, value: Any) -> float:
        """The value in SI. Raises what pydantic takes for a wrong one."""
        dimension = self.dimension
        if isinstance(value, bool) or not isinstance(value, str | int | float | Quantity):
            shown = self._example or f"1 {dimension.unit}".rstrip()
            raise _wrong(f'expected a {dimension.name} written as in "{shown}"')
        quantity = value if isinstance(value, Quantity) else None
        try:
            quantity = read(value) if isinstance(value, str) else quantity
        except UnitError as error:
            raise _wrong(f"{error}; {self._expected}") from None
        if not dimension.is_plain and (quantity is None or quantity.dimension.is_plain):
            if self._example:
                raise _wrong(f"the unit is missing: {self._expected}")
            raise _wrong(f'the unit is missing: write "{value} {dimension.unit}"')
        if quantity is None:
            return _finite(value)
        if quantity.dimension != dimension:
            raise _wrong(f"“{value}” is a {quantity.dimension.name}, {self._expected}")
        return quantity.value


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


Volts = Annotated[float, BeforeValidator(QuantityOf(VOLTAGE))]
Amperes = Annotated[float, BeforeValidator(QuantityOf(CURRENT))]
Seconds = Annotated[float, BeforeValidator(QuantityOf(TIME))]
Ohms = Annotated[float, BeforeValidator(QuantityOf(RESISTANCE))]
Hertz = Annotated[float, BeforeValidator(QuantityOf(FREQUENCY))]
Farads = Annotated[float, BeforeValidator(QuantityOf(CAPACITANCE))]
Henries = Annotated[float, BeforeValidator(QuantityOf(INDUCTANCE))]
Joules = Annotated[float, BeforeValidator(QuantityOf(ENERGY))]
Watts = Annotated[float, BeforeValidator(QuantityOf(POWER))]
Kelvins = Annotated[float, BeforeValidator(QuantityOf(TEMPERATURE_POINT))]
"""A temperature, written in °C."""
KelvinsDifference = Annotated[float, BeforeValidator(QuantityOf(TEMPERATURE))]
KelvinsPerWatt = Annotated[float, BeforeValidator(QuantityOf(TEMPERATURE.over(POWER)))]
JoulesPerKelvin = Annotated[float, BeforeValidator(QuantityOf(ENERGY.over(TEMPERATURE)))]
PerKelvin = Annotated[
    float, BeforeValidator(QuantityOf(PLAIN.over(TEMPERATURE), example="100 ppm/K"))
]
VoltsPerSecond = Annotated[
    float, BeforeValidator(QuantityOf(VOLTAGE.over(TIME), example="0.5 V/us"))
]
AmperesPerSecond = Annotated[
    float, BeforeValidator(QuantityOf(CURRENT.over(TIME), example="2 A/us"))
]
Ratio = Annotated[float, BeforeValidator(QuantityOf(PLAIN))]


class Data(BaseModel):
    """The base of all that is read from files: unknown keys are errors, values don't change."""

    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True)
