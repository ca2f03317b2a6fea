"""A transmitter: its signal goes in a straight line with its quantity, as 4-20 mA or 0-10 V do.

Keys: the `quantity`, two `signals` (voltages or currents) and the two `values` that belong to them.
A little past both ends it still reads: current transmitters go on to about 3.8 mA and 20.5 mA
before they say that something is wrong (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any, Literal, NamedTuple

from pydantic import Field, ValidationInfo, field_validator

from drivers.fields import QuantityOf
from drivers.sensed import SENSED
from drivers.sensors.base import Sensor, Signal, Uncertainty, read_uncertainty
from grammar.quantity import CURRENT, RESISTANCE, VOLTAGE, Dimension, UnitError, read

Gives = Literal["temperature", "pressure", "humidity", "illuminance", "irradiance", "speed"]
_SIGNALS: dict[Signal, Dimension] = {
    "voltage": VOLTAGE,
    "current": CURRENT,
    "resistance": RESISTANCE,
}
_BEYOND = 0.025  # of the span, at either end


class Signals(NamedTuple):
    """Signals (V, A or ohm), rising or falling, and which of the three they are."""

    reads: Signal
    points: tuple[float, ...]


class Transmitter(Sensor):
    """What gives points of a straight line, or of several, in the order of the values."""

    quantity: Gives = Field(examples=["pressure"])
    signals: Signals
    values: tuple[float, ...]
    uncertainty: Uncertainty | None = None

    @field_validator("signals", mode="before")
    @classmethod
    def _read_signals(cls, value: Any) -> Signals:
        signals = _listed(value, cls._accept_count)
        reads = next((k for k, d in cls._signals().items() if _dimension_of(signals[0]) == d), None)
        if reads is None:
            named = " or ".join(cls._signals())
            raise ValueError(f"must hold signals of a {named}, as in “4 mA” or “10 V”")
        return Signals(reads, _unlike([QuantityOf(_SIGNALS[reads])(s) for s in signals]))

    @field_validator("values", mode="before")
    @classmethod
    def _read_values(cls, value: Any, info: ValidationInfo) -> tuple[float, ...]:
        values = _listed(value, cls._accept_count)
        dimension = SENSED.get(info.data.get("quantity", ""))
        if dimension is None:
            return ()  # the quantity is wrong, and told of
        found = _unlike([QuantityOf(dimension)(v) for v in values])
        signals = info.data.get("signals")
        if signals is not None and len(signals.points) != len(found):
            raise ValueError(
                f"must have as many entries as “signals”: there are {len(found)} and "
                f"{len(signals.points)}"
            )
        return found

    @field_validator("uncertainty", mode="before")
    @classmethod
    def _read_uncertainty(cls, value: Any, info: ValidationInfo) -> Uncertainty | None:
        dimension = SENSED.get(info.data.get("quantity", ""))
        return read_uncertainty(value, dimension) if dimension is not None else None

    @classmethod
    def _signals(cls) -> dict[Signal, Dimension]:
        """The signals that it may give."""
        return _SIGNALS

    @staticmethod
    def _accept_count(count: int) -> str:
        """What is wrong with so many points; empty where nothing is."""
        return "" if count >= 2 else "must have two entries or more"

    @property
    def gives(self) -> str:
        """The quantity named."""
        return self.quantity

    @property
    def reads(self) -> Signal:
        """What the signals are."""
        return self.signals.reads

    @property
    def span(self) -> tuple[float, float]:
        """From the smallest to the largest of the values (SI)."""
        return min(self.values), max(self.values)

    @property
    def method(self) -> str:
        """How many points the lines join."""
        return f"straight lines between {len(self.values)} points"

    def signal(self, value: float, reference: float = math.nan) -> float:
        """The signal (V, A or ohm) at a value (SI), on the line of the points nearest to it."""
        points = sorted(zip(self.values, self.signals.points, strict=True))
        for (low, at_low), (high, at_high) in pairwise(points):
            if value <= high or high == points[-1][0]:
                return at_low + (value - low) / (high - low) * (at_high - at_low)
        raise AssertionError("there are two points at least")

    @property
    def stated(self) -> Uncertainty | None:
        """The uncertainty."""
        return self.uncertainty


class Linear(Transmitter):
    """A transmitter with one straight line."""

    kind: Literal["linear"]

    @classmethod
    def _signals(cls) -> dict[Signal, Dimension]:
        return {"voltage": VOLTAGE, "current": CURRENT}

    @staticmethod
    def _accept_count(count: int) -> str:
        return "" if count == 2 else "must have two entries: those of the span's two ends"

    @property
    def span(self) -> tuple[float, float]:
        """The two values (SI), and a little beyond."""
        low, high = super().span
        return low - _BEYOND * (high - low), high + _BEYOND * (high - low)

    @property
    def method(self) -> str:
        """What it is."""
        return "straight line between two points"


def _listed(value: Any, accept_count: Callable[[int], str]) -> list[Any]:
    """The entries of a list of so many as may be. Raises ValueError."""
    if not isinstance(value, list):
        raise ValueError("must be a list: [ … ]")
    wrong = accept_count(len(value))
    if wrong:
        raise ValueError(wrong)
    return value


def _dimension_of(value: Any) -> Dimension | None:
    try:
        return read(value).dimension if isinstance(value, str) else None
    except UnitError:
        return None


def _unlike(values: list[float]) -> tuple[float, ...]:
    """Values that rise or fall throughout. Raises ValueError."""
    if sorted(set(values)) not in (values, values[::-1]):
        raise ValueError("must rise or fall throughout, and hold no value twice")
    return tuple(values)
