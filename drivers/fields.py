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
    CURRENT,
    FREQUENCY,
    PLAIN,
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
Ohms = Annotated[float, BeforeValidator(quantity_of(RESISTANCE))]
Hertz = Annotated[float, BeforeValidator(quantity_of(FREQUENCY))]
Ratio = Annotated[float, BeforeValidator(quantity_of(PLAIN))]


class Data(BaseModel):
    """The base of all that is read from files: unknown keys are errors, values don't change."""

    model_config = ConfigDict(extra="forbid", frozen=True)
