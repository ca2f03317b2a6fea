"""The fields that files of data are made of: quantities written as in recipes, kept in SI.

Bench files, specifications, dialects and parts are all built from these. The module knows none of
them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
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


def quantity_of(dimension: Dimension, example: str = "") -> Callable[[Any], float]:
    """A validator for a quantity written as in recipes ("2.7 V"), giving its SI value.

    One that has been read already is as good. `example` shows how to write one whose dimension has
    no unit of its own ("100 ppm/K").
    """
    expected = f"expected a {dimension.name}"
    if example or dimension.unit:
        expected += f" as in “{example or f'1 {dimension.unit}'}”"

    def validate(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, str | int | float | Quantity):
            shown = example or f"1 {dimension.unit}".rstrip()
            raise _wrong(f'expected a {dimension.name} written as in "{shown}"')
        quantity = value if isinstance(value, Quantity) else None
        try:
            quantity = read(value) if isinstance(value, str) else quantity
        except UnitError as error:
            raise _wrong(f"{error}; {expected}") from None
        if not dimension.is_plain and (quantity is None or quantity.dimension.is_plain):
            if example:
                raise _wrong(f"the unit is missing: {expected}")
            raise _wrong(f'the unit is missing: write "{value} {dimension.unit}"')
        if quantity is None:
            return _finite(value)
        if quantity.dimension != dimension:
            raise _wrong(f"“{value}” is a {quantity.dimension.name}, {expected}")
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
Ohms = Annotated[float, BeforeValidator(quantity_of(RESISTANCE))]
Hertz = Annotated[float, BeforeValidator(quantity_of(FREQUENCY))]
Farads = Annotated[float, BeforeValidator(quantity_of(CAPACITANCE))]
Henries = Annotated[float, BeforeValidator(quantity_of(INDUCTANCE))]
Joules = Annotated[float, BeforeValidator(quantity_of(ENERGY))]
Watts = Annotated[float, BeforeValidator(quantity_of(POWER))]
Kelvins = Annotated[float, BeforeValidator(quantity_of(TEMPERATURE_POINT))]
"""A temperature, written in °C."""
KelvinsDifference = Annotated[float, BeforeValidator(quantity_of(TEMPERATURE))]
KelvinsPerWatt = Annotated[float, BeforeValidator(quantity_of(TEMPERATURE.over(POWER)))]
JoulesPerKelvin = Annotated[float, BeforeValidator(quantity_of(ENERGY.over(TEMPERATURE)))]
PerKelvin = Annotated[
    float, BeforeValidator(quantity_of(PLAIN.over(TEMPERATURE), example="100 ppm/K"))
]
VoltsPerSecond = Annotated[
    float, BeforeValidator(quantity_of(VOLTAGE.over(TIME), example="0.5 V/us"))
]
AmperesPerSecond = Annotated[
    float, BeforeValidator(quantity_of(CURRENT.over(TIME), example="2 A/us"))
]
Ratio = Annotated[float, BeforeValidator(quantity_of(PLAIN))]


class Data(BaseModel):
    """The base of all that is read from files: unknown keys are errors, values don't change."""

    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True)
