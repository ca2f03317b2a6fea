"""What every sensor is: a quantity, and the signal at a channel's terminals that stands for it.

A sensor is data and two functions: the signal (V, A or ohm) at a value of its quantity (SI), and
the value at a signal. Past its span a sensor says nothing: the value is infinite then, as a reading
over range is. It knows no instrument, no leads and no time.
"""

from __future__ import annotations

import math
from abc import abstractmethod
from collections.abc import Callable
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import BeforeValidator

from drivers.fields import Data, QuantityOf
from drivers.sensed import difference
from grammar.quantity import PLAIN, TEMPERATURE_POINT, Dimension, UnitError, read

Signal = Literal["voltage", "current", "resistance"]
Wires = Literal[2, 3, 4]
ZERO_CELSIUS = 273.15
_HALVINGS = 100


class Uncertainty(NamedTuple):
    """The largest error of a value: an absolute part (SI) plus a share of the value."""

    plus: float
    of_value: float


class Excitation(NamedTuple):
    """How a resistance is measured: by a current (A), on 2, 3 or 4 wires."""

    current: float
    wires: Wires

    @property
    def leads(self) -> int:
        """How many leads the resistance holds besides the sensor.

        On 4 wires the leads don't count; on 3 the voltage is sensed on one side alone.
        """
        return 4 - self.wires if self.wires > 2 else 2


class Sensor(Data):
    """What a sensor of any kind has."""

    kind: str

    @property
    @abstractmethod
    def gives(self) -> str:
        """The quantity that it gives, by its name in recipes."""

    @property
    @abstractmethod
    def reads(self) -> Signal:
        """What its channel measures for it."""

    @property
    @abstractmethod
    def span(self) -> tuple[float, float]:
        """The values (SI) between which it says something."""

    @property
    @abstractmethod
    def method(self) -> str:
        """How a value comes from a signal, and after which source."""

    @property
    @abstractmethod
    def stated(self) -> Uncertainty | None:
        """The uncertainty that is stated, None where none is."""

    @property
    def excited(self) -> Excitation | None:
        """How its resistance is measured; None where it gives its signal by itself."""
        return None

    @property
    def drives(self) -> float:
        """The voltage (V) by which it drives its current: a loop's feed (common practice)."""
        return 24.0

    @property
    def counts_from(self) -> float | str | None:
        """What its signal counts from: a temperature (K), the channel that reads it, or nothing."""
        return None

    @abstractmethod
    def signal(self, value: float, reference: float = math.nan) -> float:
        """The signal (V, A, ohm) at a value of the span (SI), counted from a `reference` (K)."""

    def value(self, signal: float, reference: float = math.nan) -> float:
        """The value (SI) at a signal; -inf or inf past the span, NaN where there is no signal."""
        return solve(lambda value: self.signal(value, reference), self.span, signal)

    def error(self, value: float) -> float:
        """How far a value may be off by the sensor itself (SI, largest error); 0 if not stated."""
        if self.stated is None:
            return 0.0
        return self.stated.plus + self.stated.of_value * abs(value)

    def ends(self, reference: float) -> tuple[float, float]:
        """The signals at the span's two ends."""
        low, high = self.span
        return self.signal(low, reference), self.signal(high, reference)


def read_uncertainty(value: Any, dimension: Dimension) -> Uncertainty:
    """An uncertainty as it is written: a quantity ("0.5 K"), or a share ("3 %").

    A humidity is a share itself: its "3 %" is absolute. Raises as validators do.
    """
    try:
        share = isinstance(value, str) and read(value).dimension.is_plain
    except UnitError:
        share = False
    if share and dimension == TEMPERATURE_POINT:
        raise ValueError(f"is {value}, a share of what counts from no true zero: write it in K")
    if share and not dimension.is_plain:
        found = Uncertainty(0.0, QuantityOf(PLAIN)(value))
    else:
        found = Uncertainty(QuantityOf(difference(dimension))(value), 0.0)
    if max(found) <= 0:
        raise ValueError(f"is {value}: it must be greater than 0")
    return found


class Thermometer(Sensor):
    """A sensor that gives a temperature (K)."""

    uncertainty: Annotated[
        Uncertainty | None, BeforeValidator(lambda v: read_uncertainty(v, TEMPERATURE_POINT))
    ] = None

    @property
    def gives(self) -> str:
        """A temperature."""
        return "temperature"

    @property
    def stated(self) -> Uncertainty | None:
        """The uncertainty."""
        return self.uncertainty


def solve(function: Callable[[float], float], span: tuple[float, float], wanted: float) -> float:
    """Where a monotonic function has a value, by halving; infinite on the side where it has not."""
    if math.isnan(wanted):
        return math.nan
    low, high = span
    at_low, at_high = function(low), function(high)
    rising = at_high > at_low
    if not min(at_low, at_high) <= wanted <= max(at_low, at_high):
        return math.inf if (wanted > max(at_low, at_high)) == rising else -math.inf
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if not low < middle < high:
            break
        if (function(middle) < wanted) == rising:
            low = middle
        else:
            high = middle
    return (low + high) / 2
