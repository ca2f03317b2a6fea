"""Values by name as a caller of the Python interface gives them: texts, numbers, quantities."""

from __future__ import annotations

import math
from collections.abc import Mapping
from contextlib import suppress
from numbers import Real
from typing import Any

from grammar.quantity import PLAIN, Dimension, Quantity, UnitError, read


def quantities(given: Mapping[str, str | float | Quantity] | None) -> dict[str, Quantity]:
    """Values by name, read where they are written ("2.5 V"). Raises UnitError that names it.

    A number is what it is on the command line too: a plain one, without a unit.
    """
    if not isinstance(given, Mapping | None):
        raise UnitError(f'{given!r} is no values by name: write them as in {{"rate": "2 A"}}')
    values = {}
    for name, value in (given or {}).items():
        try:
            if not isinstance(name, str):
                raise UnitError(f'a name is a text: write it as in {{"rate": "{value}"}}')
            values[name] = _quantity(value)
        except UnitError as error:
            shown = value if isinstance(value, str) else repr(value)[:40]
            raise UnitError(f"{name} = {shown}: {error}") from None
    return values


def _quantity(value: Any) -> Quantity:
    if isinstance(value, str):
        return read(value)
    number: Any
    number, dimension = value if isinstance(value, Quantity) else (value, PLAIN)
    if not isinstance(number, bool) and isinstance(number, Real):
        with suppress(OverflowError):
            found = Quantity(float(number), dimension)
            if math.isfinite(found.value) and isinstance(dimension, Dimension):
                return found
    raise UnitError('write a number with its unit in quotes, as in "150 mA"')
