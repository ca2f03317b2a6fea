"""What a plot shows, as data: axes with their units, curves, lines of guards. Draws nothing."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from grammar.quantity import ABSOLUTE_ZERO_C, TIME, Dimension, read_unit, write

Values = NDArray[np.float64]

_TIMES = ((4 * 86400.0, "d"), (4 * 3600.0, "h"), (240.0, "min"))
"""From this length (s) on a time axis is in these."""


class Axis(NamedTuple):
    """What an axis carries, the quantity first: "current (mA)"."""

    quantity: str
    unit: str = ""
    logarithmic: bool = False

    @property
    def label(self) -> str:
        """As it stands along the axis."""
        return f"{self.quantity} ({self.unit})" if self.unit else self.quantity


class Curve(NamedTuple):
    """One curve: values across and upwards, one length, in the units of the axes.

    A place without a value is NaN, and the curve is broken there.
    """

    name: str
    x: Values
    y: Values


class Level(NamedTuple):
    """A line across the whole plot, such as a rating, at a value of the axis upwards."""

    name: str
    value: float


class Plot(NamedTuple):
    """One plot. `name` is fit for a file or an anchor; `note` says what the picture can't show."""

    name: str
    title: str
    x: Axis
    y: Axis
    curves: tuple[Curve, ...]
    levels: tuple[Level, ...] = ()
    note: str = ""


class Scale(NamedTuple):
    """A unit to show values in: what one of it is in SI, and where its zero lies."""

    unit: str
    size: float = 1.0
    zero: float = 0.0

    def of(self, values: Values) -> Values:
        """SI values in this unit."""
        return (values - self.zero) / self.size


def scale(dimension: Dimension, reach: float, logarithmic: bool = False) -> Scale:
    """The unit that values of up to `reach` (SI) read best in; without a prefix on a log axis."""
    if dimension.point:
        return Scale("°C", zero=-float(ABSOLUTE_ZERO_C))
    unit = dimension.unit
    if logarithmic or reach == 0 or not math.isfinite(reach) or not unit:
        return Scale(unit)
    longer = (name for least, name in _TIMES if dimension == TIME and reach >= least)
    unit = next(longer, "")
    if not unit:
        # Beyond two minutes a time would be written in parts.
        shown = min(reach, 100.0) if dimension == TIME else reach
        unit = write(shown, dimension, 3).partition(" ")[2]
    return Scale(unit, float(read_unit(unit).scale))


def reach_of(columns: Iterable[Values]) -> float:
    """The largest finite magnitude of some columns, 0 where there is none."""
    found = 0.0
    for column in columns:
        finite = np.abs(column[np.isfinite(column)])
        if finite.size:
            found = max(found, float(finite.max()))
    return found
